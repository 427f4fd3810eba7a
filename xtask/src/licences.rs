//! Licences of everything in the lock file against the list in `deny.toml`.

use cargo_metadata::{CargoOpt, MetadataCommand};
use toml_edit::DocumentMut;

use crate::run::{Outcome, root};
use crate::spdx;

/// Fails with the list of packages whose licence is not on the list.
pub(crate) fn run() -> Outcome {
    println!("==> licences");
    let path = root().join("deny.toml");
    let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let document: DocumentMut = text.parse().map_err(|e| format!("deny.toml: {e}"))?;
    let allowed: Vec<String> = document
        .get("licenses")
        .and_then(|l| l.get("allow"))
        .and_then(|a| a.as_array())
        .ok_or("deny.toml: there is no list licenses.allow")?
        .iter()
        .filter_map(|v| v.as_str().map(str::to_owned))
        .collect();
    let metadata = MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .features(CargoOpt::AllFeatures)
        .other_options(vec!["--locked".to_owned()])
        .exec()
        .map_err(|e| format!("cargo metadata: {e}"))?;
    let mut wrong = Vec::new();
    for package in &metadata.packages {
        match &package.license {
            Some(l) if spdx::satisfied(l, &allowed) => {}
            Some(l) => wrong.push(format!("  {} {}: {l}", package.name, package.version)),
            None => wrong.push(format!("  {} {}: no licence stated", package.name, package.version)),
        }
    }
    if wrong.is_empty() {
        println!("{} packages, every licence is on the list of deny.toml", metadata.packages.len());
        return Ok(());
    }
    wrong.sort();
    Err(format!(
        "licences that are not on the list of deny.toml (take another crate, or argue for the licence there):\n{}",
        wrong.join("\n")
    ))
}
