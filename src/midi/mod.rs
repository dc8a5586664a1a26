//! MIDI bytes in, values out: framing, makers, header keys. Pure, never fails as a whole.
