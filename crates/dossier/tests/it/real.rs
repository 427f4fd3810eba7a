//! Measured records of other people, through import, triage and check, against what their sources state.
//!
//! The data are not part of the project: ROTORWRIGHT_REALDATA names their folder, else it is looked for
//! beside the workspace. Where it is missing the tests say that they skip. Sources: `tests/real/README.md`.

use std::path::{Path, PathBuf};

use dossier::aircraft_file::AircraftFile;
use dossier::check;
use dossier::diagnostic::Diagnostics;
use dossier::findings::{Findings, Outcome, PhaseKind, findings};
use dossier::import::{self, Limit, Request};
use dossier::record::{Kind, Record, RecordOrigin};
use dossier::record_store;
use dossier::result::{CheckResult, State};
use dossier::triage::{Triage, triage};
use physics::STANDARD_GRAVITY;

use crate::realdata::{data, root};

const RPM: f64 = std::f64::consts::PI / 30.0;

fn ours(set: &str, file: &str) -> PathBuf {
    root().join("tests/real").join(set).join(file)
}

/// Table row of docs/validation.md.
fn row(what: &str, source: &str, expected: &str, computed: &str, tolerance: &str) {
    println!("VALIDATION|real records|{what}|{source}|{expected}|{computed}|{tolerance}");
}

struct Dossier {
    dir: tempfile::TempDir,
}

impl Dossier {
    /// A programme of one build, from one of our aircraft files.
    fn new(set: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let build = dir.path().join("builds/b1");
        std::fs::create_dir_all(&build).unwrap();
        std::fs::copy(ours(set, "aircraft.toml"), build.join("aircraft.toml")).unwrap();
        let text = format!("[programme]\nname = \"Record {set}\"\n\n[[build]]\nid = \"b1\"\n");
        std::fs::write(dir.path().join("dossier.toml"), text).unwrap();
        Self { dir }
    }

    fn aircraft(&self) -> AircraftFile {
        AircraftFile::load(&self.dir.path().join("builds/b1/aircraft.toml")).unwrap_or_else(|d| panic!("{d}"))
    }

    fn import_text(
        &self,
        id: &str,
        files: &[PathBuf],
        map_file: &Path,
        map: &str,
    ) -> Result<Record, Diagnostics> {
        let records = self.dir.path().join("records");
        let request = Request {
            files,
            map_file,
            map_text: map,
            records: &records,
            id: Some(id),
            kind: Kind::Flight,
            values: std::collections::BTreeMap::new(),
            build: "b1",
            date: "2026-01-01",
            origin: RecordOrigin::Measured,
            remark: "",
            setting: "",
            fingerprint: self.aircraft().fingerprint(),
            accept: &[],
            limit: Limit::default(),
        };
        let meta = import::import(&request, &mut |_, _| {})?;
        Ok(record_store::load(&records, &meta.id)?)
    }

    fn import(&self, id: &str, files: &[PathBuf], map_file: &Path) -> Record {
        let map = std::fs::read_to_string(map_file).unwrap();
        self.import_text(id, files, map_file, &map).unwrap_or_else(|d| panic!("{d}"))
    }

    fn findings(&self, record: &Record) -> Findings {
        let resolved =
            self.aircraft().resolve(&std::collections::BTreeMap::new()).unwrap_or_else(|d| panic!("{d}"));
        findings(record, Some(&resolved.aircraft))
    }

    /// The whole check; what it must not do on these records is call a criterion met or short
    /// without a figure to show.
    fn check(&self) -> CheckResult {
        let result = check::check(self.dir.path(), None, &[]).unwrap_or_else(|d| panic!("{d}"));
        assert!(!result.gates.is_empty());
        result
    }
}

fn value(f: &Findings, key: &str) -> f64 {
    match f.get(key).map(|f| &f.outcome) {
        Some(Outcome::Value { estimate }) => estimate.value,
        other => panic!("{key}: {other:?}"),
    }
}

fn open(f: &Findings, key: &str) -> String {
    match f.get(key).map(|f| &f.outcome) {
        Some(Outcome::CannotTell { missing, .. }) => missing.clone(),
        other => panic!("{key} should stay open: {other:?}"),
    }
}

fn dump(f: &Findings) {
    for i in &f.items {
        match &i.outcome {
            Outcome::Value { estimate: e } => {
                println!("{}: {:.5e} +- {:.1e} {} | {}", i.key, e.value, e.uncertainty, e.unit, i.text);
            }
            o => println!("{}: {o:?}", i.key),
        }
    }
}

fn complete(t: &Triage) {
    assert!(!t.proves.is_empty());
    assert!(t.ask_for.iter().all(|a| !a.what.is_empty()));
}

fn states(result: &CheckResult, wanted: State) -> Vec<String> {
    let all = result.gates.iter().flat_map(|g| &g.criteria);
    all.filter(|c| c.state == wanted).map(|c| format!("{c:?}")).collect()
}

#[test]
fn val_real_agile_flight() {
    let Some(folder) = data("flight_400hz_agile") else { return };
    let source = "Bauersfeld et al., RSS 2021, as redistributed with Wang et al., T-RO 2024";
    let fit = "least-squares fit on the same file";
    let file = [folder.join("flight.csv")];
    let d = Dossier::new("agile");
    let map_file = ours("agile", "map.toml");
    let record = d.import("agile", &file, &map_file);
    let f = d.findings(&record);
    dump(&f);
    let t = triage(&record, Some((0.772, 0.004)), None, None);
    complete(&t);
    let result = d.check();
    println!("short: {:#?}", states(&result, State::Short));

    let k = value(&f, "thrust.per_mass") * 0.772;
    row(
        "thrust per speed squared, N/(rad/s)^2 per rotor",
        fit,
        "1.52e-6 to 1.56e-6",
        &format!("{k:.3e}"),
        "2 % beyond the band",
    );
    assert!(k > 1.52e-6 * 0.98 && k < 1.56e-6 * 1.02, "{k}");
    let mass = 1.54e-6 / value(&f, "thrust.per_mass");
    row("mass from that band's middle, kg", source, "0.772", &format!("{mass:.3}"), "3 %");
    assert!((mass / 0.772 - 1.0).abs() < 0.03, "{mass}");
    if f.get("hover.speed").is_some_and(|h| matches!(h.outcome, Outcome::Value { .. })) {
        let speed = value(&f, "hover.speed");
        let expected = (0.772 * STANDARD_GRAVITY / (4.0 * 1.54e-6)).sqrt();
        row(
            "hover speed, rad/s",
            "weight over four times the fitted thrust",
            &format!("{expected:.0}"),
            &format!("{speed:.0}"),
            "2 %",
        );
        assert!((speed / expected - 1.0).abs() < 0.02, "{speed} {expected}");
    }
    // Order and spins: the one fit whose truth is stated nowhere; the margin is what counts.
    // A hard turn of its own must not be called a blow.
    assert!(f.get("upset.peak").is_none());
    let order = value(&f, "order.posterior");
    row("order and spins of the four columns, probability", fit, "0.9", &format!("{order:.3}"), "at least");
    assert!(order > 0.9, "{order}");

    // Torque per inertia: with the stated inertia the levers follow. They are not stated; an independent
    // fit with scipy 1.17.1 (Butterworth band 3 to 20 Hz of the file's own angular acceleration on the
    // pattern of squared speeds, their sum, rate and the product of rates) gives 0.0699 m and 0.0460 m.
    let (rx, ry) = (value(&f, "effectiveness.x.ratio"), value(&f, "effectiveness.y.ratio"));
    let (lx, ly) = (0.106 * rx, 0.106 * ry);
    // The yaw slope changes by more than half when the band is moved up an octave: no figure.
    println!("yaw: {}", open(&f, "effectiveness.z"));
    for (what, expected, computed) in [("roll", "0.0699", lx), ("pitch", "0.0460", ly)] {
        row(
            &format!("lever about {what} with the stated inertia, m"),
            "scipy least squares on the file's angular acceleration, 3 to 20 Hz",
            expected,
            &format!("{computed:.4}"),
            "5 %",
        );
    }
    assert!((lx / 0.0699 - 1.0).abs() < 0.05 && (ly / 0.0460 - 1.0).abs() < 0.05, "{lx} {ly}");
}

#[test]
fn val_real_agile_flight_axes_and_units_are_asked_for() {
    let Some(folder) = data("flight_400hz_agile") else { return };
    let file = [folder.join("flight.csv")];
    let d = Dossier::new("agile");
    let map_file = ours("agile", "map.toml");
    let map = std::fs::read_to_string(&map_file).unwrap();

    let unturned: String = map
        .lines()
        .filter(|l| !l.starts_with("[axes]") && !l.starts_with("from =") && !l.starts_with("earth ="))
        .fold(String::new(), |s, l| s + l + "\n");
    let asked = d.import_text("unturned", &file, &map_file, &unturned).unwrap_err().to_string();
    assert!(asked.contains("--accept axes=front-left-up"), "{asked}");
    row("front-left-up axes not stated in the map", "the source's own axes", "asked", "asked", "exact");

    let whole_volts = map.replace("factor = 0.1\n", "");
    let asked = d.import_text("volts", &file, &map_file, &whole_volts).unwrap_err().to_string();
    assert!(asked.contains("--accept battery-unit=0.1"), "{asked}");
    row("battery of 162 \"V\"", "unit inferred, tenths of a volt", "asked", "asked", "exact");
    assert!(record_store::list(&d.dir.path().join("records")).unwrap().is_empty());
}

#[test]
fn val_real_struck_hover() {
    let Some(folder) = data("flight_200hz_disturbance") else { return };
    let source = "course values with the recording (jacklambert122/Aircraft-Dynamics-4)";
    let d = Dossier::new("struck");
    let record = d.import("struck", &[folder.join("flight.csv")], &ours("struck", "map.toml"));
    let f = d.findings(&record);
    dump(&f);
    complete(&triage(&record, Some((0.068, 0.001)), Some("quad-x"), Some(0.06)));
    let result = d.check();
    println!("short: {:#?}", states(&result, State::Short));

    let hover: f64 = f.phases.iter().filter(|p| p.kind == PhaseKind::Hover).map(|p| p.end - p.start).sum();
    assert!(hover > 2.0, "{hover} s of hover");
    // Mean size of the four commands between 3 and 6 s, read with another program: 305 of 500.
    let command = value(&f, "hover.command");
    row(
        "hover command, ratio",
        "mean of the columns from 3 to 6 s over the range of 500",
        "0.610",
        &format!("{command:.3}"),
        "3 %",
    );
    assert!((command / 0.610 - 1.0).abs() < 0.03, "{command}");

    // The blows, by reading the file: yaw to 1.9 rad/s near 6.80 s; roll to 4.49 rad/s near 10.27 s. The
    // record ends in a third turn that does not begin from quiet and is not counted.
    let peak = value(&f, "upset.peak");
    let text = &f.get("upset.peak").unwrap().text;
    row(
        "largest turn by a blow, rad/s",
        "largest entry of the gyro columns before 11 s",
        "4.49",
        &format!("{peak:.2}"),
        "1 %",
    );
    assert!((peak / 4.49 - 1.0).abs() < 0.01, "{text}");
    assert!(text.contains("At 6.8") && text.contains("At 10.2"), "{text}");
    // Stated by design: 0.1 s. Every blow drives commands to their limits, so no time constant of the
    // loop can be read from it, and none must be claimed.
    let missing = open(&f, "upset.return");
    row(
        "time constant of the closed loop, 0.1 s by design: commands at their limits in every blow",
        source,
        "cannot tell",
        "cannot tell",
        "exact",
    );
    assert!(missing.contains("limit"), "{missing}");
    // In its hover nothing from outside the loop is logged but the blows. Gyro over command is flat and without phase from 2
    // to 19 Hz at a coherence of 0.98 (scipy, csd over 2.5 to 6.7 s): the inverse of the controller, and no plant.
    for axis in ["x", "y"] {
        let missing = open(&f, &format!("loop.{axis}.delay"));
        assert!(missing.contains("rate_demand"), "{missing}");
    }
    row(
        "plant and time constant from the hover: gyro over command is the controller's inverse",
        "scipy csd on the file: 4.7 rad/s per unit of command, phase 0 ± 5 deg, coherence 0.98",
        "cannot tell",
        "cannot tell",
        "exact",
    );
    // 200 Hz and no rotor speed: no peak may be named.
    assert!(f.spectra.iter().flat_map(|s| &s.peaks).all(|p| p.attribution.starts_with("cannot tell")));
    assert!(open(&f, "vibration.accel_rms").contains("blade"), "{}", open(&f, "vibration.accel_rms"));
    row(
        "blade passage at 200 Hz without rotor speed",
        "sampling theorem",
        "cannot tell",
        "cannot tell",
        "exact",
    );
    // Without rotor speed neither thrust per speed nor inertia.
    open(&f, "thrust.per_mass");
    open(&f, "effectiveness.x");
}

#[test]
fn val_real_command_and_speed() {
    let Some(folder) = data("bench_command_speed_100hz") else { return };
    let fit = "least-squares fit on the same files (Blackbird, Antonini et al., ISER 2018, resampled copy)";
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    assert_eq!(files.len(), 2);
    let d = Dossier::new("command_speed");
    let record = d.import("drive", &files, &ours("command_speed", "map.toml"));
    let f = d.findings(&record);
    dump(&f);
    complete(&triage(&record, Some((0.9, 0.05)), Some("quad-x"), None));
    let result = d.check();
    println!("short: {:#?}", states(&result, State::Short));

    let lag = value(&f, "drive.lag") * 1e3;
    row("motor lag, ms", fit, "30 to 35", &format!("{lag:.1}"), "2 absolute beyond the band");
    assert!((28.0..37.0).contains(&lag), "{lag}");
    let dead = value(&f, "drive.dead_time") * 1e3;
    row("dead time from command to speed, ms", fit, "10", &format!("{dead:.1}"), "10 absolute");
    assert!((0.0..20.0).contains(&dead), "{dead}");
    let gain = value(&f, "drive.gain") / RPM / 1000.0;
    row("speed per command, rpm/us", fit, "21 to 24", &format!("{gain:.1}"), "5 % beyond the band");
    assert!((21.0 * 0.95..24.0 * 1.05).contains(&gain), "{gain}");
    // No inertial sensor: not even a hover can be told from steady rotors.
    for key in [
        "hover.command",
        "thrust.per_mass",
        "effectiveness.x",
        "order.posterior",
        "vibration.accel_rms",
        "oscillation.x",
    ] {
        open(&f, key);
    }
    row(
        "hover, thrust per mass, effectiveness, order, vibration, oscillation",
        "no inertial sensor in the files",
        "cannot tell",
        "cannot tell",
        "exact",
    );
}

#[test]
fn val_real_propeller_airspeed() {
    let Some(folder) = data("flight_500hz_propeller_airspeed") else { return };
    let source = "TU Delft, doi 10.4121/8bcecbac-5478-4595-b629-4378feac6dcb";
    let d = Dossier::new("airspeed");
    let flight = d.import("flight", &[folder.join("flight.parquet")], &ours("airspeed", "map.toml"));
    let f = d.findings(&flight);
    dump(&f);
    let tunnel =
        d.import("tunnel", &[folder.join("wind_tunnel.parquet")], &ours("airspeed", "map-wind-tunnel.toml"));
    dump(&d.findings(&tunnel));
    complete(&triage(&flight, None, None, None));
    complete(&triage(&tunnel, None, None, None));
    let result = d.check();
    println!("short: {:#?}", states(&result, State::Short));

    // The angles in yaw, pitch, roll order do not turn as the gyro does: the map leaves them out, and
    // with them import asks.
    let map_file = ours("airspeed", "map.toml");
    let mut map = std::fs::read_to_string(&map_file).unwrap();
    for (name, position) in [("pitch", 12), ("roll", 13), ("yaw", 14)] {
        map += &format!("\n[[channel]]\nname = \"attitude.{name}\"\nposition = {position}\nunit = \"rad\"\n");
    }
    let files = [folder.join("flight.parquet")];
    let asked = d.import_text("angles", &files, &map_file, &map).unwrap_err().to_string();
    assert!(asked.contains("--accept attitude="), "{asked}");
    row("angles of unstated order", "the record's own gyro", "asked", "asked", "exact");
    // A jet with one motor in it is no hover, however steady.
    let stand = d.findings(&tunnel);
    assert!(stand.phases.iter().all(|p| p.kind != PhaseKind::Hover));
    open(&stand, "hover.speed");

    let r = value(&f, "battery.resistance");
    row(
        "battery resistance in flight, ohm",
        "fit V0 - R I on the same file",
        "0.108",
        &format!("{r:.4}"),
        "5 %",
    );
    assert!((r / 0.108 - 1.0).abs() < 0.05, "{r}");
    let bench = value(&d.findings(&tunnel), "battery.resistance");
    row(
        "series resistance of the tunnel's supply, ohm",
        "numpy least squares V0 - R I, 0.1 s means",
        "0.0908",
        &format!("{bench:.4}"),
        "5 %",
    );
    assert!((bench / 0.0908 - 1.0).abs() < 0.05, "{bench}");

    // The published airspeed model on the record as imported: units and joins must be right for it.
    let (w, v) = (flight.channel("rotor.1.speed").unwrap(), flight.channel("airspeed").unwrap());
    let (u, i) = (flight.channel("battery.voltage").unwrap(), flight.channel("battery.current").unwrap());
    let error: Vec<f64> = (0..w.len())
        .filter(|&k| v[k] > 8.0 && i[k] > 1.0)
        .map(|k| 2.63e-2 * w[k] - 7.82e11 * (u[k] * i[k]).powi(2) * w[k].powi(-5) - v[k])
        .collect();
    let mean = error.iter().sum::<f64>() / error.len() as f64;
    let scatter = (error.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / error.len() as f64).sqrt();
    row(
        "published airspeed model on the imported flight, scatter about its own offset, m/s (published error 0.77; see the notes)",
        source,
        "1.3",
        &format!("{scatter:.2}"),
        "at most",
    );
    assert!(mean.abs() < 2.0 && scatter < 1.3, "{mean} {scatter}");
}
