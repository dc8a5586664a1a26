//! MIDI bytes in, values out: framing, makers, header keys. Pure, never fails as a whole.

pub mod framing;
pub mod header;
pub mod message;
