//! `reconcile`: what all measurements say of what the aircraft file states.

use std::io::Write;
use std::path::PathBuf;

use dossier::check::Opened;
use dossier::reconcile;

use super::{Outcome, Status, json};
use crate::text;

/// Prediction against measurement, and the smallest change of stated inputs that explains all of it.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright reconcile tarn",
    "rotorwright reconcile tarn --build b1 --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let opened = Opened::open(&args.dir, args.build.as_deref(), &[])?;
    let build = opened.build.clone();
    let evidence = opened.evidence();
    let account = opened.in_context(&evidence, &[], reconcile::of_build)?;
    if args.json {
        json(out, &account)?;
    } else {
        out.write_all(text::reconcile::account(&build, &account).as_bytes())?;
    }
    // What has not been measured cannot be reconciled.
    Ok(if account.found.pairs.is_empty() { Status::NotMet } else { Status::Met })
}
