//! The command line as clap reads it: the one table of commands, flags and their help.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Keeps the memory of your instruments safe: every dump, every version, in more than one place.
#[derive(Debug, Parser)]
#[command(
    name = "farshelf",
    version,
    max_term_width = 100,
    after_help = "Day to day:  keep, history, show, label, vouch, recall, find, health\n\
Copies:      shelf, mirror, fixity, repair, rescue\n\
Set-up:      create, device, key\n\
Seldom:      reindex, demo\n\n\
REF names takes: DEVICE, DEVICE/SECTION, DEVICE@12, DEVICE@2026-10-25, DEVICE@30d, \"DEVICE@a label\".\n\
Exit codes:  0 done, all good; 1 failed; 2 wrong usage; 3 done, but something needs attention; 4 vault in use."
)]
pub struct Cli {
    #[command(flatten)]
    pub global: Global,
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Args)]
pub struct Global {
    /// The vault's folder (default: $FARSHELF_VAULT, then the platform's data folder)
    #[arg(long, global = true, value_name = "DIR", help_heading = "Everywhere")]
    pub vault: Option<PathBuf>,
    /// Print exactly one JSON document; errors are one JSON object on standard error
    #[arg(long, global = true, help_heading = "Everywhere")]
    pub json: bool,
    /// Say nothing when all went well
    #[arg(long, short, global = true, help_heading = "Everywhere")]
    pub quiet: bool,
    /// Show hashes and other inner details too
    #[arg(long, short, global = true, help_heading = "Everywhere")]
    pub verbose: bool,
    /// Wait at most so many seconds while another farshelf writes
    #[arg(
        long,
        global = true,
        value_name = "SECONDS",
        default_value_t = 10,
        help_heading = "Everywhere"
    )]
    pub wait: u64,
    /// No colours
    #[arg(long, global = true, help_heading = "Everywhere")]
    pub no_color: bool,
    /// Never ask anything
    #[arg(long, global = true, help_heading = "Everywhere")]
    pub no_input: bool,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Take dumps into the vault, from files, folders or standard input
    ///
    /// Nothing is ever overwritten: every dump becomes a numbered take, and one that is kept already adds nothing.
    ///
    ///   farshelf keep --device pit-organ ~/dumps/organ.syx
    ///   farshelf keep --by-folder --add-devices ~/dumps
    #[command(verbatim_doc_comment)]
    Keep(KeepArgs),
    /// Show all takes of a device, oldest first
    ///
    ///   farshelf history pit-organ
    ///   farshelf history pit-organ --json
    #[command(verbatim_doc_comment)]
    History {
        /// The device
        device: String,
    },
    /// Show one take in full: what is in it, where it came from, where copies of it lie
    ///
    ///   farshelf show pit-organ@12
    ///   farshelf show pit-organ/songs
    #[command(verbatim_doc_comment)]
    Show {
        /// A take, or the state of a device
        #[arg(value_name = "REF")]
        reference: String,
    },
    /// Give a take a name you will find again, or put its date right
    ///
    ///   farshelf label pit-organ "spring tour"
    ///   farshelf label pit-organ@3 --date 1994-07
    #[command(verbatim_doc_comment)]
    Label {
        /// The take or takes
        #[arg(value_name = "REF")]
        reference: String,
        /// The label
        text: Option<String>,
        /// When it was really made: 1994, 1994-07, 1994-07-03, an instant or `unknown`
        #[arg(long, value_name = "DATE")]
        date: Option<String>,
        /// Take the label away
        #[arg(long)]
        remove: bool,
    },
    /// Give your word for a doubtful take: it counts from then on, its findings stay
    ///
    ///   farshelf vouch pit-organ@7 "loaded it, the display said OK"
    ///   farshelf vouch strings@2 "this unit sends no end byte"
    #[command(verbatim_doc_comment)]
    Vouch {
        /// The take
        #[arg(value_name = "REF")]
        reference: String,
        /// Why it can be trusted
        text: String,
    },
    /// Bring takes back into files, byte for byte (the instrument itself is not touched)
    ///
    ///   farshelf recall pit-organ@30d --to organ.syx
    ///   farshelf recall "pit-organ@spring tour" --to ~/tour
    #[command(verbatim_doc_comment)]
    Recall {
        /// The take or takes
        #[arg(value_name = "REF")]
        reference: String,
        /// A file, a folder, or - for standard output
        #[arg(long, value_name = "PATH")]
        to: PathBuf,
        /// Replace a file that is there
        #[arg(long, short)]
        force: bool,
    },
    /// Search labels, file names and devices over everything ever kept
    ///
    ///   farshelf find "glass pad"
    ///   farshelf find tour
    #[command(verbatim_doc_comment)]
    Find {
        /// Part of a name
        text: String,
    },
    /// Say in one line that all is well, or what needs you, worst first
    ///
    ///   farshelf health
    ///   farshelf health --json
    #[command(verbatim_doc_comment)]
    Health,
    /// The places that hold copies
    #[command(subcommand)]
    Shelf(ShelfCommand),
    /// Bring shelves up to date, and read back what was written there
    ///
    ///   farshelf mirror
    ///   farshelf mirror barn
    #[command(verbatim_doc_comment)]
    Mirror {
        /// Shelves (default: all)
        #[arg(value_name = "SHELF")]
        shelves: Vec<String>,
    },
    /// Read everything again and compare it with what was written
    ///
    ///   farshelf fixity
    ///   farshelf fixity local barn --budget 500MB
    #[command(verbatim_doc_comment)]
    Fixity {
        /// `local` for the vault itself, and names of shelves (default: everything that can be reached)
        #[arg(value_name = "local|SHELF")]
        which: Vec<String>,
        /// Read at most so much, what was not read for longest first: 500MB, 2GB, or bytes
        #[arg(long, value_name = "BYTES")]
        budget: Option<String>,
    },
    /// Mend the vault and its shelves from good copies
    ///
    ///   farshelf repair
    ///   farshelf fixity && farshelf repair
    #[command(verbatim_doc_comment)]
    Repair {
        #[command(flatten)]
        passphrase: PassphraseArg,
    },
    /// Build a whole vault again from shelves and the key
    ///
    ///   farshelf rescue /media/barn/shelf --key key.txt --to ~/vault
    ///   farshelf rescue /media/barn/shelf --key - --to ~/vault
    #[command(verbatim_doc_comment)]
    Rescue {
        /// Shelves to read; several partly damaged ones complete each other
        #[arg(value_name = "LOCATION", required = true)]
        locations: Vec<PathBuf>,
        /// The key file, or - to type or paste the key from its sheet
        #[arg(long, value_name = "FILE")]
        key: PathBuf,
        /// An empty or new folder
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
        /// Where two computers went on with one vault: which of the two lines
        #[arg(long, value_name = "TAG")]
        line: Option<String>,
        /// Stop at this number, or at this date
        #[arg(long, value_name = "REEL|DATE")]
        until: Option<String>,
        #[command(flatten)]
        passphrase: PassphraseArg,
    },
    /// Make a new vault with its key
    ///
    ///   farshelf create --place studio
    ///   farshelf --vault ~/vault create --place studio
    #[command(verbatim_doc_comment)]
    Create {
        /// Where the vault stands, in your own words; copies in other places count as being elsewhere
        #[arg(long, value_name = "PLACE")]
        place: Option<String>,
    },
    /// The instruments whose memory is kept
    #[command(subcommand)]
    Device(DeviceCommand),
    /// The key that opens every copy
    #[command(subcommand)]
    Key(KeyCommand),
    /// Build the vault's index again from what is kept
    ///
    ///   farshelf reindex
    ///   farshelf --vault ~/old-vault reindex
    #[command(verbatim_doc_comment)]
    Reindex,
    /// Build an invented theatre's vault and walk through everything, in a few seconds
    ///
    /// Your own vault is never touched.
    ///
    ///   farshelf demo
    ///   farshelf demo --to ~/demo
    #[command(verbatim_doc_comment)]
    Demo {
        /// An empty or new folder (default: a new one among the temporary files)
        #[arg(long, value_name = "DIR")]
        to: Option<PathBuf>,
    },
}

#[derive(Debug, Args)]
pub struct KeepArgs {
    /// Files and folders; - is standard input
    #[arg(value_name = "PATH", required_unless_present = "from")]
    pub paths: Vec<PathBuf>,
    /// Whose dumps they are (default: recognised by how they begin)
    #[arg(long, value_name = "ID", conflicts_with = "by_folder")]
    pub device: Option<String>,
    /// Each sub-folder is a device of that name
    #[arg(long)]
    pub by_folder: bool,
    /// Add devices that are not there yet
    #[arg(long, requires = "by_folder")]
    pub add_devices: bool,
    /// Which part of the memory they hold (default: where such dumps went before)
    #[arg(long, value_name = "NAME", conflicts_with = "loose")]
    pub section: Option<String>,
    /// They are no state of the memory: one patch, system software, a photo
    #[arg(long)]
    pub loose: bool,
    /// When they were made: 1994, 1994-07, 1994-07-03, an instant or `unknown` (default: each file's time)
    #[arg(long, value_name = "DATE", conflicts_with = "today")]
    pub date: Option<String>,
    /// They were made today
    #[arg(long)]
    pub today: bool,
    /// Keep each folder as one take (a card, a stick)
    #[arg(long)]
    pub as_one: bool,
    /// Read files again that look unchanged
    #[arg(long)]
    pub reread: bool,
    /// Bring over every take of another vault, with dates, labels and origins
    #[arg(long, value_name = "VAULT", conflicts_with_all = ["paths", "device", "by_folder", "section", "loose", "date", "today", "as_one", "reread"])]
    pub from: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct PassphraseArg {
    /// Where the passphrase of a locked key is read from (- is standard input; default: you are asked)
    #[arg(long, value_name = "FILE")]
    pub passphrase_from: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub enum ShelfCommand {
    /// Add a folder as a shelf, or take one up again that holds this vault's copies
    ///
    ///   farshelf shelf add barn /media/barn/shelf --place "the barn"
    ///   farshelf shelf add second /mnt/disk2/shelf --place studio --every 7d
    #[command(verbatim_doc_comment)]
    Add {
        /// A short name
        name: String,
        /// The folder
        location: String,
        /// Where it stands, in your own words
        #[arg(long, value_name = "PLACE")]
        place: String,
        /// How often a mirror is expected, in days: 30d
        #[arg(long, value_name = "DAYS", default_value = "30d")]
        every: String,
        /// Your word that it is another disk than the vault's, though the system cannot tell
        #[arg(long)]
        separate: bool,
    },
    /// Show all shelves and how they are
    List,
    /// Show one shelf in full
    Show {
        /// The shelf
        name: String,
    },
    /// Let what another computer wrote there stand beside yours
    Accept {
        /// The shelf
        name: String,
    },
    /// Give a shelf up; what lies there is left alone
    Drop {
        /// The shelf
        name: String,
        /// The shelf's name again, instead of being asked
        #[arg(long, value_name = "NAME")]
        confirm: Option<String>,
    },
}

#[derive(Debug, Subcommand)]
pub enum DeviceCommand {
    /// Add a device
    ///
    ///   farshelf device add pit-organ --name "Organ in the pit" --power coin-soldered --fitted-on 2021-03
    #[command(verbatim_doc_comment)]
    Add {
        /// A short id for its role: the unit behind it may be replaced
        id: String,
        #[command(flatten)]
        fields: DeviceFields,
    },
    /// Show all devices
    List,
    /// Show one device with its sections and logbook
    Show {
        /// The device
        id: String,
    },
    /// Change what is recorded of a device; an empty text clears a field
    Edit {
        /// The device
        id: String,
        #[command(flatten)]
        fields: DeviceFields,
    },
    /// Change a section of a device: name, whether dumps are expected, how to dump and load
    ///
    ///   farshelf device section pit-organ section-2 --rename songs
    ///   farshelf device section pit-organ songs --every 30 --dump-steps "UTIL, page 3, SEND ALL"
    #[command(verbatim_doc_comment)]
    Section(SectionArgs),
    /// Write a line into a device's logbook
    ///
    ///   farshelf device log pit-organ battery --date 2026-05-02 "new cell, fitted by the workshop"
    #[command(verbatim_doc_comment)]
    Log {
        /// The device
        id: String,
        /// battery, repair, firmware, unit-swapped, lent, returned, reset or note
        kind: String,
        /// What happened
        text: String,
        /// When (default: today)
        #[arg(long, value_name = "DATE")]
        date: Option<String>,
    },
    /// Mark a device as gone for good; its takes stay
    Retire {
        /// The device
        id: String,
        /// It is back
        #[arg(long)]
        undo: bool,
    },
}

#[derive(Debug, Args)]
pub struct DeviceFields {
    /// Its name in your own words
    #[arg(long)]
    pub name: Option<String>,
    /// Who made it
    #[arg(long)]
    pub maker: Option<String>,
    /// Model
    #[arg(long)]
    pub model: Option<String>,
    /// Serial number
    #[arg(long)]
    pub serial: Option<String>,
    /// Where it stands
    #[arg(long)]
    pub place: Option<String>,
    /// Whose it is
    #[arg(long)]
    pub owner: Option<String>,
    /// The SysEx number set on it, 0 to 127
    #[arg(long, value_name = "N")]
    pub sysex_number: Option<u8>,
    /// The port it is reached at
    #[arg(long)]
    pub port: Option<String>,
    /// The layout that describes its dumps
    #[arg(long)]
    pub layout: Option<String>,
    /// What holds its memory: coin-soldered, coin-holder, rechargeable, capacitor, none or unknown
    #[arg(long)]
    pub power: Option<String>,
    /// When the battery was fitted
    #[arg(long, value_name = "DATE")]
    pub fitted_on: Option<String>,
    /// Years the battery is trusted for
    #[arg(long, value_name = "YEARS")]
    pub life_years: Option<u32>,
    /// When it was last switched on
    #[arg(long, value_name = "DATE")]
    pub last_powered: Option<String>,
    /// Anything else
    #[arg(long)]
    pub text: Option<String>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum YesNo {
    /// Dumps of it are expected
    Yes,
    /// They are not
    No,
}

#[derive(Debug, Args)]
pub struct SectionArgs {
    /// The device
    pub id: String,
    /// The section
    pub section: String,
    /// A new name
    #[arg(long, value_name = "NAME")]
    pub rename: Option<String>,
    /// Whether dumps of it are expected
    #[arg(long)]
    pub expected: Option<YesNo>,
    /// What lies here is no state of the memory
    #[arg(long)]
    pub loose: bool,
    /// Dumps that begin like this take belong here
    #[arg(long, value_name = "REF")]
    pub like: Option<String>,
    /// A dump is expected every so many days (0: as for the vault)
    #[arg(long, value_name = "DAYS")]
    pub every: Option<String>,
    /// How to send the dump from the instrument, in your own words
    #[arg(long, value_name = "TEXT")]
    pub dump_steps: Option<String>,
    /// How to load it back, in your own words
    #[arg(long, value_name = "TEXT")]
    pub load_steps: Option<String>,
}

#[derive(Debug, Subcommand)]
pub enum KeyCommand {
    /// Print the sheet that opens everything: keep it in another place than the vault
    ///
    ///   farshelf key sheet
    ///   farshelf key sheet --to key-sheet.html
    #[command(verbatim_doc_comment)]
    Sheet {
        /// Write it here instead: .html for a printer, else text
        #[arg(long, value_name = "FILE")]
        to: Option<PathBuf>,
        #[command(flatten)]
        passphrase: PassphraseArg,
    },
    /// Say where a printed sheet lies
    Confirm {
        /// The place, in your own words
        #[arg(long, value_name = "PLACE")]
        place: String,
    },
    /// Let a further key or passphrase open every copy
    ///
    ///   farshelf key add --recipient age1...
    ///   farshelf key add --new-passphrase-from words.txt
    #[command(verbatim_doc_comment)]
    Add {
        /// The public half of another age key
        #[arg(long, value_name = "AGE1...", conflicts_with = "new_passphrase_from")]
        recipient: Option<String>,
        /// Where the new passphrase is read from (- is standard input; default: you are asked)
        #[arg(long, value_name = "FILE")]
        new_passphrase_from: Option<PathBuf>,
        #[command(flatten)]
        passphrase: PassphraseArg,
    },
    /// Lock key.txt with a passphrase, or change it (sheets and copies are not touched)
    Passphrase {
        /// Take the lock off
        #[arg(long)]
        remove: bool,
        /// Where the new passphrase is read from (- is standard input; default: you are asked)
        #[arg(long, value_name = "FILE", conflicts_with = "remove")]
        new_passphrase_from: Option<PathBuf>,
        #[command(flatten)]
        passphrase: PassphraseArg,
    },
}
