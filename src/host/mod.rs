//! The friend's machine: it lends shelves to guests, only ever adds to them, and can never look inside.
//!
//! A host knows nothing of vaults, devices or keys. Its folder:
//!
//! ```text
//! host.toml             its id, its address for others, the address it listens on
//! tls/                  certificate.pem and key.pem, made once
//! guests/<NAME>.toml    access id, secret, generation, quota, the waiting invite (only its hash); mode 0600
//! shelves/<NAME>/       what the guest sent, laid out as a folder shelf
//! seen/<NAME>.tsv       every object that came: key, bytes, SHA-256, time, MD5
//! checks/<NAME>.tsv     what reading an object again found, and when
//! retired/              what guests of old left here
//! ```
//!
//! 1. An object appears under its name only when its bytes were hashed, agreed with everything the guest said of them,
//!    are on stable storage, and stand in `seen/`. Only then the guest is answered.
//! 2. Nothing that appeared is replaced or removed on a guest's word. The one exception: bytes with the hash that was
//!    recorded when the object came may take the place of a damaged or missing one.
//! 3. A guest reaches only its own folder.
//! 4. Room is promised before a body is read, and what runs counts. Over-quota is a refusal that clients do not repeat.
//!    Each object counts for at least 4 KiB, and there are at most 1,000,000 of one guest: empty ones are not free.
//! 5. No guest makes memory grow: bodies pass through small buffers, uploads at once are counted, lists are paged.

mod adopt;
mod certificate;
mod check;
mod checks;
mod digest;
mod draft;
mod folder;
mod guests;
mod holding;
mod house;
mod journal;
mod key;
mod net;
mod retire;
mod seen;

pub use adopt::{Adopted, adopt};
pub use check::{Checked, Damage, check};
pub use folder::{HostFolder, InitOptions, remembered};
pub use guests::{GuestView, InviteOptions, Invited, invite, list};
pub use net::{Served, Serving, start};
pub use retire::{Retired, retire};
