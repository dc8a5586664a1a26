//! What can be typed: every command with its words, flags and help.

use std::path::PathBuf;

use clap::builder::PossibleValuesParser;
use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};

use crate::cli::exit;
use crate::model::date::Moment;
use crate::model::ids::{DeviceId, GuestName, SectionName, ShelfName};
use crate::model::place::Place;
use crate::ops::devices::{LOG_KINDS, POWER};
use crate::shelf::net::Rate;
use crate::sys::text::parse_bytes;

const TEMPLATE: &str = "{about-with-newline}\n{before-help}{usage-heading} {usage}\n\n{all-args}";
const TOP: &str =
    "{about-with-newline}\n{usage-heading} {usage}\n{before-help}Options:\n{options}{after-help}";

/// The commands under their headings, as the first help page lists them.
const GROUPS: &[(&str, &[&str])] = &[
    (
        "Day to day",
        &[
            "keep", "history", "show", "label", "vouch", "compare", "recall", "find", "health",
        ],
    ),
    ("Copies", &["shelf", "mirror", "fixity", "repair", "rescue"]),
    ("Set-up", &["create", "device", "layout", "key"]),
    ("Seldom", &["host", "reindex", "demo"]),
];

/// Keeps the memory of hardware instruments: every version, checked, with copies in other places.
#[derive(Debug, Parser)]
#[command(name = "farshelf", version, help_template = TOP, disable_help_subcommand = true, infer_subcommands = false)]
pub struct Cli {
    /// Flags that every command understands.
    #[command(flatten)]
    pub global: Global,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// Flags that every command understands.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Everywhere")]
pub struct Global {
    /// The vault's folder [default: $FARSHELF_VAULT, else the data folder of this computer]
    #[arg(long, global = true, value_name = "DIR")]
    pub vault: Option<PathBuf>,
    /// Answer with one JSON document
    #[arg(long, global = true)]
    pub json: bool,
    /// Say nothing about what went well
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Wait this many seconds while another farshelf writes to the vault
    #[arg(long, global = true, value_name = "SECONDS", default_value = "10", value_parser = seconds)]
    pub wait: u64,
    /// Tell inner details too
    #[arg(long, short, global = true)]
    pub verbose: bool,
    /// No colours
    #[arg(long, global = true)]
    pub no_color: bool,
    /// Never ask anything
    #[arg(long, global = true)]
    pub no_input: bool,
}

/// A command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Take dumps from files or folders into the vault
    #[command(before_help = KEEP, help_template = TEMPLATE)]
    Keep(Keep),
    /// List what is kept of a device
    #[command(before_help = HISTORY, help_template = TEMPLATE)]
    History(History),
    /// Show one take in full
    #[command(before_help = SHOW, help_template = TEMPLATE)]
    Show(Show),
    /// Name a take, or put its date right
    #[command(before_help = LABEL, help_template = TEMPLATE)]
    Label(Label),
    /// Give your word that a doubtful take is good
    #[command(before_help = VOUCH, help_template = TEMPLATE)]
    Vouch(Vouch),
    /// Write a take or a whole state back into a file or folder
    #[command(before_help = RECALL, help_template = TEMPLATE)]
    Recall(Recall),
    /// Say what changed between two takes or states
    #[command(before_help = COMPARE, help_template = TEMPLATE)]
    Compare(Compare),
    /// Look for a word in the names of patches, labels, files and devices
    #[command(before_help = FIND, help_template = TEMPLATE)]
    Find(Find),
    /// Say in one line that all is well, or what needs you, worst first
    #[command(before_help = HEALTH, help_template = TEMPLATE)]
    Health,
    /// Tell the vault about the places that hold copies
    #[command(subcommand, before_help = SHELF, help_template = TEMPLATE)]
    Shelf(Shelf),
    /// Bring the copies up to date, and read back what was sent
    #[command(before_help = MIRROR, help_template = TEMPLATE)]
    Mirror(Mirror),
    /// Read vault and copies again and compare them with what was written
    #[command(before_help = FIXITY, help_template = TEMPLATE)]
    Fixity(FixityArgs),
    /// Mend what is damaged from a good copy
    #[command(before_help = REPAIR, help_template = TEMPLATE)]
    Repair(RepairArgs),
    /// Rebuild a whole vault from its copies and the key
    #[command(before_help = RESCUE, help_template = TEMPLATE)]
    Rescue(Rescue),
    /// Make a new vault
    #[command(before_help = CREATE, help_template = TEMPLATE)]
    Create(Create),
    /// Tell the vault about your instruments
    #[command(subcommand, before_help = DEVICE, help_template = TEMPLATE)]
    Device(Device),
    /// Tell the vault how dumps are laid out
    #[command(subcommand, before_help = LAYOUT, help_template = TEMPLATE)]
    Layout(Layout),
    /// Print, confirm and protect the key that opens every copy
    #[command(subcommand, before_help = KEY, help_template = TEMPLATE)]
    Key(Key),
    /// Lend room on this computer to friends: they add copies that nobody here can read
    #[command(subcommand, before_help = HOST, help_template = TEMPLATE)]
    Host(Host),
    /// Read everything that is kept and rebuild the vault's index
    #[command(before_help = REINDEX, help_template = TEMPLATE)]
    Reindex,
    /// Build an invented theatre's vault and walk through everything in a few seconds
    #[command(before_help = DEMO, help_template = TEMPLATE)]
    Demo(Demo),
}

const DEMO: &str = "\
Your own vault is never touched. What it builds is left for you to explore, with the commands for it.

Examples:
  farshelf demo
  farshelf demo --to ~/demo
";

/// `demo`
#[derive(Debug, Clone, Args)]
pub struct Demo {
    /// A new or empty folder (default: a new one among the temporary files)
    #[arg(long, value_name = "DIR")]
    pub to: Option<PathBuf>,
}

const KEEP: &str = "\
The files are only read. What was kept before is never changed, and the same dump is not kept twice.

Examples:
  farshelf keep --device pit-organ organ.syx
  farshelf keep --by-folder --add-devices ~/dumps
  farshelf keep --device sampler --as-one /media/card --date 1994
";

/// `keep`
#[derive(Debug, Args)]
pub struct Keep {
    /// Files and folders; - reads standard input
    #[arg(value_name = "PATH", required_unless_present = "from")]
    pub paths: Vec<PathBuf>,
    /// Whose dumps they are; without it, each is recognised by how it begins
    #[arg(long, value_name = "ID")]
    pub device: Option<DeviceId>,
    /// Each folder inside PATH is a device of that name
    #[arg(long, conflicts_with = "device")]
    pub by_folder: bool,
    /// With --by-folder: add devices that are not there yet
    #[arg(long, requires = "by_folder")]
    pub add_devices: bool,
    /// The section of the memory that they hold
    #[arg(long, value_name = "NAME")]
    pub section: Option<SectionName>,
    /// Keep them beside the memory: a single sound, a photo, system software
    #[arg(long, conflicts_with = "section")]
    pub loose: bool,
    /// When they were made: 1994, 1994-07, 1994-07-03 or unknown [default: the file's own time]
    #[arg(long, value_name = "DATE")]
    pub date: Option<Moment>,
    /// They were made today
    #[arg(long, conflicts_with = "date")]
    pub today: bool,
    /// Each PATH is a folder that belongs together, such as a memory card
    #[arg(long)]
    pub as_one: bool,
    /// Read files again that look unchanged
    #[arg(long)]
    pub reread: bool,
    /// Bring over everything that another vault keeps
    #[arg(
        long,
        value_name = "VAULT",
        conflicts_with_all = ["paths", "device", "by_folder", "section", "loose", "date", "today", "as_one", "reread"]
    )]
    pub from: Option<PathBuf>,
}

const HISTORY: &str = "\
Examples:
  farshelf history pit-organ
  farshelf history pit-organ --json
";

/// `history`
#[derive(Debug, Args)]
pub struct History {
    /// The device
    #[arg(value_name = "DEVICE")]
    pub device: DeviceId,
}

const REFERENCES: &str = "DEVICE is its memory now; DEVICE@12 one take; DEVICE@2019 or DEVICE@30d its memory \
at that time; \"DEVICE@a label\" what bears that label; DEVICE/SECTION... one section only";

const SHOW: &str = "\
Examples:
  farshelf show pit-organ@12
  farshelf show \"pit-organ/bank-a@spring tour\"
";

/// `show`
#[derive(Debug, Args)]
pub struct Show {
    /// Which
    #[arg(value_name = "REF", help = REFERENCES)]
    pub reference: String,
}

const LABEL: &str = "\
Examples:
  farshelf label pit-organ@12 \"spring tour\"
  farshelf label pit-organ@3 --date 1994-07
  farshelf label pit-organ@12 \"spring tour\" --remove
";

/// `label`
#[derive(Debug, Args)]
pub struct Label {
    /// Which
    #[arg(value_name = "REF", help = REFERENCES)]
    pub reference: String,
    /// The label
    #[arg(value_name = "TEXT")]
    pub text: Option<String>,
    /// When it was made: 1994, 1994-07, 1994-07-03 or unknown
    #[arg(long, value_name = "DATE", conflicts_with = "remove")]
    pub date: Option<Moment>,
    /// Take the label away
    #[arg(long, requires = "text")]
    pub remove: bool,
}

const VOUCH: &str = "\
A take that you vouch for counts as a good one. What was noticed about it stays to be seen.

Examples:
  farshelf vouch pit-organ@12 \"loaded it on stage, all sounds there\"
  farshelf vouch sampler@2 \"this model always sends a short last block\"
";

/// `vouch`
#[derive(Debug, Args)]
pub struct Vouch {
    /// Which
    #[arg(value_name = "REF", help = REFERENCES)]
    pub reference: String,
    /// Why it can be trusted, in your words
    #[arg(value_name = "TEXT")]
    pub text: String,
}

const RECALL: &str = "\
Writes files only; the instrument is not touched. Every byte is checked on the way. Sending a dump
to an instrument overwrites its memory: keep what is in it first.

Examples:
  farshelf recall pit-organ --to ~/Desktop
  farshelf recall \"pit-organ@spring tour\" --to organ.syx
  farshelf recall pit-organ/bank-a@2019 --to - | your-sender
  farshelf recall pit-organ@12 --patch \"GLASS PAD\" --to pad.syx
  farshelf recall pit-organ --sysex-number 4 --as mid --to ~/Desktop
";

/// `recall`
#[derive(Debug, Args)]
pub struct Recall {
    /// Which
    #[arg(value_name = "REF", help = REFERENCES)]
    pub reference: String,
    /// Where to: a file, a folder (one file per section), or - for standard output
    #[arg(long, value_name = "PATH")]
    pub to: PathBuf,
    /// Only this patch: its number from 1, its slot as the panel shows it, or its name
    #[arg(long, value_name = "PATCH")]
    pub patch: Option<String>,
    /// For a unit with this SysEx number, 0 to 127, such as a replacement
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(0..=127))]
    pub sysex_number: Option<u8>,
    /// As what: mid is a MIDI file that any player sends at a pace the instrument can take
    #[arg(long = "as", value_name = "FORM")]
    pub form: Option<FileForm>,
    /// Replace a file that is there
    #[arg(long, short)]
    pub force: bool,
}

/// What a recalled dump is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileForm {
    /// A MIDI file.
    Mid,
}

const COMPARE: &str = "\
Bytes that change by themselves are left out where a layout names them. Exit code 3: they differ.

Examples:
  farshelf compare pit-organ@30d pit-organ
  farshelf compare \"pit-organ@spring tour\" pit-organ@12 --json
";

/// `compare`
#[derive(Debug, Args)]
pub struct Compare {
    /// The earlier one
    #[arg(value_name = "REF", help = REFERENCES)]
    pub a: String,
    /// The later one
    #[arg(value_name = "REF")]
    pub b: String,
}

const LAYOUT: &str = "\
A layout tells what the bytes of a dump mean: which section it is, where its checksums and
patches are. Published ones are built in; others can be written by hand or drafted from dumps.

Examples:
  farshelf layout list
  farshelf layout draft monday.syx tuesday.syx > organ.toml
  farshelf layout check organ.toml monday.syx
";

/// `layout`
#[derive(Debug, Subcommand)]
pub enum Layout {
    /// List the layouts there are
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    List,
    /// Explain a layout
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    Show {
        /// Its name
        #[arg(value_name = "NAME")]
        name: String,
        /// Print its text, to change it
        #[arg(long)]
        text: bool,
    },
    /// Explain the layout in a file and try it on dumps
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    Check {
        /// A file with a layout
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Dumps to try it on
        #[arg(value_name = "DUMP")]
        dumps: Vec<PathBuf>,
    },
    /// Look at dumps of an unknown instrument and propose a layout
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    Draft {
        /// Dumps of one instrument, best two or more, in the order they were made
        #[arg(value_name = "DUMP", required = true)]
        dumps: Vec<PathBuf>,
        /// What to call it
        #[arg(long, value_name = "NAME", default_value = "my-layout")]
        name: String,
    },
    /// Keep a layout of your own in the vault; takes are read anew with it
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    Add {
        /// A file with a layout
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Give up a layout of your own
    #[command(before_help = LAYOUT, help_template = TEMPLATE)]
    Drop {
        /// Its name
        #[arg(value_name = "NAME")]
        name: String,
    },
}

const FIND: &str = "\
Examples:
  farshelf find \"glass pad\"
  farshelf find \"organ 1994\" --json
";

/// `find`
#[derive(Debug, Args)]
pub struct Find {
    /// The text to look for; capitals do not matter
    #[arg(value_name = "TEXT")]
    pub text: String,
}

const HEALTH: &str = "\
Examples:
  farshelf health
  farshelf health --json
";

const SHELF: &str = "\
A shelf is a folder, best on another disk in another place. What lies there is encrypted.

Examples:
  farshelf shelf add lena /media/lena/farshelf --place \"lena's flat\"
  farshelf shelf list
";

/// `shelf`
#[derive(Debug, Subcommand)]
pub enum Shelf {
    /// Add a place that is to hold copies, or take one up again
    #[command(before_help = SHELF_ADD, help_template = TEMPLATE)]
    Add(Box<ShelfAdd>),
    /// List all shelves and how they are
    #[command(before_help = SHELF_LIST, help_template = TEMPLATE)]
    List,
    /// Show how one shelf is
    #[command(before_help = SHELF_SHOW, help_template = TEMPLATE)]
    Show(ShelfNamed),
    /// Let what another computer wrote to a shelf stand beside yours
    #[command(before_help = SHELF_ACCEPT, help_template = TEMPLATE)]
    Accept(ShelfNamed),
    /// Give a shelf up; what lies there is left alone
    #[command(before_help = SHELF_DROP, help_template = TEMPLATE)]
    Drop(ShelfDrop),
}

const SHELF_ADD: &str = "\
Examples:
  farshelf shelf add attic /mnt/attic/farshelf --place studio --every 7d
  farshelf shelf add lena INVITE-LINE --place \"lena's flat\"
  farshelf shelf add cloud bucket+https://s3.example/synths --user KEY-ID --place paris
  farshelf shelf add box share+https://box.example/dav --user me --place zurich
";
const SHELF_LIST: &str = "\
Examples:
  farshelf shelf list
  farshelf shelf list --json
";
const SHELF_SHOW: &str = "\
Examples:
  farshelf shelf show lena
  farshelf shelf show lena --verbose
";
const SHELF_ACCEPT: &str = "\
Use it when two computers wrote to one shelf and both are to stay. Nothing is thrown away.

Examples:
  farshelf shelf accept lena
  farshelf shelf accept lena --json
";
const SHELF_DROP: &str = "\
Its copies do not count any more. You are asked for the name again.

Examples:
  farshelf shelf drop attic
  farshelf shelf drop attic --confirm attic
";

/// `shelf add`
#[derive(Debug, Args)]
pub struct ShelfAdd {
    /// A short name for commands: a-z, 0-9, - _ .
    #[arg(value_name = "NAME")]
    pub name: ShelfName,
    /// A new or empty folder, the invite line of a friend's machine, bucket+https://SERVER/BUCKET or
    /// share+https://SERVER/PATH
    #[arg(value_name = "LOCATION")]
    pub location: String,
    /// Where it stands
    #[arg(long, value_name = "PLACE")]
    pub place: Option<Place>,
    /// How often it is expected to be brought up to date, such as 30d [default: 30d]
    #[arg(long, value_name = "DAYS", value_parser = days)]
    pub every: Option<u32>,
    /// Your word that it is another disk than the vault's
    #[arg(long)]
    pub separate: bool,
    /// How it is reached.
    #[command(flatten)]
    pub way: Way,
}

/// How a place on the network is reached.
#[derive(Debug, Args)]
#[command(next_help_heading = "Buckets, shares and hosts")]
pub struct Way {
    /// The user of a share, or the id of a bucket's access key
    #[arg(long, value_name = "NAME")]
    pub user: Option<String>,
    /// A file whose first line is the password or secret key; it stays where it is
    #[arg(long, value_name = "FILE", group = "secret")]
    pub secret_file: Option<PathBuf>,
    /// An environment variable that holds it
    #[arg(long, value_name = "NAME", group = "secret")]
    pub secret_env: Option<String>,
    /// A command that prints it
    #[arg(long, value_name = "COMMAND", group = "secret")]
    pub secret_command: Option<String>,
    /// The region of a bucket [default: us-east-1]
    #[arg(long, value_name = "REGION")]
    pub region: Option<String>,
    /// A file of certificates that are trusted beside the system's
    #[arg(long, value_name = "FILE")]
    pub ca_file: Option<PathBuf>,
    /// Let a share have its password without TLS: others on the way can read it
    #[arg(long)]
    pub in_clear: bool,
    /// No faster than this in each direction, such as 2MB/s
    #[arg(long, value_name = "RATE")]
    pub limit: Option<Rate>,
    /// So many uploads side by side, 2 to 8 [default: 4]
    #[arg(long, value_name = "NUMBER", value_parser = side_by_side)]
    pub side_by_side: Option<usize>,
}

/// `shelf show` and `shelf accept`
#[derive(Debug, Args)]
pub struct ShelfNamed {
    /// The shelf
    #[arg(value_name = "NAME")]
    pub name: String,
}

/// `shelf drop`
#[derive(Debug, Args)]
pub struct ShelfDrop {
    /// The shelf
    #[arg(value_name = "NAME")]
    pub name: String,
    /// The shelf's name again, instead of being asked
    #[arg(long, value_name = "NAME")]
    pub confirm: Option<String>,
}

const MIRROR: &str = "\
Examples:
  farshelf mirror
  farshelf mirror lena --limit 2MB/s
";

/// `mirror`
#[derive(Debug, Args)]
pub struct Mirror {
    /// Only these shelves
    #[arg(value_name = "SHELF")]
    pub shelves: Vec<String>,
    /// No faster than this over the network this time, in each direction, such as 2MB/s
    #[arg(long, value_name = "RATE")]
    pub limit: Option<Rate>,
}

const FIXITY: &str = "\
Without a name, everything that can be reached is read.

Examples:
  farshelf fixity
  farshelf fixity local lena --budget 2GB
";

/// `fixity`
#[derive(Debug, Args)]
pub struct FixityArgs {
    /// local for the vault itself, or shelves
    #[arg(value_name = "local|SHELF")]
    pub which: Vec<String>,
    /// Read only so much this time, such as 500MB; what was not read for longest comes first
    #[arg(long, value_name = "BYTES", value_parser = bytes)]
    pub budget: Option<u64>,
}

const REPAIR: &str = "\
A copy is only ever replaced by one that was read and found good.

Examples:
  farshelf repair
  farshelf repair --json
";

/// `repair`
#[derive(Debug, Args)]
pub struct RepairArgs {
    /// How to unlock the key.
    #[command(flatten)]
    pub unlock: Unlock,
}

const RESCUE: &str = "\
The copies are only read. Name all you can reach: what is damaged in one is taken from another.

Examples:
  farshelf rescue /media/lena/farshelf --key key.txt --to ~/vault
  farshelf rescue host+https://lena.example:7625 /mnt/attic/farshelf --key - --to ~/vault
  farshelf rescue bucket+https://s3.example/synths --user KEY-ID --key - --to ~/vault
";

/// `rescue`
#[derive(Debug, Args)]
pub struct Rescue {
    /// Folders, host+https://SERVER:PORT, bucket+https://… or share+https://… that hold copies; or names out of --shelves
    #[arg(value_name = "LOCATION", required = true)]
    pub locations: Vec<String>,
    /// A saved shelves.toml: how to reach the shelves that stand in it
    #[arg(long, value_name = "FILE")]
    pub shelves: Option<PathBuf>,
    /// The key file, or - to type or paste the key from its sheet
    #[arg(long, value_name = "FILE")]
    pub key: PathBuf,
    /// A new or empty folder for the vault
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Where two computers went on with one vault: which of the two
    #[arg(long, value_name = "TAG")]
    pub line: Option<String>,
    /// Nothing after this date, or after this number
    #[arg(long, value_name = "REEL|DATE")]
    pub until: Option<String>,
    /// How the places are reached.
    #[command(flatten)]
    pub way: Way,
    /// How to unlock the key.
    #[command(flatten)]
    pub unlock: Unlock,
}

const CREATE: &str = "\
Examples:
  farshelf create --place studio
  farshelf create --vault ~/music/vault --place \"rehearsal room\"
";

/// `create`
#[derive(Debug, Args)]
pub struct Create {
    /// Where the vault stands, such as studio; a copy counts as being elsewhere only if its place is another
    #[arg(long, value_name = "PLACE")]
    pub place: Option<Place>,
}

const DEVICE: &str = "\
Examples:
  farshelf device add pit-organ --name \"Organ in the pit\" --power coin-soldered
  farshelf device list
";

/// `device`
#[derive(Debug, Subcommand)]
pub enum Device {
    /// Add an instrument or effects unit
    #[command(before_help = DEVICE_ADD, help_template = TEMPLATE)]
    Add(Box<DeviceFacts>),
    /// List all devices
    #[command(before_help = DEVICE_LIST, help_template = TEMPLATE)]
    List,
    /// Show what is known about a device: its sections, its battery, its logbook
    #[command(before_help = DEVICE_SHOW, help_template = TEMPLATE)]
    Show(DeviceNamed),
    /// Change what is known about a device
    #[command(before_help = DEVICE_EDIT, help_template = TEMPLATE)]
    Edit(Box<DeviceFacts>),
    /// Name a section of a device's memory, and say what is expected of it
    #[command(before_help = DEVICE_SECTION, help_template = TEMPLATE)]
    Section(DeviceSection),
    /// Write a line into a device's logbook
    #[command(before_help = DEVICE_LOG, help_template = TEMPLATE)]
    Log(DeviceLog),
    /// Say that a device has left for good; everything kept of it stays
    #[command(before_help = DEVICE_RETIRE, help_template = TEMPLATE)]
    Retire(DeviceRetire),
}

const DEVICE_ADD: &str = "\
Examples:
  farshelf device add pit-organ
  farshelf device add pit-organ --maker \"...\" --model \"...\" --power coin-soldered --fitted-on 2019 --life-years 6
";
const DEVICE_LIST: &str = "\
Examples:
  farshelf device list
  farshelf device list --json
";
const DEVICE_SHOW: &str = "\
Examples:
  farshelf device show pit-organ
  farshelf device show pit-organ --json
";
const DEVICE_EDIT: &str = "\
Only what is named changes; an empty text (\"\") takes an entry away.

Examples:
  farshelf device edit pit-organ --place \"rehearsal room\"
  farshelf device edit pit-organ --owner \"\"
";
const DEVICE_SECTION: &str = "\
Examples:
  farshelf device section pit-organ section-2 --rename songs
  farshelf device section pit-organ songs --expected no
  farshelf device section pit-organ songs --every 30d --dump-steps \"Hold MEMORY, press 7\"
";
const DEVICE_LOG: &str = "\
Replacing an inner battery means an opened, possibly mains-powered unit: unplug it, follow the service manual, and
leave it to a qualified technician. Keep a dump first.

Examples:
  farshelf device log pit-organ battery \"new holder, new cell\" --date 2026-03-02
  farshelf device log pit-organ lent \"to the theatre until June\"
";
const DEVICE_RETIRE: &str = "\
Examples:
  farshelf device retire pit-organ
  farshelf device retire pit-organ --undo
";

/// `device show`
#[derive(Debug, Args)]
pub struct DeviceNamed {
    /// The device
    #[arg(value_name = "ID")]
    pub id: DeviceId,
}

/// `device add` and `device edit`
#[derive(Debug, Args)]
pub struct DeviceFacts {
    /// A short name for commands: a-z, 0-9, - _ .
    #[arg(value_name = "ID")]
    pub id: DeviceId,
    /// Its name in your words
    #[arg(long, value_name = "TEXT")]
    pub name: Option<String>,
    /// Who made it
    #[arg(long, value_name = "TEXT")]
    pub maker: Option<String>,
    /// Model
    #[arg(long, value_name = "TEXT")]
    pub model: Option<String>,
    /// Serial number
    #[arg(long, value_name = "TEXT")]
    pub serial: Option<String>,
    /// Where it stands
    #[arg(long, value_name = "PLACE")]
    pub place: Option<String>,
    /// Whose it is
    #[arg(long, value_name = "TEXT")]
    pub owner: Option<String>,
    /// The SysEx number set on it, counted from 0
    #[arg(long, value_name = "0-127")]
    pub sysex_number: Option<u8>,
    /// The MIDI port it hangs on
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// How its dumps are laid out
    #[arg(long, value_name = "NAME")]
    pub layout: Option<String>,
    /// What holds its memory
    #[arg(long, value_name = "KIND", value_parser = power())]
    pub power: Option<String>,
    /// When the battery was fitted: 2019, 2019-05 or 2019-05-20
    #[arg(long, value_name = "DATE")]
    pub fitted_on: Option<String>,
    /// For how many years the battery is trusted
    #[arg(long, value_name = "YEARS")]
    pub life_years: Option<u32>,
    /// When it was last switched on
    #[arg(long, value_name = "DATE")]
    pub last_powered: Option<String>,
    /// Anything else worth knowing
    #[arg(long, value_name = "TEXT")]
    pub text: Option<String>,
}

/// The kinds of power, and the empty text that takes the entry away.
fn power() -> PossibleValuesParser {
    let none = clap::builder::PossibleValue::new("").hide(true);
    PossibleValuesParser::new(
        POWER
            .iter()
            .map(|p| clap::builder::PossibleValue::new(*p))
            .chain([none]),
    )
}

/// `device section`
#[derive(Debug, Args)]
pub struct DeviceSection {
    /// The device
    #[arg(value_name = "ID")]
    pub id: DeviceId,
    /// The section of its memory
    #[arg(value_name = "SECTION")]
    pub section: SectionName,
    /// A new name
    #[arg(long, value_name = "NAME")]
    pub rename: Option<SectionName>,
    /// Whether dumps of it are expected
    #[arg(long, value_name = "yes|no", value_parser = yes_no)]
    pub expected: Option<bool>,
    /// What lies here is no state of the memory (--loose=no: it is after all)
    #[arg(long, value_name = "yes|no", value_parser = yes_no, num_args = 0..=1, require_equals = true, default_missing_value = "yes")]
    pub loose: Option<bool>,
    /// Dumps that begin like this take belong here
    #[arg(long, value_name = "REF")]
    pub like: Option<String>,
    /// A dump is expected this often, such as 30d; 0 for as often as for all
    #[arg(long, value_name = "DAYS", value_parser = days)]
    pub every: Option<u32>,
    /// How to send the dump from the instrument, in your words
    #[arg(long, value_name = "TEXT")]
    pub dump_steps: Option<String>,
    /// How to load it back, in your words
    #[arg(long, value_name = "TEXT")]
    pub load_steps: Option<String>,
}

/// `device log`
#[derive(Debug, Args)]
pub struct DeviceLog {
    /// The device
    #[arg(value_name = "ID")]
    pub id: DeviceId,
    /// What kind of thing happened
    #[arg(value_name = "KIND", value_parser = PossibleValuesParser::new(LOG_KINDS))]
    pub kind: String,
    /// What happened, in your words
    #[arg(value_name = "TEXT", default_value = "", hide_default_value = true)]
    pub text: String,
    /// When: 2019, 2019-05 or 2019-05-20 [default: today]
    #[arg(long, value_name = "DATE")]
    pub date: Option<String>,
}

/// `device retire`
#[derive(Debug, Args)]
pub struct DeviceRetire {
    /// The device
    #[arg(value_name = "ID")]
    pub id: DeviceId,
    /// It is back
    #[arg(long)]
    pub undo: bool,
}

const KEY: &str = "\
Without the key nobody can open a copy, you neither. Print its sheet and keep it in another place than the vault.

Examples:
  farshelf key sheet --to key-sheet.html
  farshelf key confirm --place \"lena's flat\"
";

/// `key`
#[derive(Debug, Subcommand)]
pub enum Key {
    /// Make the page that opens every copy; print it and keep it elsewhere
    #[command(before_help = KEY_SHEET, help_template = TEMPLATE)]
    Sheet(KeySheet),
    /// Say that a printed key sheet lies at a place
    #[command(before_help = KEY_CONFIRM, help_template = TEMPLATE)]
    Confirm(KeyConfirm),
    /// Let another person's key, or a passphrase, open the copies too
    #[command(before_help = KEY_ADD, help_template = TEMPLATE)]
    Add(KeyAdd),
    /// Lock the key on this computer with a passphrase
    #[command(before_help = KEY_PASSPHRASE, help_template = TEMPLATE)]
    Passphrase(KeyPassphrase),
}

const KEY_SHEET: &str = "\
Whoever holds the sheet can read everything you keep. Delete the file when it is printed.

Examples:
  farshelf key sheet --to key-sheet.html
  farshelf key sheet --to key-sheet.txt
";
const KEY_CONFIRM: &str = "\
Examples:
  farshelf key confirm --place \"lena's flat\"
  farshelf key confirm --place \"bank vault\"
";
const KEY_ADD: &str = "\
It reaches the copies with the next mirror.

Examples:
  farshelf key add --passphrase
  farshelf key add --recipient age1...
";
const KEY_PASSPHRASE: &str = "\
Copies and printed sheets stay as they are. Bringing copies up to date needs no passphrase.

Examples:
  farshelf key passphrase
  farshelf key passphrase --remove
";

/// Where the passphrase of a locked key comes from.
#[derive(Debug, Clone, Args)]
pub struct Unlock {
    /// The passphrase of the locked key is the first line of this file (- for standard input)
    #[arg(long, value_name = "FILE")]
    pub passphrase_from: Option<PathBuf>,
}

/// `key sheet`
#[derive(Debug, Args)]
pub struct KeySheet {
    /// A new file ending in .html (with a picture to scan) or .txt [default: show it here]
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
    /// How to unlock the key.
    #[command(flatten)]
    pub unlock: Unlock,
}

/// `key confirm`
#[derive(Debug, Args)]
pub struct KeyConfirm {
    /// Where it lies
    #[arg(long, value_name = "PLACE")]
    pub place: Place,
}

/// `key add`
#[derive(Debug, Args)]
pub struct KeyAdd {
    /// The public half of another age key
    #[arg(long, value_name = "AGE1...", required_unless_present = "passphrase")]
    pub recipient: Option<String>,
    /// A passphrase, asked for twice
    #[arg(long, conflicts_with = "recipient")]
    pub passphrase: bool,
    /// The new passphrase is the first line of this file (- for standard input)
    #[arg(long, value_name = "FILE", requires = "passphrase")]
    pub new_passphrase_from: Option<PathBuf>,
    /// How to unlock the key.
    #[command(flatten)]
    pub unlock: Unlock,
}

/// `key passphrase`
#[derive(Debug, Args)]
pub struct KeyPassphrase {
    /// Unlock the key for good
    #[arg(long)]
    pub remove: bool,
    /// The new passphrase is the first line of this file (- for standard input)
    #[arg(long, value_name = "FILE", conflicts_with = "remove")]
    pub new_passphrase_from: Option<PathBuf>,
    /// How to unlock the key.
    #[command(flatten)]
    pub unlock: Unlock,
}

const REINDEX: &str = "\
Nothing that is kept is changed. Use it when a command says so.

Examples:
  farshelf reindex
  farshelf reindex --json
";

const HOST: &str = "\
A host needs no vault. Guests can add copies and read their own; nothing is ever removed by a guest or by time.

Examples:
  farshelf host init ~/lending --address lena.example
  farshelf host invite omar --quota 20GB
  farshelf host serve
";

/// `host`
#[derive(Debug, Subcommand)]
pub enum Host {
    /// Make a folder in which this computer keeps the copies of friends
    #[command(before_help = HOST_INIT, help_template = TEMPLATE)]
    Init(HostInit),
    /// Print the line that lets a friend in
    #[command(before_help = HOST_INVITE, help_template = TEMPLATE)]
    Invite(HostInvite),
    /// Let guests in, until this command is stopped
    #[command(before_help = HOST_SERVE, help_template = TEMPLATE)]
    Serve(HostServe),
    /// List the guests, and what is held for them
    #[command(before_help = HOST_LIST, help_template = TEMPLATE)]
    List(HostFolderArg),
    /// Read what is held and compare it with what came
    #[command(before_help = HOST_CHECK, help_template = TEMPLATE)]
    Check(HostCheck),
    /// Take over a first copy that a friend brought along on a disk
    #[command(before_help = HOST_ADOPT, help_template = TEMPLATE)]
    Adopt(HostAdopt),
    /// End a guest's access and move what is held for it aside
    #[command(before_help = HOST_RETIRE, help_template = TEMPLATE)]
    Retire(HostRetire),
}

const HOST_INIT: &str = "\
The folder is remembered on this computer, so that the other host commands find it.

Examples:
  farshelf host init ~/lending --address lena.example
  farshelf host init /srv/lending --address 203.0.113.7:9000
";
const HOST_INVITE: &str = "\
Whoever has the line can take it up, once: send it the way you send a secret. Your friend types it
behind farshelf shelf add. The old access ends when a line made with --again is taken up.

Examples:
  farshelf host invite omar --quota 20GB
  farshelf host invite omar --again
  farshelf host invite omar --proxied --address lena.example:443
";
const HOST_SERVE: &str = "\
It reads what is held again at a gentle pace, and tells each guest what it found.

Examples:
  farshelf host serve
  farshelf host serve --listen 127.0.0.1:7625 --plain
";
const HOST_LIST: &str = "\
Examples:
  farshelf host list
  farshelf host list --json
";
const HOST_CHECK: &str = "\
Exit code 3: something is not as it came. Your friend's vault mends it from another copy.

Examples:
  farshelf host check
  farshelf host check omar
";
const HOST_ADOPT: &str = "\
The folder is one that farshelf shelf add and farshelf mirror filled. It is only read.

Examples:
  farshelf host adopt /media/stick/farshelf --as omar
  farshelf host adopt /media/stick/omar
";
const HOST_RETIRE: &str = "\
Nothing is deleted. You are asked for nothing else than the name again.

Examples:
  farshelf host retire omar --confirm omar
  farshelf host retire omar --confirm omar --json
";

/// Which host.
#[derive(Debug, Clone, Args)]
pub struct HostFolderArg {
    /// The host's folder [default: $FARSHELF_HOST, else the one made last on this computer]
    #[arg(long, value_name = "DIR")]
    pub folder: Option<PathBuf>,
}

/// `host init`
#[derive(Debug, Args)]
pub struct HostInit {
    /// A new or empty folder
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// How others reach this computer: a name or an IP address, and a port unless it is 7625 [default: this computer's name]
    #[arg(long, value_name = "NAME[:PORT]")]
    pub address: Option<String>,
}

/// `host invite`
#[derive(Debug, Args)]
pub struct HostInvite {
    /// What you call your friend here: a-z, 0-9, - _ .
    #[arg(value_name = "NAME")]
    pub name: GuestName,
    /// How much your friend may keep here, such as 20GB; each object counts for at least 4 KiB [default: as much as the disk allows]
    #[arg(long, value_name = "BYTES", value_parser = bytes)]
    pub quota: Option<u64>,
    /// Fresh access to the shelf that is here already
    #[arg(long)]
    pub again: bool,
    /// Another way to reach this computer than the host's own, for this line only
    #[arg(long, value_name = "NAME[:PORT]")]
    pub address: Option<String>,
    /// Your friend reaches host serve --plain without TLS, in a private network that protects the connection itself
    #[arg(long, conflicts_with = "proxied")]
    pub plain: bool,
    /// Your friend reaches host serve --plain through a proxy that speaks TLS with an ordinary certificate
    #[arg(long)]
    pub proxied: bool,
    /// Which host.
    #[command(flatten)]
    pub host: HostFolderArg,
}

/// `host serve`
#[derive(Debug, Args)]
pub struct HostServe {
    /// Another address to listen on than the one in host.toml, such as 127.0.0.1:7625
    #[arg(long, value_name = "ADDR:PORT")]
    pub listen: Option<std::net::SocketAddr>,
    /// Without TLS: a proxy or a private network protects the connections
    #[arg(long)]
    pub plain: bool,
    /// Which host.
    #[command(flatten)]
    pub host: HostFolderArg,
}

/// `host check`
#[derive(Debug, Args)]
pub struct HostCheck {
    /// Only what is held for this guest
    #[arg(value_name = "NAME")]
    pub name: Option<GuestName>,
    /// Which host.
    #[command(flatten)]
    pub host: HostFolderArg,
}

/// `host adopt`
#[derive(Debug, Args)]
pub struct HostAdopt {
    /// The folder with the copy
    #[arg(value_name = "FOLDER")]
    pub from: PathBuf,
    /// For which guest [default: named like the folder]
    #[arg(long = "as", value_name = "NAME")]
    pub name: Option<GuestName>,
    /// Which host.
    #[command(flatten)]
    pub host: HostFolderArg,
}

/// `host retire`
#[derive(Debug, Args)]
pub struct HostRetire {
    /// The guest
    #[arg(value_name = "NAME")]
    pub name: GuestName,
    /// The guest's name again
    #[arg(long, value_name = "NAME")]
    pub confirm: Option<String>,
    /// Which host.
    #[command(flatten)]
    pub host: HostFolderArg,
}

fn yes_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("say yes or no".to_string()),
    }
}

fn seconds(text: &str) -> Result<u64, String> {
    text.parse()
        .map_err(|_| "say a number of seconds, such as 60".to_string())
}

/// Days, also as `30d` or `6w`.
fn days(text: &str) -> Result<u32, String> {
    let (digits, factor) = match text.strip_suffix('w') {
        Some(weeks) => (weeks, 7),
        None => (text.strip_suffix('d').unwrap_or(text), 1),
    };
    digits
        .parse::<u32>()
        .ok()
        .and_then(|n| n.checked_mul(factor))
        .filter(|n| *n <= 36_500)
        .ok_or_else(|| "say a number of days, such as 30d, or of weeks, such as 6w".to_string())
}

fn side_by_side(text: &str) -> Result<usize, String> {
    text.parse()
        .ok()
        .filter(|n| (2..=8).contains(n))
        .ok_or_else(|| "say a number from 2 to 8".to_string())
}

/// A number of bytes, also as `500MB` (powers of ten).
fn bytes(text: &str) -> Result<u64, String> {
    parse_bytes(text).ok_or_else(|| "say a number of bytes, such as 500MB or 2GB".to_string())
}

/// The definitions with the first help page filled in.
pub fn definitions() -> clap::Command {
    let command = Cli::command();
    let mut list = String::new();
    for (heading, names) in GROUPS {
        list.push_str(&format!("\n{heading}:\n"));
        for name in *names {
            let about = command
                .find_subcommand(name)
                .and_then(|c| c.get_about())
                .map(|a| a.to_string())
                .unwrap_or_default();
            list.push_str(&format!("  {name:<9} {about}\n"));
        }
    }
    let mut codes = String::from("Exit codes:\n");
    for (code, meaning) in exit::TABLE {
        codes.push_str(&format!("  {code}  {meaning}\n"));
    }
    codes.push_str("\nEach command explains itself: farshelf keep --help");
    command.before_help(list).after_help(codes)
}

/// Reads a command line.
///
/// # Errors
/// Wrong usage, or that help was asked for.
pub fn parse(args: &[std::ffi::OsString]) -> Result<Cli, clap::Error> {
    let mut command = definitions();
    let matches = command.try_get_matches_from_mut(args)?;
    Cli::from_arg_matches(&matches).map_err(|e| e.format(&mut command))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn definitions_hold_together() {
        definitions().debug_assert();
    }

    #[test]
    fn every_command_stands_under_one_heading() {
        let mut listed: Vec<&str> = GROUPS.iter().flat_map(|(_, n)| n.iter().copied()).collect();
        listed.sort_unstable();
        let command = Cli::command();
        let mut defined: Vec<&str> = command.get_subcommands().map(|c| c.get_name()).collect();
        defined.sort_unstable();
        assert_eq!(listed, defined);
    }

    #[test]
    fn bytes_may_have_a_unit() {
        let check =
            |text: &str, expected: Option<u64>| assert_eq!(bytes(text).ok(), expected, "{text}");
        check("500", Some(500));
        check("500MB", Some(500_000_000));
        check("2 gb", Some(2_000_000_000));
        check("0", None);
        check("MB", None);
        check("5 miles", None);
        check("-5", None);
        check("99999999999TB", None);
    }

    #[test]
    fn days_may_be_weeks() {
        let check =
            |text: &str, expected: Option<u32>| assert_eq!(days(text).ok(), expected, "{text}");
        check("30", Some(30));
        check("30d", Some(30));
        check("6w", Some(42));
        check("0", Some(0));
        check("w", None);
        check("-1", None);
        check("4000000000w", None);
        check("1m", None);
    }
}
