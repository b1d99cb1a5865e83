//! A line that moves on the terminal while something takes long.

use std::io::IsTerminal;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

/// Work shorter than this is not worth a word.
const PATIENCE: Duration = Duration::from_millis(500);

/// Does the work; once it takes longer than half a second stderr says what is
/// done and for how long, if it is a terminal.
pub(super) fn during<T>(what: &'static str, work: impl FnOnce() -> T) -> T {
    if !std::io::stderr().is_terminal() {
        return work();
    }
    let (done, waiting) = mpsc::channel::<()>();
    thread::scope(|scope| {
        scope.spawn(move || {
            if waiting.recv_timeout(PATIENCE) == Err(RecvTimeoutError::Timeout) {
                let line = ProgressBar::new_spinner().with_message(what);
                if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}, {elapsed}") {
                    line.set_style(style);
                }
                line.enable_steady_tick(Duration::from_millis(100));
                // Ends when the other end is dropped.
                let _ = waiting.recv();
                line.finish_and_clear();
            }
        });
        let result = work();
        drop(done);
        result
    })
}
