//! `farshelf.toml`: what a vault is and what is asked of it. A person may edit it.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Kind, Next, Result};
use crate::midi::makers::Names;
use crate::midi::message::MakerId;
use crate::model::place::Place;
use crate::sys::disk::{self, Disk, Privacy, Replace};
use crate::vault::ledger;

/// The file's name inside a vault.
pub const FILE: &str = "farshelf.toml";
/// The vault format that this program writes.
pub const FORMAT: u32 = 1;

/// The content of `farshelf.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Version of the vault's formats.
    pub format: u32,
    /// The vault's id, 32 hex characters, for ever.
    pub vault: String,
    /// Where the vault stands. Without one, no shelf counts as being elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// What is asked for.
    #[serde(default)]
    pub asked: Asked,
    /// The person's own names for makers, by ID. A name is no more than [`NAME_CHARACTERS`] long, never blank and without
    /// control characters; there are no more than [`OWN_NAMES`].
    #[serde(
        default,
        skip_serializing_if = "BTreeMap::is_empty",
        with = "makers_table"
    )]
    pub makers: BTreeMap<MakerId, String>,
}

/// A maker's own name has at most so many characters.
pub const NAME_CHARACTERS: usize = 100;
/// At most so many makers have a name of their own: the settings go whole into one line of the ledger.
pub const OWN_NAMES: usize = 1000;

/// What is asked for, for the whole vault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Asked {
    /// Copies of every device, counting the vault's own.
    pub copies: u32,
    /// Of those, in another place.
    pub offsite: u32,
    /// A dump of every expected section every so many days.
    pub dump_every_days: u32,
    /// Every copy verified within so many days.
    pub verified_within_days: u32,
}

impl Default for Asked {
    fn default() -> Asked {
        // Three copies, one of them elsewhere: the trade's rule of thumb.
        Asked {
            copies: 3,
            offsite: 1,
            dump_every_days: 90,
            verified_within_days: 35,
        }
    }
}

impl Settings {
    /// The settings of a new vault.
    pub fn new(vault: String, place: Option<&Place>) -> Settings {
        Settings {
            format: FORMAT,
            vault,
            place: place.map(|p| p.as_str().to_string()),
            asked: Asked::default(),
            makers: BTreeMap::new(),
        }
    }

    /// Reads the settings of the vault in `dir`.
    ///
    /// # Errors
    /// `NotFound` if there is no vault; `NewerFormat`; `BadInput` naming the line if the file cannot be read.
    pub fn read(disk: &dyn Disk, dir: &Path) -> Result<Settings> {
        let path = dir.join(FILE);
        let text = disk::read_text(disk, &path, 1 << 20).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory => Error::new(
                Kind::NotFound,
                format!("there is no vault in {}", dir.display()),
            )
            .next(Next::run(
                "make one, or name another with --vault DIR",
                "create --place \"studio\"",
            )),
            _ => Error::io(format!("cannot read {}", path.display()), e),
        })?;
        #[derive(Deserialize)]
        struct Version {
            format: u32,
        }
        let bad = |e: toml::de::Error| {
            let before = e.span().and_then(|at| text.get(..at.start));
            let place = before.map_or(String::new(), |before| {
                let number = before.matches('\n').count();
                let line = text.lines().nth(number).unwrap_or_default().trim();
                format!("line {}, {line}: ", number + 1)
            });
            Error::new(
                Kind::BadInput,
                format!(
                    "cannot understand {}: {place}{}",
                    path.display(),
                    e.message()
                ),
            )
            .next(Next::say(
                "put that line right; the kept dumps are not touched",
            ))
        };
        let version: Version = toml::from_str(&text).map_err(bad)?;
        if version.format > FORMAT {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "this vault was made by a newer farshelf (format {}, this program knows {FORMAT}); nothing was changed",
                    version.format
                ),
            )
            .next(Next::say("use the newer farshelf here")));
        }
        let settings: Settings = toml::from_str(&text).map_err(bad)?;
        settings.place()?;
        Ok(settings)
    }

    /// Where the vault stands.
    ///
    /// # Errors
    /// `BadInput` if the text is no place.
    pub fn place(&self) -> Result<Option<Place>> {
        self.place
            .as_deref()
            .map(|text| {
                text.parse().map_err(|e| {
                    Error::new(
                        Kind::BadInput,
                        format!("the place in {FILE} cannot be used"),
                    )
                    .because(e)
                    .next(Next::say(
                        "write a few words there, such as place = \"studio\", or take the line out",
                    ))
                })
            })
            .transpose()
    }

    /// The names of makers: the published ones, and the person's own on top.
    pub fn names(&self) -> Names {
        Names::new(self.makers.clone())
    }

    /// Writes the settings of the vault in `dir`; the file appears whole.
    ///
    /// # Errors
    /// `Io`.
    pub fn write(&self, disk: &dyn Disk, dir: &Path, replace: Replace) -> Result<()> {
        let body = toml::to_string(self)
            .map_err(|e| Error::new(Kind::Bug, "the settings cannot be written").because(e))?;
        let text = format!(
            "# A farshelf vault. You may edit this file; what it says is read at every command.\n{body}"
        );
        disk::publish(
            disk,
            &dir.join(FILE),
            text.as_bytes(),
            Privacy::Shared,
            replace,
        )
    }

    /// The settings of the vault `vault` as its ledger last told them. Names of makers that could not stand in the file are
    /// left out: a rescued vault must open.
    pub fn from_ledger(vault: String, told: &ledger::Settings) -> Settings {
        Settings {
            format: FORMAT,
            vault,
            place: told.place.clone(),
            asked: Asked {
                copies: told.copies,
                offsite: told.offsite,
                dump_every_days: told.dump_every_days,
                verified_within_days: told.verified_within_days,
            },
            makers: told
                .makers
                .iter()
                .filter_map(|(id, name)| makers_table::entry(id, name).ok())
                .take(OWN_NAMES)
                .collect(),
        }
    }

    /// The same as a ledger event.
    pub fn to_ledger(&self) -> ledger::Settings {
        ledger::Settings {
            place: self.place.clone(),
            copies: self.asked.copies,
            offsite: self.asked.offsite,
            dump_every_days: self.asked.dump_every_days,
            verified_within_days: self.asked.verified_within_days,
            makers: self
                .makers
                .iter()
                .map(|(id, name)| (id.to_string(), name.clone()))
                .collect(),
            more: Default::default(),
        }
    }
}

/// The table `[makers]`: `"00 21 7F" = "my workshop"`.
mod makers_table {
    use std::collections::BTreeMap;
    use std::fmt;

    use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, Visitor};
    use serde::ser::Serializer;

    use super::{NAME_CHARACTERS, OWN_NAMES};
    use crate::midi::message::{MakerId, MessageKind};

    /// One line of the table, or what is wrong with it and what is allowed.
    pub fn entry(id: &str, name: &str) -> Result<(MakerId, String), String> {
        Ok((id_of(id)?, name_of(id, name)?))
    }

    fn id_of(text: &str) -> Result<MakerId, String> {
        let id: MakerId = text
            .parse()
            .map_err(|e| format!("{text:?} in [makers] is no maker ID: {e}"))?;
        match MessageKind::from_bytes(id.as_bytes()) {
            MessageKind::Universal | MessageKind::UniversalRealTime => Err(format!(
                "{text:?} in [makers] is no maker's: messages with 7E and 7F are universal; an ID is one byte from 01 to 7D, \
                 such as 43, or 00 and two more, such as 00 20 29"
            )),
            _ => Ok(id),
        }
    }

    fn name_of(id: &str, name: &str) -> Result<String, String> {
        let name = name.trim();
        let length = name.chars().count();
        if length == 0 || length > NAME_CHARACTERS || name.chars().any(char::is_control) {
            return Err(format!(
                "the name of {id:?} in [makers] cannot be used: a name has 1 to {NAME_CHARACTERS} characters, none of them a \
                 control character"
            ));
        }
        Ok(name.to_string())
    }

    pub fn serialize<S: Serializer>(
        makers: &BTreeMap<MakerId, String>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_map(makers.iter().map(|(id, name)| (id.to_string(), name)))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<MakerId, String>, D::Error> {
        deserializer.deserialize_map(Table)
    }

    struct Table;

    impl<'de> Visitor<'de> for Table {
        type Value = BTreeMap<MakerId, String>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(
                f,
                "names by maker ID, such as \"00 21 7F\" = \"my workshop\""
            )
        }

        fn visit_map<A: MapAccess<'de>>(self, mut table: A) -> Result<Self::Value, A::Error> {
            let mut makers = BTreeMap::new();
            // An error inside a key or a value carries its place in the file, one made here only that of the table.
            while let Some((text, id)) = table.next_key_seed(Key)? {
                let name = table.next_value_seed(Name(&text))?;
                if makers.insert(id, name).is_some() {
                    return Err(A::Error::custom(format!(
                        "{id} stands twice in [makers]; each ID may have one name"
                    )));
                }
                if makers.len() > OWN_NAMES {
                    return Err(A::Error::custom(format!(
                        "[makers] holds more than {OWN_NAMES} names"
                    )));
                }
            }
            Ok(makers)
        }
    }

    /// An ID, also as it was written.
    struct Key;

    impl<'de> DeserializeSeed<'de> for Key {
        type Value = (String, MakerId);

        fn deserialize<D: Deserializer<'de>>(self, key: D) -> Result<Self::Value, D::Error> {
            let text = <String as serde::Deserialize>::deserialize(key)?;
            let id = id_of(&text).map_err(D::Error::custom)?;
            Ok((text, id))
        }
    }

    /// The name of this ID.
    struct Name<'a>(&'a str);

    impl<'de> DeserializeSeed<'de> for Name<'_> {
        type Value = String;

        fn deserialize<D: Deserializer<'de>>(self, value: D) -> Result<String, D::Error> {
            let text = <String as serde::Deserialize>::deserialize(value)?;
            name_of(self.0, &text).map_err(D::Error::custom)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_the_ledger_that_could_not_stand_in_the_file_are_left_out() {
        let mut told = Settings::new(String::new(), None).to_ledger();
        let line = serde_json::to_string(&told).unwrap();
        assert!(!line.contains("makers"), "nothing is told of none: {line}");
        for (id, name) in [
            ("00 21 7F", "my workshop"),
            ("00 21", "cut"),
            ("7E", "universal"),
            ("acme", "no id"),
            ("41", ""),
            ("42", "a\nb"),
        ] {
            told.makers.insert(id.to_string(), name.to_string());
        }
        let settings = Settings::from_ledger(String::new(), &told);
        let text = toml::to_string(&settings).unwrap();
        assert!(
            text.ends_with("[makers]\n\"00 21 7F\" = \"my workshop\"\n"),
            "{text}"
        );
        assert_eq!(toml::from_str::<Settings>(&text).unwrap(), settings);
    }

    #[test]
    fn the_largest_table_fits_into_one_line_of_a_ledger_member() {
        let mut settings = Settings::new(String::new(), None);
        settings.makers = (0..OWN_NAMES)
            .map(|n| {
                let id = MakerId::from_bytes(&[0, (n / 128) as u8, (n % 128) as u8]).unwrap();
                (id, "𝄞".repeat(NAME_CHARACTERS))
            })
            .collect();
        let text = toml::to_string(&settings).unwrap();
        assert_eq!(toml::from_str::<Settings>(&text).unwrap(), settings);
        let line = serde_json::to_vec(&settings.to_ledger()).unwrap();
        assert!(line.len() < 512 << 10, "{} bytes", line.len());
        let told = serde_json::from_slice(&line).unwrap();
        assert_eq!(Settings::from_ledger(String::new(), &told), settings);
    }
}
