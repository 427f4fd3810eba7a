//! Files written whole or not at all.

use std::io::Write as _;
use std::path::Path;

use crate::diagnostic::{Diagnostic, Diagnostics};

/// Writes a file through a temporary one beside it: write, fsync, rename. Folders are made as needed.
///
/// # Errors
/// What the system said, with the file's name.
pub fn write_atomically(path: &Path, content: &[u8]) -> Result<(), Diagnostics> {
    let failed = |what: &str, e: &dyn std::fmt::Display| {
        Diagnostics::from(
            Diagnostic::error(path, format!("{what}: {e}"))
                .help("check that the folder is there and writable"),
        )
    };
    let dir = path.parent().unwrap_or_else(|| Path::new("."));
    std::fs::create_dir_all(dir).map_err(|e| failed("its folder cannot be made", &e))?;
    let mut file = tempfile::NamedTempFile::new_in(dir).map_err(|e| failed("cannot be written", &e))?;
    file.write_all(content).map_err(|e| failed("cannot be written", &e))?;
    file.as_file().sync_all().map_err(|e| failed("cannot be written", &e))?;
    file.persist(path).map_err(|e| failed("cannot be put in place", &e.error))?;
    Ok(())
}
