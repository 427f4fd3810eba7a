//! `demo`: an example dossier, computed and shown.

use std::io::Write;
use std::path::{Path, PathBuf};

use dossier::diagnostic::Diagnostic;

use super::{Failure, Outcome, check, json, make_folder, say, serve};
use crate::text;

/// An example dossier with invented data, checked and shown in the workbench.
///
/// The flight records come from the flight model, so their evidence says `simulated`.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright demo",
    "rotorwright demo --no-serve",
    "rotorwright demo --dir /tmp/tarn --no-serve --json",
))]
pub(super) struct Args {
    /// Folder of the example; made when it is not there, kept when it is
    #[arg(long, value_name = "DIR", default_value = "tarn")]
    dir: PathBuf,
    /// Check only; no workbench
    #[arg(long)]
    no_serve: bool,
    #[command(flatten)]
    server: serve::Server,
    /// JSON for programs in place of tables
    #[arg(long)]
    json: bool,
}

/// First line of the dossier.toml of an example.
const MARK: &str = "# An example made by `rotorwright demo`: invented data.";

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    if is_example(&args.dir) {
        say(&format!(
            "The example in {0} is used as it stands; delete {0} for a fresh one.",
            args.dir.display()
        ));
    } else {
        say(&format!("Making the example in {}: its flights are simulated now.", args.dir.display()));
        make_folder(&args.dir, |dir| {
            dossier::demo::write_demo(dir, &[])?;
            mark(dir)
        })?;
    }
    let result = dossier::check::check(&args.dir, None, &[])?;
    if args.json {
        json(out, &result)?;
    } else {
        out.write_all(text::check::check(&result, None).as_bytes())?;
    }
    out.flush()?;
    if !args.no_serve {
        serve::workbench(&args.dir, &args.server, out)?;
    }
    Ok(check::status(&result, None))
}

fn is_example(dir: &Path) -> bool {
    std::fs::read_to_string(dir.join("dossier.toml")).is_ok_and(|t| t.starts_with(MARK))
}

/// Writes the mark into a fresh example.
fn mark(dir: &Path) -> Result<(), Failure> {
    let path = dir.join("dossier.toml");
    std::fs::read_to_string(&path)
        .and_then(|text| std::fs::write(&path, format!("{MARK}\n{text}")))
        .map_err(|e| Diagnostic::error(&path, format!("cannot be written: {e}")).into())
}
