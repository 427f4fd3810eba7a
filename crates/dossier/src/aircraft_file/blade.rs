//! A rotor given by its blade: `geometry`, `section` and `polar` of the rotor section.
//!
//! The blade-element rotor is solved once into a table of coefficients by speed and advance ratio in
//! the standard atmosphere at sea level (the Reynolds number's change with height and heat is left
//! out); its uncertainty stands in `ct_scale` and `cp_scale`. Where ct or cp are stated or measured as
//! well, they rule: the table keeps its shape and is scaled to them.

use std::path::Path;

use physics::atmosphere;
use physics::bem::{Blade, BladeError, BladeRotor, Station};
use physics::polar::{Family, PolarRow, PolarTable, Section};
use physics::rotor::Table;

use super::fields::Fields;
use super::numbers::{self, Column};
use super::read::Reader;
use super::{beside, source};
use crate::diagnostic::Diagnostic;
use crate::units::Dimension;

/// Words of `section`.
pub(crate) const SECTIONS: &[&str] =
    &["thin-cambered", "thin", "thick-cambered", "thick-flat", "symmetric", "unknown"];

/// Tip speeds of the table, m/s.
const TIP_SPEEDS: [f64; 11] = [10.0, 20.0, 35.0, 50.0, 65.0, 80.0, 100.0, 125.0, 150.0, 180.0, 220.0];
/// Tip speed at which a stated ct or cp is taken to hold, m/s: a usual hover.
const USUAL_TIP_SPEED: f64 = 80.0;

const STATIONS: [Column; 3] = [
    Column {
        names: &["radius", "r/R"],
        dimension: Dimension::Ratio,
        low: 0.0,
        high: 1.0,
        what: "radius over tip radius",
    },
    Column {
        names: &["chord", "c/R"],
        dimension: Dimension::Ratio,
        low: 0.0,
        high: 1.0,
        what: "chord over tip radius",
    },
    Column {
        names: &["twist"],
        dimension: Dimension::Angle,
        low: -0.5,
        high: 1.57,
        what: "angle of the chord line",
    },
];
const STATION_HELP: &str =
    "the first line names the columns: radius,chord,twist deg; radius and chord are shares of the tip radius";
const POLAR: [Column; 4] = [
    Column {
        names: &["reynolds"],
        dimension: Dimension::Ratio,
        low: 1.0,
        high: 1e9,
        what: "Reynolds number on the chord",
    },
    Column {
        names: &["alpha"],
        dimension: Dimension::Angle,
        low: -1.57,
        high: 1.57,
        what: "angle of attack",
    },
    Column { names: &["cl"], dimension: Dimension::Ratio, low: -5.0, high: 5.0, what: "lift coefficient" },
    Column { names: &["cd"], dimension: Dimension::Ratio, low: 0.0, high: 5.0, what: "drag coefficient" },
];
const POLAR_HELP: &str = "the first line names the columns: reynolds,alpha deg,cl,cd";

/// A rotor by its blade with its solved table.
#[derive(Debug, Clone)]
pub(crate) struct Solved {
    pub(crate) rotor: BladeRotor,
    pub(crate) table: Table,
    /// C_T and C_P at rest at a usual tip speed.
    pub(crate) usual: (f64, f64),
}

/// Reads the blade that the rotor section names; adds the scales where ct and cp are not stated.
/// Errors go to the reader.
pub(crate) fn read(reader: &mut Reader<'_>) -> Option<Solved> {
    let at = reader.sections.iter().position(|f| f.section == "rotor")?;
    let rotor = reader.sections.get(at)?.clone();
    rotor.text("geometry")?;
    let solved = solve(reader, &rotor);
    let mut rotor = rotor;
    let sigma = solved.as_ref().map_or((0.1, 0.1), |s| s.rotor.section.static_uncertainty());
    for (key, scale, sigma) in [("ct", "ct_scale", sigma.0), ("cp", "cp_scale", sigma.1)] {
        if rotor.get(scale).is_some() || rotor.stated(key) {
            continue;
        }
        let Some(spec) = reader.spec.key("rotor", scale) else { continue };
        let first = reader.inputs.len();
        reader.default(&mut rotor, spec, "1.0", "");
        for input in reader.inputs.iter_mut().skip(first) {
            input.line.uncertainty = sigma;
            input.line.text = format!("from the blade's geometry; 95 % within ±{:.0} %", 196.0 * sigma);
        }
    }
    if let Some(slot) = reader.sections.get_mut(at) {
        *slot = rotor;
    }
    solved
}

fn solve(reader: &mut Reader<'_>, rotor: &Fields) -> Option<Solved> {
    let rows = table(reader, rotor, "geometry", "blade geometry", &STATIONS, STATION_HELP)?;
    let stations: Vec<Station> = rows
        .iter()
        .filter_map(|r| match r.values[..] {
            [radius, chord, twist] => Some(Station { radius, chord, twist }),
            _ => None,
        })
        .collect();
    let file = rotor.text("geometry").map(|n| beside(&reader.source.file, n))?;
    let blade = match Blade::new(stations.clone()) {
        Ok(blade) => blade,
        Err(e) => {
            let line = match &e {
                BladeError::Value { station, .. } => {
                    // Stations are counted from the root.
                    let mut order: Vec<usize> = (0..stations.len()).collect();
                    order.sort_by(|a, b| stations[*a].radius.total_cmp(&stations[*b].radius));
                    order.get(station - 1).and_then(|i| rows.get(*i)).map_or(1, |r| r.line)
                }
                _ => 1,
            };
            reader.diagnostics.push(Diagnostic::error(&file, e.to_string()).at(line, 1).help(STATION_HELP));
            return None;
        }
    };
    let section = if rotor.text("polar").is_some() {
        let rows = table(reader, rotor, "polar", "polar table", &POLAR, POLAR_HELP)?;
        let polar: Vec<PolarRow> = rows
            .iter()
            .filter_map(|r| match r.values[..] {
                [reynolds, alpha, lift, drag] => Some(PolarRow { reynolds, alpha, lift, drag }),
                _ => None,
            })
            .collect();
        match PolarTable::from_rows(&polar) {
            Ok(t) => Section::Table(t),
            Err(e) => {
                let file = rotor.text("polar").map(|n| beside(&reader.source.file, n))?;
                reader.diagnostics.push(Diagnostic::error(&file, e.to_string()).at(1, 1).help(POLAR_HELP));
                return None;
            }
        }
    } else {
        Section::Family(rotor.word("section").and_then(Family::named).unwrap_or(Family::Unknown))
    };
    let v: Vec<f64> = reader.inputs.iter().map(|i| i.line.value).collect();
    let (diameter, blades) = (rotor.number("diameter", &v)?, rotor.number("blades", &v)?);
    let rotor = BladeRotor { diameter, blades: blades as u32, blade, section };
    let air = atmosphere::air(0.0, 0.0, 0.0).ok()?;
    let speeds = TIP_SPEEDS.map(|tip| 2.0 * tip / diameter);
    // Advance ratios up to a little beyond that of no thrust.
    let twist = rotor.blade.at(0.75).1 + 0.08;
    let most = (1.2 * std::f64::consts::PI * 0.75 * twist.tan()).clamp(0.3, 2.5);
    let advance: Vec<f64> = (0..=8).map(|k| most * f64::from(k) / 8.0).collect();
    let table = match rotor.table(&speeds, &advance, &air) {
        Ok(t) => t,
        Err(e) => {
            reader.diagnostics.push(
                Diagnostic::error(&file, format!("this blade gives no rotor that lifts: {e}"))
                    .at(1, 1)
                    .help("check the sign of the twist and its unit, and that chord and radius are shares of the tip radius"),
            );
            return None;
        }
    };
    let usual = table.at(2.0 * USUAL_TIP_SPEED / diameter, 0.0);
    Some(Solved { rotor, table, usual })
}

/// Rows of a file that a key of the rotor section names.
fn table(
    reader: &mut Reader<'_>,
    rotor: &Fields,
    key: &str,
    what: &str,
    columns: &[Column],
    help: &str,
) -> Option<Vec<numbers::Row>> {
    let name = rotor.text(key)?.to_owned();
    let span = rotor.place(key).cloned();
    let path = format!("rotor.{key}");
    if Path::new(&name).is_absolute() || name.contains('\\') {
        reader.diagnostics.push(
            reader
                .source
                .error(span.as_ref(), &path, format!("the {what} is named from the root of the disk"))
                .help("name it from the folder of this file, with forward slashes"),
        );
        return None;
    }
    let file = beside(&reader.source.file, &name);
    match source::read_text(&file, what) {
        Ok(text) => match numbers::read(&file, &text, what, columns, help) {
            Ok(rows) => Some(rows),
            Err(errors) => {
                reader.diagnostics.extend(errors);
                None
            }
        },
        Err(mut d) => {
            if d.line.is_none() {
                let message = format!("{} ({})", d.message, file.display());
                *d = reader.source.error(span.as_ref(), &path, message).help(help);
            }
            reader.diagnostics.push(*d);
            None
        }
    }
}

/// The table scaled: to stated ct and cp where they are, by the scales else.
pub(crate) fn scaled(solved: &Solved, r: &Fields, v: &[f64]) -> Option<Table> {
    let factor = |key: &str, scale: &str, usual: f64| match r.number(key, v) {
        Some(stated) => (usual > 0.0).then(|| stated / usual),
        None => r.number(scale, v),
    };
    let ct = factor("ct", "ct_scale", solved.usual.0)?;
    let cp = factor("cp", "cp_scale", solved.usual.1)?;
    let mut table = solved.table.clone();
    table.ct.iter_mut().flatten().for_each(|x| *x *= ct);
    table.cp.iter_mut().flatten().for_each(|x| *x *= cp);
    Some(table)
}
