//! stand-in
use crate::error::*;
use crate::model::date::Moment;
use crate::shelf::cipher::Identity;
use crate::sys::World;
use std::path::PathBuf;
#[derive(Debug)]
pub enum Until {
    Reel(u64),
    Date(Moment),
}
#[derive(Debug)]
pub struct RescueOptions {
    pub locations: Vec<PathBuf>,
    pub to: PathBuf,
    pub line: Option<String>,
    pub until: Option<Until>,
}
#[derive(Debug)]
pub struct LastWord {
    pub date: String,
    pub reel: u64,
}
#[derive(Debug)]
pub struct DamagedReel {
    pub reel: u64,
    pub detail: String,
}
#[derive(Debug)]
pub struct Rescued {
    pub vault: PathBuf,
    pub devices: u64,
    pub takes: u64,
    pub reels: u64,
    pub last_word: Option<LastWord>,
    pub damaged: Vec<DamagedReel>,
    pub lost: Vec<(String, u32)>,
    pub notes: Vec<String>,
}
pub fn rescue(_: &RescueOptions, _: &Identity, _: &World) -> Result<Rescued> {
    Err(Error::usage("not yet"))
}
