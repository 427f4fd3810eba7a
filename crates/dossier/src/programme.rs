//! `dossier.toml`: the programme's name, requirement, site and builds.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use physics::atmosphere::{Air, AtmosphereError, air_at_temperature};
use physics::magnetic::LocalField;
use physics::magnetic::earth::local_field;
use serde::Serialize;

use crate::aircraft_file::fields::{Field, Fields, Held, Input, assumed, out_of_range};
use crate::aircraft_file::read::Reader;
use crate::aircraft_file::source::{self, Source};
use crate::aircraft_file::spec::{Key, Kind, Section, Spec};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::result::InputLine;
use crate::units::{Dimension as D, Quantity};

/// Name of the file in a dossier.
pub const FILE: &str = "dossier.toml";

/// The description of `dossier.toml`.
pub const SPEC: Spec = Spec {
    sections: &[
        Section::one("programme", true, "The programme."),
        Section::one("requirement", false, "What the final aircraft is to do."),
        Section::one("site", false, "Where the next flights are."),
        Section::many(
            "build",
            true,
            "One build, first to last; its aircraft is in builds/<id>/aircraft.toml.",
        ),
    ],
    keys: KEYS,
    what: "programme file",
    least: "begin with [programme] name = \"Tarn\" and one [[build]] id = \"b1\"",
};

const fn quantity(
    section: &'static str,
    name: &'static str,
    dimension: D,
    example: &'static str,
    label: &'static str,
    doc: &'static str,
) -> Key {
    Key::new(section, name, Kind::Quantity(dimension), example, label, doc)
}

const KEYS: &[Key] = &[
    Key::new("programme", "name", Kind::Text, "\"Tarn\"", "name", "Name of the programme.").required(),
    Key::new("programme", "about", Kind::Text, "\"Carries a sampler over lakes.\"", "about", "Free text."),
    quantity("requirement", "payload", D::Mass, "\"0.35 kg\"", "payload to carry", "Mass to carry.")
        .within("0 kg", "500 kg", "a payload weighs 0 to 500 kg"),
    quantity("requirement", "endurance", D::Time, "\"18 min\"", "endurance", "Time to hover with payload, down to the reserve.")
        .above("0 s", "24 h", "an endurance is above 0 and at most a day"),
    quantity("requirement", "wind", D::Speed, "\"8 m/s\"", "wind to hold", "Mean wind in which position is held.")
        .within("0 m/s", "60 m/s", "a wind is 0 to 60 m/s"),
    quantity("requirement", "size", D::Length, "\"0.9 m\"", "largest size", "Largest distance between two hubs.")
        .above("0 m", "20 m", "a size is above 0 and at most 20 m"),
    quantity("site", "elevation", D::Length, "\"640 m\"", "elevation of the site", "Above sea level; sea level where not stated.")
        .or("\"0 m\"")
        .within("-430 m", "9000 m", "sites are from 430 m below to 9000 m above sea level")
        .give("30 m", "a map's contour, and the day's pressure"),
    quantity("site", "temperature", D::Temperature, "\"12 degC\"", "air temperature at the site", "Actual temperature of the air; that of the standard atmosphere at the elevation (ISO 2533) where not stated.")
        .within("-60 degC", "60 degC", "air at the ground is between -60 and 60 degC")
        .give("2 K", "a thermometer in the shade"),
    quantity("site", "humidity", D::Ratio, "\"60 %\"", "relative humidity at the site", "50 % where not stated (common practice, no source).")
        .or("0.5")
        .within("0", "1", "relative humidity is 0 to 100 %")
        .give("0.1", "a household hygrometer"),
    quantity("site", "highest", D::Length, "\"900 m\"", "highest elevation to fly at", "For the worst corner; 200 m above the site where not stated (common practice, no source).")
        .within("-430 m", "9000 m", "sites are from 430 m below to 9000 m above sea level"),
    quantity("site", "hottest", D::Temperature, "\"35 degC\"", "hottest air to fly in", "For the worst corner; 20 K above the site's temperature where not stated (common practice, no source).")
        .within("-60 degC", "60 degC", "air at the ground is between -60 and 60 degC"),
    quantity("site", "latitude", D::Angle, "\"46.60 deg\"", "latitude of the site", "Geodetic, north positive; for the earth's magnetic field.")
        .within("-90 deg", "90 deg", "latitudes are -90 to 90 deg"),
    quantity("site", "longitude", D::Angle, "\"9.80 deg\"", "longitude of the site", "East positive; for the earth's magnetic field.")
        .within("-180 deg", "360 deg", "longitudes are -180 to 360 deg"),
    Key::new("site", "date", Kind::Text, "\"2026-03-04\"", "date", "Day the magnetic field is taken for, year-month-day; the middle of 2027 where not stated, half way through WMM2025."),
    Key::new("build", "id", Kind::Text, "\"b1\"", "identity", "Folder under builds/: small letters, digits and hyphens.").required(),
    Key::new("build", "about", Kind::Text, "\"first full-size prototype\"", "about", "Free text."),
];

/// A programme as its file states it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Programme {
    /// Folder of the dossier.
    pub dir: PathBuf,
    /// Name.
    pub name: String,
    /// Free text.
    pub about: Option<String>,
    /// What the final aircraft is to do.
    pub requirement: Requirement,
    /// Where the next flights are.
    pub site: Site,
    /// Builds, first to last; at least one.
    pub builds: Vec<Build>,
}

/// What the final aircraft is to do; nothing of it must be stated.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Requirement {
    /// Mass to carry, kg.
    pub payload: Option<f64>,
    /// Time to hover with payload, s.
    pub endurance: Option<f64>,
    /// Mean wind to hold, m/s.
    pub wind: Option<f64>,
    /// Largest distance between two hubs, m.
    pub size: Option<f64>,
}

/// The site. Where it is not stated: sea level, standard temperature, half humidity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Site {
    /// Elevation, m.
    pub elevation: f64,
    /// Temperature of the air, K.
    pub temperature: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
    /// Highest elevation to fly at, m, where stated.
    pub highest: Option<f64>,
    /// Hottest air to fly in, K, where stated.
    pub hottest: Option<f64>,
    /// Earth's magnetic field, where latitude and longitude are stated.
    pub earth: Option<LocalField>,
    /// Mean wind that the requirement asks to hold, m/s, where stated.
    pub wind: Option<f64>,
    /// Latitude and longitude, rad, where both are stated.
    pub place: Option<(f64, f64)>,
    /// The first three as inputs with uncertainties: `site.elevation`, `site.temperature`,
    /// `site.humidity`.
    pub inputs: Vec<InputLine>,
}

/// One build.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Build {
    /// Identity: its folder's name.
    pub id: String,
    /// Free text.
    pub about: Option<String>,
}

impl Site {
    /// The air at the site: pressure of the standard atmosphere at the elevation (ISO 2533), with
    /// the actual temperature and humidity.
    ///
    /// # Errors
    /// Outside what the model of the atmosphere covers.
    pub fn air(&self) -> Result<Air, AtmosphereError> {
        air_at_temperature(self.elevation, self.temperature, self.humidity)
    }

    /// Earth's magnetic field at the site on a day (`2026-03-04`); that of the site's own date where the
    /// day is none or outside the model.
    pub fn earth_on(&self, date: &str) -> Option<LocalField> {
        let day = year_and_day(date)
            .zip(self.place)
            .and_then(|((year, day), (lat, lon))| local_field(lat, lon, self.elevation, year, day).ok());
        day.or(self.earth)
    }

    /// The site with some of its numbers replaced (SI, by input key). Other keys are left alone,
    /// so that one list of replacements serves the aircraft file and the site.
    #[must_use]
    pub fn with(&self, overrides: &BTreeMap<String, f64>) -> Self {
        let mut site = self.clone();
        for line in &mut site.inputs {
            let Some(value) = overrides.get(&line.key) else { continue };
            line.value = *value;
            match line.key.as_str() {
                "site.elevation" => site.elevation = *value,
                "site.temperature" => site.temperature = *value,
                "site.humidity" => site.humidity = value.clamp(0.0, 1.0),
                _ => {}
            }
        }
        site
    }
}

impl Programme {
    /// Reads `dossier.toml` of a folder and looks for the aircraft file of every build.
    ///
    /// # Errors
    /// Everything that is wrong with the file.
    pub fn load(dir: &Path) -> Result<Self, Diagnostics> {
        let path = dir.join(FILE);
        let text = source::read_text(&path, SPEC.what).map_err(source::all)?;
        Self::parse(&path, &text)
    }

    /// Parses a text; `path` is the file's, in the dossier's folder.
    ///
    /// # Errors
    /// Everything that is wrong with it, missing aircraft files included.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Diagnostics> {
        let source = Source::new(path, text);
        let document = source::parse_toml(&source, &SPEC).map_err(source::all)?;
        let mut reader = Reader::new(&source, &SPEC);
        reader.document(document.as_table());
        let dir = path.parent().unwrap_or_else(|| Path::new("")).to_owned();
        let builds = builds(&mut reader, &dir);
        let site = site(&mut reader);
        let values: Vec<f64> = reader.inputs.iter().map(|i| i.line.value).collect();
        let one = |name: &str| reader.sections.iter().find(|f| f.section == name);
        let text_of = |f: Option<&Fields>, key: &str| f.and_then(|f| f.text(key)).map(str::to_owned);
        let asked = |key: &str| one("requirement").and_then(|r| r.number(key, &values));
        let requirement = Requirement {
            payload: asked("payload"),
            endurance: asked("endurance"),
            wind: asked("wind"),
            size: asked("size"),
        };
        let name = text_of(one("programme"), "name");
        let about = text_of(one("programme"), "about");
        let mut errors = reader.diagnostics;
        match (name, site) {
            (Some(name), Some(mut site)) if errors.is_empty() => {
                site.wind = requirement.wind;
                Ok(Self { dir, name, about, requirement, site, builds })
            }
            _ => {
                crate::aircraft_file::sort(&mut errors, path);
                Err(Diagnostics(errors))
            }
        }
    }

    /// Folder of a build.
    pub fn build_dir(&self, id: &str) -> PathBuf {
        self.dir.join("builds").join(id)
    }

    /// Aircraft file of a build.
    pub fn aircraft_path(&self, id: &str) -> PathBuf {
        self.build_dir(id).join("aircraft.toml")
    }

    /// The named build, or the last one.
    ///
    /// # Errors
    /// No build of that name.
    pub fn build(&self, id: Option<&str>) -> Result<&Build, Diagnostics> {
        let found = match id {
            Some(id) => self.builds.iter().find(|b| b.id == id),
            None => self.builds.last(),
        };
        found.ok_or_else(|| {
            let all: Vec<&str> = self.builds.iter().map(|b| b.id.as_str()).collect();
            Diagnostic::error(&self.dir.join(FILE), format!("there is no build `{}`", id.unwrap_or("")))
                .key("build.id")
                .help(format!("builds are {}", all.join(", ")))
                .into()
        })
    }
}

/// Whether a text can be a build's identity, and so the name of a folder on every system.
pub fn is_build_id(id: &str) -> bool {
    !id.is_empty()
        && id.len() <= 40
        && !id.starts_with('-')
        && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
}

fn builds(reader: &mut Reader<'_>, dir: &Path) -> Vec<Build> {
    let mut all: Vec<Build> = Vec::new();
    let mut errors = Vec::new();
    for b in reader.sections.iter().filter(|f| f.section == "build") {
        let Some(id) = b.text("id") else { continue };
        let key = format!("{}.id", b.path);
        let wrong =
            |message: String, help: String| reader.source.error(b.place("id"), &key, message).help(help);
        if !is_build_id(id) {
            errors.push(wrong(
                format!("`{}` cannot be the name of a build's folder", crate::units::shortened(id)),
                "use small letters, digits and hyphens, at most 40: id = \"b1\"".to_owned(),
            ));
            continue;
        }
        if all.iter().any(|x| x.id == id) {
            errors.push(wrong(
                format!("the build `{id}` stands twice"),
                "give each build its own id".to_owned(),
            ));
        } else if !dir.join("builds").join(id).join("aircraft.toml").is_file() {
            errors.push(wrong(
                format!("builds/{id}/aircraft.toml is not there"),
                "write the aircraft file of the build, or take the build out".to_owned(),
            ));
        }
        all.push(Build { id: id.to_owned(), about: b.text("about").map(str::to_owned) });
    }
    reader.diagnostics.extend(errors);
    all
}

/// Temperature of the standard atmosphere at an elevation, K (ISO 2533:1975: 288.15 K at sea level
/// and 6.5 K less per kilometre).
fn standard_temperature(elevation: f64) -> f64 {
    288.15 - 6.5e-3 * elevation
}

fn site(reader: &mut Reader<'_>) -> Option<Site> {
    let mut fields = match reader.sections.iter().find(|f| f.section == "site") {
        Some(f) => f.clone(),
        None => {
            let mut empty = Fields { path: "site".to_owned(), section: "site", span: None, list: Vec::new() };
            for (name, text) in [("elevation", "\"0 m\""), ("humidity", "0.5")] {
                let key = SPEC.key("site", name)?;
                reader.default(&mut empty, key, text, "");
            }
            empty
        }
    };
    let values = |r: &Reader<'_>| r.inputs.iter().map(|i| i.line.value).collect::<Vec<f64>>();
    let elevation = fields.number("elevation", &values(reader))?;
    if fields.get("temperature").is_none() {
        let key = SPEC.key("site", "temperature")?;
        let standard = standard_temperature(elevation);
        let text = format!("not stated; taken as {:.2} degC, standard at {elevation} m", standard - 273.15);
        // The weather is not known: 10 K either way.
        let quantity = Quantity { value: standard, uncertainty: Some(10.0 / 3.0_f64.sqrt()) };
        let index = reader.input(
            key,
            "site.temperature".to_owned(),
            key.label.to_owned(),
            text,
            quantity,
            D::Temperature,
            None,
        )?;
        if let Some(input) = reader.inputs.get_mut(index) {
            input.line.assumed = true;
        }
        fields.list.push(Field { spec: key, held: Held::Number(index), span: None });
    }
    let v = values(reader);
    let earth = earth(reader, &fields, elevation, &v);
    let place = fields.number("latitude", &v).zip(fields.number("longitude", &v).map(west_negative));
    let line =
        |name: &str| fields.index(name).and_then(|i| reader.inputs.get(i)).map(|i: &Input| i.line.clone());
    Some(Site {
        elevation,
        temperature: fields.number("temperature", &v)?,
        humidity: fields.number("humidity", &v)?,
        highest: fields.number("highest", &v),
        hottest: fields.number("hottest", &v),
        earth,
        wind: None,
        place,
        inputs: ["elevation", "temperature", "humidity"].into_iter().filter_map(line).collect(),
    })
}

/// Year and day of the year of an ISO 8601 date.
pub(crate) fn year_and_day(date: &str) -> Option<(i32, u16)> {
    let mut parts = date.trim().splitn(3, '-');
    let (y, m, d) = (parts.next()?, parts.next()?, parts.next()?);
    if y.len() != 4 || m.len() != 2 || d.len() != 2 {
        return None;
    }
    let (year, month, day) = (y.parse::<i32>().ok()?, m.parse::<usize>().ok()?, d.parse::<u16>().ok()?);
    let leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    let lengths = [31, if leap { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let length = *lengths.get(month.checked_sub(1)?)?;
    let before: u16 = lengths.iter().take(month - 1).sum();
    (1..=length).contains(&day).then_some((year, before + day))
}

/// A longitude from -180 to 180 deg, as the model takes it, rad.
fn west_negative(longitude: f64) -> f64 {
    use std::f64::consts::{PI, TAU};
    if longitude > PI { longitude - TAU } else { longitude }
}

/// The earth's field at the site; what is wrong with place or date is reported.
fn earth(reader: &mut Reader<'_>, fields: &Fields, elevation: f64, v: &[f64]) -> Option<LocalField> {
    let (latitude, longitude) = (fields.number("latitude", v), fields.number("longitude", v));
    let mut wrong = |name: &str, message: String, help: &str| {
        let d = reader.source.error(fields.place(name), &format!("site.{name}"), message).help(help);
        reader.diagnostics.push(d);
    };
    let date = match fields.text("date") {
        None => Some((2027, 183)),
        Some(text) => {
            let date = year_and_day(text);
            if date.is_none() {
                let message = format!("`{}` is no date", crate::units::shortened(text));
                wrong("date", message, "write year, month and day: date = \"2026-03-04\"");
            }
            date
        }
    };
    match (latitude, longitude) {
        (Some(_), None) => wrong(
            "latitude",
            "a latitude needs its longitude".to_owned(),
            "add longitude = \"9.80 deg\", east positive",
        ),
        (None, Some(_)) => wrong(
            "longitude",
            "a longitude needs its latitude".to_owned(),
            "add latitude = \"46.60 deg\", north positive",
        ),
        _ => {}
    }
    let (year, day) = date?;
    match local_field(latitude?, west_negative(longitude?), elevation, year, day) {
        Ok(field) => Some(field),
        Err(e) => {
            wrong("date", e.to_string(), "the World Magnetic Models carried here cover 2020 to 2029");
            None
        }
    }
}

/// An input for a figure that is stated on the command line instead of in a file: the same range
/// check and the same assumed tolerance as `key` (of either file) has.
///
/// # Errors
/// The value is out of the key's range.
pub fn stated_input(key: &'static Key, text: &str, quantity: Quantity) -> Result<InputLine, String> {
    let Some(d) = key.dimension() else { return Err(format!("{} is not a number", key.path())) };
    if let Some(message) = out_of_range(key, quantity.value, text, d, 0.0) {
        return Err(message);
    }
    let (uncertainty, is_assumed) = match quantity.uncertainty {
        Some(u) => (u, false),
        None => assumed(key, quantity.value, d),
    };
    Ok(InputLine {
        key: key.path(),
        label: key.label.to_owned(),
        text: text.to_owned(),
        value: quantity.value,
        uncertainty,
        unit: d.si().to_owned(),
        assumed: is_assumed,
        replaced: None,
        origin: crate::estimate::Origin::Stated,
    })
}
