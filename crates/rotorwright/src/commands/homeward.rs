//! `homeward`: energy to come home.

use std::io::Write;
use std::path::PathBuf;

use dossier::homeward::{Ask, Homeward, RULES, of_check};
use dossier::units::{Dimension, parse_quantity};
use serde::Serialize;

use super::{Failure, Outcome, Status, json};
use crate::text;

/// What it takes to come home: charge, voltage, distance, time to decide.
///
/// Also the radio link, stopping, a parachute against more rotors, and what an impact carries. It
/// needs [failsafe] in the aircraft file; [link] and [parachute] add to it. Local rules and
/// licensed practice decide where and how far it may be flown.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright homeward tarn",
    "rotorwright homeward tarn --wind \"10 m/s\" --distance \"600 m\"",
    "rotorwright homeward tarn --build b2 --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// Mean wind at 10 m; that of the requirement when left out
    #[arg(long, value_name = "SPEED")]
    wind: Option<String>,
    /// Distance from home; failsafe.farthest when left out
    #[arg(long, value_name = "LENGTH")]
    distance: Option<String>,
    /// Height where the way home begins; failsafe.home_height when left out
    #[arg(long, value_name = "LENGTH")]
    height: Option<String>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

/// What the command answers.
#[derive(Serialize)]
struct Answer<'a> {
    build: &'a str,
    /// Why there is no answer.
    waits_for: Option<String>,
    homeward: Option<&'a Homeward>,
    rules: &'static str,
}

/// A quantity of the command line, zero or above.
pub(super) fn quantity(
    name: &str,
    text: Option<&String>,
    dimension: Dimension,
) -> Result<Option<f64>, Failure> {
    let Some(text) = text else { return Ok(None) };
    let q = parse_quantity(text, dimension).map_err(|e| Failure::call(format!("--{name}: {e}"), e.help()))?;
    if q.value < 0.0 {
        return Err(Failure::call(
            format!("--{name} is below zero"),
            format!("as in --{name} \"{}\"", dimension.example()),
        ));
    }
    Ok(Some(q.value))
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let ask = Ask {
        wind: quantity("wind", args.wind.as_ref(), Dimension::Speed)?,
        distance: quantity("distance", args.distance.as_ref(), Dimension::Length)?,
        height: quantity("height", args.height.as_ref(), Dimension::Length)?,
    };
    let check = dossier::check::check(&args.dir, args.build.as_deref(), &[])?;
    let (homeward, waits_for) = match of_check(&check, ask) {
        Ok(h) => (Some(h), None),
        Err(why) => (None, Some(why)),
    };
    let status = if homeward.as_ref().is_some_and(|h| h.enough) { Status::Met } else { Status::NotMet };
    if args.json {
        json(out, &Answer { build: &check.build, waits_for, homeward: homeward.as_ref(), rules: RULES })?;
        return Ok(status);
    }
    out.write_all(text::homeward::homeward(&check, homeward.as_ref(), waits_for.as_deref()).as_bytes())?;
    Ok(status)
}
