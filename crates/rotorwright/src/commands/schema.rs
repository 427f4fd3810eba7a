//! `schema`: the JSON Schema of aircraft.toml, for editors.

use std::io::Write;

use super::{Outcome, Status, json};

/// The JSON Schema of aircraft.toml, for completion and checks in an editor.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!("rotorwright schema > aircraft.schema.json"))]
pub(super) struct Args {}

pub(super) fn run(_: &Args, out: &mut dyn Write) -> Outcome {
    json(out, &dossier::schema::schema())?;
    Ok(Status::Met)
}
