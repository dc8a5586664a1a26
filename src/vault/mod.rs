//! The local store: reels, ledger and catalogue.

pub mod ledger;
pub mod reel;
