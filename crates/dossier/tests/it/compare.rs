//! Builds and records beside each other.

use std::path::Path;

use dossier::aircraft_file::AircraftFile;
use dossier::aircraft_file::difference::{between, changes};
use dossier::compare::{self, RecordComparison, builds};
use dossier::predict::{Group, Subject};
use dossier::programme::Programme;

use crate::tarn;

const AIRCRAFT: &str = include_str!("../../src/demo/aircraft.toml");
const DOSSIER: &str = include_str!("../../src/demo/dossier.toml");

fn file(text: &str) -> AircraftFile {
    AircraftFile::parse(Path::new("aircraft.toml"), text).unwrap_or_else(|d| panic!("{d}"))
}

fn replaced(edits: &[(&str, &str)]) -> String {
    edits.iter().fold(AIRCRAFT.to_owned(), |text, (a, b)| {
        assert!(text.contains(a), "{a}");
        text.replacen(a, b, 1)
    })
}

/// A dossier of two builds without records.
fn two(after: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (build, text) in [("b1", AIRCRAFT), ("b2", after)] {
        let at = dir.path().join("builds").join(build);
        std::fs::create_dir_all(&at).unwrap();
        std::fs::write(at.join("aircraft.toml"), text).unwrap();
    }
    std::fs::write(dir.path().join("dossier.toml"), format!("{DOSSIER}\n[[build]]\nid = \"b2\"\n")).unwrap();
    dir
}

/// All changes together make the other file; each is named by its key or item.
#[test]
fn prop_all_changes_make_the_other_file() {
    let camera = "\n[[mass]]\nitem = \"camera\"\nmass = \"0.2 kg\"\nat = [\"90 mm\", \"0 mm\", \"0 mm\"]\nbox = [\"50 mm\", \"50 mm\", \"50 mm\"]\n";
    let after = replaced(&[
        ("diameter = \"13 in\"", "diameter = \"14 in\""),
        ("mass = \"0.86 kg +- 3 g\"", "mass = \"0.95 kg +- 3 g\""),
        (
            "attitude]\ngain = [\"4 1/s\", \"4 1/s\", \"2 1/s\"]",
            "attitude]\ngain = [\"5 1/s\", \"4 1/s\", \"2 1/s\"]",
        ),
        ("[structure.mount]\nkind = \"hard\"\n", ""),
    ]) + camera;
    let (a, b) = (file(AIRCRAFT), file(&after));
    let list = changes(&a, &b);
    let keys: Vec<String> = list.iter().map(|c| c.key()).collect();
    for key in [
        "rotor.diameter",
        "mass \"battery\": mass",
        "loop.attitude.gain",
        "mass \"camera\"",
        "structure.mount",
    ] {
        assert!(keys.iter().any(|k| k == key), "{key} in {keys:?}");
    }
    assert_eq!(list.len(), 5, "{keys:?}");
    let all: Vec<_> = list.iter().collect();
    assert_eq!(between(&a, &b, &all).unwrap().fingerprint(), b.fingerprint());
    assert_eq!(between(&a, &b, &[]).unwrap().fingerprint(), a.fingerprint());
    assert!(changes(&a, &file(&AIRCRAFT.replace("# Tarn b1", "# anything"))).is_empty());
}

/// The parts of every figure add up to its difference, and the difference is that of the two files.
#[test]
fn prop_parts_add_up() {
    let after = replaced(&[
        ("diameter = \"13 in\"", "diameter = \"14 in\""),
        ("mass = \"0.86 kg +- 3 g\"", "mass = \"1.20 kg +- 3 g\""),
        ("dead_time = \"1.5 ms +- 0.4 ms\"", "dead_time = \"0.8 ms +- 0.2 ms\""),
    ]);
    let dir = two(&after);
    let c = builds(dir.path(), "b1", "b2").unwrap_or_else(|d| panic!("{d}"));
    assert_eq!(c.changes.len(), 3);
    let site = Programme::load(dir.path()).unwrap().site;
    let of = |text: &str| Subject::new(file(text), site.clone()).unwrap().nominal(&Group::ALL);
    let (x, y) = (of(AIRCRAFT), of(&after));
    for f in &c.figures {
        let d = f.pair.difference.as_ref().unwrap_or_else(|| panic!("{}", f.id));
        let want = y.get(&f.id).unwrap() - x.get(&f.id).unwrap();
        let scale = y.get(&f.id).unwrap().abs();
        assert!((d.value - want).abs() < 1e-9 * scale, "{}: {} {want}", f.id, d.value);
        let sum: f64 = f.pair.parts.iter().map(|p| p.value).sum();
        assert!((sum - d.value).abs() < 1e-5 * scale, "{}: {sum} {:?}", f.id, f.pair);
    }
    let part = |id: &str, key: &str| {
        let f = c.figures.iter().find(|f| f.id == id).unwrap();
        f.pair.parts.iter().find(|p| p.from.contains(key)).map_or(0.0, |p| p.value)
    };
    // 0.34 kg of battery is all of the mass; dead time is all of nothing but the loop.
    assert!((part("mass.total", "battery") - 0.34).abs() < 1e-9);
    assert!(part("full.full.thrust", "rotor.diameter") > 10.0);
    assert!((part("full.full.thrust", "dead_time")).abs() < 1e-9);
    // The dead time's part of the latency is its own change, but for the crossover that moves with it.
    assert!((part("latency.total", "dead_time") + 0.7e-3).abs() < 0.05e-3);
}

/// What both builds share cancels: the scatter of a difference from 10 g of ballast is far below that of the figure.
/// Where the propeller is another one its errors are its own.
#[test]
fn prop_shared_errors_cancel() {
    let ballast = "\n[[mass]]\nitem = \"ballast\"\nmass = \"50 g\"\nat = [\"0 mm\", \"0 mm\", \"0 mm\"]\n";
    let dir = two(&(AIRCRAFT.to_owned() + ballast));
    let c = builds(dir.path(), "b1", "b2").unwrap_or_else(|d| panic!("{d}"));
    let find = |c: &compare::BuildComparison, id: &str| {
        let f = c.gates.iter().flat_map(|g| &g.criteria).find(|k| k.id == id).unwrap();
        f.predicted.clone()
    };
    let p = find(&c, "sizing.hover-share");
    let (d, own) = (p.difference.unwrap(), p.before.unwrap());
    assert!(d.uncertainty < 0.1 * own.uncertainty, "{d:?} {own:?}");
    let dir = two(&replaced(&[("pitch = \"4.4 in\"", "pitch = \"4.5 in\"")]));
    let c = builds(dir.path(), "b1", "b2").unwrap_or_else(|d| panic!("{d}"));
    let p = find(&c, "sizing.hover-share");
    let (d, own) = (p.difference.unwrap(), p.before.unwrap());
    assert!(d.uncertainty > 0.5 * own.uncertainty, "{d:?} {own:?}");
}

/// The demo's settings of one ESC: ranked by crossover, and no gate knows of them.
#[test]
fn prop_settings_are_ranked_and_disturb_no_gate() {
    let dir = tarn::base();
    let ids = ["2026-03-02-step-1-slow-frames", "2026-03-02-step-1", "2026-03-02-step-1-coasting"];
    let list: Vec<String> = ids.iter().map(|i| (*i).to_owned()).collect();
    let RecordComparison::Drives(r) = compare::records(dir, &list, None).unwrap() else { panic!() };
    let order: Vec<&str> = r.drives.iter().map(|d| d.record.as_str()).collect();
    println!("{order:?} {}", r.verdict);
    assert_eq!(order[0], ids[1], "{order:?}");
    assert_eq!(order[2], ids[0], "{order:?}");
    // 2.4 ms more of frame against ±0.8 ms: the first is clear of the last, if not of its neighbour.
    let cross = |k: usize| r.drives[k].crossover.clone().unwrap();
    let d = cross(0).minus(&cross(2));
    assert!(d.value > 2.0 * d.uncertainty, "{d:?}");
    assert_eq!(r.drives[2].setting, "frames of 2.5 ms");
    let check = tarn::base_result();
    for g in &check.gates {
        assert!(!g.records.iter().any(|r| r.contains("slow-frames") || r.contains("coasting")), "{}", g.id);
    }
    for i in &check.inputs {
        let records = i.replaced.iter().flat_map(|r| &r.records);
        assert!(
            !records.into_iter().any(|r| r.contains("slow-frames") || r.contains("coasting")),
            "{}",
            i.key
        );
    }
}

#[test]
fn wrong_calls_say_what_there_is() {
    let dir = tarn::base();
    let of = |ids: &[&str]| {
        let list: Vec<String> = ids.iter().map(|i| (*i).to_owned()).collect();
        compare::records(dir, &list, None).unwrap_err().to_string()
    };
    for (ids, says) in [
        (vec!["2026-03-02-step-1", "nothing"], "there is no record `nothing`"),
        (vec!["2026-03-02-step-1"], "needs two records"),
        (vec!["2026-03-02-step-1", "2026-03-02-step-1"], "named twice"),
        (vec!["2026-03-02-step-1", "2026-03-04-rate-steps"], "flights compare with flights"),
        (vec!["2026-03-02-step-1", "2026-03-02-weighing"], "compares with nothing"),
    ] {
        let text = of(&ids);
        assert!(text.contains(says) && text.contains("2026-03-02-step-2"), "{text}");
    }
    assert!(builds(dir, "b1", "b1").unwrap_err().to_string().contains("named twice"));
    assert!(builds(dir, "b1", "b7").unwrap_err().to_string().contains("builds are b1"));
}

/// A source is gone where its channel was logged, and cannot be told where it was not.
#[test]
fn prop_a_source_is_not_gone_from_what_was_not_logged() {
    let record = dossier::record_store::load(&tarn::base().join("records"), "2026-03-04-rate-steps").unwrap();
    let aircraft = tarn::base_result().aircraft.without_payload();
    let before = dossier::findings::findings(&record, Some(&aircraft));
    let kind = dossier::findings::SourceKind::CannotTell;
    let source = before.sources.iter().find(|s| s.kind != kind).unwrap().clone();
    let mut quiet = before.clone();
    quiet.sources.clear();
    let mut less = quiet.clone();
    less.spectra.retain(|s| s.channel != source.channel);
    assert!(!less.spectra.is_empty());
    let told = |a: &dossier::findings::Findings, b: &dossier::findings::Findings| {
        let shown = compare::vibration::vibration(a, b);
        let table = shown.tables.iter().find(|t| t.id == "compare-sources").unwrap();
        table.rows.iter().find(|r| r[0] == source.name).unwrap().clone()
    };
    let unlogged = format!("cannot tell: {} is not logged", source.channel);
    assert_eq!(told(&before, &quiet)[2], "gone");
    assert_eq!(told(&before, &less)[2], unlogged);
    assert_eq!(told(&quiet, &before)[1..=3], ["not there", &format!("{:.3e}", source.rms), "new"]);
    assert_eq!(told(&less, &before)[1], unlogged);
}
