//! `freeze`: keep what is predicted before a build flies.

use std::io::Write;
use std::path::PathBuf;

use super::{Outcome, Status, today};

/// Freezes the predictions of a build before it flies; `check` scores them once it has flown.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!("rotorwright freeze tarn", "rotorwright freeze tarn --build b2"))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// Date of the prediction, as in 2026-03-04; today when left out
    #[arg(long)]
    date: Option<String>,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let date = args.date.clone().unwrap_or_else(today);
    let path = dossier::predict::freeze::freeze(&args.dir, args.build.as_deref(), &date)?;
    writeln!(out, "{}", path.display())?;
    Ok(Status::Met)
}
