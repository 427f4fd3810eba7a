//! `import`: a measurement becomes a record of the dossier.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

use dossier::aircraft_file::AircraftFile;
use dossier::diagnostic::{Diagnostic, Diagnostics};
use dossier::import::{self, HandRequest, Limit, Request, WavRequest};
use dossier::programme::Programme;
use dossier::record::{Kind, RecordMeta, RecordOrigin};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use physics::aircraft::Aircraft;

use super::{Failure, Outcome, Status, json, say, today};
use crate::text;

/// Imports a measurement as a record: a flight log, a bench log, a weighing, a note.
///
/// A log needs a channel map: which column is which channel, in which unit, turned how, tapped
/// where. Without --channels a map is proposed on standard output, with the questions it leaves on
/// standard error; nothing is written. With --channels the log is read and checked against itself,
/// and where data and map disagree import asks, and writes nothing until --accept answers.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright import hop.csv --into heron --kind flight > hop.toml",
    "rotorwright import hop.csv --into heron --kind flight --channels hop.toml",
    "rotorwright import hop.csv --into heron --kind flight --channels hop.toml \\",
    "    --accept rate.y-sign=flip --date 2026-03-04",
    "rotorwright import stand.csv --into heron --kind sweep --channels stand.toml \\",
    "    --value station=2",
    "rotorwright import motor2.wav --into heron --kind sound --value station=2 \\",
    "    --value distance='0.3 m +- 1 cm'",
    "rotorwright import scales.toml --into heron --kind weighing",
    "rotorwright import --into heron --kind note \\",
    "    --value case_temperature='61 degC +- 3 K' --remark 'after five minutes'",
))]
pub(super) struct Args {
    /// Log files, the first of which gives the time base; or the file of a weighing or note
    files: Vec<PathBuf>,
    /// Folder of the dossier
    #[arg(long, value_name = "DIR")]
    into: PathBuf,
    /// What was measured: weighing, note, flight, hand-rotation, spin-check, checklist, sweep,
    /// step, sound, tap, swing, fall, balance, magnetic, reception, discharge, range
    #[arg(long, value_parser = kind)]
    kind: Kind,
    /// Channel map of a log
    #[arg(long, value_name = "MAP")]
    channels: Option<PathBuf>,
    /// Value entered by hand, as in station=2 for the rotor on the stand; may be given again
    #[arg(long, value_name = "KEY=VALUE")]
    value: Vec<String>,
    /// Build that was measured; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// Date of the measurement, as in 2026-03-04; today when left out
    #[arg(long)]
    date: Option<String>,
    /// Identity of the record; date and kind when left out
    #[arg(long)]
    id: Option<String>,
    /// Words to keep with the record
    #[arg(long, default_value = "")]
    remark: String,
    /// What was different from the build on the bench, as in 'motor timing 30 deg': a trial for
    /// `compare`. No gate rests on it
    #[arg(long, default_value = "")]
    setting: String,
    /// Propose a map even when --channels is there
    #[arg(long)]
    propose: bool,
    /// Answer to a question of an earlier call; may be given again
    #[arg(long, value_name = "QUESTION=ANSWER")]
    accept: Vec<String>,
    /// Malformed rows, per cent of all, above which nothing is imported
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    malformed_limit: f64,
    /// JSON for programs: the record, or the proposal
    #[arg(long)]
    json: bool,
}

/// Kind of a record by its word.
fn kind(text: &str) -> Result<Kind, String> {
    Kind::of_word(text).ok_or_else(|| {
        let words: Vec<&str> = Kind::ALL.iter().map(|(_, word, _)| *word).collect();
        format!("kinds are {}", words.join(", "))
    })
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    if !(0.0..=100.0).contains(&args.malformed_limit) {
        return Err(Failure::call(
            format!("--malformed-limit {} is no share in per cent", args.malformed_limit),
            "a number from 0 to 100, as in --malformed-limit 2",
        ));
    }
    let place = Place::find(args)?;
    if let [file] = args.files.as_slice()
        && import::is_wav(file)
    {
        return sound(args, &place, file, out);
    }
    // A weighing or a note has no channels; of the others a TOML file, or none, is an entry by hand.
    let written = args.files.iter().all(|f| f.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")));
    let by_hand_only = matches!(args.kind, Kind::Weighing | Kind::Note);
    if by_hand_only || (args.kind != Kind::Flight && args.channels.is_none() && written) {
        by_hand(args, &place, args.kind, out)
    } else {
        log(args, &place, out)
    }
}

/// Where the record goes and what it was made with.
struct Place {
    records: PathBuf,
    build: String,
    fingerprint: std::collections::BTreeMap<String, String>,
    date: String,
    aircraft: Aircraft,
}

impl Place {
    fn find(args: &Args) -> Result<Self, Failure> {
        let programme = Programme::load(&args.into)?;
        let build = programme.build(args.build.as_deref())?.id.clone();
        let file = AircraftFile::load(&programme.aircraft_path(&build))?;
        let fingerprint = file.fingerprint();
        let aircraft = file.resolve(&std::collections::BTreeMap::new())?.aircraft;
        let date = args.date.clone().unwrap_or_else(today);
        Ok(Self { records: args.into.join("records"), build, fingerprint, date, aircraft })
    }
}

/// A sound file becomes a record without a channel map.
fn sound(args: &Args, place: &Place, file: &PathBuf, out: &mut dyn Write) -> Outcome {
    let values = if args.value.is_empty() {
        std::collections::BTreeMap::new()
    } else {
        import::read_hand(Path::new("--value"), &args.value.join("\n"), args.kind)?.0
    };
    let meta = import::import_wav(&WavRequest {
        file,
        records: &place.records,
        id: args.id.as_deref(),
        kind: args.kind,
        build: &place.build,
        date: &place.date,
        remark: &args.remark,
        setting: args.setting.trim(),
        values,
        blades: Some(place.aircraft.rotor.blades),
        fingerprint: place.fingerprint.clone(),
    })?;
    stored(args, &meta, out)
}

fn log(args: &Args, place: &Place, out: &mut dyn Write) -> Outcome {
    if args.files.is_empty() {
        return Err(Failure::call(
            "no log file is named",
            "rotorwright import hop.csv --into heron --kind flight",
        ));
    }
    let values = if args.value.is_empty() {
        std::collections::BTreeMap::new()
    } else {
        import::read_hand(Path::new("--value"), &args.value.join("\n"), args.kind)?.0
    };
    let map = match &args.channels {
        Some(map) if !args.propose => map,
        _ => return propose(&args.files, &args.accept, args.json, out),
    };
    let map_text = map_text(map)?;
    let bar = Bar::new();
    let imported = import::import(
        &Request {
            files: &args.files,
            map_file: map,
            map_text: &map_text,
            records: &place.records,
            id: args.id.as_deref(),
            kind: args.kind,
            values,
            build: &place.build,
            date: &place.date,
            origin: RecordOrigin::Measured,
            remark: &args.remark,
            setting: args.setting.trim(),
            fingerprint: place.fingerprint.clone(),
            accept: &args.accept,
            limit: Limit { share: args.malformed_limit / 100.0, ..Limit::default() },
        },
        &mut |done, of| bar.at(done, of),
    );
    bar.end();
    match imported {
        Ok(meta) => stored(args, &meta, out),
        Err(d) if only_questions(&d) => {
            say(&format!("{d}\n\nNothing was written: {} to answer.", count(d.0.len(), "question")));
            Ok(Status::NotMet)
        }
        Err(d) => Err(d.into()),
    }
}

/// Whether all that stands in the way are questions that `--accept` answers.
fn only_questions(d: &Diagnostics) -> bool {
    !d.0.is_empty() && d.0.iter().all(|d| d.help.as_deref().is_some_and(|h| h.contains("--accept ")))
}

/// A proposal for programs.
#[derive(serde::Serialize)]
struct Proposed<'a> {
    map: &'a str,
    questions: &'a [import::Doubt],
    left_out: &'a [import::Unmapped],
    remarks: &'a [String],
}

/// Proposes a map for `files` and asks what it is unsure of; writes nothing.
pub(super) fn propose(files: &[PathBuf], accept: &[String], as_json: bool, out: &mut dyn Write) -> Outcome {
    let bar = Bar::new();
    let proposal = import::propose(files, accept, &mut |done, of| bar.at(done, of));
    bar.end();
    let p = proposal?;
    if as_json {
        let proposed =
            Proposed { map: &p.text, questions: &p.doubts, left_out: &p.unmapped, remarks: &p.remarks };
        json(out, &proposed)?;
    } else {
        out.write_all(p.text.as_bytes())?;
        out.flush()?;
        say(&text::proposal::questions(&p));
    }
    Ok(Status::NotMet)
}

/// The text of a channel map.
pub(super) fn map_text(map: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(map).map_err(|e| {
        Diagnostic::error(map, format!("cannot be read: {e}"))
            .help("--channels names a channel map; without it, one is proposed")
            .into()
    })
}

fn by_hand(args: &Args, place: &Place, kind: Kind, out: &mut dyn Write) -> Outcome {
    let (file, text, source) = match args.files.as_slice() {
        [] if args.value.is_empty() && args.remark.is_empty() => {
            return Err(Failure::call(
                "nothing is entered",
                "name a file, or give values as in --value scale.1='1.12 kg +- 2 g'",
            ));
        }
        [] => (Path::new("--value"), args.value.join("\n"), None),
        [one] if args.value.is_empty() => {
            let text = std::fs::read_to_string(one)
                .map_err(|e| Diagnostic::error(one, format!("cannot be read: {e}")).help("check the path"))?;
            (one.as_path(), text, Some(one))
        }
        _ => {
            return Err(Failure::call(
                "a weighing or note is one file, or values on the command line",
                "name one file, or leave it out and give --value",
            ));
        }
    };
    let text = with_remark(&text, &args.remark);
    let meta = import::import_hand(&HandRequest {
        file,
        text: &text,
        source,
        records: &place.records,
        id: args.id.as_deref(),
        kind,
        build: &place.build,
        date: &place.date,
        fingerprint: place.fingerprint.clone(),
        aircraft: Some(&place.aircraft),
    })?;
    stored(args, &meta, out)
}

/// The remark of the command line as a line of the entry; before the first table, where a key is
/// top-level.
fn with_remark(text: &str, remark: &str) -> String {
    if remark.is_empty() {
        return text.to_owned();
    }
    let plain: String =
        remark.chars().map(|c| if c.is_control() || c == '"' || c == '\\' { ' ' } else { c }).collect();
    format!("remark = \"{plain}\"\n{text}")
}

fn stored(args: &Args, meta: &RecordMeta, out: &mut dyn Write) -> Outcome {
    if args.json {
        json(out, meta)?;
    } else {
        write!(out, "{}\n{}", text::findings::record(meta), text::findings::channels(meta))?;
        let dir = args.into.display();
        say(&format!("\nStored in {dir}/records/{0}. Next: rotorwright show {dir} {0}", meta.id));
    }
    if args.date.is_none() {
        say(&format!("The date is taken to be today, {}; --date says otherwise.", meta.date));
    }
    Ok(Status::Met)
}

fn count(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

/// A progress bar on standard error when that is a terminal.
pub(super) struct Bar(ProgressBar);

impl Bar {
    pub(super) fn new() -> Self {
        let target = if std::io::stderr().is_terminal() {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let bar = ProgressBar::with_draw_target(Some(0), target);
        let style = ProgressStyle::with_template("reading  {bar:40}  {percent:>3} %  {eta} left");
        Self(style.map_or(bar.clone(), |s| bar.with_style(s)))
    }
    pub(super) fn at(&self, done: u64, of: u64) {
        self.0.set_length(of);
        self.0.set_position(done);
    }
    pub(super) fn end(&self) {
        self.0.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn questions_are_told_from_errors() {
        let question = Diagnostic::error(Path::new("m"), "?").help("answer by --accept a=keep: as it is");
        let error = Diagnostic::error(Path::new("m"), "no column `p`");
        assert!(only_questions(&Diagnostics(vec![question.clone()])));
        assert!(!only_questions(&Diagnostics(vec![question, error])));
        assert!(!only_questions(&Diagnostics::default()));
    }

    #[test]
    fn a_remark_stays_one_line_of_text() {
        assert_eq!(with_remark("a = 1", ""), "a = 1");
        assert_eq!(with_remark("a = 1", "so \"hot\"\n"), "remark = \"so  hot  \"\na = 1");
    }
}
