//! An interrupt takes away what is half written, and ends the program.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, Once, PoisonError};

/// Files that are being written under a name of their own.
static HALF_WRITTEN: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
static WATCHING: Once = Once::new();

/// While this lives an interrupt removes the file.
pub(super) struct HalfWritten(PathBuf);

/// Makes a file that is removed if the program is interrupted or told to end
/// before the second result is dropped. The exit status is then 128 + the signal,
/// as of shells.
///
/// No moment lies between making and watching: whoever removes waits for the list.
///
/// # Errors
/// Those of making it.
pub(super) fn half_written<F: AsRef<Path>>(
    make: impl FnOnce() -> io::Result<F>,
) -> io::Result<(F, HalfWritten)> {
    WATCHING.call_once(watch);
    let mut files = files();
    let file = make()?;
    let path = file.as_ref().to_owned();
    files.push(path.clone());
    Ok((file, HalfWritten(path)))
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
            // Held to the end, so that nothing new is begun.
            let files = files();
            for path in files.iter() {
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
        let (_, held) = half_written(|| Ok(path)).unwrap();
        assert!(files().iter().any(|p| p == path));
        drop(held);
        assert!(!files().iter().any(|p| p == path));
    }
}
