//! The `meniscus` command.
fn main() {}
