//! `device`: add, list, show, edit, section, log, retire.

use crate::cli::args::{Device, DeviceFacts, DeviceLog, DeviceRetire, DeviceSection};
use crate::cli::exit::Outcome;
use crate::cli::print::{Tone, cell, number, toned};
use crate::cli::{Face, json};
use crate::error::{Error, Next, Result};
use crate::model::ids::DeviceId;
use crate::ops::devices::{self, DeviceChange, DeviceView, SectionChange};
use crate::ops::refs::resolve;
use crate::sys::text::grouped;
use crate::vault::Vault;

pub(super) fn device(face: &Face, what: Device) -> Result<Outcome> {
    let vault = face.vault()?;
    match what {
        Device::Add(what) => {
            let id = what.id.clone();
            let view = devices::add(&vault, &id, change(*what), face.wait())?;
            done(face, &vault, &view, format!("added {id}"))?;
            face.printer.hint(format!(
                "keep what it sent: farshelf keep --device {id} FILE"
            ));
        }
        Device::List => list(face, &vault)?,
        Device::Show(what) => {
            let view = devices::show(&vault, &what.id)?;
            face.printer.document(&json::Device::of(&view))?;
            show(face, &view)?;
        }
        Device::Edit(what) => {
            let id = what.id.clone();
            let view = devices::edit(&vault, &id, change(*what), face.wait())?;
            done(face, &vault, &view, format!("changed {id}"))?;
        }
        Device::Section(what) => section(face, &vault, what)?,
        Device::Log(what) => log(face, &vault, &what)?,
        Device::Retire(what) => retire(face, &vault, &what)?,
    }
    Ok(Outcome::Good)
}

fn done(face: &Face, vault: &Vault, view: &DeviceView, said: String) -> Result<()> {
    face.warnings(vault);
    face.printer.document(&json::Device::of(view))?;
    face.printer.done(said)
}

fn change(what: DeviceFacts) -> DeviceChange {
    DeviceChange {
        name: what.name,
        maker: what.maker,
        model: what.model,
        serial: what.serial,
        place: what.place,
        owner: what.owner,
        sysex_number: what.sysex_number,
        port: what.port,
        layout: what.layout,
        power: what.power,
        fitted_on: what.fitted_on,
        life_years: what.life_years,
        last_powered: what.last_powered,
        text: what.text,
    }
}

fn list(face: &Face, vault: &Vault) -> Result<()> {
    let views = devices::list(vault)?;
    face.printer.document(&json::Devices {
        devices: views.iter().map(json::Device::of).collect(),
    })?;
    if views.is_empty() {
        face.printer.line("there are no devices yet")?;
        face.printer.hint("add one: farshelf device add ID");
    }
    let rows = views
        .iter()
        .map(|v| {
            let sections: Vec<&str> = v
                .sections
                .iter()
                .filter(|s| !s.loose)
                .map(|s| s.name.as_str())
                .collect();
            vec![
                cell(&v.device.name),
                cell(v.device.record.name.as_deref().unwrap_or_default()),
                cell(sections.join(", ")),
                number(grouped(v.takes)),
                cell(v.device.record.place.as_deref().unwrap_or_default()),
                toned(if v.device.retired { "retired" } else { "" }, Tone::Warn),
            ]
        })
        .collect();
    face.printer
        .table(&["device", "name", "sections", "takes", "place", ""], rows)
}

fn show(face: &Face, view: &DeviceView) -> Result<()> {
    let printer = &face.printer;
    let r = &view.device.record;
    printer.line(match view.device.retired {
        true => format!("{}  retired", view.device.name),
        false => view.device.name.clone(),
    })?;
    let number_set = r.sysex_number.map(|n| n.to_string());
    let life = r.life_years.map(|y| format!("{y} years"));
    let facts = [
        ("name", &r.name),
        ("maker", &r.maker),
        ("model", &r.model),
        ("serial", &r.serial),
        ("place", &r.place),
        ("owner", &r.owner),
        ("SysEx number", &number_set),
        ("port", &r.port),
        ("layout", &r.layout),
        ("power", &r.power),
        ("fitted on", &r.fitted_on),
        ("trusted for", &life),
        ("last powered", &r.last_powered),
        ("text", &r.text),
    ];
    for (name, value) in facts {
        if let Some(value) = value {
            printer.line(format!("  {name:<12} {value}"))?;
        }
    }
    printer.line(format!("  {:<12} {}", "takes", grouped(view.takes)))?;
    let rows: Vec<_> = view
        .sections
        .iter()
        .map(|s| {
            let expected = match (s.loose, s.expected) {
                (true, _) => "loose",
                (false, true) => "expected",
                (false, false) => "not expected",
            };
            let every = s.record.every_days.map(|d| format!("every {d} days"));
            vec![
                cell("  "),
                cell(&s.name),
                cell(expected),
                cell(every.unwrap_or_default()),
            ]
        })
        .collect();
    printer.table(&["", "section", "dumps of it are", ""], rows)?;
    for s in &view.sections {
        for (what, steps) in [
            ("to dump", &s.record.dump_steps),
            ("to load", &s.record.load_steps),
        ] {
            if let Some(steps) = steps {
                printer.line(format!("  {what} {}: {steps}", s.name))?;
            }
        }
        if printer.verbose() && !s.record.keys.is_empty() {
            let keys = s.record.keys.join(", ");
            printer.line(format!("  dumps that lead to {}: {keys}", s.name))?;
        }
    }
    let rows: Vec<_> = view
        .log
        .iter()
        .map(|l| vec![cell("  "), cell(&l.date), cell(&l.kind), cell(&l.text)])
        .collect();
    printer.table(&["", "date", "logbook", ""], rows)
}

fn section(face: &Face, vault: &Vault, what: DeviceSection) -> Result<()> {
    let key = what
        .like
        .as_deref()
        .map(|reference| key_of(vault, &what.id, reference))
        .transpose()?;
    let name = what.rename.clone().unwrap_or_else(|| what.section.clone());
    let nothing = what.rename.is_none()
        && what.expected.is_none()
        && what.loose.is_none()
        && key.is_none()
        && what.every.is_none()
        && what.dump_steps.is_none()
        && what.load_steps.is_none();
    if nothing {
        return Err(Error::usage(format!(
            "nothing was said about {}/{}",
            what.id, what.section
        ))
        .next(Next::run("see what can be said", "device section --help")));
    }
    let change = SectionChange {
        rename: what.rename,
        expected: what.expected,
        loose: what.loose,
        every_days: what.every,
        dump_steps: what.dump_steps,
        load_steps: what.load_steps,
        key,
    };
    let view = devices::section(vault, &what.id, &what.section, change, face.wait())?;
    done(face, vault, &view, format!("changed {}/{name}", what.id))
}

/// How the dump of `reference` begins: dumps like it are to go where the person says.
fn key_of(vault: &Vault, id: &DeviceId, reference: &str) -> Result<String> {
    let named = resolve(vault, reference)?;
    if named.device.name != id.as_str() {
        return Err(Error::usage(format!(
            "{reference} is a take of {}, not of {id}",
            named.device.name
        )));
    }
    let mut keys: Vec<&str> = named.takes.iter().map(|t| t.key.as_str()).collect();
    keys.sort_unstable();
    keys.dedup();
    match keys.as_slice() {
        [one] => Ok((*one).to_string()),
        _ => Err(
            Error::usage(format!("{reference} names takes that begin differently"))
                .next(Next::say(format!("name one take, such as {id}@12"))),
        ),
    }
}

fn log(face: &Face, vault: &Vault, what: &DeviceLog) -> Result<()> {
    let view = devices::log(
        vault,
        &what.id,
        &what.kind,
        what.date.as_deref(),
        &what.text,
        face.wait(),
    )?;
    done(
        face,
        vault,
        &view,
        format!("noted for {}: {}", what.id, what.kind),
    )?;
    match what.kind.as_str() {
        "battery" | "repair" | "reset" | "unit-swapped" => face.printer.hint(format!(
            "its memory may be empty or foreign now; bring yours back: farshelf recall {} --to PATH",
            what.id
        )),
        _ => {}
    }
    Ok(())
}

fn retire(face: &Face, vault: &Vault, what: &DeviceRetire) -> Result<()> {
    let view = devices::retire(vault, &what.id, !what.undo, face.wait())?;
    let said = if what.undo {
        format!("{} is back", what.id)
    } else {
        format!("retired {}; everything kept of it stays", what.id)
    };
    done(face, vault, &view, said)
}
