//! Made-up inputs for every reader of untrusted bytes: no panic, bounded memory, time in proportion to the input.
//!
//! DEVELOPERS.md ("How inputs are made up") says how to let it run for long and how to repeat a failure.

mod choices;
mod framing;
mod growth;
mod intake;
mod layout_draft;
mod layout_dumps;
mod layout_text;
mod memory;
mod messages;
mod midi_file;
mod universal;
mod watch;

/// How long each target is tried. BOLERO_RANDOM_TEST_TIME_MS in the environment goes before it.
const TEST_TIME: std::time::Duration = std::time::Duration::from_millis(300);
/// The most bytes of choices for one input.
const MAX_LEN: usize = 2048;

/// Lets bolero make up bytes for `check`, a function of them and a [`watch::Seen`].
macro_rules! fuzz {
    ($name:literal, $check:path) => {
        let seen = $crate::watch::Seen::default();
        bolero::check!()
            .with_test_time($crate::TEST_TIME)
            .with_max_len($crate::MAX_LEN)
            .for_each(|bytes: &[u8]| $check(bytes, &seen));
        seen.print($name);
    };
}
use fuzz;
