//! `compare`: two builds, or several records, side by side.

use std::io::Write;
use std::path::{Path, PathBuf};

use dossier::compare::records::RecordComparison;
use dossier::programme::Programme;
use dossier::record_store;
use dossier::result::State;

use super::{Failure, Outcome, Status, json};
use crate::text;

/// Two builds, or several records, side by side.
///
/// Builds: key figures and gates, predicted and measured, what differs with its interval (errors
/// that both share cancel), and what of the difference comes from which changed key.
///
/// Records: step and sound records of several ESCs, protocols or settings, ranked by the crossover
/// that the rate loop reaches with each; or flights, the first against each of the others, by their
/// vibration.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright compare tarn b1 b2",
    "rotorwright compare tarn --records 2026-03-02-step-1 2026-03-02-step-1-coasting",
    "rotorwright compare tarn --records 2026-03-04-hop 2026-03-06-hop --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Two builds
    #[arg(value_name = "BUILD", num_args = 0..)]
    builds: Vec<String>,
    /// Records: step and sound, or flights
    #[arg(long, value_name = "RECORD", num_args = 1.., conflicts_with = "builds")]
    records: Vec<String>,
    /// Build in whose rate loop drives are judged; the last one when left out
    #[arg(long, value_name = "ID", requires = "records")]
    build: Option<String>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    if !args.records.is_empty() {
        let c = dossier::compare::records(&args.dir, &args.records, args.build.as_deref())?;
        let told = match &c {
            RecordComparison::Drives(r) => r.clear,
            RecordComparison::Vibration { pairs } => pairs.iter().all(|p| !p.shown.tables.is_empty()),
        };
        if args.json {
            json(out, &c)?;
        } else {
            out.write_all(text::compare::records(&c).as_bytes())?;
        }
        return Ok(if told { Status::Met } else { Status::NotMet });
    }
    if !args.builds.is_empty()
        && let Some(meant) = dossier::compare::records::meant(&args.dir, &args.builds)?
    {
        let call = format!("rotorwright compare {} --records {}", args.dir.display(), meant.join(" "));
        let what = if args.builds.len() == 1 { "is no build" } else { "are no builds" };
        return Err(Failure::call(
            format!("{} {what}: records are named after --records", args.builds.join(", ")),
            format!("write `{call}`"),
        ));
    }
    let [before, after] = args.builds.as_slice() else {
        return Err(Failure::call("two builds or --records are needed", there_is(&args.dir)?));
    };
    let c = dossier::compare::builds(&args.dir, before, after)?;
    if args.json {
        json(out, &c)?;
    } else {
        out.write_all(text::compare::builds(&c).as_bytes())?;
    }
    let met = c.gates.iter().all(|g| g.states[1] == State::Met);
    Ok(if met { Status::Met } else { Status::NotMet })
}

/// What the dossier has that can be compared.
fn there_is(dir: &Path) -> Result<String, Failure> {
    let programme = Programme::load(dir)?;
    let builds: Vec<&str> = programme.builds.iter().map(|b| b.id.as_str()).collect();
    let list = record_store::list(&dir.join("records")).map_err(dossier::diagnostic::Diagnostics::from)?;
    let records: Vec<&str> = list
        .iter()
        .filter(|m| dossier::compare::records::comparable(m.kind))
        .map(|m| m.id.as_str())
        .collect();
    let none = |list: Vec<&str>| if list.is_empty() { "none".to_owned() } else { list.join(", ") };
    Ok(format!("builds are {}; records that compare are {}", none(builds), none(records)))
}
