//! The `meniscus` command: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    meniscus::cli::run()
}
