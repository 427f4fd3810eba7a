//! `triage`: a log without a dossier.

use std::io::Write;
use std::path::PathBuf;

use dossier::import::{self, Limit};
use dossier::units::{Dimension, Quantity, parse_quantity};

use super::import::{Bar, map_text, propose};
use super::{Failure, Outcome, Status, json, say};
use crate::text;

/// Another team's log and nothing else: what it proves, what it cannot, what to ask for.
///
/// Without --channels a channel map is proposed, with the questions it leaves, as `import` does.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright triage log.csv > log.toml",
    "rotorwright triage log.csv --channels log.toml \\",
    "    --mass '2.4 kg +- 20 g' --layout quad-x --arm '250 mm'",
))]
pub(super) struct Args {
    /// Log files, the first of which gives the time base
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Channel map
    #[arg(long, value_name = "MAP")]
    channels: Option<PathBuf>,
    /// Mass as flown, with its tolerance
    #[arg(long, value_parser = quantity(Dimension::Mass))]
    mass: Option<Quantity>,
    /// Layout of the rotors: quad-x, quad-plus, hex-x, hex-plus, octo-x, octo-plus, coax-quad
    #[arg(long, value_name = "NAME")]
    layout: Option<String>,
    /// Distance of the hubs from the centre
    #[arg(long, value_name = "LENGTH", value_parser = quantity(Dimension::Length))]
    arm: Option<Quantity>,
    /// Answer to a question of an earlier call; may be given again
    #[arg(long, value_name = "QUESTION=ANSWER")]
    accept: Vec<String>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

/// A reader of quantities for clap.
fn quantity(
    dimension: Dimension,
) -> impl Fn(&str) -> Result<Quantity, String> + Clone + Send + Sync + 'static {
    move |text| {
        let q = parse_quantity(text, dimension).map_err(|e| e.to_string())?;
        if q.value > 0.0 { Ok(q) } else { Err("it must be more than zero".to_owned()) }
    }
}

/// Relative standard uncertainty of a mass that is stated without a tolerance.
const MASS_UNSTATED: f64 = 0.01;

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    if let Some(layout) = &args.layout
        && !physics::layout::NAMES.contains(&layout.as_str())
    {
        return Err(Failure::call(
            format!("there is no layout `{layout}`"),
            format!("the layouts are {}", physics::layout::NAMES.join(", ")),
        ));
    }
    let Some(map) = &args.channels else { return propose(&args.files, &args.accept, args.json, out) };
    let text = map_text(map)?;
    let bar = Bar::new();
    let reading =
        import::read_and_check(&args.files, map, &text, &args.accept, Limit::default(), &mut |done, of| {
            bar.at(done, of);
        });
    bar.end();
    let reading = reading?;
    if !reading.doubts.is_empty() {
        say(&format!("{}Answer with --accept, or mend the map.", text::proposal::doubts(&reading.doubts)));
        return Ok(Status::NotMet);
    }
    let mass = args.mass.as_ref().map(|q| (q.value, q.uncertainty.unwrap_or(MASS_UNSTATED * q.value)));
    let arm = args.arm.as_ref().map(|q| q.value);
    let triage = dossier::triage::triage(&reading.record, mass, args.layout.as_deref(), arm);
    if args.json {
        json(out, &triage)?;
    } else {
        let names: Vec<String> = args
            .files
            .iter()
            .map(|f| {
                f.file_name().map_or_else(|| f.display().to_string(), |n| n.to_string_lossy().into_owned())
            })
            .collect();
        out.write_all(text::triage::triage(&triage, &names.join(", ")).as_bytes())?;
    }
    let clear = triage.alarms.is_empty() && triage.cannot.is_empty();
    Ok(if clear { Status::Met } else { Status::NotMet })
}
