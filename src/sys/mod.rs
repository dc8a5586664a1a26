//! The only doors to the outside world: time, randomness, disk, lock, environment, text for terminals.

pub mod clock;
pub mod console;
pub mod disk;
pub mod entropy;
pub mod lock;
pub mod process;
pub mod settings;
pub mod text;

use std::path::PathBuf;
use std::sync::Arc;

/// Everything outside the program that its parts may use; tests build one with stand-ins.
#[derive(Debug, Clone)]
pub struct World {
    /// Wall-clock time.
    pub clock: Arc<dyn clock::Clock>,
    /// Random bytes for identifiers.
    pub entropy: Arc<dyn entropy::Entropy>,
    /// Files and folders.
    pub disk: Arc<dyn disk::Disk>,
    /// The person's time zone.
    pub zone: jiff::tz::TimeZone,
    /// This computer's name, as other computers should read it.
    pub computer: String,
    /// Where this computer remembers things about vaults outside their folders, if it can.
    pub state_dir: Option<PathBuf>,
}

impl World {
    /// The real world: system clock, operating system randomness, real disk.
    pub fn real() -> World {
        World {
            clock: Arc::new(clock::SystemClock),
            entropy: Arc::new(entropy::SystemEntropy),
            disk: Arc::new(disk::RealDisk),
            zone: clock::system_zone(),
            computer: settings::computer_name(),
            state_dir: settings::state_dir(),
        }
    }

    /// The time now, to whole seconds.
    pub fn now(&self) -> i64 {
        self.clock.now().as_second()
    }
}
