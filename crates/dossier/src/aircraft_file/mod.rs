//! `aircraft.toml`: one physical configuration of an aircraft, with units, tolerances and places.
//!
//! A file is read once into a parsed form; [`AircraftFile::resolve`] then turns it into the
//! aircraft that the models take, with numbers replaced where a what-if or a sensitivity asks.
//! All errors of a file come at once. Nothing is repaired: a file is right, or it is refused with
//! the place, the offending text, the allowed form and an example. Sections that are not there
//! are `None` in the aircraft and limit only what can be computed.

mod advance;
mod bearing;
mod blade;
mod build;
mod cross;
pub mod difference;
mod edit;
pub(crate) mod fields;
mod fingerprint;
pub mod keys;
mod leads;
mod numbers;
mod place;
pub(crate) mod read;
mod rotor_table;
mod safety;
pub(crate) mod source;
pub mod spec;

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

use physics::aircraft::Aircraft;
use physics::bem::BladeRotor;
use toml_edit::Document;

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::result::{InputLine, KeyChange};
use crate::units::parse_quantity;
use build::Draft;
use fields::Input;
use read::Reader;
pub use source::LARGEST_FILE;
use source::Source;
use spec::Kind;

/// A parsed aircraft file without errors.
#[derive(Debug, Clone)]
pub struct AircraftFile {
    source: Source,
    document: Document<String>,
    draft: Draft,
    index: HashMap<String, usize>,
}

/// What a file says, ready for the models.
#[derive(Debug, Clone)]
pub struct Resolved {
    /// The aircraft.
    pub aircraft: Aircraft,
    /// Every numeric input with its uncertainty, in the order of the file.
    pub inputs: Vec<InputLine>,
    /// What the reader should know.
    pub warnings: Vec<Diagnostic>,
}

impl AircraftFile {
    /// Reads and parses a file.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn load(path: &Path) -> Result<Self, Diagnostics> {
        let text = source::read_text(path, keys::SPEC.what).map_err(source::all)?;
        Self::parse(path, &text)
    }

    /// Parses a text. `path` is for messages, and for the rotor table beside it.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostics> {
        let source = Source::new(path, text);
        let document = source::parse_toml(&source, &keys::SPEC).map_err(source::all)?;
        let mut reader = Reader::new(&source, &keys::SPEC);
        reader.document(document.as_table());
        let table = rotor_table(&mut reader);
        let blade = blade::read(&mut reader);
        advance::read(&mut reader, table.as_ref().and_then(Option::as_ref));
        let Reader { inputs, sections, mut diagnostics, .. } = reader;
        let draft = Draft { sections, inputs, table: table.flatten(), blade };
        let values = draft.values();
        diagnostics.extend(cross::errors(&draft, &values, &source));
        if diagnostics.is_empty() && build::aircraft(&draft, &values).is_none() {
            diagnostics.push(
                Diagnostic::error(path, "the file could not be put together although no error was found")
                    .help("this is a defect of the program; please report it with the file"),
            );
        }
        if !diagnostics.is_empty() {
            sort(&mut diagnostics, path);
            return Err(Diagnostics(diagnostics));
        }
        let index = draft.inputs.iter().enumerate().map(|(i, x)| (x.line.key.clone(), i)).collect();
        Ok(Self { source, document, draft, index })
    }

    /// Path as the user named it.
    pub fn path(&self) -> &Path {
        &self.source.file
    }

    /// The text.
    pub fn text(&self) -> &str {
        &self.source.text
    }

    /// The parsed TOML document, with spans.
    pub fn document(&self) -> &Document<String> {
        &self.document
    }

    /// The aircraft, with the numbers of some inputs replaced (SI, by input key: `mass.2.at.x`).
    ///
    /// Takes a few tens of microseconds. A replaced number may pass the closed ends of its key's
    /// range by three of its standard uncertainties, so that a sensitivity can be taken at an end.
    ///
    /// # Errors
    /// An unknown key, a number that is not finite or out of range, or a combination that no
    /// aircraft may have.
    pub fn resolve(&self, overrides: &BTreeMap<String, f64>) -> Result<Resolved, Diagnostics> {
        let (values, aircraft) = self.with_values(&BTreeMap::new(), overrides)?;
        let warnings = cross::warnings(&self.draft, &values, &aircraft, &self.source);
        let inputs = self
            .draft
            .inputs
            .iter()
            .zip(&values)
            .map(|(input, value)| InputLine { value: *value, ..input.line.clone() })
            .collect();
        Ok(Resolved { aircraft, inputs, warnings })
    }

    /// The aircraft alone, with numbers replaced that [`Self::resolve`] has taken before, and more of them.
    ///
    /// # Errors
    /// As [`Self::resolve`].
    pub fn moved(
        &self,
        taken: &BTreeMap<String, f64>,
        more: &BTreeMap<String, f64>,
    ) -> Result<Aircraft, Diagnostics> {
        self.with_values(taken, more).map(|(_, aircraft)| aircraft)
    }

    /// Values of all inputs and the aircraft they make. Only what is not `taken` is looked at.
    fn with_values(
        &self,
        taken: &BTreeMap<String, f64>,
        overrides: &BTreeMap<String, f64>,
    ) -> Result<(Vec<f64>, Aircraft), Diagnostics> {
        let mut values = self.draft.values();
        let mut diagnostics = Vec::new();
        for (list, check) in [(taken, false), (overrides, true)] {
            for (key, value) in list {
                match self.index.get(key).and_then(|i| self.draft.inputs.get(*i).map(|x| (*i, x))) {
                    Some((i, input)) => match if check { self.replaceable(input, *value) } else { Ok(()) } {
                        Ok(()) => {
                            if let Some(v) = values.get_mut(i) {
                                *v = *value;
                            }
                        }
                        Err(d) => diagnostics.push(*d),
                    },
                    None => diagnostics.push(self.unknown_input(key)),
                }
            }
        }
        if !(taken.is_empty() && overrides.is_empty()) && diagnostics.is_empty() {
            diagnostics = cross::errors(&self.draft, &values, &self.source);
        }
        if !diagnostics.is_empty() {
            return Err(Diagnostics(diagnostics));
        }
        let Some(aircraft) = build::aircraft(&self.draft, &values) else {
            return Err(Diagnostic::error(self.path(), "the aircraft could not be put together")
                .help("this is a defect of the program; please report it with the file")
                .into());
        };
        Ok((values, aircraft))
    }

    /// The numbers of some edits, SI by input key, where every edit only gives another number to a key that has one;
    /// `None` where one does more, or is wrong.
    pub(crate) fn numbers_of(&self, edits: &[KeyChange]) -> Option<BTreeMap<String, f64>> {
        edits
            .iter()
            .map(|e| {
                let input = self.draft.inputs.get(*self.index.get(&e.key)?)?;
                let text = e.value.trim().strip_prefix('"')?.strip_suffix('"')?;
                Some((e.key.clone(), parse_quantity(text, input.spec.dimension()?).ok()?.value))
            })
            .collect()
    }

    fn replaceable(&self, input: &Input, value: f64) -> Result<(), Box<Diagnostic>> {
        let line = &input.line;
        let wrong = |message: String| {
            Box::new(self.source.error(input.span.as_ref(), &line.key, message).help(input.spec.remedy()))
        };
        if !value.is_finite() {
            return Err(wrong(format!("the replacement {value} is not a finite number")));
        }
        if input.spec.kind == Kind::Count && value.fract() != 0.0 {
            return Err(wrong(format!("the replacement {value} is not a whole number")));
        }
        let Some(d) = input.spec.dimension() else { return Ok(()) };
        let text = format!("{value} {}", line.unit);
        match fields::out_of_range(input.spec, value, &text, d, 3.0 * line.uncertainty) {
            Some(message) => Err(wrong(message)),
            None => Ok(()),
        }
    }

    fn unknown_input(&self, key: &str) -> Diagnostic {
        let near = spec::nearest(key, self.index.keys().map(String::as_str));
        Diagnostic::error(self.path(), format!("no number of the file has the key `{key}`")).key(key).help(
            near.map_or_else(
                || "keys are like esc.dead_time or mass.2.at.x".to_owned(),
                |n| format!("did you mean `{n}`?"),
            ),
        )
    }

    /// The file with some keys set anew in its text; comments and formatting stay.
    ///
    /// Keys are as in [`KeyChange`]; a missing key is added to its section. Of a value that holds
    /// for all axes one component can be set: it is then written out as three.
    ///
    /// # Errors
    /// A key or value that is not right, or a file that no longer is.
    pub fn with_edits(&self, edits: &[KeyChange]) -> Result<Self, Diagnostics> {
        let mut document = self.document.clone().into_mut();
        let mut errors = Vec::new();
        for change in edits {
            if let Err(d) = edit::apply(&mut document, &keys::SPEC, &self.source, change) {
                errors.push(*d);
            }
        }
        if !errors.is_empty() {
            return Err(Diagnostics(errors));
        }
        // The writer ends every line with a line feed alone; files of another system keep theirs.
        let mut text = document.to_string();
        let returns = self.text().matches("\r\n").count();
        if returns > 0 && returns == self.text().matches('\n').count() {
            text = text.replace("\r\n", "\n").replace('\n', "\r\n");
        }
        Self::parse(self.path(), &text)
    }

    /// Section to SHA-256 of its content: `geometry` (layout or stations, drag area, avionics
    /// power), `mass`, `weighed`, `rotor` (with its table), `motor`, `esc`, `battery`, `imu`,
    /// `filter`, `structure.arm` and its like, `magnetometer`, `barometer`, `satellite`, `lead`, `siting`, `loop.rate`,
    /// `loop.attitude`, `loop.velocity`, `loop.position`, `failsafe`, `link`, `parachute`, as far as they are there. The same for the same aircraft,
    /// whatever the order, comments, units and tolerances.
    pub fn fingerprint(&self) -> BTreeMap<String, String> {
        fingerprint::fingerprint(&self.draft, &self.draft.values())
    }

    /// The rotor by its blade geometry, where the file names one.
    pub fn blade_rotor(&self) -> Option<&BladeRotor> {
        self.draft.blade.as_ref().map(|b| &b.rotor)
    }

    /// Static C_T and C_P from the blade geometry alone, at a tip speed of 80 m/s.
    pub fn blade_coefficients(&self) -> Option<(f64, f64)> {
        self.draft.blade.as_ref().map(|b| b.usual)
    }

    /// Path of the rotor table, where the file names one.
    pub fn rotor_table_path(&self) -> Option<PathBuf> {
        let name = self.draft.one("rotor")?.text("table")?;
        Some(beside(self.path(), name))
    }
}

fn beside(file: &Path, name: &str) -> PathBuf {
    file.parent().unwrap_or_else(|| Path::new("")).join(name)
}

/// Errors in reading order: this file by line, then other files.
pub(crate) fn sort(diagnostics: &mut [Diagnostic], path: &Path) {
    diagnostics.sort_by_key(|d| (d.file != path, d.line.unwrap_or(0), d.column.unwrap_or(0)));
}

/// Reads the table that the rotor section names, and adds its scales where they are not stated.
/// `None` when it names none, `Some(None)` when it could not be read.
fn rotor_table(reader: &mut Reader<'_>) -> Option<Option<physics::rotor::Table>> {
    let at = reader.sections.iter().position(|f| f.section == "rotor")?;
    let mut rotor = reader.sections.get(at)?.clone();
    let name = rotor.text("table")?.to_owned();
    for scale in ["ct_scale", "cp_scale"] {
        if rotor.get(scale).is_none()
            && let Some(key) = reader.spec.key("rotor", scale)
        {
            reader.default(&mut rotor, key, "1.0", "");
        }
    }
    let span = rotor.place("table").cloned();
    let path = beside(&reader.source.file, &name);
    let table = if Path::new(&name).is_absolute() || name.contains('\\') {
        reader.diagnostics.push(
            reader
                .source
                .error(
                    span.as_ref(),
                    "rotor.table",
                    "the rotor table is named from the root of the disk".to_owned(),
                )
                .help("name it from the folder of this file, with forward slashes: \"rotor.csv\""),
        );
        None
    } else {
        match source::read_text(&path, "rotor table") {
            Ok(text) => match rotor_table::parse(&path, &text) {
                Ok(table) => Some(table),
                Err(errors) => {
                    reader.diagnostics.extend(errors);
                    None
                }
            },
            Err(mut d) => {
                // The place to mend is the line that names the table, unless the table itself has one.
                if d.line.is_none() {
                    let message = format!("{} ({})", d.message, path.display());
                    *d = reader.source.error(span.as_ref(), "rotor.table", message).help(
                        "put the table beside this file with columns speed rpm,advance,ct,cp, or give ct and cp instead",
                    );
                }
                reader.diagnostics.push(*d);
                None
            }
        }
    };
    if let Some(slot) = reader.sections.get_mut(at) {
        *slot = rotor;
    }
    Some(table)
}
