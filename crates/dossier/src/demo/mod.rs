//! The demo dossier "Tarn": files and records made by our own flight model.
//!
//! Everything in it is invented. Its records say `simulated`, and so does every gate they meet.

mod bench_balance;
mod bench_body;
mod bench_drive;
mod bench_field;
mod bench_set_up;
mod flights;

use std::collections::BTreeMap;
use std::path::Path;

use physics::aircraft::Aircraft;
use physics::flight::FlightLog;
use physics::mass::mass_properties;

use crate::aircraft_file::AircraftFile;
use crate::atomic::write_atomically;
use crate::diagnostic::Diagnostics;
use crate::predict::{SiteAir, freeze};
use crate::programme::Programme;
use crate::record::{
    ChannelMeta, HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Source, Stamp, Tap,
};
use crate::record_store;
use crate::result::KeyChange;

pub(crate) const DOSSIER: &str = include_str!("dossier.toml");
pub(crate) const AIRCRAFT: &str = include_str!("aircraft.toml");
/// Seed of everything random in the demo.
const SEED: u64 = 20_260_304;
const DATE_WEIGHED: &str = "2026-03-02";
const DATE_FROZEN: &str = "2026-03-03";
const DATE_FLOWN: &str = "2026-03-04";

/// Writes the demo dossier into `dir`, with `edits` applied to its aircraft, and simulates its
/// records.
///
/// # Errors
/// A folder that is in use, edits that do not fit the aircraft file, or a file that cannot be written.
pub fn write_demo(dir: &Path, edits: &[KeyChange]) -> Result<(), Diagnostics> {
    let path = dir.join("builds").join("b1").join("aircraft.toml");
    let file = AircraftFile::parse(&path, AIRCRAFT)?.with_edits(edits)?;
    let aircraft = file.resolve(&BTreeMap::new())?.aircraft;
    write_atomically(&dir.join("dossier.toml"), DOSSIER.as_bytes())?;
    write_atomically(&path, file.text().as_bytes())?;
    let programme = Programme::load(dir)?;
    let fingerprint = file.fingerprint();

    record_store::write(&dir.join("records"), &weighing(&aircraft, &fingerprint))?;
    for record in bench_body::records(&aircraft, &fingerprint) {
        record_store::write(&dir.join("records"), &record)?;
    }
    let air = SiteAir::of(&programme.site).usual;
    let (runs, left) = bench_balance::records(&aircraft, air.density, &fingerprint);
    for record in runs {
        record_store::write(&dir.join("records"), &record)?;
    }
    freeze::freeze(dir, Some("b1"), DATE_FROZEN)?;

    let bare = aircraft.without_payload();
    for record in bench_drive::records(&aircraft, air.density, &fingerprint) {
        record_store::write(&dir.join("records"), &record)?;
    }
    // Flown with what balancing left.
    let unbalance: Vec<f64> = left.iter().map(|u| u / bare.rotor.unbalance).collect();
    for record in flights::records(&aircraft, &air, &path, &fingerprint, &unbalance)? {
        record_store::write(&dir.join("records"), &record)?;
    }
    record_store::write(&dir.join("records"), &note(&fingerprint))?;
    for record in bench_field::records(&bare, &programme.site, &fingerprint) {
        record_store::write(&dir.join("records"), &record)?;
    }
    bench_set_up::write(&dir.join("records"), &aircraft, air.density, &fingerprint)?;
    Ok(())
}

fn hand(value: f64, uncertainty: f64, unit: &str) -> HandValue {
    HandValue { value, uncertainty, unit: unit.to_owned() }
}

fn meta(
    id: &str,
    kind: Kind,
    date: &str,
    remark: &str,
    fingerprint: &BTreeMap<String, String>,
) -> RecordMeta {
    RecordMeta {
        id: id.to_owned(),
        kind,
        build: "b1".to_owned(),
        date: date.to_owned(),
        origin: RecordOrigin::Simulated,
        remark: remark.to_owned(),
        setting: String::new(),
        sources: Vec::new(),
        rate: 0.0,
        channels: Vec::new(),
        fingerprint: fingerprint.clone(),
        values: BTreeMap::new(),
        report: ImportReport::default(),
    }
}

/// Scale readings that statics gives for this aircraft with its payload, on three points.
fn weighing(aircraft: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Record {
    let mut meta = meta(
        "2026-03-02-weighing",
        Kind::Weighing,
        DATE_WEIGHED,
        "Three scales under the legs, with the sampler on; readings made from the aircraft file by statics.",
        fingerprint,
    );
    let mass = mass_properties(&aircraft.bodies);
    let points = [[0.15, 0.0], [-0.15, 0.13], [-0.15, -0.13]];
    // Three unknown reactions from force and two moments.
    let m = nalgebra::Matrix3::new(
        1.0,
        1.0,
        1.0,
        points[0][0],
        points[1][0],
        points[2][0],
        points[0][1],
        points[1][1],
        points[2][1],
    );
    let rhs = nalgebra::Vector3::new(mass.mass, mass.mass * mass.centre.x, mass.mass * mass.centre.y);
    // Two grams of reading error, fixed so that the demo is the same everywhere.
    let errors = [0.002, -0.001, 0.001];
    if let Some(readings) = m.lu().solve(&rhs) {
        for (k, p) in points.iter().enumerate() {
            let n = k + 1;
            meta.values.insert(format!("scale.{n}"), hand(readings[k] + errors[k], 0.002, "kg"));
            meta.values.insert(format!("point.{n}.x"), hand(p[0], 0.0005, "m"));
            meta.values.insert(format!("point.{n}.y"), hand(p[1], 0.0005, "m"));
        }
    }
    meta.values.insert("payload_fitted".to_owned(), hand(1.0, 0.0, "1"));
    meta.values.insert("computed.mass".to_owned(), hand(mass.mass, 0.0, "kg"));
    meta.values.insert("computed.centre.x".to_owned(), hand(mass.centre.x, 0.0, "m"));
    meta.values.insert("computed.centre.y".to_owned(), hand(mass.centre.y, 0.0, "m"));
    Record { meta, time: Vec::new(), channels: BTreeMap::new() }
}

fn note(fingerprint: &BTreeMap<String, String>) -> Record {
    let mut meta = meta(
        "2026-03-04-case-temperature",
        Kind::Note,
        DATE_FLOWN,
        "Hottest motor case after five minutes of hover, by a contact probe (invented for the demo).",
        fingerprint,
    );
    meta.values.insert("case_temperature".to_owned(), hand(331.0, 1.5, "K"));
    Record { meta, time: Vec::new(), channels: BTreeMap::new() }
}

/// A record of a simulated flight, in the same form as an imported one.
pub fn flight_record(
    id: &str,
    build: &str,
    date: &str,
    remark: &str,
    log: &FlightLog,
    fingerprint: &BTreeMap<String, String>,
) -> Record {
    let mut meta = meta(id, Kind::Flight, date, remark, fingerprint);
    build.clone_into(&mut meta.build);
    meta.sources = Vec::<Source>::new();
    let n = log.time.len();
    meta.rate = match (log.time.first(), log.time.last()) {
        (Some(a), Some(b)) if n > 1 && b > a => (n - 1) as f64 / (b - a),
        _ => 0.0,
    };
    meta.report.rows = n as u64;
    meta.channels = log
        .channels
        .keys()
        .map(|name| ChannelMeta {
            name: name.clone(),
            unit: unit_of(name).to_owned(),
            column: "flight model".to_owned(),
            tap: Some(tap_of(name)),
            stamp: Some(Stamp::Sampled),
        })
        .collect();
    let start = log.time.first().copied().unwrap_or(0.0);
    Record { meta, time: log.time.iter().map(|t| t - start).collect(), channels: log.channels.clone() }
}

fn unit_of(channel: &str) -> &'static str {
    let family = channel.split('.').next().unwrap_or_default();
    match (family, channel.rsplit('.').next().unwrap_or_default()) {
        ("rate" | "rate_raw" | "rate_demand", _) | ("rotor", "speed") => "rad/s",
        ("accel", _) => "m/s^2",
        ("velocity" | "velocity_body" | "velocity_demand" | "velocity_estimate", _) => "m/s",
        ("satellite", _) if channel.starts_with("satellite.velocity") => "m/s",
        ("position" | "position_demand" | "position_estimate" | "height" | "satellite", _) => "m",
        ("mag", _) => "T",
        ("pressure", _) => "Pa",
        ("battery", "voltage") => "V",
        ("battery" | "rotor", "current") => "A",
        _ => "1",
    }
}

fn tap_of(channel: &str) -> Tap {
    match channel.split('.').next().unwrap_or_default() {
        "rate" => Tap::Filtered,
        "battery" if channel.ends_with("charge") => Tap::Estimated,
        "attitude_estimate" | "velocity_estimate" | "position_estimate" => Tap::Estimated,
        "rotor" if channel.ends_with("command") => Tap::AfterMixing,
        "rate_demand" | "thrust_demand" | "attitude_demand" | "velocity_demand" | "position_demand" => {
            Tap::BeforeMixing
        }
        "attitude" | "velocity" | "velocity_body" | "position" | "height" => Tap::External,
        _ => Tap::Raw,
    }
}
