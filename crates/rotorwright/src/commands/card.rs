//! `card`: the printable procedure of one test.

use std::io::Write;
use std::path::PathBuf;

use super::{Failure, Outcome, Status, json, write_whole};
use crate::text;

/// The procedure of one test, with distances, rates and limits computed for the build.
///
/// Without a name all cards are listed with the gate that each serves.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright card tarn",
    "rotorwright card tarn first-hop",
    "rotorwright card tarn step -o step.html",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Name of the card, or of a gate for the cards that serve it
    card: Option<String>,
    /// Build; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// Write one HTML page that prints on one or two sheets of A4
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let (build, cards) = dossier::cards::of_dossier(&args.dir, args.build.as_deref(), &[])?;
    let Some(name) = &args.card else {
        if args.output.is_some() {
            return Err(Failure::call(
                "-o writes one card",
                "name it, as in rotorwright card tarn step -o step.html",
            ));
        }
        if args.json {
            json(out, &cards)?;
        } else {
            write!(out, "{}", text::card::list(&build, &cards))?;
        }
        return Ok(Status::Met);
    };
    if let Some(card) = cards.iter().find(|c| c.id == name) {
        if let Some(path) = &args.output {
            write_whole(path, crate::card::page(&build, card).as_bytes())?;
            writeln!(out, "{}", path.display())?;
        } else if args.json {
            json(out, card)?;
        } else {
            write!(out, "{}", text::card::card(card))?;
        }
        return Ok(Status::Met);
    }
    let of_gate: Vec<_> = cards.iter().filter(|c| c.gate == name).cloned().collect();
    if of_gate.is_empty() || args.output.is_some() {
        let names: Vec<&str> = cards.iter().map(|c| c.id).collect();
        return Err(Failure::call(
            format!("there is no card `{name}`"),
            format!("cards are: {}", names.join(", ")),
        ));
    }
    if args.json {
        json(out, &of_gate)?;
    } else {
        write!(out, "{}", text::card::list(&build, &of_gate))?;
    }
    Ok(Status::Met)
}
