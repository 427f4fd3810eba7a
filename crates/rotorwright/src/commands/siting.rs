//! `siting`: where the magnetometer can go.

use std::io::Write;
use std::path::PathBuf;

use dossier::siting::{Siting, of_check};
use serde::Serialize;

use super::{Outcome, Status, json};
use crate::text;

/// Where the magnetometer can go: heading error from the leads against the stiffness of a mast.
///
/// Candidates stand in the electronics bay, at the arms' roots and on a mast. It needs the leads and
/// the room in the aircraft file ([[lead]], [siting]) and the site's latitude and longitude.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright siting tarn",
    "rotorwright siting tarn --build b2 --json",
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

/// What the command answers.
#[derive(Serialize)]
struct Answer<'a> {
    build: &'a str,
    /// What the survey waits for, where it cannot be made.
    waits_for: Option<String>,
    siting: Option<Siting>,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let check = dossier::check::check(&args.dir, args.build.as_deref(), &[])?;
    let (siting, waits_for) = match of_check(&check) {
        Ok(s) => (Some(s), None),
        Err(why) => (None, Some(why)),
    };
    // Met when the magnetometer stands where every limit is met, or could stand there.
    let met = siting
        .as_ref()
        .is_some_and(|s| s.today().or_else(|| s.recommended()).is_some_and(|c| c.misses.is_empty()));
    let status = if met { Status::Met } else { Status::NotMet };
    if args.json {
        json(out, &Answer { build: &check.build, waits_for, siting })?;
        return Ok(status);
    }
    let text = text::siting::siting(&check, siting.as_ref(), waits_for.as_deref());
    out.write_all(text.as_bytes())?;
    Ok(status)
}
