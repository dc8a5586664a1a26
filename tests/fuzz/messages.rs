//! Messages and dumps that are nearly right, so that readers get deep into them.

use farshelf::layout::{Layout, Layouts, MessageKind, Numbers};
use farshelf::midi::universal::{self, Handshake, handshake::Answer, sample};

use crate::choices::Choices;

/// A few whole messages (F0, data bytes, F7) one after the other.
pub fn dump(choices: &mut Choices<'_>) -> Vec<Vec<u8>> {
    let mut dump = Vec::new();
    while dump.len() < 40 && !choices.is_over() && !choices.once_in(12) {
        match choices.below(8) {
            0 => dump.extend(sample_dump(choices)),
            1 => dump.extend(file_dump(choices)),
            2 => {
                let layouts = Layouts::builtin();
                let layout = choices.below(layouts.iter().count());
                if let Some(layout) = layouts.iter().nth(layout) {
                    dump.extend(of_layout(layout, choices));
                }
            }
            3 if !dump.is_empty() => {
                let again = choices.below(dump.len());
                dump.push(dump[again].clone());
            }
            _ => dump.push(message(choices)),
        }
    }
    dump
}

/// One message.
pub fn message(choices: &mut Choices<'_>) -> Vec<u8> {
    match choices.below(6) {
        0 => any_message(choices),
        1 => tuning(choices),
        2 => universal_message(choices),
        _ => {
            let layouts = Layouts::builtin();
            let layout = choices.below(layouts.iter().count());
            let made = layouts.iter().nth(layout).and_then(|l| {
                let kind = choices.below(l.messages.len());
                of_kind(&l.messages[kind], choices)
            });
            made.unwrap_or_else(|| vec![0xF0, 0xF7])
        }
    }
}

fn framed(inner: &[u8]) -> Vec<u8> {
    let mut message = vec![0xF0];
    message.extend(inner.iter().map(|b| b & 0x7F));
    message.push(0xF7);
    message
}

fn any_message(choices: &mut Choices<'_>) -> Vec<u8> {
    let n = choices.below(40);
    framed(choices.take(n))
}

fn universal_message(choices: &mut Choices<'_>) -> Vec<u8> {
    let sub_ids = *choices.one_of(&[
        [1, 0],
        [2, 0],
        [3, 0],
        [4, 0],
        [5, 1],
        [5, 2],
        [6, 1],
        [6, 2],
        [7, 1],
        [7, 2],
        [7, 3],
        [8, 0],
        [8, 1],
        [8, 3],
        [8, 4],
        [8, 5],
        [8, 6],
        [8, 7],
        [8, 8],
        [9, 1],
        [10, 1],
        [11, 0],
        [12, 0],
        [13, 0],
        [0x7B, 0],
        [0x7F, 3],
    ]);
    let n = *choices.one_of(&[
        0, 1, 2, 3, 4, 5, 9, 10, 11, 12, 15, 16, 17, 30, 127, 128, 130, 403, 404,
    ]);
    let id = if choices.once_in(8) { 0x7F } else { 0x7E };
    let data = choices.data_bytes(n);
    framed(&[&[id, choices.data()], &sub_ids[..], &data].concat())
}

fn tuning(choices: &mut Choices<'_>) -> Vec<u8> {
    let (sub_id, n_head, n_pitches) =
        *choices.one_of(&[(1, 1, 384), (4, 2, 384), (5, 2, 12), (6, 2, 24)]);
    let head = choices.data_bytes(n_head + 16);
    let pitches = choices.data_bytes(n_pitches);
    let mut inner = [&[0x7E, choices.data(), 0x08, sub_id], &head[..], &pitches].concat();
    with_xor(&mut inner, choices);
    framed(&inner)
}

fn with_xor(inner: &mut Vec<u8>, choices: &mut Choices<'_>) {
    let xor = inner.iter().fold(0, |x, b| x ^ b);
    inner.push(if choices.once_in(8) {
        choices.data()
    } else {
        xor
    });
}

fn sample_dump(choices: &mut Choices<'_>) -> Vec<Vec<u8>> {
    let bits = *choices.one_of(&[8, 12, 14, 16, 21, 24, 28, 7, 29, 0]);
    let n_words = choices.below(200) as u32;
    let header = sample::Header {
        device: choices.data(),
        number: choices.below(4) as u16,
        bits,
        period_ns: *choices.one_of(&[0, 22_675, 31_250, 2_097_151]),
        n_words: *choices.one_of(&[n_words, n_words, n_words, 0, 2_097_151]),
        loop_start: choices.below(300) as u32,
        loop_end: choices.below(300) as u32,
        loop_type: *choices.one_of(&[
            sample::LoopType::Forward,
            sample::LoopType::Off,
            sample::LoopType::Other(9),
        ]),
    };
    let words: Vec<u32> = (0..n_words).map(|k| k * 77).collect();
    let mut dump = vec![header.to_bytes()];
    dump.extend(sample::packets(header.device, bits, &words));
    if choices.once_in(3) {
        let points = sample::LoopPoints {
            device: header.device,
            sample: choices.below(4) as u16,
            loop_number: choices.below(16_384) as u16,
            loop_type: header.loop_type,
            start: header.loop_start,
            end: header.loop_end,
        };
        dump.push(points.to_bytes());
    }
    disturbed(dump, choices)
}

fn file_dump(choices: &mut Choices<'_>) -> Vec<Vec<u8>> {
    let n = choices.below(300);
    let bytes: Vec<u8> = choices.take(n).to_vec();
    let header = universal::file::Header {
        device: choices.data(),
        source: choices.data(),
        file_type: *choices.one_of(&[*b"MIDI", *b"BIN ", [0, 0x7F, b'.', b'/']]),
        n_bytes: *choices.one_of(&[Some(n as u32), Some(n as u32), None, Some((1 << 28) - 1)]),
        name: String::from_utf8_lossy(choices.take(12)).into_owned(),
    };
    let mut dump = vec![header.to_bytes()];
    dump.extend(universal::file::packets(header.device, &bytes));
    match choices.below(3) {
        0 => dump.push(universal::file::end(header.device, dump.len() - 1)),
        1 => dump.push(
            Handshake {
                device: header.device,
                answer: *choices.one_of(&[Answer::EndOfFile, Answer::Ack, Answer::Nak]),
                packet: choices.data(),
            }
            .to_bytes(),
        ),
        _ => {}
    }
    disturbed(dump, choices)
}

/// Some messages lost, doubled, exchanged or hurt in their data.
pub fn disturbed(mut dump: Vec<Vec<u8>>, choices: &mut Choices<'_>) -> Vec<Vec<u8>> {
    for _ in 0..choices.below(4) {
        if dump.is_empty() {
            break;
        }
        let (a, b) = (
            choices.below(dump.len().min(256)),
            choices.below(dump.len().min(256)),
        );
        match choices.below(4) {
            0 => drop(dump.remove(a)),
            1 => dump.insert(b, dump[a].clone()),
            2 => dump.swap(a, b),
            _ => {
                let hurt = &mut dump[a];
                let at = 1 + choices.below(hurt.len() - 1);
                if at < hurt.len() - 1 {
                    match choices.below(3) {
                        0 => hurt[at] = choices.data(),
                        1 => drop(hurt.remove(at)),
                        _ => hurt.insert(at, choices.data()),
                    }
                }
            }
        }
    }
    dump
}

/// Messages of a layout, mostly of one kind with numbers that count.
pub fn of_layout(layout: &Layout, choices: &mut Choices<'_>) -> Vec<Vec<u8>> {
    let mut dump = Vec::new();
    let mut kind = choices.below(layout.messages.len());
    let mut p = choices.below(4) as u32;
    for _ in 0..1 + choices.below(16) {
        if choices.once_in(6) {
            kind = choices.below(layout.messages.len());
        }
        let rule = &layout.messages[kind];
        let step = rule.patches.as_ref().map_or(1, |r| r.count);
        p = p.wrapping_add(step);
        dump.extend(with_number(rule, p, choices));
    }
    disturbed(dump, choices)
}

fn of_kind(kind: &MessageKind, choices: &mut Choices<'_>) -> Option<Vec<u8>> {
    let p = choices.below(200) as u32;
    with_number(kind, p, choices)
}

/// A message of a kind with the number `p` if it has room for it, and mostly of the right length with the right checksum.
fn with_number(kind: &MessageKind, p: u32, choices: &mut Choices<'_>) -> Option<Vec<u8>> {
    let numbers = Numbers {
        n: Some(choices.below(4) as u32),
        b: Some(choices.below(3) as u32),
        p: Some(p),
    };
    let header = kind
        .header
        .fill(&numbers)
        .or_else(|_| kind.header.fill(&Numbers::default()))
        .ok()?;
    let n_any = choices.below(700) as u32;
    let n_bytes = match kind.bytes {
        Some(limits) if !choices.once_in(8) => {
            (limits.least + n_any % (limits.most - limits.least + 1)).min(5000)
        }
        _ => n_any,
    };
    let n_bytes = (n_bytes as usize).max(header.len() + 1);
    let mut message = header;
    message.extend(choices.data_bytes(n_bytes - 1 - message.len()));
    message.push(0xF7);
    if let Some(rule) = &kind.checksum
        && !rule.unpacked
        && let Some(covered) = rule.covers.within(n_bytes)
        && let Some(at) = rule.at.of(n_bytes)
    {
        let sum = rule.scheme.of(&message[covered]);
        if let Some(place) = message.get_mut(at..at + sum.as_bytes().len())
            && at > 0
            && at + sum.as_bytes().len() < n_bytes
        {
            place.copy_from_slice(sum.as_bytes());
        }
    }
    Some(message)
}
