//! `loops`: latency ledger, margins, allowed gains, cant.

use std::io::Write;
use std::path::PathBuf;

use dossier::check::Opened;
use dossier::result::State;
use dossier::tuning;

use super::{Failure, Outcome, Status, json};
use crate::text;

/// Latency ledger predicted and as flown, margins over battery and payload, allowed gains with the way to them, yaw and
/// cant.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright loops tarn",
    "rotorwright loops tarn --build b2 --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// JSON for programs: gains, margins, responses, steps, cant, and gate rate with its ledgers
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let opened = Opened::open(&args.dir, args.build.as_deref(), &[])?;
    let evidence = opened.evidence();
    let (result, sheet) = opened.judge_and(&evidence, &[], tuning::sheet)?;
    let Some(gate) = result.gates.iter().find(|g| g.id == "rate") else {
        return Err(Failure::call("there is no gate rate", "update the tool"));
    };
    let status = if gate.state == State::Met { Status::Met } else { Status::NotMet };
    if args.json {
        json(out, &serde_json::json!({ "build": result.build, "loops": sheet, "gate": gate }))?;
        return Ok(status);
    }
    out.write_all(text::check::check(&result, Some("rate")).as_bytes())?;
    out.write_all(text::loops::loops(&sheet, gate).as_bytes())?;
    Ok(status)
}
