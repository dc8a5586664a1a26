//! Watching over what is kept: health, fixity, mirroring, repair.
