//! `schema`: the JSON Schema of a file, for editors.

use std::io::Write;

use super::{Outcome, Status, json};

/// The JSON Schema of aircraft.toml, for completion and checks in an editor.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright schema > aircraft.schema.json",
    "rotorwright schema --dossier > dossier.schema.json",
))]
pub(super) struct Args {
    /// That of dossier.toml instead
    #[arg(long)]
    dossier: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let schema =
        if args.dossier { dossier::schema::programme_schema() } else { dossier::schema::json_schema() };
    json(out, &schema)?;
    Ok(Status::Met)
}
