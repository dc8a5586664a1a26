//! Wrong usage and requested help, in the same form as every other answer.

use std::ffi::OsString;

use clap::error::{ContextKind, ContextValue, ErrorKind};

use crate::cli::print::{Manner, Printer};
use crate::cli::{args, exit};
use crate::error::{Error, Next, Result};
use crate::ops::devices::nearest;

/// Prints help, the version, or what was wrong; gives back the exit code.
pub(super) fn tell(e: &clap::Error, args: &[OsString]) -> u8 {
    let printer = Printer::new(manner(args));
    let result = match e.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => printer
            .text(&e.render().to_string())
            .and_then(|()| printer.finish())
            .map(|()| exit::Outcome::Good),
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
            Err(Error::usage("no command was given").next(Next::say(format!(
                "{} --help shows what there is",
                path_of(args)
            ))))
        }
        _ => wrong(e, args),
    };
    if let Err(e) = &result {
        printer.error(e);
    }
    exit::code(&result)
}

/// Flags are not known yet when the command line cannot be read: only this one matters, and help is never JSON.
fn manner(args: &[OsString]) -> Manner {
    let before_dashes = || args.iter().take_while(|a| *a != "--");
    let asks_help = before_dashes().any(|a| a == "--help" || a == "-h" || a == "--version");
    Manner {
        json: !asks_help && before_dashes().any(|a| a == "--json"),
        quiet: false,
        verbose: false,
        no_color: false,
    }
}

fn wrong(e: &clap::Error, args: &[OsString]) -> Result<exit::Outcome> {
    let named = |kind| match e.get(kind) {
        Some(ContextValue::String(s)) => Some(s.clone()),
        Some(ContextValue::Strings(s)) => Some(s.join(", ")),
        _ => None,
    };
    let path = path_of(args);
    let (fact, near) = match e.kind() {
        ErrorKind::InvalidSubcommand => {
            let wrong = named(ContextKind::InvalidSubcommand).unwrap_or_default();
            let near = nearest(&wrong, commands_below(&path).into_iter());
            (format!("there is no command {path} {wrong}"), near)
        }
        ErrorKind::MissingRequiredArgument => {
            let missing = named(ContextKind::InvalidArg).unwrap_or_default();
            (format!("{path} needs {missing}"), None)
        }
        ErrorKind::UnknownArgument => {
            let wrong = named(ContextKind::InvalidArg).unwrap_or_default();
            (
                format!("{path} does not know {wrong}"),
                named(ContextKind::SuggestedArg),
            )
        }
        _ => (first_paragraph(e), named(ContextKind::SuggestedValue)),
    };
    let next = match near {
        Some(near) => Next::say(format!("did you mean {near}?")),
        None => Next::say(format!("{path} --help shows how")),
    };
    Err(Error::usage(fact).next(next))
}

/// What the parser itself says, without its headline and its hints.
fn first_paragraph(e: &clap::Error) -> String {
    let text = e.render().to_string();
    let lines: Vec<&str> = text
        .lines()
        .map(str::trim)
        .take_while(|l| !l.is_empty())
        .collect();
    let text = lines.join(" ");
    text.strip_prefix("error: ").unwrap_or(&text).to_string()
}

fn commands_below(path: &str) -> Vec<String> {
    let definitions = args::definitions();
    let here = path
        .split(' ')
        .skip(1)
        .try_fold(&definitions, |c, name| c.find_subcommand(name));
    here.into_iter()
        .flat_map(|c| c.get_subcommands().map(|s| s.get_name().to_string()))
        .collect()
}

/// `farshelf device add`: the command as far as it was understood.
fn path_of(args: &[OsString]) -> String {
    let mut path = String::from("farshelf");
    let definitions = args::definitions();
    let mut here = &definitions;
    for arg in args.iter().skip(1) {
        let Some(found) = arg.to_str().and_then(|name| here.find_subcommand(name)) else {
            continue;
        };
        path.push(' ');
        path.push_str(found.get_name());
        here = found;
    }
    path
}
