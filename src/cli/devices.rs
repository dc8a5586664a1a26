//! `device`.

use super::args::{DeviceCommand, DeviceFields, SectionArgs, YesNo};
use super::exit::Exit;
use super::keep::usage;
use super::takes::bad_id;
use super::{Desk, json};
use crate::error::Result;
use crate::ops::devices::{self, DeviceChange, DeviceView, SectionChange};
use crate::ops::refs::resolve;
use crate::sys::text::{counted, printable};

pub(super) fn device(desk: &Desk, command: DeviceCommand) -> Result<Exit> {
    let vault = desk.vault()?;
    let view = match command {
        DeviceCommand::List => {
            let all = devices::list(&vault)?;
            desk.print.document(&serde_json::json!({
                "devices": all.iter().map(json::device).collect::<Vec<_>>()
            }))?;
            return list(desk, &all);
        }
        DeviceCommand::Show { id } => {
            let view = devices::show(&vault, &id.parse().map_err(bad_id)?)?;
            desk.print.document(&json::device(&view))?;
            show(desk, &view)?;
            return Ok(Exit::Good);
        }
        DeviceCommand::Add { id, fields } => devices::add(
            &vault,
            &id.parse().map_err(bad_id)?,
            change(fields),
            desk.wait,
        )?,
        DeviceCommand::Edit { id, fields } => devices::edit(
            &vault,
            &id.parse().map_err(bad_id)?,
            change(fields),
            desk.wait,
        )?,
        DeviceCommand::Section(args) => section(desk, &vault, args)?,
        DeviceCommand::Log {
            id,
            kind,
            text,
            date,
        } => devices::log(
            &vault,
            &id.parse().map_err(bad_id)?,
            &kind,
            date.as_deref(),
            &text,
            desk.wait,
        )?,
        DeviceCommand::Retire { id, undo } => {
            devices::retire(&vault, &id.parse().map_err(bad_id)?, !undo, desk.wait)?
        }
    };
    desk.warn(&vault);
    desk.print.document(&json::device(&view))?;
    if !desk.print.quiet {
        show(desk, &view)?;
    }
    Ok(Exit::Good)
}

fn change(f: DeviceFields) -> DeviceChange {
    DeviceChange {
        name: f.name,
        maker: f.maker,
        model: f.model,
        serial: f.serial,
        place: f.place,
        owner: f.owner,
        sysex_number: f.sysex_number,
        port: f.port,
        layout: f.layout,
        power: f.power,
        fitted_on: f.fitted_on,
        life_years: f.life_years,
        last_powered: f.last_powered,
        text: f.text,
    }
}

/// `30` or `30d`.
pub(super) fn days(text: &str) -> Result<u32> {
    text.strip_suffix('d')
        .unwrap_or(text)
        .parse()
        .map_err(|_| usage(format!("{text} is no number of days, such as 30d")))
}

fn section(desk: &Desk, vault: &crate::vault::Vault, args: SectionArgs) -> Result<DeviceView> {
    let id = args.id.parse().map_err(bad_id)?;
    let like = match &args.like {
        None => None,
        Some(reference) => {
            let named = resolve(vault, reference)?;
            if named.device.name != args.id {
                return Err(usage(format!("{reference} is no take of {}", args.id)));
            }
            match named.takes.as_slice() {
                [one] => Some(one.key.clone()),
                _ => {
                    return Err(usage(format!(
                        "{reference} names several takes; --like wants one"
                    )));
                }
            }
        }
    };
    let change = SectionChange {
        rename: args.rename.map(|n| n.parse().map_err(bad_id)).transpose()?,
        expected: args.expected.map(|e| matches!(e, YesNo::Yes)),
        loose: args.loose.then_some(true),
        every_days: args.every.as_deref().map(days).transpose()?,
        dump_steps: args.dump_steps,
        load_steps: args.load_steps,
        key: like,
    };
    devices::section(
        vault,
        &id,
        &args.section.parse().map_err(bad_id)?,
        change,
        desk.wait,
    )
}

fn list(desk: &Desk, all: &[DeviceView]) -> Result<Exit> {
    if all.is_empty() {
        desk.print
            .line("no device is known yet; add one: farshelf device add ID")?;
        return Ok(Exit::Good);
    }
    let rows = all
        .iter()
        .map(|v| {
            let r = &v.device.record;
            let model = [r.maker.as_deref(), r.model.as_deref()]
                .into_iter()
                .flatten();
            let sections: Vec<&str> = v.sections.iter().map(|s| s.name.as_str()).collect();
            vec![
                v.device.name.clone() + if v.device.retired { " (retired)" } else { "" },
                r.name.clone().unwrap_or_default(),
                model.collect::<Vec<_>>().join(" "),
                r.place.clone().unwrap_or_default(),
                v.takes.to_string(),
                sections.join(", "),
            ]
        })
        .collect();
    desk.print.table(
        &["DEVICE", "NAME", "MODEL", "PLACE", "TAKES", "SECTIONS"],
        rows,
    )?;
    Ok(Exit::Good)
}

fn show(desk: &Desk, v: &DeviceView) -> Result<()> {
    let r = &v.device.record;
    let p = &desk.print;
    let retired = if v.device.retired { " (retired)" } else { "" };
    p.line(&format!(
        "{}{retired}, {}",
        v.device.name,
        counted(v.takes, "take")
    ))?;
    let number = r.sysex_number.map(|n| n.to_string());
    let life = r.life_years.map(|n| format!("{n} years"));
    for (what, value) in [
        ("name", r.name.as_ref()),
        ("maker", r.maker.as_ref()),
        ("model", r.model.as_ref()),
        ("serial", r.serial.as_ref()),
        ("place", r.place.as_ref()),
        ("owner", r.owner.as_ref()),
        ("SysEx no.", number.as_ref()),
        ("port", r.port.as_ref()),
        ("layout", r.layout.as_ref()),
        ("power", r.power.as_ref()),
        ("fitted on", r.fitted_on.as_ref()),
        ("trusted", life.as_ref()),
        ("last on", r.last_powered.as_ref()),
        ("text", r.text.as_ref()),
    ] {
        if let Some(value) = value {
            p.line(&format!("  {what:<10} {}", printable(value)))?;
        }
    }
    if matches!(r.power.as_deref(), Some("coin-soldered" | "coin-holder")) && r.fitted_on.is_some()
    {
        p.line("  caution    a battery inside a unit is work for a qualified technician: unplug it, follow its service manual;")?;
        p.line(
            "             a lithium cell must not be shorted, charged or thrown in household waste",
        )?;
    }
    for s in &v.sections {
        let mut words = vec![if s.loose {
            "loose".to_string()
        } else if s.expected {
            "expected".to_string()
        } else {
            "not expected".to_string()
        }];
        words.extend(
            s.record
                .every_days
                .map(|d| format!("every {}", counted(u64::from(d), "day"))),
        );
        p.line(&format!("  section    {} ({})", s.name, words.join(", ")))?;
        if p.verbose {
            p.line(&format!(
                "             begins {}",
                printable(&s.record.keys.join(" or "))
            ))?;
        }
        for (what, steps) in [
            ("to dump", &s.record.dump_steps),
            ("to load", &s.record.load_steps),
        ] {
            if let Some(steps) = steps {
                p.line(&format!("             {what}: {}", printable(steps)))?;
            }
        }
    }
    for l in &v.log {
        p.line(&format!(
            "  log        {} {}: {}",
            desk.when(&l.date),
            l.kind,
            printable(&l.text)
        ))?;
    }
    Ok(())
}
