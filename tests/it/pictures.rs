//! Pictures: well-formed, finite, described, small, and safe from hostile names.

use std::collections::HashSet;

use meniscus::plots::{Picture, pictures};

use crate::fixture;

/// Leaves pictures below the test's own folder, to be looked at.
fn leave(folder: &str, pictures: &[Picture]) {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(folder);
    std::fs::create_dir_all(&folder).unwrap();
    for picture in pictures {
        let path = folder.join(format!("{}.svg", picture.file_stem));
        std::fs::write(path, &picture.svg).unwrap();
    }
}

#[test]
fn leave_them() {
    leave("small", &pictures(&fixture::small()));
    leave("hostile", &pictures(&fixture::hostile()));
}
