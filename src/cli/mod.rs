//! The command line: a thin face over `ops`. One file for each group of commands; words and wire shapes only.

mod args;
mod copies;
mod devices;
mod exit;
mod json;
mod keep;
mod keys;
mod print;
mod setup;
mod takes;

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::{CommandFactory, Parser};

use crate::error::{Error, Next, Result};
use crate::sys::World;
use crate::sys::settings::default_vault;
use crate::vault::Vault;
use args::{Cli, Command};
use exit::Exit;
use print::Printer;

/// Runs one command line (program name first) and says how the process ends.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let cli = match Cli::try_parse_from(&arguments) {
        Ok(cli) => cli,
        Err(e) => return usage(&e, &arguments).into(),
    };
    let g = &cli.global;
    let desk = Desk {
        print: Printer::new(g.json, g.quiet, g.verbose, g.no_color),
        world: World::real(),
        vault_dir: g.vault.clone(),
        wait: Duration::from_secs(g.wait),
        no_input: g.no_input,
    };
    let result = dispatch(&desk, cli.command);
    match result {
        Ok(exit) => exit.into(),
        Err(e) => {
            desk.print.error(&e);
            Exit::of(e.kind).into()
        }
    }
}

/// What every command works with.
struct Desk {
    print: Printer,
    world: World,
    vault_dir: Option<PathBuf>,
    wait: Duration,
    no_input: bool,
}

impl Desk {
    fn dir(&self) -> Result<PathBuf> {
        self.vault_dir
            .clone()
            .or_else(default_vault)
            .ok_or_else(|| {
                Error::usage("there is no folder for a vault on this system")
                    .next(Next::say("name one with --vault DIR"))
            })
    }

    fn vault(&self) -> Result<Vault> {
        let vault = Vault::open(&self.dir()?, self.world.clone())?;
        self.warn(&vault);
        Ok(vault)
    }

    fn warn(&self, vault: &Vault) {
        for warning in vault.take_warnings() {
            self.print.note(&warning);
        }
    }

    /// A date for people: instants in local time to the minute, everything else as it is.
    fn when(&self, date: &str) -> String {
        match date.parse::<jiff::Timestamp>() {
            Ok(t) => self
                .world
                .zone
                .to_datetime(t)
                .strftime("%Y-%m-%d %H:%M")
                .to_string(),
            Err(_) => date.to_string(),
        }
    }

    /// A moment for people, in local time to the minute; `never` without one.
    fn moment(&self, seconds: Option<i64>) -> String {
        seconds.map_or("never".to_string(), |s| {
            self.when(&crate::sys::clock::rfc3339(s))
        })
    }
}

fn dispatch(desk: &Desk, command: Command) -> Result<Exit> {
    match command {
        Command::Keep(args) => keep::keep(desk, args),
        Command::History { device } => takes::history(desk, &device),
        Command::Show { reference } => takes::show(desk, &reference),
        Command::Label {
            reference,
            text,
            date,
            remove,
        } => takes::label(desk, &reference, text, date, remove),
        Command::Vouch { reference, text } => takes::vouch(desk, &reference, &text),
        Command::Recall {
            reference,
            to,
            force,
        } => takes::recall(desk, &reference, &to, force),
        Command::Find { text } => takes::find(desk, &text),
        Command::Health => copies::health(desk),
        Command::Shelf(command) => copies::shelf(desk, command),
        Command::Mirror { shelves } => copies::mirror(desk, &shelves),
        Command::Fixity { which, budget } => copies::fixity(desk, &which, budget.as_deref()),
        Command::Repair { passphrase } => copies::repair(desk, &passphrase),
        Command::Rescue {
            locations,
            key,
            to,
            line,
            until,
            passphrase,
        } => setup::rescue(desk, &locations, &key, &to, line, until, &passphrase),
        Command::Create { place } => setup::create(desk, place),
        Command::Device(command) => devices::device(desk, command),
        Command::Key(command) => keys::key(desk, command),
        Command::Reindex => setup::reindex(desk),
        Command::Demo { to } => setup::demo(desk, to),
    }
}

/// Help and version go to standard output; anything else is wrong usage.
fn usage(e: &clap::Error, arguments: &[OsString]) -> Exit {
    use clap::error::ErrorKind;
    let json = arguments.iter().any(|a| a == "--json");
    let print = Printer::new(json, false, false, false);
    match e.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
            // A closed pipe is the reader's business.
            let _ = print.raw(&e.render().to_string());
            Exit::Good
        }
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand if arguments.len() <= 1 => {
            print.err(&Cli::command().render_help().to_string());
            Exit::Usage
        }
        _ => {
            let text = e.render().to_string();
            let mut paragraphs = text.trim().trim_start_matches("error: ").splitn(2, "\n\n");
            let fact = paragraphs
                .next()
                .unwrap_or_default()
                .lines()
                .map(str::trim)
                .collect::<Vec<_>>();
            let rest = paragraphs.next().unwrap_or_default();
            let tip = rest.lines().find_map(|l| l.trim().strip_prefix("tip: "));
            let usage = rest.lines().find_map(|l| l.trim().strip_prefix("Usage: "));
            let next = match (tip, usage) {
                (Some(tip), _) => tip.to_string(),
                (None, Some(usage)) => format!("{usage} (--help says more)"),
                (None, None) => "farshelf --help".to_string(),
            };
            print.error(&Error::usage(fact.join(" ")).next(Next::say(next)));
            Exit::Usage
        }
    }
}
