//! Where the open recordings lie, and what is ours beside them.

use std::path::{Path, PathBuf};

/// Top folder of the project.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A set, or a file of one; none, said plainly, where it is not there.
pub(crate) fn data(place: &str) -> Option<PathBuf> {
    let found = std::env::var_os("ROTORWRIGHT_REALDATA")
        .map_or_else(|| root().join("../shared/realdata"), PathBuf::from)
        .join(place);
    if found.exists() {
        return Some(found);
    }
    println!("SKIPPED: real data not found ({})", found.display());
    None
}
