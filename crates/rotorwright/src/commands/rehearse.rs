//! `rehearse`: a card flown many times by the flight model.

use std::io::Write;
use std::path::PathBuf;

use dossier::record_store;
use dossier::rehearse::{Ask, EXAMPLES, fault, rehearse};
use dossier::units::Dimension;
use indicatif::{ProgressBar, ProgressStyle};

use super::homeward::quantity;
use super::{Failure, Outcome, Status, json, today};
use crate::text;

/// Flies a card many times in the flight model, within the file's own uncertainty.
///
/// Says how the card's figures spread, what share of the flights passes, which inputs decide, and
/// keeps the worst flight to look at (rotorwright show). A rehearsal is no evidence: it closes no
/// gate. The same seed gives the same answer on any number of threads.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright rehearse tarn --card rate-steps --runs 500",
    "rotorwright rehearse tarn --card hover --fault rotor:2@3s --wind \"8 m/s\"",
    "rotorwright rehearse tarn --card fail-safe --fault link:20s@10s --payload",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Card: hover, rate-steps, velocity-steps, hold or fail-safe
    #[arg(long, value_name = "NAME")]
    card: String,
    /// What fails, and when: rotor:2@3s, rotor:2:60%@3s, esc:1:8ms@3s, sensor:roll@3s (gyro; also
    /// pitch, yaw, accelerometer, magnetometer, barometer), link:10s@5s, cell:4@3s,
    /// satellites:10s@5s, payload-shift:40mm@3s, payload-drop@3s
    #[arg(long, value_name = "FAULT")]
    fault: Vec<String>,
    /// Mean wind with its gusts; light air when left out
    #[arg(long, value_name = "SPEED")]
    wind: Option<String>,
    /// Number of flights
    #[arg(long, value_name = "N", default_value_t = 200)]
    runs: usize,
    /// Seed of everything random
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// With the payload on
    #[arg(long)]
    payload: bool,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let faults = args
        .fault
        .iter()
        .map(|t| {
            fault(t).map_err(|e| Failure::call(format!("--fault {e}"), format!("faults are: {EXAMPLES}")))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let ask = Ask {
        card: args.card.clone(),
        faults,
        wind: quantity("wind", args.wind.as_ref(), Dimension::Speed)?,
        runs: args.runs,
        seed: args.seed,
        payload: args.payload,
    };
    // On standard error, and only where that is a terminal.
    let bar = ProgressBar::new(args.runs as u64);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} flights  {bar:30}  {eta} left") {
        bar.set_style(style);
    }
    let result = rehearse(&args.dir, args.build.as_deref(), &ask, &|| bar.inc(1));
    bar.finish_and_clear();
    let (answer, record) = result?;
    let mut kept = None;
    if let Some(mut record) = record {
        record.meta.date = today();
        let folder = args.dir.join("rehearsals");
        // The worst flight of the same rehearsal takes the place of an older one.
        let _ = std::fs::remove_dir_all(folder.join(&record.meta.id));
        record_store::write(&folder, &record).map_err(dossier::diagnostic::Diagnostics::from)?;
        kept = Some(record.meta.id);
    }
    let status = if answer.flown > 0 && answer.pass >= 1.0 && answer.refused.0 == 0 {
        Status::Met
    } else {
        Status::NotMet
    };
    if args.json {
        json(out, &answer)?;
    } else {
        out.write_all(text::rehearse::rehearsal(&answer, kept.as_deref()).as_bytes())?;
    }
    Ok(status)
}
