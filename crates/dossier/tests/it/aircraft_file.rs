//! The aircraft file: reading, resolving, editing, fingerprints, and what broken files are told.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use dossier::aircraft_file::{AircraftFile, keys};
use dossier::diagnostic::{Diagnostic, Diagnostics, Severity};
use dossier::result::KeyChange;
use physics::aircraft::{Filter, Shape, Spin};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/aircraft")
}

fn good(name: &str) -> AircraftFile {
    AircraftFile::load(&fixtures().join("good").join(name)).unwrap_or_else(|d| panic!("{d}"))
}

fn text(name: &str) -> String {
    std::fs::read_to_string(fixtures().join("good").join(name)).unwrap()
}

fn parse(text: &str) -> Result<AircraftFile, Diagnostics> {
    AircraftFile::parse(Path::new("aircraft.toml"), text)
}

fn change(key: &str, value: &str) -> KeyChange {
    KeyChange { key: key.to_owned(), value: value.to_owned() }
}

fn none() -> BTreeMap<String, f64> {
    BTreeMap::new()
}

/// Every broken file: an error, at the line, about the key, with the words and with help.
#[test]
fn regress_broken_files() {
    let folder = fixtures().join("broken");
    let table = std::fs::read_to_string(folder.join("expected.csv")).unwrap();
    let mut listed = BTreeSet::new();
    let mut wrong = Vec::new();
    for row in table.lines().filter(|l| !l.starts_with('#')) {
        let [file, line, key, words] = row.split(';').collect::<Vec<_>>()[..] else { panic!("{row}") };
        listed.insert(file.to_owned());
        let line: usize = line.parse().unwrap();
        let Err(found) = AircraftFile::load(&folder.join(file)) else {
            wrong.push(format!("{file}: read without error"));
            continue;
        };
        if !found.has_errors() || found.0.iter().any(|d| d.help.as_deref().unwrap_or("").is_empty()) {
            wrong.push(format!("{file}: no error, or one without help\n{found}"));
        }
        let said = |d: &Diagnostic| format!("{} {}", d.message, d.help.clone().unwrap_or_default());
        let hit = found.0.iter().any(|d| {
            d.severity == Severity::Error
                && d.line == Some(line)
                && (key.is_empty() || d.key.as_deref() == Some(key))
                && said(d).contains(words)
        });
        if !hit {
            wrong.push(format!("{file}: expected line {line}, `{key}`, `{words}`; found\n{found}"));
        }
        // One flaw is told once, not as a flood.
        if found.0.len() > 3 {
            wrong.push(format!("{file}: {} errors for one flaw\n{found}", found.0.len()));
        }
    }
    let there: BTreeSet<String> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".toml"))
        .collect();
    assert_eq!(listed, there, "expected.csv lists exactly the files of the folder");
    assert!(listed.len() >= 45);
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// One or two rotors hold no attitude, but a single drive on a stand is worth a file.
#[test]
fn regress_fewer_than_three_rotors_is_a_warning() {
    let resolved = good("two-stations.toml").resolve(&none()).unwrap();
    assert_eq!(resolved.aircraft.stations.len(), 2);
    let said: Vec<&Diagnostic> =
        resolved.warnings.iter().filter(|d| d.key.as_deref() == Some("station")).collect();
    assert!(
        said.iter().any(|d| d.severity == Severity::Warning && d.message.contains("fewer than 3 rotors")),
        "{said:?}"
    );
}

/// The messages themselves, for ten flaws.
#[test]
fn regress_messages() {
    for name in [
        "bare-number-diameter",
        "wrong-dimension-kv",
        "unknown-key-suggest",
        "thousands-separator",
        "reserve-percent-forgotten",
        "rotorcraft-coefficient",
        "unquoted-quantity",
        "notch-above-half-rate",
        "layout-and-stations",
        "table-bad-number",
    ] {
        let mut found =
            AircraftFile::load(&fixtures().join("broken").join(format!("{name}.toml"))).unwrap_err();
        for d in &mut found.0 {
            d.file = d.file.file_name().unwrap().into();
        }
        insta::assert_snapshot!(name, found.to_string());
    }
}

#[test]
fn regress_all_errors_at_once_in_reading_order() {
    let broken = text("tarn-b1.toml")
        .replace("diameter = \"15 in\"", "diameter = 15")
        .replace("kv = \"400 rpm/V\"", "kv = \"400 rpm\"")
        .replace("cutoff = \"40 Hz\"", "cutoff = \"900 Hz\"")
        .replace("item = \"battery\"", "itme = \"battery\"");
    let found = parse(&broken).unwrap_err();
    let keys: Vec<&str> = found.0.iter().filter_map(|d| d.key.as_deref()).collect();
    assert_eq!(keys, ["mass.2.itme", "rotor.diameter", "motor.kv", "filter.1.cutoff"]);
    assert!(found.0.windows(2).all(|w| w[0].line <= w[1].line));
}

#[test]
fn regress_files_as_a_whole() {
    let dir = tempfile::tempdir().unwrap();
    let large = dir.path().join("large.toml");
    std::fs::write(&large, "#".repeat(1 << 21)).unwrap();
    let told = |p: &Path| AircraftFile::load(p).unwrap_err().to_string();
    assert!(told(&large).contains("larger than 1024 kB"), "{}", told(&large));
    assert!(told(&dir.path().join("nowhere.toml")).contains("no such file"));
    assert!(told(dir.path()).contains("a folder"));
}

#[test]
fn val_good_file_is_read_in_si() {
    let file = good("tarn-b1.toml");
    let r = file.resolve(&none()).unwrap();
    let a = &r.aircraft;
    let close = |x: f64, y: f64| assert!((x - y).abs() <= 1e-12 * y.abs().max(1e-12), "{x} {y}");
    assert!(r.warnings.is_empty(), "{:?}", r.warnings);
    // By hand: 15 in = 15 x 25.4 mm; 400 rpm/V = 400 x 2 pi/60; 8 Ah = 28800 C; 16 g = 16 x 9.80665.
    close(a.rotor.diameter, 0.381);
    close(a.motor().unwrap().kv, 41.887_902_047_863_9);
    close(a.motor().unwrap().winding_temperature, 333.15);
    close(a.battery().unwrap().capacity, 28_800.0);
    close(a.battery().unwrap().reserve, 0.2);
    close(a.imu().unwrap().sample_period, 1e-3);
    close(a.imu().unwrap().accel_range, 156.9064);
    close(a.imu().unwrap().rate_noise, 0.005_f64.to_radians());
    close(a.imu().unwrap().accel_noise, 80e-6 * 9.806_65);
    close(a.rotor.unbalance, 40e-6);
    close(a.rate_loop().unwrap().p[2], 8.0);
    assert_eq!(a.filters[0], Filter::LowPass { order: 2, cutoff: 40.0 });
    assert_eq!(a.filters[1], Filter::Notch { centre: 95.0, width: 30.0, floor: 0.05 });
    assert_eq!(a.stations.len(), 4);
    assert_eq!(a.stations[0].place, "front right");
    // Three single items and one at each of four hubs.
    assert_eq!(a.bodies.len(), 7);
    assert_eq!(a.bodies[2].item, "motor and propeller, front right");
    assert_eq!(a.bodies[2].at, a.stations[0].at);
    assert!(matches!(a.bodies[2].shape, Shape::Cylinder { .. }));
    assert!(a.bodies[6].payload);
    close(a.bodies.iter().map(|b| b.mass).sum(), 1.10 + 1.32 + 4.0 * 0.145 + 0.35);

    // Stated tolerance: half-width over sqrt 3. Assumed: marked. Settings: exact.
    let line = |key: &str| r.inputs.iter().find(|i| i.key == key).unwrap_or_else(|| panic!("{key}")).clone();
    let ct = line("rotor.ct");
    close(ct.uncertainty, 0.03 * 0.105 / 3.0_f64.sqrt());
    assert!(!ct.assumed);
    assert_eq!((ct.text.as_str(), ct.unit.as_str()), ("0.105 +- 3 %", "1"));
    let kv = line("motor.kv");
    close(kv.uncertainty, 0.03 * kv.value / 3.0_f64.sqrt());
    assert!(kv.assumed);
    close(line("mass.2.at.z").uncertainty, 2e-3 / 3.0_f64.sqrt());
    assert_eq!(line("mass.2.at.z").label, "battery: position, down");
    for exact in ["battery.series", "filter.1.cutoff", "loop.rate.p.x", "imu.sample_rate", "battery.cutoff"] {
        assert_eq!((line(exact).uncertainty, line(exact).assumed), (0.0, false), "{exact}");
    }
    let keys: BTreeSet<&str> = r.inputs.iter().map(|i| i.key.as_str()).collect();
    assert_eq!(keys.len(), r.inputs.len(), "each key once");
}

#[test]
fn regress_missing_sections_are_none() {
    let r = good("least.toml").resolve(&none()).unwrap();
    let a = r.aircraft;
    assert!(a.motor.is_none() && a.esc.is_none() && a.battery.is_none() && a.imu.is_none());
    assert!(a.rate_loop.is_none() && a.attitude_loop.is_none() && a.filters.is_empty());
    assert_eq!((a.drag_area, a.avionics_power, a.rotor.unbalance), (0.0, 0.0, 0.0));
    let line = r.inputs.iter().find(|i| i.key == "aircraft.avionics_power").unwrap();
    assert!(line.assumed && line.text.contains("not stated"), "{line:?}");
}

#[test]
fn regress_explicit_stations() {
    let r = good("stations-and-table.toml").resolve(&none()).unwrap();
    let a = r.aircraft;
    let places: Vec<&str> = a.stations.iter().map(|s| s.place.as_str()).collect();
    assert_eq!(places, ["front right", "front left", "rear, upper", "rear, lower"]);
    assert_eq!(a.stations[3].below, Some(2));
    assert_eq!(a.stations[0].spin, Spin::Ccw);
    // Tilted by 4 deg across the arm, so that its yaw moment has the sign of the reaction.
    assert!((a.stations[0].axis.z + 4.0_f64.to_radians().cos()).abs() < 1e-12);
    assert!(a.stations[0].at.cross(&a.stations[0].axis).z > 0.0);
    // The coaxial pair overlaps and is not told; nothing else does.
    assert!(r.warnings.is_empty(), "{:?}", r.warnings);
    let physics::rotor::Coefficients::Table(t) = &a.rotor.coefficients else { panic!() };
    assert_eq!((t.speeds.len(), t.advance.as_slice()), (2, &[0.0, 0.2, 0.4][..]));
    assert_eq!((t.ct[1][2], t.cp[0][0]), (0.051, 0.044));
    // The scale that is not stated carries the assumed tolerance of the table.
    let scale = r.inputs.iter().find(|i| i.key == "rotor.cp_scale").unwrap();
    assert!(scale.assumed && (scale.uncertainty - 0.06 / 3.0_f64.sqrt()).abs() < 1e-15);
}

#[test]
fn regress_warnings_with_numbers() {
    let base = text("tarn-b1.toml");
    let told = |edit: &[(&str, &str)]| {
        let mut t = base.clone();
        for (from, to) in edit {
            assert!(t.contains(from), "{from}");
            t = t.replacen(from, to, 1);
        }
        parse(&t).unwrap_or_else(|d| panic!("{d}")).resolve(&none()).unwrap().warnings
    };
    // Hubs of a quad-x stand sqrt 2 x arm apart: 0.2 m -> 282.8 mm, 98 mm less than 381 mm.
    let overlap = told(&[("310 mm", "200 mm")]);
    assert_eq!(overlap.len(), 1);
    assert!(overlap[0].message.contains("overlap by 98 mm"), "{}", overlap[0]);
    assert_eq!((overlap[0].line, overlap[0].key.as_deref()), (Some(5), Some("aircraft.arm")));
    // Q/T = C_P D/(2 pi C_T) = 0.04 x 0.381/(2 pi x 0.105) = 23.1 mm; sin 8 deg x 310 mm = 43.1 mm,
    // less what the reaction loses by the tilt.
    let cant = |deg: &str| {
        told(&[(
            "layout = \"quad-x\"",
            &format!("layout = \"quad-x\"\ncant = \"{deg} deg\"\ncant_sense = \"against-reaction\""),
        )])
    };
    let reversed = cant("8");
    assert!(reversed[0].message.contains("reverses yaw"), "{}", reversed[0]);
    assert!(
        reversed[0].message.contains("43.1 mm against a torque per thrust of 22.9 mm"),
        "{}",
        reversed[0]
    );
    assert!(cant("3.5")[0].message.contains("takes most of the yaw"));
    assert!(cant("1").is_empty());
    let spins =
        told(&[("layout = \"quad-x\"", "layout = \"quad-x\"\nspins = [\"ccw\", \"cw\", \"ccw\", \"ccw\"]")]);
    assert!(spins[0].message.contains("3 of 4 rotors turn ccw"), "{}", spins[0]);
    assert_eq!(spins[0].line, Some(5));
    assert!(told(&[("cutoff = \"3.3 V\"", "cutoff = \"2.8 V\"")])[0].message.contains("2.8 V"));
    assert!(
        told(&[("rate = \"1 kHz\"\ndelay = \"0.4 ms\"", "rate = \"2 kHz\"\ndelay = \"0.4 ms\"")])[0]
            .message
            .contains("2000 Hz")
    );
}

#[test]
fn prop_overrides_reach_the_aircraft() {
    let file = good("tarn-b1.toml");
    let with =
        |pairs: &[(&str, f64)]| file.resolve(&pairs.iter().map(|(k, v)| ((*k).to_owned(), *v)).collect());
    let r = with(&[
        ("mass.2.at.x", 0.015),
        ("loop.rate.p.y", 30.0),
        ("aircraft.arm", 0.4),
        ("imu.sample_rate", 2000.0),
    ])
    .unwrap();
    assert_eq!(r.aircraft.bodies[1].at.x, 0.015);
    assert_eq!(r.aircraft.rate_loop.unwrap().p, [22.0, 30.0, 8.0]);
    assert!((r.aircraft.stations[0].at.norm() - 0.4).abs() < 1e-12);
    assert_eq!(r.aircraft.imu.unwrap().sample_period, 5e-4);
    assert_eq!(r.inputs.iter().find(|i| i.key == "mass.2.at.x").unwrap().value, 0.015);
    // Every input moves something: none is read and then forgotten.
    let before = file.resolve(&none()).unwrap();
    for input in &before.inputs {
        let spec = input.key.starts_with("battery.series")
            || input.key.starts_with("battery.parallel")
            || input.key.ends_with("blades")
            || input.key.ends_with("order");
        let moved = if spec {
            input.value + 1.0
        } else {
            input.value * 1.01 + if input.value == 0.0 { 1e-4 } else { 0.0 }
        };
        let after = with(&[(&input.key, moved)]).unwrap_or_else(|d| panic!("{}: {d}", input.key));
        assert_ne!(after.aircraft, before.aircraft, "{}", input.key);
    }
    // What may not be is told with its key.
    for (key, value) in [
        ("rotor.diameter", -1.0),
        ("rotor.ct", f64::NAN),
        ("battery.series", 5.5),
        ("filter.1.cutoff", 700.0),
    ] {
        let d = with(&[(key, value)]).unwrap_err();
        assert_eq!(d.0[0].key.as_deref(), Some(key), "{d}");
        assert!(d.0[0].help.is_some());
    }
    assert!(with(&[("rotor.diametre", 0.3)]).unwrap_err().to_string().contains("rotor.diameter"));
}

#[test]
fn regress_edits_keep_the_rest() {
    let file = good("tarn-b1.toml");
    let edited = file
        .with_edits(&[
            change("esc.dead_time", "\"3 ms\""),
            change("aircraft.arm", "\"330 mm\""),
            change("mass.2.at.x", "\"15 mm\""),
            change("mass.3.cylinder.radius", "\"20 mm\""),
            change("aircraft.spins", "[\"cw\", \"ccw\", \"cw\", \"ccw\"]"),
            change("filter.1.cutoff", "\"60 Hz\""),
            change("loop.rate.p.x", "\"25 1/s\""),
            change("mass.4.box", "[\"10 mm\", \"10 mm\", \"10 mm\"]"),
        ])
        .unwrap_or_else(|d| panic!("{d}"));
    let diff: Vec<(&str, &str)> = file
        .text()
        .lines()
        .filter(|l| !edited.text().lines().any(|m| m == *l))
        .zip(edited.text().lines().filter(|l| !file.text().lines().any(|m| m == *l)))
        .collect();
    assert!(edited.text().contains("arm = \"330 mm\" # hub from centre"), "{}", edited.text());
    assert!(edited.text().contains("at = [\"15 mm\", \"0 mm\", \"35 mm\"]"));
    assert!(edited.text().contains("p = [\"25 1/s\", \"22 1/s\", \"8 1/s\"]"));
    assert_eq!(edited.text().lines().count(), file.text().lines().count() + 2, "{diff:?}");
    let a = edited.resolve(&none()).unwrap().aircraft;
    assert_eq!(a.esc.unwrap().dead_time, 3e-3);
    assert_eq!(a.stations[0].spin, Spin::Cw);
    assert_eq!(a.filters[0], Filter::LowPass { order: 2, cutoff: 60.0 });
    // One value for all axes is written out when one axis is set.
    let one = file.with_edits(&[change("loop.rate.d", "0.1"), change("loop.rate.d.z", "0.0")]).unwrap();
    assert!(one.text().contains("d = [0.1, 0.1, 0.0]"), "{}", one.text());
    // A component of a list that is not there: the others are zero.
    let offset = file.with_edits(&[change("mass.3.at.z", "\"-20 mm\"")]).unwrap();
    assert!(offset.text().contains("at = [\"0 mm\", \"0 mm\", \"-20 mm\"]"), "{}", offset.text());
    // Explicit stations, inline forms.
    let station = good("stations-and-table.toml");
    let turned =
        station.with_edits(&[change("station.1.spin", "\"cw\""), change("station.2.at.y", "\"-240 mm\"")]);
    assert_eq!(turned.unwrap().resolve(&none()).unwrap().aircraft.stations[0].spin, Spin::Cw);
    // Line ends of another system stay as they are.
    let returns = parse(&file.text().replace('\n', "\r\n")).unwrap();
    let edited = returns.with_edits(&[change("esc.dead_time", "\"3 ms\"")]).unwrap();
    assert_eq!(edited.text(), returns.text().replace("\"1.5 ms\"", "\"3 ms\""));
    // The same text when nothing is asked.
    assert_eq!(file.with_edits(&[]).unwrap().text(), file.text());
}

#[test]
fn regress_wrong_edits_are_told() {
    let file = good("tarn-b1.toml");
    for (key, value, words) in [
        ("esc.dead_tine", "\"3 ms\"", "did you mean `dead_time`"),
        ("esk.dead_time", "\"3 ms\"", "did you mean `esc`"),
        ("esc.dead_time", "3 ms", "not TOML"),
        ("esc.dead_time", "3", "no unit"),
        ("esc.dead_time", "\"3 mm\"", "a unit of a length"),
        ("mass.9.mass", "\"1 kg\"", "there are 4"),
        ("mass.mass", "\"1 kg\"", "numbered from 1"),
        ("mass.2.at.q", "\"1 mm\"", "x, y and z"),
        ("mass.2.at.x", "1", "no unit"),
        ("station.1.spin", "\"cw\"", "aircraft.spins"),
        ("loop.rate.p.x", "[\"1 1/s\", \"1 1/s\", \"1 1/s\"]", "one value"),
        ("filter.1.cutoff", "\"700 Hz\"", "half the sample rate"),
        ("mass.1.cylinder.radius", "\"10 mm\"", "set it whole"),
    ] {
        let d = file.with_edits(&[change(key, value)]).unwrap_err();
        assert!(d.to_string().contains(words), "{key} = {value}: {d}");
        assert!(d.0.iter().all(|d| d.help.is_some() && d.key.is_some()), "{d}");
    }
}

/// The same aircraft written differently has the same fingerprint; another one differs in the
/// section that changed and nowhere else.
#[test]
fn prop_fingerprint() {
    let file = good("tarn-b1.toml");
    let before = file.fingerprint();
    let sections: Vec<&str> = before.keys().map(String::as_str).collect();
    assert_eq!(
        sections,
        [
            "battery",
            "esc",
            "filter",
            "geometry",
            "imu",
            "loop.attitude",
            "loop.rate",
            "mass",
            "motor",
            "rotor"
        ]
    );
    let mut same = text("tarn-b1.toml");
    for (from, to) in [
        ("arm = \"310 mm\" # hub from centre", "arm = \"0.31 m\""),
        ("diameter = \"15 in\"\npitch = \"5 in\"", "pitch = \"127 mm\"\ndiameter = \"38.1 cm\""),
        ("ct = \"0.105 +- 3 %\"", "ct = 0.105"),
        ("winding_temperature = \"60 degC\"", "winding_temperature = \"333.15 K\""),
        ("capacity = \"8 Ah\"", "capacity = \"8000 mAh\""),
        ("parallel = 1\n", ""),
        ("d = [0.0, 0.0, 0.0]", "d = 0.0"),
        ("item = \"battery\"", "item = \"pack\""),
        ("dead_time = \"1.5 ms\"", "dead_time   =  \"1500 us\"   # measured"),
        ("at = [\"0 mm\", \"0 mm\", \"0 mm\"]\n\n[[filter]]", "\n[[filter]]"),
        ("reserve = \"20 %\"", "reserve = 0.2"),
    ] {
        assert!(same.contains(from), "{from}");
        same = same.replacen(from, to, 1);
    }
    // Sections and items in another order.
    let start = same.find("[motor]").unwrap();
    let end = same.find("[esc]").unwrap();
    let motor = same[start..end].to_owned();
    same.replace_range(start..end, "");
    let same = format!("{same}\n{motor}");
    assert_eq!(parse(&same).unwrap_or_else(|d| panic!("{d}")).fingerprint(), before);

    for (key, value, section) in [
        ("esc.dead_time", "\"3 ms\"", "esc"),
        ("mass.2.at.x", "\"15 mm\"", "mass"),
        ("rotor.diameter", "\"14 in\"", "rotor"),
        ("motor.kv", "\"380 rpm/V\"", "motor"),
        ("battery.cell_resistance", "\"5 mohm\"", "battery"),
        ("imu.delay", "\"1 ms\"", "imu"),
        ("filter.2.floor", "0.1", "filter"),
        ("loop.rate.linearised", "false", "loop.rate"),
        ("loop.rate.voltage_corrected", "true", "loop.rate"),
        ("loop.rate.set_up_at", "\"22 V\"", "loop.rate"),
        ("loop.attitude.gain.z", "\"3 1/s\"", "loop.attitude"),
        ("aircraft.arm", "\"320 mm\"", "geometry"),
        ("aircraft.spins", "[\"cw\", \"ccw\", \"cw\", \"ccw\"]", "geometry"),
    ] {
        let after = file.with_edits(&[change(key, value)]).unwrap().fingerprint();
        let changed: Vec<&String> =
            before.iter().filter(|(k, v)| after.get(*k) != Some(v)).map(|(k, _)| k).collect();
        assert_eq!(changed, [section], "{key}");
    }
    // A tolerance says how well a part is known, not which part it is.
    assert_eq!(file.with_edits(&[change("rotor.cp", "\"0.040 +- 9 %\"")]).unwrap().fingerprint(), before);
}

#[test]
fn regress_fingerprint_follows_the_table() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("aircraft.toml");
    std::fs::write(&path, text("stations-and-table.toml")).unwrap();
    let table = text("table.csv");
    let print = |table: &str| {
        std::fs::write(dir.path().join("table.csv"), table).unwrap();
        AircraftFile::load(&path).unwrap().fingerprint()["rotor"].clone()
    };
    let first = print(&table);
    // Other units, order and spacing of the same table.
    let mut rows: Vec<String> = table
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
        .map(|l| {
            let (speed, rest) = l.split_once(',').unwrap();
            format!("{}, {rest}", speed.parse::<f64>().unwrap() / 60.0)
        })
        .collect();
    rows.reverse();
    assert_eq!(print(&format!("speed [rev/s],advance,ct,cp\n{}\n", rows.join("\n"))), first);
    assert_ne!(print(&table.replace("0.098", "0.099")), first);
}

/// The table of keys is right about itself: examples are read, ranges and tolerances have the
/// key's dimension, and the example lies in the range.
#[test]
fn prop_key_table_is_consistent() {
    use dossier::aircraft_file::spec::{Kind, Need, Tolerance};
    use dossier::units::{Dimension, parse_quantity};
    for key in keys::KEYS {
        let name = key.path();
        let value: toml_edit::Value = key.example.parse().unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(key.doc.len() > 4 && !key.label.is_empty(), "{name}");
        let Some(d) = key.dimension() else {
            assert!(key.range.is_none() && key.tolerance == Tolerance::Exact, "{name}");
            continue;
        };
        let range = key.range.unwrap_or_else(|| panic!("{name} has no range"));
        let min = parse_quantity(range.min, d).unwrap().value;
        let max = parse_quantity(range.max, d).unwrap().value;
        assert!(min < max, "{name}");
        let numbers: Vec<f64> = match &value {
            toml_edit::Value::Array(a) => a.iter().map(|v| number(v, d)).collect(),
            v => vec![number(v, d)],
        };
        assert!(numbers.iter().all(|x| (min..=max).contains(x)), "{name} {numbers:?}");
        if let Tolerance::Within(text, _) = key.tolerance {
            let d = if d == Dimension::Temperature { Dimension::TemperatureDifference } else { d };
            assert!(parse_quantity(text, d).unwrap().value > 0.0, "{name}");
        }
        if let Need::Default(text) = key.need
            && !matches!(key.kind, Kind::Vector(_))
        {
            number(&text.parse().unwrap(), d);
        }
    }
    fn number(v: &toml_edit::Value, d: Dimension) -> f64 {
        match v {
            toml_edit::Value::String(s) => parse_quantity(s.value(), d).unwrap().value,
            toml_edit::Value::Integer(i) => *i.value() as f64,
            toml_edit::Value::Float(f) => *f.value(),
            other => panic!("{other}"),
        }
    }
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(400))]
    /// A good file with a piece cut out, doubled or overwritten is read or refused, without panic;
    /// and what is refused names a line that is there.
    #[test]
    fn prop_damaged_files_do_not_panic(at in 0_usize..2600, length in 0_usize..40, insert in "\\PC{0,12}") {
        let base = text("tarn-b1.toml");
        let cut = |i: usize| (0..=i.min(base.len())).rev().find(|i| base.is_char_boundary(*i)).unwrap();
        let (from, to) = (cut(at), cut(at + length));
        let damaged = format!("{}{insert}{}", &base[..from], &base[to..]);
        if let Err(d) = parse(&damaged) {
            let lines = damaged.lines().count();
            proptest::prop_assert!(d.has_errors());
            proptest::prop_assert!(d.0.iter().all(|d| d.line.is_some_and(|l| l >= 1 && l <= lines.max(1)) && d.help.is_some()), "{d}");
        }
    }
}
