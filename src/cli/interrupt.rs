//! An interrupt takes away what is half written, and ends the program.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, Once, PoisonError};

/// Files that are being written under a name of their own.
static HALF_WRITTEN: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
static WATCHING: Once = Once::new();

/// While this lives an interrupt removes the file.
pub(super) struct HalfWritten(PathBuf);

/// Has `path` removed if the program is interrupted or told to end before the
/// result is dropped. The exit status is then 128 + the signal, as of shells.
pub(super) fn half_written(path: &Path) -> HalfWritten {
    WATCHING.call_once(watch);
    files().push(path.to_owned());
    HalfWritten(path.to_owned())
}

impl Drop for HalfWritten {
    fn drop(&mut self) {
        files().retain(|path| *path != self.0);
    }
}

fn files() -> std::sync::MutexGuard<'static, Vec<PathBuf>> {
    // A list of paths is whole whatever happened to its holder.
    HALF_WRITTEN.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(unix)]
fn watch() {
    use signal_hook::consts::{SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    // Without the watch the file stays behind: no reason not to write it.
    let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) else {
        return;
    };
    std::thread::spawn(move || {
        if let Some(signal) = signals.forever().next() {
            for path in files().iter() {
                let _ = std::fs::remove_file(path);
            }
            std::process::exit(128 + signal);
        }
    });
}

#[cfg(not(unix))]
fn watch() {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_whole_is_no_longer_watched() {
        let path = Path::new("nowhere-of-this-name");
        let held = half_written(path);
        assert!(files().iter().any(|p| p == path));
        drop(held);
        assert!(!files().iter().any(|p| p == path));
    }
}
