//! `report`: one self-contained file.

use std::io::Write;
use std::path::PathBuf;

use dossier::record::Kind;

use super::{Outcome, check, say, write_whole};
use crate::source::DossierSource;
use crate::web::Source;

/// The whole answer for one build as an HTML file that opens from disk and prints.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright report tarn -o tarn.html",
    "rotorwright report tarn --build b2 -o tarn-b2.html",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// File to write
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let source = DossierSource::new(&args.dir);
    let result = source.check(args.build.as_deref(), &[])?;
    let mut seen = Vec::new();
    for meta in result.records.iter().filter(|r| r.kind == Kind::Flight) {
        // A record that cannot be read is a warning of the check; the rest is still worth a report.
        match source.record(&meta.id).and_then(|r| source.findings(&r).map(|f| (r, f))) {
            Ok(pair) => seen.push(pair),
            Err(d) => say(&d.to_string()),
        }
    }
    write_whole(&args.output, crate::report::report(&result, &seen).as_bytes())?;
    writeln!(out, "{}", args.output.display())?;
    Ok(check::status(&result, None))
}
