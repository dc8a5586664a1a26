//! Four times as much of the worst input takes about four times as long, and not sixteen times. Measures processor time, so it
//! runs only with FARSHELF_SLOW.

use std::hint::black_box;
use std::sync::Arc;

use farshelf::intake::examine::{Examiner, Lens, examine};
use farshelf::layout::draft::draft;
use farshelf::layout::{Layout, Layouts, Reader, Reading, compare, compare_messages, explain};
use farshelf::midi::file;
use farshelf::midi::framing::{frame, summarize};
use farshelf::midi::universal::{Assembly, sample};

use crate::memory::measured;

/// Four times the input may take this many times as long; sixteen times the input, the square of it.
const MOST_RATIO: f64 = 10.0;
/// Shorter times say nothing.
const LEAST_SECONDS: f64 = 0.03;

type Work = Box<dyn Fn()>;
/// What is measured: a name, the most bytes worth trying, and the work on about `n` bytes, which are made beforehand.
type Case = (&'static str, usize, fn(usize) -> Work);

const CASES: &[Case] = &[
    ("framing: nothing but F0", 1 << 24, |n| {
        stream(vec![0xF0; n])
    }),
    ("framing: nothing but F7", 1 << 24, |n| {
        stream(vec![0xF7; n])
    }),
    ("framing: messages of two bytes", 1 << 24, |n| {
        stream([0xF0, 0xF7].repeat(n / 2))
    }),
    ("framing: clock inside a message", 1 << 24, |n| {
        stream([0xF0, 0xF8, 1, 0xF8, 0xF0].repeat(n / 5))
    }),
    ("MIDI file: one escape of two-byte messages", 1 << 24, |n| {
        midi(vec![escape(n)])
    }),
    ("MIDI file: escapes of one message", 1 << 25, |n| {
        midi(vec![[0, 0xF7, 2, 0xF0, 0xF7].repeat(n / 5)])
    }),
    ("MIDI file: a message cut by each event", 1 << 24, |n| {
        midi(vec![[0, 0xF0, 1, 1, 0, 0x90, 1, 1].repeat(n / 8)])
    }),
    ("MIDI file: tracks without events", 1 << 24, |n| {
        midi(vec![Vec::new(); n / 8])
    }),
    ("MIDI file: tracks with names", 1 << 24, |n| {
        midi(vec![b"\0\xFF\x03\x01a".to_vec(); n / 13])
    }),
    (
        "MIDI file: tracks side by side, each with a tempo",
        1 << 24,
        |n| {
            let track = b"\0\xFF\x51\x03\x01\x02\x03\x05\xF0\x02\x01\xF7\0\xFF\x51\x03\x01\x02\x03";
            midi(vec![track.to_vec(); n / 27])
        },
    ),
    ("MIDI file: times that go back and forth", 1 << 24, |n| {
        let track = |k: usize| [&[k as u8 & 0x7F][..], &[0xF0, 1, 0xF7]].concat();
        midi((0..n / 12).map(track).collect())
    }),
    ("text: keys nobody knows", 1 << 16, |n| {
        text(&lines(n, |k| format!("k{k} = 1\n")))
    }),
    ("text: a key as long as the text", 1 << 16, |n| {
        text(&format!("layout = 1\n{} = 1", "k".repeat(n)))
    }),
    ("text: tables in tables", 1 << 16, |n| {
        text(&"[a]\n[[b]]\n".repeat(n / 10))
    }),
    ("text: dots", 1 << 16, |n| {
        text(&format!("layout = 1\na{} = 1", ".a".repeat(n / 2)))
    }),
    ("text: dotted keys of one table", 1 << 16, |n| {
        text(&lines(n, |k| format!("a.b.c.d.k{k} = 1\n")))
    }),
    ("text: brackets", 1 << 16, |n| {
        text(&format!("layout = 1\na = {}", "[".repeat(n)))
    }),
    ("text: kinds of messages", 1 << 16, |n| {
        text(&lines(n, |k| {
            format!("[[message]]\nname = \"k{k}\"\nheader = \"F0 01 xx\"\n")
        }))
    }),
    ("text: kinds that hold one another", 1 << 16, |n| {
        let kind = |k| {
            format!(
                "[[message]]\nname = \"k{k}\"\nheader = \"F0 01\"\n\
                 patches = {{ from = 1, stride = 1, count = 1, single = \"k0\" }}\n"
            )
        };
        text(&lines(n, kind))
    }),
    ("text: maps", 1 << 16, |n| {
        text(&lines(n, |_| "\"0-99\", ".to_owned()).replace("layout = 1", MAP))
    }),
    ("text: steps", 1 << 16, |n| {
        text(&format!(
            "layout = 1\n[[message]]\nname = \"a\"\nheader = \"F0 01\"\n[[request]]\nsteps = [{}]",
            "{send=\"F0 F7\"},".repeat(n / 15)
        ))
    }),
    ("layout: 250 kinds of wildcards", 1 << 20, |n| {
        let kind = |k| {
            format!(
                "[[message]]\nname = \"k{k}\"\nheader = \"F0 01 xx 0n 0{}\"\n",
                k % 10
            )
        };
        let kinds: String = (0..250).map(kind).collect();
        dump(&kinds, vec![vec![0xF0, 1, 2, 3, 9, 0xF7]; n / 6])
    }),
    ("layout: sections without end", 1 << 22, |n| {
        dump(
            "[[message]]\nname = \"a\"\nheader = \"F0 01 bb bb bb\"\ncount = 4294967295\nsection = \"s{b}\"\n",
            numbered(n, 0),
        )
    }),
    ("layout: counts without end", 1 << 22, |n| {
        dump(
            "[[message]]\nname = \"a\"\nheader = \"F0 01 pp pp pp\"\ncount = 4294967295\n",
            numbered(n, 1),
        )
    }),
    ("layout: patches of one byte with names", 1 << 22, |n| {
        let long = "{p}".repeat(60);
        let patches = format!(
            "[[message]]\nname = \"a\"\nheader = \"F0 01\"\nchecksum = {{ scheme = \"sum\", from = 1, to = -3, at = -2 }}\n\
             patches = {{ from = 2, stride = 1, count = 999, name = {{ at = 0, bytes = 1 }}, slot = \"{long}\" }}\n"
        );
        dump(&patches, numbered(n, 0))
    }),
    ("comparing messages that are all the same", 1 << 25, |n| {
        let messages = vec![vec![0xF0, 1, 0xF7]; n / 6];
        let mut others = messages.clone();
        others.insert(0, vec![0xF0, 2, 0xF7]);
        others.push(vec![0xF0, 3, 0xF7]);
        Box::new(move || {
            let (a, b): (Vec<&[u8]>, Vec<&[u8]>) = (
                messages.iter().map(Vec::as_slice).collect(),
                others.iter().map(Vec::as_slice).collect(),
            );
            black_box(compare_messages(&a, &b));
        })
    }),
    ("comparing messages that all differ", 1 << 24, |n| {
        let (a, b) = (numbered(n / 2, 0), numbered(n / 2, 1));
        Box::new(move || {
            let (a, b): (Vec<&[u8]>, Vec<&[u8]>) = (
                a.iter().map(Vec::as_slice).collect(),
                b.iter().map(Vec::as_slice).collect(),
            );
            black_box(compare_messages(&a, &b));
        })
    }),
    ("universal: packets, each out of order", 1 << 24, |n| {
        let words: Vec<u32> = (0..64 * 128).collect();
        let header = sample::Header {
            device: 0,
            number: 1,
            bits: 12,
            period_ns: 22_675,
            n_words: (1 << 21) - 1,
            loop_start: 0,
            loop_end: 0,
            loop_type: sample::LoopType::Off,
        };
        let mut messages: Vec<Vec<u8>> = vec![header.to_bytes()];
        let packets: Vec<Vec<u8>> = sample::packets(0, 12, &words).collect();
        messages.extend((0..n / 127).map(|k| packets[k * 77 % 128].clone()));
        universal(messages)
    }),
    ("universal: headers and loops of samples", 1 << 23, |n| {
        let mut messages = Vec::new();
        for k in 0..n / 38 {
            let number = (k % 16_384) as u16;
            let mut header = vec![0xF0, 0x7E, 0, 1, number as u8 & 0x7F, (number >> 7) as u8];
            header.extend([12, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0xF7]);
            messages.push(header);
            let points = sample::LoopPoints {
                device: 0,
                sample: number.wrapping_sub(9),
                loop_number: 1,
                loop_type: sample::LoopType::Forward,
                start: 9,
                end: 1,
            };
            messages.push(points.to_bytes());
        }
        universal(messages)
    }),
    ("draft: messages that all differ", 1 << 20, |n| {
        drafted(vec![numbered(n, 0)])
    }),
    ("draft: messages that are all the same", 1 << 22, |n| {
        drafted(vec![vec![vec![0xF0, 0x43, 1, 2, 3, 4, 5, 0xF7]; n / 16]; 2])
    }),
    ("draft: a dump for each message", 1 << 20, |n| {
        drafted(
            numbered(n, 0)
                .into_iter()
                .map(|message| vec![message])
                .collect(),
        )
    }),
    ("draft: kinds without end", 1 << 22, |n| {
        drafted(vec![kinds(n / 2), kinds(n / 2)])
    }),
    ("draft: lengths without end", 1 << 20, |n| {
        let n_messages = (2.0 * n as f64).sqrt() as usize;
        drafted(vec![
            (0..n_messages)
                .map(|k| framed(&vec![k as u8 & 0x3F; k + 8]))
                .collect(),
        ])
    }),
    ("draft: one long message", 1 << 20, |n| {
        let data: Vec<u8> = (0..n).map(|k| (k * k / 7) as u8 & 0x7F).collect();
        drafted(vec![vec![framed(&data)]])
    }),
    ("intake: bytes one by one", 1 << 22, |n| {
        let bytes = [0xF0, 0x7E, 0, 1, 0xF8, 0xF7].repeat(n / 6);
        Box::new(move || {
            let lens = Lens::published();
            let mut examiner = Examiner::new("", &lens);
            bytes.chunks(1).for_each(|piece| examiner.push(piece));
            black_box(examiner.finish());
        })
    }),
    ("intake: a MIDI file of two-byte messages", 1 << 22, |n| {
        let file = midi_file(&[escape(n)]);
        Box::new(move || drop(black_box(examine("a.mid", &file, &Lens::published()))))
    }),
];

const MAP: &str = "layout = 1\n[[message]]\nname = \"a\"\nheader = \"F0 01\"\n[message.patches]\nfrom = 1\nstride = 1\ncount = 1\nsingle-map = [";

fn stream(bytes: Vec<u8>) -> Work {
    Box::new(move || {
        black_box((frame(&bytes), summarize(&bytes)));
    })
}

fn escape(n: usize) -> Vec<u8> {
    let mut track = vec![0, 0xF7];
    let n_messages = n / 2;
    assert!(file::vlq::write(2 * n_messages as u32, &mut track));
    track.extend([0xF0, 0xF7].repeat(n_messages));
    track
}

fn midi_file(tracks: &[Vec<u8>]) -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06\0\x01\0\x01\0\x60".to_vec();
    for track in tracks {
        file.extend(b"MTrk");
        file.extend((track.len() as u32).to_be_bytes());
        file.extend(track);
    }
    file
}

fn midi(tracks: Vec<Vec<u8>>) -> Work {
    let file = midi_file(&tracks);
    Box::new(move || {
        let read = file::read(&file);
        black_box(
            read.messages()
                .map(|found| found.seconds.unwrap_or(0.0))
                .sum::<f64>(),
        );
    })
}

fn lines(n: usize, line: impl Fn(usize) -> String) -> String {
    let mut text = String::from("layout = 1\nname = \"a\"\ntitle = \"A\"\n");
    for k in 0.. {
        let next = line(k);
        if text.len() + next.len() > n {
            break;
        }
        text += &next;
    }
    text
}

fn text(text: &str) -> Work {
    let text = text.to_owned();
    Box::new(move || {
        if let Ok(layout) = black_box(Layout::parse(&text)) {
            black_box((explain(&layout), layout.to_text()));
        }
    })
}

fn framed(data: &[u8]) -> Vec<u8> {
    [&[0xF0, 0x01], data, &[0xF7]].concat()
}

/// Messages of 16 bytes with a number that counts.
fn numbered(n: usize, first: usize) -> Vec<Vec<u8>> {
    (0..n / 16)
        .map(|k| {
            let k = k + first;
            let number = [
                (k >> 14) as u8 & 0x7F,
                (k >> 7) as u8 & 0x7F,
                k as u8 & 0x7F,
            ];
            framed(&[&number[..], &[k as u8 & 0x3F; 10]].concat())
        })
        .collect()
}

/// Four messages of every maker.
fn kinds(n: usize) -> Vec<Vec<u8>> {
    (0..n / 16)
        .map(|k| {
            let maker = k / 4;
            let id = [0xF0, 0, (maker >> 7) as u8 & 0x7F, maker as u8 & 0x7F];
            [
                &id[..],
                &[
                    k as u8 % 4 * 9,
                    1,
                    2,
                    3,
                    k as u8 & 0x7F,
                    5,
                    6,
                    7,
                    8,
                    9,
                    0xF7,
                ],
            ]
            .concat()
        })
        .collect()
}

fn read(layout: &Arc<Layout>, messages: &[&[u8]]) -> Option<Reading> {
    let mut layouts = Layouts::builtin();
    layouts.add(Arc::clone(layout));
    let mut reader = Reader::new(&layouts, Some(&layout.name));
    for message in messages {
        reader.push(message);
    }
    reader.finish()
}

fn dump(kinds: &str, messages: Vec<Vec<u8>>) -> Work {
    let text = format!("layout = 1\nname = \"a\"\ntitle = \"A\"\n{kinds}");
    let layout = Arc::new(Layout::parse(&text).unwrap_or_else(|bad| panic!("{bad}\n{text}")));
    Box::new(move || {
        let mut messages: Vec<&[u8]> = messages.iter().map(Vec::as_slice).collect();
        let a = read(&layout, &messages).expect("its headers fit");
        let b = messages.clone();
        messages.rotate_left(1);
        let shifted = read(&layout, &messages).expect("its headers fit");
        black_box(compare((&a, &b), (&shifted, &messages)));
    })
}

fn universal(messages: Vec<Vec<u8>>) -> Work {
    Box::new(move || {
        let mut assembly = Assembly::new();
        for (number, message) in (1..).zip(&messages) {
            assembly.push(number, message);
        }
        black_box(assembly.finish());
    })
}

fn drafted(dumps: Vec<Vec<Vec<u8>>>) -> Work {
    Box::new(move || drop(black_box(draft(&dumps))))
}

/// Seconds that this thread has had a processor; `None` where the system does not tell.
fn processor_seconds() -> Option<f64> {
    // The system counts when the thread gives up the processor.
    std::thread::yield_now();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds: u64 = told.split_whitespace().next()?.parse().ok()?;
    Some(nanoseconds as f64 / 1e9)
}

/// The best of three.
fn seconds(work: &Work) -> Option<f64> {
    let mut best = f64::INFINITY;
    for _ in 0..3 {
        let start = processor_seconds()?;
        work();
        best = best.min(processor_seconds()? - start);
    }
    Some(best)
}

#[test]
fn four_times_the_worst_input_takes_about_four_times_as_long() {
    if std::env::var_os("FARSHELF_SLOW").is_none() {
        println!("not run: time that the worst inputs take (FARSHELF_SLOW is not set)");
        return;
    }
    if processor_seconds().is_none() {
        println!("not run: this system does not tell the time of a thread");
        return;
    }
    let mut wrong = Vec::new();
    for (name, most, case) in CASES {
        let mut n = (most >> 8).max(1024);
        let (work, short) = loop {
            let work = case(n);
            let short = seconds(&work).expect("it told before");
            if short >= LEAST_SECONDS || 4 * n >= *most {
                break (work, short);
            }
            n *= 2;
        };
        drop(work);
        let work = case(4 * n);
        let long = seconds(&work).expect("it told before");
        let ((), used) = measured(&*work);
        let ratio = long / short.max(1e-6);
        println!(
            "{name}: {n} bytes {:.1} ms, four times as much {:.1} ms (x {ratio:.1}), {:.1} times its size at one time",
            1e3 * short,
            1e3 * long,
            used.most as f64 / (4 * n) as f64
        );
        // What is over in no time cannot be judged, and need not be. Where the larger input only leaves the processor's
        // cache, a quarter of the smaller one shows it.
        if ratio >= MOST_RATIO && long >= LEAST_SECONDS {
            let shorter = seconds(&case(n / 4)).expect("it told before");
            let of_sixteen = long / shorter.max(1e-6);
            println!("{name}: sixteen times as much (x {of_sixteen:.1})");
            if of_sixteen >= MOST_RATIO * MOST_RATIO {
                wrong.push(format!("{name}: {ratio:.1}"));
            }
        }
    }
    assert!(wrong.is_empty(), "too slow for their length: {wrong:?}");
}
