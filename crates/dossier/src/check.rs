//! `check`: every gate of one build.

use std::path::Path;

use physics::aircraft::Aircraft;
use rayon::prelude::*;

use crate::aircraft_file::AircraftFile;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::findings::Surroundings;
use crate::findings::memo::findings_once;
use crate::gates::{self, Context, Evidence, Flight, Limits};
use crate::predict::{Group, Subject, freeze};
use crate::programme::Programme;
use crate::record::{Kind, RecordMeta};
use crate::record_store;
use crate::result::{CheckResult, Fact, KeyChange};

/// Checks a build of the dossier in `dir`: the named one, or the last one. `edits` are applied to
/// the aircraft file for this result only.
///
/// # Errors
/// All that is wrong with the dossier's files.
pub fn check(dir: &Path, build: Option<&str>, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics> {
    let filed = Opened::open(dir, build, &[])?;
    let evidence = filed.evidence();
    if edits.is_empty() { filed.judge(&evidence, edits) } else { check_on(dir, build, edits, &evidence) }
}

/// What the records of a build show. It rests on the aircraft file as it stands: a what-if changes
/// no record.
///
/// # Errors
/// All that is wrong with the dossier's files.
pub fn evidence(dir: &Path, build: Option<&str>) -> Result<Evidence, Diagnostics> {
    Ok(Opened::open(dir, build, &[])?.evidence())
}

/// As [`check`], on evidence that is there already.
///
/// # Errors
/// All that is wrong with the dossier's files.
pub fn check_on(
    dir: &Path,
    build: Option<&str>,
    edits: &[KeyChange],
    evidence: &Evidence,
) -> Result<CheckResult, Diagnostics> {
    Opened::open(dir, build, edits)?.judge(evidence, edits)
}

/// The aircraft as it was when a record was made: without payload unless the record says it was fitted.
pub fn as_flown(aircraft: &Aircraft, record: &RecordMeta) -> Aircraft {
    if payload_fitted(record) { aircraft.clone() } else { aircraft.without_payload() }
}

/// Whether a record says that the payload was on.
pub fn payload_fitted(record: &RecordMeta) -> bool {
    record.values.get("payload_fitted").is_some_and(|v| v.value > 0.5)
}

/// A dossier's build, read and resolved.
pub struct Opened {
    /// Programme.
    pub programme: Programme,
    /// Identity of the build.
    pub build: String,
    /// Aircraft file at its site.
    pub subject: Subject,
    /// Records of the build.
    pub records: Vec<RecordMeta>,
    limits: Limits,
    dir: std::path::PathBuf,
}

impl Opened {
    /// Reads the named build of a dossier, or the last one.
    ///
    /// # Errors
    /// All that is wrong with the dossier's files.
    pub fn open(dir: &Path, build: Option<&str>, edits: &[KeyChange]) -> Result<Self, Diagnostics> {
        let programme = Programme::load(dir)?;
        let build = programme.build(build)?.id.clone();
        let file = AircraftFile::load(&programme.aircraft_path(&build))?;
        let file = if edits.is_empty() { file } else { file.with_edits(edits)? };
        let subject = Subject::new(file, programme.site.clone())?;
        let limits = Limits::load(dir)?;
        let records =
            record_store::list(&dir.join("records"))?.into_iter().filter(|r| r.build == build).collect();
        Ok(Self { programme, build, subject, records, limits, dir: dir.to_owned() })
    }

    /// Findings of every record, in the order of their dates.
    pub fn evidence(&self) -> Evidence {
        let mut evidence = Evidence::default();
        let aircraft = &self.subject.resolved().aircraft;
        let density = self.subject.density();
        let seen: Vec<Result<Flight, Diagnostics>> = self
            .records
            .par_iter()
            .filter(|m| !matches!(m.kind, Kind::Weighing | Kind::Note))
            .map(|m| {
                let record = record_store::load(&self.dir.join("records"), &m.id)?;
                let around = Surroundings { density, earth: self.programme.site.earth_on(&m.date) };
                let findings = findings_once(&record, &as_flown(aircraft, m), around);
                Ok(Flight { meta: m.clone(), findings })
            })
            .collect();
        for f in seen {
            match f {
                Ok(f) if !f.meta.setting.is_empty() => evidence.trials.push(f),
                Ok(f) if f.meta.kind == Kind::Flight => evidence.flights.push(f),
                Ok(f) => evidence.benches.push(f),
                // One damaged record does not hide what the others show.
                Err(d) => evidence.warnings.extend(d.0),
            }
        }
        for m in &self.records {
            match m.kind {
                Kind::Weighing => evidence.weighings.push(m.clone()),
                Kind::Note => evidence.notes.push(m.clone()),
                _ => {}
            }
        }
        evidence.flights.sort_by(|a, b| (&a.meta.date, &a.meta.id).cmp(&(&b.meta.date, &b.meta.id)));
        evidence.benches.sort_by(|a, b| (&a.meta.date, &a.meta.id).cmp(&(&b.meta.date, &b.meta.id)));
        evidence.trials.sort_by(|a, b| (&a.meta.date, &a.meta.id).cmp(&(&b.meta.date, &b.meta.id)));
        evidence.weighings.sort_by(|a, b| (&a.date, &a.id).cmp(&(&b.date, &b.id)));
        evidence.notes.sort_by(|a, b| (&a.date, &a.id).cmp(&(&b.date, &b.id)));
        evidence
    }

    /// The subject with what the evidence measured, and what of it could not be taken.
    fn measured(
        &self,
        evidence: &Evidence,
        edits: &[KeyChange],
    ) -> Result<(Subject, Vec<Diagnostic>), Diagnostics> {
        let today = self.subject.file().fingerprint();
        let mut measured = gates::replacements(evidence, &today);
        measured.extend(gates::weighed(evidence, &self.subject.resolved().aircraft, &today));
        // A measured table keeps its own coefficients; a blade's geometry gives way to a sweep.
        if self.subject.file().rotor_table_path().is_some() {
            measured.retain(|key, _| key != "rotor.ct" && key != "rotor.cp");
        }
        // What if the key had another value? Then the measurement does not speak.
        measured.retain(|key, _| !edits.iter().any(|e| e.key == *key));
        self.subject.with_measured(&measured)
    }

    /// What `f` makes of the context that the gates are judged in, without judging them.
    ///
    /// # Errors
    /// What is wrong with the file that results.
    pub fn in_context<T>(
        &self,
        evidence: &Evidence,
        edits: &[KeyChange],
        f: impl FnOnce(&Context<'_>) -> T,
    ) -> Result<T, Diagnostics> {
        let (subject, _) = self.measured(evidence, edits)?;
        let prediction = subject.predict(&Group::ALL);
        let mut ctx = Context::new(&subject, &prediction, evidence, &self.limits);
        ctx.wind = self.programme.requirement.wind;
        Ok(f(&ctx))
    }

    /// Judges every gate on the evidence.
    ///
    /// # Errors
    /// A frozen prediction that cannot be read.
    pub fn judge(self, evidence: &Evidence, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics> {
        Ok(self.judge_and(evidence, edits, |_| ())?.0)
    }

    /// The same, with what `also` makes of the context that the gates are judged in.
    ///
    /// # Errors
    /// As [`Self::judge`].
    pub fn judge_and<T>(
        self,
        evidence: &Evidence,
        edits: &[KeyChange],
        also: impl FnOnce(&Context<'_>) -> T,
    ) -> Result<(CheckResult, T), Diagnostics> {
        let (subject, refused) = self.measured(evidence, edits)?;
        let prediction = subject.predict(&Group::ALL);
        let mut ctx = Context::new(&subject, &prediction, evidence, &self.limits);
        ctx.wind = self.programme.requirement.wind;
        let also = also(&ctx);
        let gates = gates::judge(&ctx);
        let frozen = freeze::load(&self.dir, &self.build)?;
        let scores = frozen.as_ref().map(|f| freeze::score(f, &ctx)).unwrap_or_default();
        let mut warnings: Vec<Diagnostic> = subject.resolved().warnings.clone();
        warnings.extend(refused);
        warnings.extend(evidence.warnings.iter().cloned());
        let mut waits = prediction.waits.clone();
        waits.dedup();
        let centre = physics::mass::mass_properties(&subject.resolved().aircraft.bodies).centre;
        let result = CheckResult {
            programme: self.programme.name.clone(),
            builds: self.programme.builds.iter().map(|b| b.id.clone()).collect(),
            aircraft: subject.resolved().aircraft.clone(),
            centre_of_gravity: [centre.x, centre.y, centre.z],
            figures: prediction.figures.clone(),
            facts: prediction
                .facts
                .iter()
                .map(|(name, text)| Fact { name: name.clone(), text: text.clone() })
                .collect(),
            waits,
            limiting: gates::limiting(&gates),
            gates,
            frozen: frozen.map(|f| f.shown(&prediction, &ctx.today)),
            scores,
            records: self.records.clone(),
            inputs: subject.inputs(),
            edits: edits.to_vec(),
            warnings,
            build: self.build,
        };
        Ok((result, also))
    }
}
