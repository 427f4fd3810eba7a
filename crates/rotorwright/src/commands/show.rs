//! `show`: what one record shows.

use std::io::Write;
use std::path::PathBuf;

use dossier::check::{Opened, as_flown};
use dossier::findings::{Findings, Surroundings, findings_at};
use dossier::record::RecordMeta;
use serde::Serialize;

use super::{Outcome, Status, json};
use crate::source::DossierSource;
use crate::text;
use crate::web::Source;

/// What one record shows, and what it cannot answer.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright show tarn 2026-03-09-hop",
    "rotorwright show tarn 2026-03-09-hop --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Identity of the record: its folder's name under records/
    record: String,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

/// A record's description and its findings.
#[derive(Serialize)]
struct Shown<'a> {
    record: &'a RecordMeta,
    findings: &'a Findings,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let source = DossierSource::new(&args.dir);
    // The worst flight of a rehearsal is kept apart from the records: it is no evidence.
    let rehearsals = args.dir.join("rehearsals");
    let rehearsed = dossier::record_store::is_id(&args.record) && rehearsals.join(&args.record).is_dir();
    let record = if rehearsed {
        dossier::record_store::load(&rehearsals, &args.record)
            .map_err(dossier::diagnostic::Diagnostics::from)?
    } else {
        source.record(&args.record)?
    };
    let findings = if rehearsed {
        let opened = Opened::open(&args.dir, Some(&record.meta.build), &[])?;
        let aircraft = as_flown(&opened.subject.resolved().aircraft, &record.meta);
        let around = Surroundings { density: opened.subject.density(), earth: None };
        findings_at(&record, Some(&aircraft), around)
    } else {
        source.findings(&record)?
    };
    if args.json {
        json(out, &Shown { record: &record.meta, findings: &findings })?;
    } else {
        let meta = &record.meta;
        write!(out, "{}", text::findings::record(meta))?;
        // A record entered by hand holds its values and nothing to find.
        if !meta.channels.is_empty() {
            write!(out, "\n{}\n{}", text::findings::findings(&findings), text::findings::channels(meta))?;
        }
    }
    Ok(Status::Met)
}
