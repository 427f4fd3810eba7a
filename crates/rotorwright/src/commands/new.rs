//! `new`: a commented dossier to fill in.

use std::io::Write;
use std::path::PathBuf;

use dossier::diagnostic::Diagnostic;

use super::{Failure, Outcome, Status, make_folder, say};

/// A new dossier: a commented skeleton with example figures to replace.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright new heron --layout quad-x",
    "rotorwright new heron --layout coax-quad --name Heron",
))]
pub(super) struct Args {
    /// Folder to make
    dir: PathBuf,
    /// Layout of the rotors: quad-x, quad-plus, hex-x, hex-plus, octo-x, octo-plus, coax-quad
    #[arg(long, value_name = "NAME")]
    layout: String,
    /// Name of the programme; the folder's name when left out
    #[arg(long)]
    name: Option<String>,
}

const DOSSIER: &str = include_str!("new_dossier.toml");
const AIRCRAFT: &str = include_str!("new_aircraft.toml");

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    if !physics::layout::NAMES.contains(&args.layout.as_str()) {
        return Err(Failure::call(
            format!("there is no layout `{}`", args.layout),
            format!("the layouts are {}", physics::layout::NAMES.join(", ")),
        ));
    }
    let name = args.name.clone().unwrap_or_else(|| {
        let whole = args.dir.canonicalize().unwrap_or_else(|_| args.dir.clone());
        whole.file_name().map_or_else(|| "Aircraft".to_owned(), |n| n.to_string_lossy().into_owned())
    });
    let fill = |template: &str| {
        template
            .replace("@name@", &quoted(&name))
            .replace("@layout@", &args.layout)
            .replace("@arm@", arm(&args.layout))
    };
    make_folder(&args.dir, |dir| {
        let build = dir.join("builds").join("b1");
        std::fs::create_dir_all(&build)
            .and_then(|()| std::fs::create_dir(dir.join("records")))
            .and_then(|()| std::fs::create_dir(dir.join("notes")))
            .and_then(|()| std::fs::write(dir.join("dossier.toml"), fill(DOSSIER)))
            .and_then(|()| std::fs::write(build.join("aircraft.toml"), fill(AIRCRAFT)))
            .map_err(|e| Diagnostic::error(&args.dir, format!("cannot be written: {e}")).into())
    })?;
    writeln!(out, "{}", args.dir.display())?;
    say(&format!(
        "Fill in {0}/dossier.toml and {0}/builds/b1/aircraft.toml, then: rotorwright check {0}",
        args.dir.display()
    ));
    Ok(Status::Met)
}

/// An arm that keeps the example's discs of 11 in apart: neighbours of six stand one arm from each
/// other, of eight 0.77 arms.
fn arm(layout: &str) -> &'static str {
    if layout.starts_with("octo") {
        "420 mm"
    } else if layout.starts_with("hex") {
        "320 mm"
    } else {
        "250 mm"
    }
}

/// The text between the quotes of a TOML string.
fn quoted(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
