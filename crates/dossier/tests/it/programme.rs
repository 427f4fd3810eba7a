//! The programme file: reading, defaults of the site, and what broken files are told.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use dossier::diagnostic::Severity;
use dossier::programme::{Programme, is_build_id};

const GOOD: &str = r#"[programme]
name = "Tarn"
about = "Carries a water sampler over a lake. Invented."

[requirement]
payload = "0.35 kg"
endurance = "18 min"
wind = "8 m/s"

[site]
elevation = "640 m"
temperature = "12 degC"
humidity = "60 %"

[[build]]
id = "b1"
about = "first full-size prototype"
"#;

/// A dossier with the text as its programme file and an aircraft file for build b1.
fn dossier(text: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("dossier.toml"), text).unwrap();
    std::fs::create_dir_all(dir.path().join("builds/b1")).unwrap();
    std::fs::write(dir.path().join("builds/b1/aircraft.toml"), "").unwrap();
    dir
}

#[test]
fn val_good_file() {
    let dir = dossier(GOOD);
    let p = Programme::load(dir.path()).unwrap_or_else(|d| panic!("{d}"));
    assert_eq!(p.name, "Tarn");
    assert_eq!(p.requirement.endurance, Some(1080.0));
    assert_eq!(
        (p.requirement.payload, p.requirement.wind, p.requirement.size),
        (Some(0.35), Some(8.0), None)
    );
    assert_eq!((p.site.elevation, p.site.temperature, p.site.humidity), (640.0, 285.15, 0.6));
    assert_eq!(p.build(None).unwrap().id, "b1");
    assert!(p.build(Some("b2")).unwrap_err().to_string().contains("builds are b1"));
    assert_eq!(p.aircraft_path("b1"), dir.path().join("builds/b1/aircraft.toml"));
    let keys: Vec<&str> = p.site.inputs.iter().map(|i| i.key.as_str()).collect();
    assert_eq!(keys, ["site.elevation", "site.temperature", "site.humidity"]);
    assert!(p.site.inputs.iter().all(|i| i.assumed && i.uncertainty > 0.0));
    // Replacing a number reaches the air: warmer air is thinner, by T1/T2 when dry.
    let dry = p.site.with(&BTreeMap::from([("site.humidity".to_owned(), 0.0)]));
    let warm =
        dry.with(&BTreeMap::from([("site.temperature".to_owned(), 300.0), ("rotor.ct".to_owned(), 9.0)]));
    let ratio = warm.air().unwrap().density / dry.air().unwrap().density;
    assert!((ratio - 285.15 / 300.0).abs() < 1e-9, "{ratio}");
    assert_eq!(warm.inputs[1].value, 300.0);
}

/// Without a site: sea level and standard temperature; with an elevation alone, the standard
/// temperature there (ISO 2533: 6.5 K less per kilometre).
#[test]
fn val_site_defaults() {
    let bare = "[programme]\nname = \"Tarn\"\n[[build]]\nid = \"b1\"\n";
    let p = Programme::load(dossier(bare).path()).unwrap_or_else(|d| panic!("{d}"));
    assert_eq!((p.site.elevation, p.site.temperature, p.site.humidity), (0.0, 288.15, 0.5));
    assert!(p.site.inputs.iter().all(|i| i.assumed && i.text.contains("not stated")), "{:?}", p.site.inputs);
    let high = format!("{bare}[site]\nelevation = \"2000 m\"\n");
    let p = Programme::load(dossier(&high).path()).unwrap_or_else(|d| panic!("{d}"));
    println!(
        "VALIDATION|programme|standard temperature at 2000 m, K|ISO 2533:1975|275.15|{}|1e-9 K",
        p.site.temperature
    );
    assert!((p.site.temperature - 275.15).abs() < 1e-9);
    assert_eq!(p.site.inputs[1].unit, "K");
}

#[test]
fn regress_broken_files() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/programme");
    let table = std::fs::read_to_string(folder.join("expected.csv")).unwrap();
    let mut listed = BTreeSet::new();
    for row in table.lines().filter(|l| !l.starts_with('#')) {
        let [file, line, key, words] = row.split(';').collect::<Vec<_>>()[..] else { panic!("{row}") };
        listed.insert(file.to_owned());
        let dir = dossier(&std::fs::read_to_string(folder.join(file)).unwrap());
        let d = Programme::load(dir.path()).map(|_| ()).expect_err(file);
        let hit = d.0.iter().any(|d| {
            d.severity == Severity::Error
                && d.line == line.parse().ok()
                && d.key.as_deref() == Some(key)
                && format!("{} {}", d.message, d.help.clone().unwrap_or_default()).contains(words)
        });
        assert!(hit, "{file}: expected line {line}, `{key}`, `{words}`; found\n{d}");
        assert!(d.0.iter().all(|d| d.help.is_some()), "{file}\n{d}");
    }
    let there: BTreeSet<String> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".toml"))
        .collect();
    assert_eq!(listed, there);
    let none = tempfile::tempdir().unwrap();
    assert!(Programme::load(none.path()).unwrap_err().to_string().contains("no such file"));
}

#[test]
fn prop_build_ids_are_folder_names() {
    for good in ["b1", "small-2", "7"] {
        assert!(is_build_id(good), "{good}");
    }
    for bad in ["", "..", "a/b", "a\\b", "-a", "B1", "a b", "a.b", &"x".repeat(41)] {
        assert!(!is_build_id(bad), "{bad}");
    }
}
