//! The command line: one file per command, each with its arguments and a thin `run`.
//!
//! Data goes to standard output, talk to standard error. Exit status: 0 all asked is met, 1
//! something is short, open or stale, 2 the input or the call is wrong.

use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use dossier::diagnostic::{Diagnostic, Diagnostics};
use serde::Serialize;

/// The text under a command's options: examples, then what the exit status says.
macro_rules! after_help {
    ($($example:literal),+ $(,)?) => {
        concat!(
            "Examples:\n",
            $("  ", $example, "\n",)+
            "\nExit status:\n",
            "  0  all asked is met\n",
            "  1  something is short, undecided, open or stale, or a question waits\n",
            "  2  the input or the call is wrong; nothing was written\n",
        )
    };
}

mod card;
mod check;
mod compare;
mod completions;
mod demo;
mod freeze;
mod homeward;
mod import;
mod loops;
mod new;
mod next;
mod reconcile;
mod rehearse;
mod report;
mod schema;
mod serve;
mod show;
mod siting;
mod triage;

/// Takes an electric multirotor from a requirement to an aircraft that flies robustly.
///
/// A dossier is a folder with one aircraft programme: what it is (aircraft.toml of every build),
/// what it must do, and what was measured. Rotorwright computes what a build should do, reads what
/// it did, and says gate by gate what limits the aircraft, what to change, and what that buys.
///
/// Powered tests can injure: propellers off for set-up, a restrained rig, distance, eye protection,
/// a second person. Local rules and licensed practice decide.
#[derive(Debug, Parser)]
#[command(name = "rotorwright", version, max_term_width = 80, after_help = after_help!(
    "rotorwright demo                             an example, computed and shown",
    "rotorwright new heron --layout quad-x        a dossier to fill in",
    "rotorwright check heron",
))]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    New(new::Args),
    Schema(schema::Args),
    Check(check::Args),
    Import(import::Args),
    Show(show::Args),
    Siting(siting::Args),
    Homeward(homeward::Args),
    Rehearse(rehearse::Args),
    Triage(triage::Args),
    Loops(loops::Args),
    Compare(compare::Args),
    Next(next::Args),
    Reconcile(reconcile::Args),
    Card(card::Args),
    Report(report::Args),
    Serve(serve::Args),
    Freeze(freeze::Args),
    Completions(completions::Args),
}

/// What a command that ran has to say about what was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// All asked is met.
    Met,
    /// Something is short, undecided, open or stale.
    NotMet,
}

/// Why a command did not run to its end.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// A file is wrong.
    #[error("{0}")]
    Input(#[from] Diagnostics),
    /// The call is wrong.
    #[error("error: {message}\n  help:  {help}")]
    Call {
        /// What is wrong.
        message: String,
        /// What would be right.
        help: String,
    },
    /// Standard output or standard error failed.
    #[error("error: cannot write the output: {0}")]
    Output(#[from] io::Error),
    /// The result could not be written as JSON.
    #[error("error: cannot write JSON: {0}")]
    Json(#[from] serde_json::Error),
}

impl From<Diagnostic> for Failure {
    fn from(d: Diagnostic) -> Self {
        Self::Input(d.into())
    }
}

impl Failure {
    fn call(message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::Call { message: message.into(), help: help.into() }
    }
    fn is_broken_pipe(&self) -> bool {
        match self {
            Self::Output(e) => e.kind() == ErrorKind::BrokenPipe,
            Self::Json(e) => e.io_error_kind() == Some(ErrorKind::BrokenPipe),
            Self::Input(_) | Self::Call { .. } => false,
        }
    }
}

type Outcome = Result<Status, Failure>;

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let stdout = io::stdout();
    let mut out = io::BufWriter::new(stdout.lock());
    let outcome = cli.run(&mut out).and_then(|s| out.flush().map(|()| s).map_err(Failure::from));
    match outcome {
        Ok(Status::Met) => ExitCode::SUCCESS,
        Ok(Status::NotMet) => ExitCode::from(1),
        // The reader has seen enough and closed the pipe.
        Err(failure) if failure.is_broken_pipe() => ExitCode::SUCCESS,
        Err(failure) => {
            let _ = out.flush();
            say(&failure.to_string());
            ExitCode::from(2)
        }
    }
}

impl Cli {
    fn run(&self, out: &mut dyn Write) -> Outcome {
        match &self.command {
            Command::Demo(args) => demo::run(args, out),
            Command::New(args) => new::run(args, out),
            Command::Schema(args) => schema::run(args, out),
            Command::Check(args) => check::run(args, out),
            Command::Import(args) => import::run(args, out),
            Command::Show(args) => show::run(args, out),
            Command::Siting(args) => siting::run(args, out),
            Command::Homeward(args) => homeward::run(args, out),
            Command::Rehearse(args) => rehearse::run(args, out),
            Command::Triage(args) => triage::run(args, out),
            Command::Loops(args) => loops::run(args, out),
            Command::Compare(args) => compare::run(args, out),
            Command::Next(args) => next::run(args, out),
            Command::Reconcile(args) => reconcile::run(args, out),
            Command::Card(args) => card::run(args, out),
            Command::Report(args) => report::run(args, out),
            Command::Serve(args) => serve::run(args, out),
            Command::Freeze(args) => freeze::run(args, out),
            Command::Completions(args) => completions::run(args, out),
        }
    }
}

/// Says something to a person, on standard error; a closed one is no error.
fn say(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// Writes a result as JSON for programs.
fn json<T: Serialize>(out: &mut dyn Write, value: &T) -> Result<(), Failure> {
    serde_json::to_writer_pretty(&mut *out, value)?;
    writeln!(out)?;
    Ok(())
}

/// Writes `text` to `path` so that either the old file or the whole new one is there.
fn write_whole(path: &Path, text: &[u8]) -> Result<(), Failure> {
    let name = path.file_name().ok_or_else(|| {
        Failure::call(format!("{} is not a file name", path.display()), "name a file, as in report.html")
    })?;
    let mut partial = path.to_owned();
    partial.set_file_name(format!(".{}.{}.tmp", name.to_string_lossy(), std::process::id()));
    let written = std::fs::File::create(&partial)
        .and_then(|mut f| f.write_all(text).and_then(|()| f.sync_all()))
        .and_then(|()| std::fs::rename(&partial, path));
    written.map_err(|e| {
        let _ = std::fs::remove_file(&partial);
        Diagnostic::error(path, format!("cannot be written: {e}"))
            .help("check that the folder exists and that you may write to it")
            .into()
    })
}

/// Fills a new folder by `fill`: the whole folder appears, or none of it. Into an empty folder that
/// is there already everything moves when it is complete, `dossier.toml` last.
fn make_folder(dir: &Path, fill: impl FnOnce(&Path) -> Result<(), Failure>) -> Result<(), Failure> {
    let wrong = |e: io::Error| -> Failure {
        Diagnostic::error(dir, format!("cannot be made: {e}"))
            .help("check that the parent folder exists and that you may write to it")
            .into()
    };
    let taken = std::fs::read_dir(dir).map(|mut entries| entries.next().is_some());
    if matches!(taken, Ok(true)) || dir.is_file() {
        return Err(Diagnostic::error(dir, "is there already and is not an empty folder")
            .help("name a folder that does not exist yet")
            .into());
    }
    let mut name = dir.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    if name.is_empty() {
        "dossier".clone_into(&mut name);
    }
    let parent: PathBuf = match dir.parent() {
        Some(p) if !p.as_os_str().is_empty() => p.to_owned(),
        _ => PathBuf::from("."),
    };
    let staging = parent.join(format!(".{name}.{}.tmp", std::process::id()));
    let made = std::fs::create_dir_all(&parent)
        .and_then(|()| std::fs::create_dir(&staging))
        .map_err(wrong)
        .and_then(|()| fill(&staging))
        .and_then(|()| {
            let moved = if taken.is_ok() { move_into(&staging, dir) } else { std::fs::rename(&staging, dir) };
            moved.map_err(wrong)
        });
    made.inspect_err(|_| {
        let _ = std::fs::remove_dir_all(&staging);
    })
}

/// Moves all that is in one folder into another, `dossier.toml` last.
fn move_into(from: &Path, to: &Path) -> io::Result<()> {
    let mut names =
        std::fs::read_dir(from)?.map(|e| e.map(|e| e.file_name())).collect::<io::Result<Vec<_>>>()?;
    names.sort_by_key(|n| n == "dossier.toml");
    for name in names {
        std::fs::rename(from.join(&name), to.join(&name))?;
    }
    std::fs::remove_dir(from)
}

/// Today in UTC, ISO 8601.
fn today() -> String {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    date(now.as_secs() / 86_400)
}

/// The date `days` after 1970-01-01 in the Gregorian calendar.
fn date(mut days: u64) -> String {
    let leap = |y: u64| (y.is_multiple_of(4) && !y.is_multiple_of(100)) || y.is_multiple_of(400);
    let mut year = 1970;
    while days >= 365 + u64::from(leap(year)) {
        days -= 365 + u64::from(leap(year));
        year += 1;
    }
    let february = 28 + u64::from(leap(year));
    let mut month = 1;
    for length in [31, february, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31] {
        if days < length {
            break;
        }
        days -= length;
        month += 1;
    }
    format!("{year:04}-{month:02}-{:02}", days + 1)
}

#[cfg(test)]
mod tests {
    use super::date;

    /// Day numbers from Python's `datetime.date.toordinal() - 719163`.
    #[test]
    fn dates() {
        for (days, text) in [
            (0, "1970-01-01"),
            (59, "1970-03-01"),
            (11_016, "2000-02-29"),
            (20_515, "2026-03-03"),
            (47_540, "2100-02-28"),
            (47_541, "2100-03-01"),
        ] {
            assert_eq!(date(days), text);
        }
    }
}
