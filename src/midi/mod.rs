//! MIDI bytes in, values out: framing, makers, checksums, packings, header keys. Pure, never fails as a whole.

pub mod checksum;
pub mod file;
pub mod framing;
pub mod header;
pub mod makers;
pub mod message;
pub mod packing;
pub mod universal;
