//! `host`: init, invite, serve, list, check, adopt, retire.

use crate::cli::Face;
use crate::cli::args::{
    Host, HostAdopt, HostCheck, HostFolderArg, HostInit, HostInvite, HostRetire, HostServe,
};
use crate::cli::exit::Outcome;
use crate::cli::json::host as json;
use crate::cli::print::{Tone, cell, number, toned};
use crate::error::{Error, Kind, Next, Result};
use crate::host::{self, GuestView, HostFolder, InitOptions, InviteOptions};
use crate::sys::clock;
use crate::sys::settings;
use crate::sys::text::{counted, size};

pub(super) fn host(face: &Face, what: Host) -> Result<Outcome> {
    match what {
        Host::Init(what) => init(face, what),
        Host::Invite(what) => invite(face, &what),
        Host::Serve(what) => serve(face, &what),
        Host::List(what) => list(face, &what),
        Host::Check(what) => check(face, &what),
        Host::Adopt(what) => adopt(face, &what),
        Host::Retire(what) => retire(face, &what),
    }
}

/// The host that a command is about.
fn open(face: &Face, named: &HostFolderArg) -> Result<HostFolder> {
    let folder = named
        .folder
        .clone()
        .or_else(settings::default_host)
        .or_else(|| host::remembered(&face.world))
        .ok_or_else(|| {
            Error::new(Kind::NotFound, "this computer remembers no host").next(Next::run(
                "make one, or name its folder with --folder DIR",
                "host init FOLDER",
            ))
        })?;
    HostFolder::open(&face.world, &folder)
}

fn init(face: &Face, what: HostInit) -> Result<Outcome> {
    let named = what.address.is_some();
    let options = InitOptions {
        address: what.address,
    };
    let made = HostFolder::init(&face.world, &what.folder, &options)?;
    face.printer.document(&json::Made::of(&made))?;
    face.printer.done(format!(
        "made a host in {}; others reach it as {}",
        made.root.display(),
        made.address.authority()
    ))?;
    if !named {
        face.printer.remark(format!(
            "{} is this computer's own name; if friends reach it by another, write that into host.toml before you invite them",
            made.address.name
        ));
    }
    face.printer
        .hint("let a friend in: farshelf host invite NAME --quota 20GB");
    Ok(Outcome::Good)
}

fn invite(face: &Face, what: &HostInvite) -> Result<Outcome> {
    let opened = open(face, &what.host)?;
    let options = InviteOptions {
        quota: what.quota,
        again: what.again,
        address: what.address.clone(),
        plain: what.plain,
        proxied: what.proxied,
    };
    let invited = host::invite(&opened, &what.name, &options)?;
    face.printer
        .document(&json::Invite::of(what.name.as_str(), &invited))?;
    face.printer.line(invited.line.to_string())?;
    face.printer.remark(format!(
        "send that line to {} the way you send a secret: it lets one guest in, once",
        what.name
    ));
    face.printer.hint(
        "your friend types farshelf shelf add NAME LINE --place PLACE, while farshelf host serve runs here",
    );
    Ok(Outcome::Good)
}

fn serve(face: &Face, what: &HostServe) -> Result<Outcome> {
    let opened = open(face, &what.host)?;
    let serving = host::start(&opened, what.listen, what.plain)?;
    if face.printer.json() {
        // One line: whoever waits for it reads no further.
        let line = json::Listening::of(&serving, &opened, what.plain).line()?;
        face.printer.json_part(&line)?;
    }
    let how = match what.plain {
        true => "without TLS".to_string(),
        false => format!("certificate {}", opened.print),
    };
    face.printer.line(format!(
        "serving {} on {} as {} ({how})",
        opened.root.display(),
        serving.listening,
        opened.address.authority()
    ))?;
    // Whoever waits for this line reads it through a pipe.
    face.printer.finish()?;
    let served = serving.run(|e| face.printer.error(e))?;
    face.printer.remark(format!(
        "stopped; {} came meanwhile",
        counted(served.arrived, "object")
    ));
    Ok(Outcome::Good)
}

fn list(face: &Face, what: &HostFolderArg) -> Result<Outcome> {
    let guests = host::list(&open(face, what)?)?;
    face.printer.document(&json::Guests {
        guests: guests.iter().map(json::Guest::of).collect(),
    })?;
    if guests.is_empty() {
        face.printer.line("there are no guests yet")?;
        face.printer
            .hint("let a friend in: farshelf host invite NAME --quota 20GB");
    }
    let rows = guests.iter().map(|g| row(face, g)).collect();
    face.printer.table(
        &[
            "guest",
            "state",
            "holds",
            "may hold",
            "last came",
            "checked",
        ],
        rows,
    )?;
    for why in guests.iter().filter_map(|g| g.unreadable.as_ref()) {
        face.printer.note(why);
    }
    let bad = |g: &GuestView| g.unreadable.is_some() || !g.report.damaged.is_empty();
    Ok(Outcome::attention_if(guests.iter().any(bad)))
}

fn row(face: &Face, g: &GuestView) -> Vec<crate::cli::print::Cell> {
    let (state, tone) = if g.unreadable.is_some() {
        ("unreadable".to_string(), Tone::Bad)
    } else if !g.report.damaged.is_empty() {
        let n = g.report.damaged.len() as u64;
        (format!("{} damaged", counted(n, "object")), Tone::Bad)
    } else if g.in_use {
        ("good".to_string(), Tone::Good)
    } else if g.invited {
        ("invited".to_string(), Tone::Plain)
    } else {
        ("not invited".to_string(), Tone::Plain)
    };
    let last = g.last_came.map(|at| clock::day(at, &face.world.zone));
    let checked = match &g.report.checked_at {
        Some(at) => at.split('T').next().unwrap_or_default().to_string(),
        None if g.report.objects == 0 => String::new(),
        None => "not all yet".to_string(),
    };
    vec![
        cell(g.name.as_str()),
        toned(state, tone),
        number(size(g.report.bytes)),
        number(g.report.quota.map(size).unwrap_or_default()),
        cell(last.unwrap_or_default()),
        cell(checked),
    ]
}

fn check(face: &Face, what: &HostCheck) -> Result<Outcome> {
    let opened = open(face, &what.host)?;
    let counter = face.printer.counter("objects read");
    let checked = host::check(&opened, what.name.as_ref(), |_| counter.inc(1))?;
    counter.finish_and_clear();
    face.printer.document(&json::CheckedHost::of(&checked))?;
    for damage in &checked.damaged {
        face.printer.line(format!(
            "{}: {} is damaged: {}",
            damage.guest, damage.key, damage.detail
        ))?;
    }
    let read = format!(
        "read {}, {}",
        counted(checked.objects, "object"),
        size(checked.bytes)
    );
    if checked.damaged.is_empty() {
        face.printer.done(format!("{read}: all as they came"))?;
    } else {
        face.printer.line(format!(
            "{read}: {} not as they came",
            checked.damaged.len()
        ))?;
        face.printer.hint(
            "your friend's vault mends them: ask for farshelf repair there, and check this disk",
        );
    }
    if checked.recorded > 0 {
        face.printer.remark(format!(
            "{} had been put here by hand: from now on they are held to what they are now; whether they were right only the guest can tell",
            counted(checked.recorded, "object")
        ));
    }
    if checked.unrecorded > 0 {
        face.printer.remark(format!(
            "{} had been put here by hand and will be recorded by the farshelf host serve that runs",
            counted(checked.unrecorded, "object")
        ));
    }
    Ok(Outcome::attention_if(!checked.damaged.is_empty()))
}

fn adopt(face: &Face, what: &HostAdopt) -> Result<Outcome> {
    let opened = open(face, &what.host)?;
    let counter = face.printer.counter("objects copied");
    let adopted = host::adopt(&opened, &what.from, what.name.as_ref(), |_| counter.inc(1))?;
    counter.finish_and_clear();
    face.printer.document(&json::AdoptedShelf::of(&adopted))?;
    face.printer.done(format!(
        "took over {} for {}, {}, and read them back; {} there already",
        counted(adopted.copied, "object"),
        adopted.guest,
        size(adopted.bytes),
        adopted.unchanged
    ))?;
    if adopted.needs_invite {
        face.printer.hint(format!(
            "let its owner in: farshelf host invite {}",
            adopted.guest
        ));
    }
    Ok(Outcome::Good)
}

fn retire(face: &Face, what: &HostRetire) -> Result<Outcome> {
    let opened = open(face, &what.host)?;
    if what.confirm.as_deref() != Some(what.name.as_str()) {
        return Err(Error::usage(format!(
            "{} was not retired: its name has to be typed twice; nothing was changed",
            what.name
        ))
        .next(Next::run(
            "end its access and move what is held for it aside",
            format!("host retire {0} --confirm {0}", what.name),
        )));
    }
    let retired = host::retire(&opened, &what.name)?;
    face.printer.document(&json::RetiredGuest::of(&retired))?;
    face.printer.done(format!(
        "{} is no guest any more; what was held lies in {}",
        retired.guest,
        retired.moved_to.display()
    ))?;
    Ok(Outcome::Good)
}
