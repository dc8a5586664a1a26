//! Copies far away: encryption, names and the places that hold them.
