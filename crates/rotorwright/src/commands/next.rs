//! `next`: between two flights, in one screen.

use std::io::Write;
use std::path::PathBuf;

use dossier::next::{Next, Weight};

use super::{Outcome, Status, json};
use crate::text::table;

/// Fly again or not, which card next, which step of gains, and why. One screen, for the field.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright next tarn",
    "rotorwright next tarn --json",
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
    let next = dossier::next::next(&args.dir, args.build.as_deref())?;
    let status = if next.fly { Status::Met } else { Status::NotMet };
    if args.json {
        json(out, &next)?;
    } else {
        out.write_all(screen(&next).as_bytes())?;
    }
    Ok(status)
}

const WIDTH: usize = 80;

fn screen(n: &Next) -> String {
    let mut s = table::heading(&format!("Next flight of {}", n.build), '=');
    let verdict = if n.fly {
        "FLY: nothing seen forbids the next flight."
    } else {
        "DO NOT FLY before this is cleared:"
    };
    s.push_str(&table::paragraph(verdict, "", 0, WIDTH));
    match &n.record {
        Some(r) => s.push_str(&table::paragraph(&format!("Last flight: {r}"), "", 0, WIDTH)),
        None => s.push_str(&table::paragraph("No flight yet.", "", 0, WIDTH)),
    }
    s.push('\n');
    for r in &n.reasons {
        let mark = match r.weight {
            Weight::Stop => "stop   ",
            Weight::Watch => "watch  ",
            Weight::Good => "good   ",
        };
        s.push_str(&table::paragraph(&r.text, mark, mark.len(), WIDTH));
    }
    s.push('\n');
    match &n.gate {
        Some((id, name, closes)) => {
            s.push_str(&table::paragraph(&format!("{name}, which closes on {closes}"), "Card:  ", 7, WIDTH));
            if let Some(w) = &n.waits {
                s.push_str(&table::paragraph(w, "       ", 7, WIDTH));
            }
            let _ = id;
        }
        None => s.push_str(&table::paragraph("every gate is met.", "Card:  ", 7, WIDTH)),
    }
    match &n.step {
        Some(step) => {
            let g = &step.gains;
            s.push_str(&table::paragraph(
                &format!("p {:.1} 1/s, i {:.0} 1/s^2, d {:.2}, roll and pitch alike", g.p, g.i, g.d),
                "Gains: ",
                7,
                WIDTH,
            ));
            s.push_str(&table::paragraph(&format!("must show: {}", step.show), "       ", 7, WIDTH));
            s.push_str(&table::paragraph(&n.step_note, "       ", 7, WIDTH));
        }
        None => s.push_str(&table::paragraph(&n.step_note, "Gains: ", 7, WIDTH)),
    }
    s.push_str(&table::paragraph(
        "Distance, eye protection, a second person, propellers off while anything is changed; local rules and licensed \
         practice decide.",
        "\n",
        0,
        WIDTH,
    ));
    s
}
