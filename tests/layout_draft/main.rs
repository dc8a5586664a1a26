//! Drafts of layouts, measured on invented devices whose truth is known.

mod corpus;
mod judge;

use corpus::{Device, Lot, Profile, Special};
use farshelf::layout::draft::{Draft, draft};
use judge::{Truth, Verdict, judge};

/// The seed of this run: drawn, printed, and repeated with FARSHELF_DRAFT_SEED.
fn seed() -> u64 {
    let seed = std::env::var("FARSHELF_DRAFT_SEED")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or_else(|| {
            std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64 % 1_000_000_007
        });
    println!("FARSHELF_DRAFT_SEED={seed}");
    seed
}

fn truth(device: &Device, special: &Special) -> Truth {
    Truth {
        data_at: device.data_at(),
        packing: device.packing,
        stride: device.stride(),
        name_at: (special.name_len > 0).then_some(special.name_at),
    }
}

/// Dumps a device some times, drafts, and compares.
fn try_device(
    seed: u64,
    profile: Profile,
    special: Special,
    n_dumps: usize,
) -> (Draft, Verdict, Truth) {
    let mut device = Device::new(seed, profile, special.clone());
    let mut dumps: Vec<Vec<Vec<u8>>> = Vec::new();
    for n in 0..n_dumps {
        if n > 0 {
            device.step();
        }
        dumps.push(device.banks().concat());
    }
    let drafted = draft(&dumps);
    // What it will send after this has to fit, too.
    device.step();
    let mut all = dumps.concat();
    all.extend(device.banks().concat());
    let truth = truth(&device, &special);
    let verdict = judge(&drafted, &truth, &all);
    (drafted, verdict, truth)
}

#[derive(Default, Debug)]
struct Count {
    n: usize,
    checksum: usize,
    stride: usize,
    name: usize,
    packing: usize,
    all: usize,
    n_sure: usize,
    n_false: usize,
    checksum_sure: usize,
    stride_sure: usize,
}

impl Count {
    fn add(&mut self, what: &str, v: &Verdict) {
        self.n += 1;
        self.checksum += usize::from(v.checksum);
        self.stride += usize::from(v.stride);
        self.name += usize::from(v.name);
        self.packing += usize::from(v.packing);
        self.all += usize::from(v.checksum && v.stride && v.name);
        self.n_sure += v.n_sure;
        self.n_false += v.false_sure.len();
        self.checksum_sure += usize::from(v.checksum_sure);
        self.stride_sure += usize::from(v.stride_sure);
        if !(v.checksum && v.stride && v.name) || !v.false_sure.is_empty() {
            println!("{what}: {v:?}");
        }
    }
}

#[test]
fn unknown_devices_are_drafted_rightly() {
    let mut lot = Lot::new(seed());
    let n: usize = std::env::var("N")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(72);
    for profile in [Profile::Small, Profile::Studio, Profile::Museum] {
        let mut count = Count::default();
        for i in 0..n {
            let seed = lot.draw();
            let n_dumps = 1 + i % 4;
            let (_, verdict, truth) = try_device(seed, profile, Special::default(), n_dumps);
            count.add(
                &format!("{profile:?} {seed} x{n_dumps} {truth:?}"),
                &verdict,
            );
        }
        println!("{profile:?}: {count:?}");
    }
}

#[test]
#[ignore]
fn show() {
    let v: Vec<String> = std::env::var("SHOW")
        .unwrap()
        .split(' ')
        .map(String::from)
        .collect();
    let profile = match v[0].as_str() {
        "Small" => Profile::Small,
        "Studio" => Profile::Studio,
        _ => Profile::Museum,
    };
    let (draft, verdict, truth) = try_device(
        v[1].parse().unwrap(),
        profile,
        Special::default(),
        v[2].parse().unwrap(),
    );
    println!("{draft:#?}\n{verdict:?}\n{truth:?}");
    let mut d = Device::new(v[1].parse().unwrap(), profile, Special::default());
    for m in d.banks().concat().iter().take(3) {
        println!("{:02x?}", &m[..m.len().min(400)]);
    }
}
