//! The JSON that scripts rely on: fields are added, never renamed. Times are RFC 3339 in UTC or less exact dates.

use serde_json::{Value, json};

use crate::care::copies::Copy;
use crate::care::health::Health;
use crate::care::standing::Standing;
use crate::error::Error;
use crate::model::take::{Evidence, Finding};
use crate::ops::devices::DeviceView;
use crate::ops::keep::{KeepResult, KeepTotals, Status};
use crate::ops::mirror::MirrorReport;
use crate::ops::recall::RecallResult;
use crate::ops::takes::{History, Hit, TakeInFull, TakeView};
use crate::sys::clock::rfc3339;
use crate::vault::catalogue::FindingRow;

/// An error: one object on standard error.
pub fn error(e: &Error) -> Value {
    json!({ "error": { "kind": e.kind.as_str(), "message": e.fact(), "next": e.next_step().text() } })
}

/// A moment, if there is one.
pub fn time(seconds: Option<i64>) -> Value {
    seconds.map_or(Value::Null, |s| Value::String(rfc3339(s)))
}

fn findings(all: &[Finding]) -> Vec<Value> {
    all.iter()
        .map(|f| json!({ "code": f.code, "severity": f.severity.as_str(), "message": f.message }))
        .collect()
}

fn finding_rows(all: &[FindingRow]) -> Vec<Value> {
    all.iter()
        .map(|f| json!({ "code": f.code, "severity": f.severity.as_str(), "message": f.message }))
        .collect()
}

/// One result of `keep`.
pub fn keep_result(r: &KeepResult) -> Value {
    let there = r.status != Status::Failed;
    json!({
        "source": r.source,
        "device": r.device,
        "section": r.section,
        "take": r.take,
        "status": r.status.as_str(),
        "loose": r.loose,
        "condition": there.then(|| r.condition.as_str()),
        "evidence": there.then(|| r.evidence.as_str()),
        "bytes": r.bytes,
        "blake3": r.blake3.map(|h| h.to_string()),
        "messages": r.messages,
        "findings": findings(&r.findings),
        "error": r.error.as_ref().map(|e| {
            json!({ "kind": e.kind.as_str(), "message": e.fact(), "next": e.next_step().text() })
        }),
    })
}

/// The end of the document that `keep` writes piece by piece.
pub fn keep_totals(t: &KeepTotals) -> String {
    format!(
        "],\"kept\":{},\"unchanged\":{},\"doubtful\":{},\"failed\":{}}}\n",
        t.kept, t.unchanged, t.doubtful, t.failed
    )
}

fn take(v: &TakeView) -> Value {
    let t = &v.take;
    json!({
        "take": t.number(),
        "section": (!t.loose).then_some(&t.section_name),
        "loose": t.loose,
        "date": t.date,
        "dated_by": t.dated_by.as_str(),
        "kept_at": rfc3339(t.kept_at),
        "confirmed_at": v.confirmed_at,
        "labels": v.labels,
        "bytes": t.bytes,
        "blake3": t.hash.to_string(),
        "messages": t.messages,
        "condition": t.condition().as_str(),
        "evidence": t.evidence.as_str(),
        "same_as": t.alias_of,
    })
}

/// `history`, and what `label` and `vouch` give back.
pub fn history(h: &History) -> Value {
    json!({ "device": h.device.name, "takes": h.takes.iter().map(take).collect::<Vec<_>>() })
}

/// `show` of one take.
pub fn show(t: &TakeInFull, copies: &[Copy]) -> Value {
    let mut value = take(&t.view);
    let origin = t.sightings.first().map(|s| {
        json!({
            "via": s.origin.via.as_str(),
            "folder": s.origin.folder,
            "name": s.origin.name,
            "mtime": time(s.origin.mtime),
        })
    });
    if let Some(map) = value.as_object_mut() {
        map.insert("device".into(), json!(t.device.name));
        map.insert("origin".into(), json!(origin));
        let pieces: Vec<Value> = t
            .pieces
            .iter()
            .map(|p| json!({ "path": p.path, "bytes": p.bytes, "blake3": p.blake3.to_string() }))
            .collect();
        map.insert("pieces".into(), json!(pieces));
        let messages: Vec<Value> = t
            .messages
            .iter()
            .map(|m| {
                json!({
                    "index": m.index,
                    "bytes": m.bytes,
                    "maker": m.maker,
                    "kind": m.kind.as_str(),
                    "checksum": m.checksum,
                })
            })
            .collect();
        map.insert("messages".into(), json!(messages));
        map.insert("patches".into(), json!([]));
        map.insert("findings".into(), json!(finding_rows(&t.findings)));
        let sightings: Vec<Value> = t
            .sightings
            .iter()
            .map(|s| json!({ "date": s.date, "dated_by": s.by.as_str(), "counts": s.counts, "seen_again": s.seen_again }))
            .collect();
        map.insert("sightings".into(), json!(sightings));
        let vouches: Vec<Value> = t
            .vouches
            .iter()
            .map(|v| json!({ "at": rfc3339(v.at), "text": v.text }))
            .collect();
        map.insert("vouches".into(), json!(vouches));
        let copies: Vec<Value> = copies
            .iter()
            .map(|c| {
                json!({
                    "where": c.where_,
                    "place": c.place,
                    "offsite": c.offsite,
                    "verified_at": rfc3339(c.verified_at),
                })
            })
            .collect();
        map.insert("copies".into(), json!(copies));
    }
    value
}

/// `recall`.
pub fn recall(r: &RecallResult) -> Value {
    let takes: Vec<Value> = r
        .takes
        .iter()
        .map(|t| json!({ "section": t.section, "take": t.take, "bytes": t.bytes, "blake3": t.blake3.to_string() }))
        .collect();
    json!({ "device": r.device, "takes": takes, "to": r.to })
}

/// `find`.
pub fn find(hits: &[Hit]) -> Value {
    let hits: Vec<Value> = hits
        .iter()
        .map(|h| json!({ "device": h.device, "take": h.take, "kind": h.kind, "number": null, "name": h.name }))
        .collect();
    json!({ "hits": hits })
}

/// A device with its sections.
pub fn device(v: &DeviceView) -> Value {
    let mut record = serde_json::to_value(&v.device.record).unwrap_or_default();
    if let Some(map) = record.as_object_mut() {
        map.remove("device");
        map.insert("id".into(), json!(v.device.name));
        map.insert("retired".into(), json!(v.device.retired));
        map.insert("takes".into(), json!(v.takes));
        let sections: Vec<Value> = v
            .sections
            .iter()
            .map(|s| {
                json!({
                    "section": s.name,
                    "expected": s.expected,
                    "loose": s.loose,
                    "every_days": s.record.every_days,
                    "dump_steps": s.record.dump_steps,
                    "load_steps": s.record.load_steps,
                    "keys": s.record.keys,
                })
            })
            .collect();
        map.insert("sections".into(), json!(sections));
        let log: Vec<Value> = v
            .log
            .iter()
            .map(|l| json!({ "at": rfc3339(l.at), "kind": l.kind, "date": l.date, "text": l.text }))
            .collect();
        map.insert("log".into(), json!(log));
    }
    record
}

/// One shelf of `shelf list` and of `health`.
pub fn shelf(s: &Standing) -> Value {
    json!({
        "name": s.name,
        "kind": s.kind,
        "location": s.location,
        "place": s.place,
        "offsite": s.offsite,
        "state": s.state.as_str(),
        "reason": s.reason,
        "reels": s.reels,
        "behind_takes": s.behind_takes,
        "bytes": s.bytes,
        "mirrored_at": time(s.mirrored_at),
        "verified_at": time(s.verified_at),
        "opened_at": time(s.opened_at),
    })
}

/// `mirror`.
pub fn mirror(r: &MirrorReport) -> Value {
    let shelves: Vec<Value> = r
        .shelves
        .iter()
        .map(|s| {
            json!({
                "name": s.name,
                "reels_sent": s.reels_sent,
                "bytes_sent": s.bytes_sent,
                "reels_total": s.reels_total,
                "verified": s.verified,
                "state": s.state.as_str(),
                "reason": s.reason,
                "notes": s.notes,
                "error": s.error,
            })
        })
        .collect();
    json!({ "shelves": shelves })
}

/// `health`.
pub fn health(h: &Health, shelves: &[Standing]) -> Value {
    let devices: Vec<Value> = h
        .devices
        .iter()
        .map(|d| {
            let sections: Vec<Value> = d
                .sections
                .iter()
                .map(|s| {
                    json!({
                        "section": s.section,
                        "newest_take": s.newest_take,
                        "date": s.date,
                        "age_days": s.age_days,
                        "condition": s.condition.map(|c| c.as_str()),
                        "evidence": s.evidence.map(Evidence::as_str),
                    })
                })
                .collect();
            json!({
                "id": d.id,
                "state": d.state.as_str(),
                "reasons": d.reasons.iter().map(|r| r.text.as_str()).collect::<Vec<_>>(),
                "codes": d.reasons.iter().map(|r| r.code.as_str()).collect::<Vec<_>>(),
                "sections": sections,
                "copies": d.copies,
                "offsite_copies": d.offsite_copies,
                "battery_due": d.battery_due,
            })
        })
        .collect();
    json!({
        "good": h.good,
        "devices": devices,
        "shelves": shelves.iter().map(shelf).collect::<Vec<_>>(),
        "key": { "confirmed": h.key.confirmed, "places": h.key.places },
        "problems": h.problems.iter().map(|p| json!({ "reel": p.reel, "detail": p.detail })).collect::<Vec<_>>(),
        "lost": h.lost.iter().map(|l| json!({ "device": l.device, "take": l.take })).collect::<Vec<_>>(),
    })
}
