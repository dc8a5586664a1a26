//! The command line: a thin face over `ops`.

pub mod args;
mod ask;
mod compare;
mod copies;
mod create;
mod demo;
mod device;
pub mod exit;
mod find;
mod health;
mod host;
pub mod json;
mod keep;
mod key;
mod layout;
pub mod print;
mod recall;
mod reindex;
mod rescue;
mod shelf;
mod takes;
mod usage;
mod words;

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::ops::reread::{self, Reread};
use crate::sys::text::counted;
use crate::sys::{World, settings};
use crate::vault::Vault;
use args::{Cli, Command, Global};
use exit::Outcome;
use print::{Manner, Printer};

/// Runs one command line (with the program's name in front) and gives back the exit code.
pub fn run(args: Vec<OsString>) -> u8 {
    let cli = match args::parse(&args) {
        Ok(cli) => cli,
        Err(e) => return usage::tell(&e, &args),
    };
    let printer = Printer::new(Manner {
        json: cli.global.json,
        quiet: cli.global.quiet,
        verbose: cli.global.verbose,
        no_color: cli.global.no_color,
    });
    let face = Face {
        global: cli.global.clone(),
        world: World::real(),
        printer,
    };
    let result = command(&face, cli).and_then(|outcome| face.printer.finish().map(|()| outcome));
    let code = exit::code(&result);
    if let Err(e) = result
        && !exit::is_broken_pipe(&e)
    {
        face.printer.error(&usage::with_next(e, &args));
    }
    code
}

/// What every command needs.
#[derive(Debug)]
struct Face {
    global: Global,
    world: World,
    printer: Printer,
}

fn command(face: &Face, cli: Cli) -> Result<Outcome> {
    match cli.command {
        Command::Create(what) => create::create(face, &what),
        Command::Device(what) => device::device(face, what),
        Command::Keep(what) => keep::keep(face, what),
        Command::History(what) => takes::history(face, &what),
        Command::Show(what) => takes::show(face, &what),
        Command::Label(what) => takes::label(face, what),
        Command::Vouch(what) => takes::vouch(face, &what),
        Command::Compare(what) => compare::compare(face, &what),
        Command::Layout(what) => layout::layout(face, &what),
        Command::Find(what) => find::find(face, &what),
        Command::Recall(what) => recall::recall(face, &what),
        Command::Health => health::health(face),
        Command::Shelf(what) => shelf::shelf(face, what),
        Command::Mirror(what) => copies::mirror(face, &what),
        Command::Fixity(what) => copies::fixity(face, &what),
        Command::Repair(what) => copies::repair(face, &what),
        Command::Rescue(what) => rescue::rescue(face, &what),
        Command::Key(what) => key::key(face, what),
        Command::Host(what) => host::host(face, what),
        Command::Reindex => reindex::reindex(face),
        Command::Demo(what) => demo::demo(face, what),
    }
}

impl Face {
    /// The vault's folder.
    fn dir(&self) -> Result<PathBuf> {
        self.global
            .vault
            .clone()
            .or_else(settings::default_vault)
            .ok_or_else(|| {
                Error::new(Kind::NotFound, "this computer names no folder for a vault")
                    .next(Next::say("name one with --vault DIR"))
            })
    }

    /// The vault, open, with takes read that were made before the program knew what it knows now.
    fn vault(&self) -> Result<Vault> {
        const AT_ONCE: usize = 20_000;
        let vault = Vault::open(&self.dir()?, self.world.clone())?;
        self.warnings(&vault);
        self.bring_up_to_date(&vault, AT_ONCE)?;
        Ok(vault)
    }

    /// Reads takes anew that have to be, about `most` of them; not while another command writes.
    fn bring_up_to_date(&self, vault: &Vault, most: usize) -> Result<Reread> {
        let read = match reread::bring_up_to_date(vault, most, Duration::ZERO) {
            Err(e) if e.kind == Kind::Busy => return Ok(Reread::default()),
            read => read?,
        };
        if read.doubtful > 0 {
            self.printer.note(format!(
                "{} of what was kept before turned out doubtful, now that more is known of it; farshelf health tells",
                counted(read.doubtful, "take")
            ));
        }
        Ok(read)
    }

    /// Tells what the vault wants to be told.
    fn warnings(&self, vault: &Vault) {
        for warning in vault.take_warnings() {
            self.printer.note(warning);
        }
    }

    /// How long to wait for another writer.
    fn wait(&self) -> Duration {
        Duration::from_secs(self.global.wait)
    }
}
