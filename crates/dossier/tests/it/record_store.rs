//! Records on disk, and weighings and notes entered by hand.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use dossier::import::{HandRequest, WeighingError, import_hand, read_hand, weighing};
use dossier::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Tap};
use dossier::record_store::{self, StoreError};
use proptest::prelude::*;

fn record(id: &str, time: Vec<f64>, channels: BTreeMap<String, Vec<f64>>) -> Record {
    let described = channels
        .keys()
        .map(|n| ChannelMeta {
            name: n.clone(),
            unit: "V".to_owned(),
            column: "u".to_owned(),
            tap: Some(Tap::Raw),
            stamp: None,
        })
        .collect();
    let meta = RecordMeta {
        id: id.to_owned(),
        kind: Kind::Flight,
        build: "b1".to_owned(),
        date: "2026-03-04".to_owned(),
        origin: RecordOrigin::Measured,
        remark: "still air\n\"quoted\"".to_owned(),
        setting: String::new(),
        sources: Vec::new(),
        rate: 100.0,
        channels: described,
        fingerprint: [("rotor".to_owned(), "ab".to_owned())].into(),
        values: BTreeMap::new(),
        report: ImportReport { rows: 3, remarks: vec!["a remark".to_owned()], ..ImportReport::default() },
    };
    Record { meta, time, channels }
}

fn small(id: &str) -> Record {
    record(id, vec![0.0, 0.01, 0.02], [("battery.voltage".to_owned(), vec![16.0, f64::NAN, 15.5])].into())
}

#[test]
fn regress_written_records_are_listed_and_load() {
    let dir = tempfile::tempdir().unwrap();
    assert!(record_store::list(&dir.path().join("none")).unwrap().is_empty());
    for id in ["b", "a"] {
        record_store::write(dir.path(), &small(id)).unwrap();
    }
    let ids: Vec<_> = record_store::list(dir.path()).unwrap().into_iter().map(|m| m.id).collect();
    assert_eq!(ids, ["a", "b"]);
    let back = record_store::load(dir.path(), "a").unwrap();
    assert_eq!(back.meta, small("a").meta);
    assert!(back.channels["battery.voltage"][1].is_nan() && back.channels["battery.voltage"][2] == 15.5);
    assert!(matches!(record_store::write(dir.path(), &small("a")), Err(StoreError::Exists { .. })));
    assert!(matches!(record_store::load(dir.path(), "c"), Err(StoreError::Unknown { .. })));
    for bad in ["", "..", "A", "a/b", ".hidden", &"x".repeat(65)] {
        assert!(
            matches!(record_store::write(dir.path(), &small(bad)), Err(StoreError::BadId { .. })),
            "{bad}"
        );
    }
    let mut uneven = small("d");
    uneven.time.pop();
    assert!(matches!(record_store::write(dir.path(), &uneven), Err(StoreError::Inconsistent { .. })));
    assert!(!dir.path().join("d").exists());
}

#[test]
fn regress_what_a_killed_writer_leaves_is_ignored_and_removed() {
    let dir = tempfile::tempdir().unwrap();
    record_store::write(dir.path(), &small("old")).unwrap();
    // A writer that died half way: a hidden part without its description, and the lock file.
    let part = dir.path().join(".part-new");
    fs::create_dir(&part).unwrap();
    fs::write(part.join("data.parquet"), b"PAR1 half").unwrap();
    assert_eq!(record_store::ids(dir.path()).unwrap(), ["old"]);
    assert!(matches!(record_store::load(dir.path(), "new"), Err(StoreError::Unknown { .. })));
    record_store::write(dir.path(), &small("new")).unwrap();
    assert!(!part.exists());
    assert_eq!(record_store::load(dir.path(), "new").unwrap().time.len(), 3);
    assert_eq!(record_store::load(dir.path(), "old").unwrap().time.len(), 3);
}

#[test]
fn regress_writers_at_once_do_not_meet() {
    let dir = tempfile::tempdir().unwrap();
    std::thread::scope(|s| {
        for _ in 0..8 {
            s.spawn(|| {
                let mut r = small("x");
                record_store::write_numbered(dir.path(), &mut r, "2026-03-04-flight", None).unwrap();
            });
        }
    });
    let ids = record_store::ids(dir.path()).unwrap();
    assert_eq!(ids.len(), 8);
    assert!(ids.iter().all(|id| record_store::load(dir.path(), id).is_ok()));
}

#[test]
fn regress_damage_is_told() {
    let dir = tempfile::tempdir().unwrap();
    record_store::write(dir.path(), &small("a")).unwrap();
    let (data, meta) = (dir.path().join("a/data.parquet"), dir.path().join("a/record.toml"));
    let (good_data, good_meta) = (fs::read(&data).unwrap(), fs::read_to_string(&meta).unwrap());
    let mut flipped = good_data.clone();
    flipped[20] ^= 1;
    let rename = good_meta.replace("battery.voltage", "battery.current");
    let no_hash: String =
        rename.lines().filter(|l| !l.starts_with("data_sha256")).map(|l| format!("{l}\n")).collect();
    let cases: Vec<(&str, Vec<u8>, String, &str)> = vec![
        ("a bit flipped", flipped, good_meta.clone(), "SHA-256"),
        ("data cut off", good_data[..40].to_vec(), good_meta.clone(), "SHA-256"),
        ("another channel", good_data.clone(), no_hash, "missing"),
        ("another id", good_data.clone(), good_meta.replace("id = \"a\"", "id = \"b\""), "its folder"),
        ("no TOML", good_data.clone(), good_meta.replace("date = ", "date "), "restore"),
        ("a key missing", good_data.clone(), good_meta.replace("build = ", "builds = "), "build"),
    ];
    for (what, data_bytes, meta_text, words) in cases {
        fs::write(&data, data_bytes).unwrap();
        fs::write(&meta, meta_text).unwrap();
        let e = record_store::load(dir.path(), "a").unwrap_err().to_string();
        assert!(e.contains(words) && e.contains("import it again"), "{what}: {e}");
    }
    fs::write(&data, good_data).unwrap();
    fs::write(&meta, good_meta).unwrap();
    assert!(record_store::load(dir.path(), "a").is_ok());
    fs::remove_file(&data).unwrap();
    assert!(matches!(record_store::load(dir.path(), "a"), Err(StoreError::Io { .. })));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn prop_records_go_round_bit_by_bit(
        rows in proptest::collection::vec((1e-6..10.0f64, any::<f64>(), any::<f64>()), 2..300)
    ) {
        let mut time = Vec::new();
        let mut t = 0.0;
        for (step, _, _) in &rows {
            time.push(t);
            t += step;
        }
        let channels: BTreeMap<String, Vec<f64>> = [
            ("rate.x".to_owned(), rows.iter().map(|r| r.1).collect()),
            ("rate.y".to_owned(), rows.iter().map(|r| if r.2.is_infinite() { 0.0 } else { r.2 }).collect()),
        ].into();
        let channels: BTreeMap<_, Vec<f64>> = channels
            .into_iter()
            .map(|(n, v): (String, Vec<f64>)| (n, v.into_iter().map(|x| if x.is_infinite() { f64::NAN } else { x }).collect()))
            .collect();
        let r = record("r", time, channels);
        let dir = tempfile::tempdir().unwrap();
        record_store::write(dir.path(), &r).unwrap();
        let back = record_store::load(dir.path(), "r").unwrap();
        prop_assert_eq!(&back.time, &r.time);
        for (name, values) in &r.channels {
            let same = back.channels[name].iter().zip(values).all(|(a, b)| a.to_bits() == b.to_bits() || (a.is_nan() && b.is_nan()));
            prop_assert!(same, "{}", name);
        }
    }
}

/// Scale readings of a point mass by statics, solved as a linear system: forces and two moments balance.
fn readings(mass: f64, centre: [f64; 3], points: [[f64; 3]; 3], pitch: f64, roll: f64) -> [f64; 3] {
    let down = nalgebra::Vector3::new(-pitch.sin(), roll.sin() * pitch.cos(), roll.cos() * pitch.cos());
    // Two directions across the vertical.
    let a = down.cross(&nalgebra::Vector3::new(0.3, 0.9, 0.1)).normalize();
    let b = down.cross(&a);
    let mut m = nalgebra::Matrix3::zeros();
    for (i, p) in points.iter().enumerate() {
        let d = nalgebra::Vector3::from(*p) - nalgebra::Vector3::from(centre);
        m.set_column(i, &nalgebra::Vector3::new(1.0, d.dot(&a), d.dot(&b)));
    }
    let f = m.lu().solve(&nalgebra::Vector3::new(mass, 0.0, 0.0)).unwrap();
    [f[0], f[1], f[2]]
}

const POINTS: [[f64; 3]; 3] = [[0.21, 0.0, 0.08], [-0.15, 0.18, 0.08], [-0.15, -0.18, 0.08]];

fn text(level: [f64; 3], tilted: Option<([f64; 3], f64, f64)>, tolerance: &str) -> String {
    let mut out = "remark = \"no propellers\"\n".to_owned();
    for p in POINTS {
        out += &format!("[[point]]\nat = [\"{} m\", \"{} m\", \"{} m\"]\n", p[0], p[1], p[2]);
    }
    out += "[scale]\n";
    for (i, m) in level.iter().enumerate() {
        out += &format!("{} = \"{m} kg{tolerance}\"\n", i + 1);
    }
    if let Some((m, pitch, roll)) = tilted {
        out += &format!("[tilt]\npitch = \"{pitch} rad\"\nroll = \"{roll} rad\"\n[tilted]\n");
        for (i, m) in m.iter().enumerate() {
            out += &format!("{} = \"{m} kg{tolerance}\"\n", i + 1);
        }
    }
    out
}

fn meta(text: &str) -> RecordMeta {
    let (values, remark) =
        read_hand(Path::new("w.toml"), text, Kind::Weighing).unwrap_or_else(|e| panic!("{e}"));
    RecordMeta { values, remark, kind: Kind::Weighing, channels: Vec::new(), ..small("w").meta }
}

#[test]
fn val_weighing_against_statics() {
    let (mass, centre) = (2.41, [0.013, -0.004, -0.022]);
    for (pitch, roll) in [(0.35, 0.0), (0.0, -0.3), (-0.2, 0.15)] {
        let level = readings(mass, centre, POINTS, 0.0, 0.0);
        let tilted = readings(mass, centre, POINTS, pitch, roll);
        let w = weighing(&meta(&text(level, Some((tilted, pitch, roll)), " +- 2 g"))).unwrap();
        let z = w.centre_z.unwrap();
        for (what, got, expected) in [
            ("mass (kg)", w.mass.0, mass),
            ("x (m)", w.centre_x.0, centre[0]),
            ("y (m)", w.centre_y.0, centre[1]),
            ("z (m)", z.0, centre[2]),
        ] {
            assert!((got - expected).abs() < 1e-9, "{what} {got} {expected}");
            println!(
                "VALIDATION|weighing|{what} at pitch {pitch} rad, roll {roll} rad|statics of three supports, solved as a linear system|{expected}|{got:.9}|1e-9"
            );
        }
        assert!(w.tilted_mass_difference.unwrap().abs() < 1e-6);
    }
    let level = readings(mass, centre, POINTS, 0.0, 0.0);
    assert_eq!(weighing(&meta(&text(level, None, ""))).unwrap().centre_z, None);
}

#[test]
fn val_weighing_uncertainty_by_hand() {
    // M = m1 + m2 + m3: each half-width of 2 g is 2/sqrt(3) g standard (JCGM 100:2008, 4.3.7), so
    // u(M) = 2 g. x = sum(m x)/M: dx/dm_i = (x_i - x)/M.
    let level = readings(2.4, [0.01, 0.0, 0.0], POINTS, 0.0, 0.0);
    let w = weighing(&meta(&text(level, None, " +- 2 g"))).unwrap();
    assert!((w.mass.1 - 0.002).abs() < 1e-12, "{}", w.mass.1);
    let u = 0.002 / 3.0_f64.sqrt();
    let expected = POINTS.iter().map(|p| ((p[0] - 0.01) / 2.4 * u).powi(2)).sum::<f64>().sqrt();
    assert!((w.centre_x.1 - expected).abs() < 1e-6 * expected, "{} {expected}", w.centre_x.1);
    let covariance: f64 = POINTS.iter().map(|p| (p[0] - 0.01) / 2.4 * u * u).sum();
    assert!((w.covariance[0][1] - covariance).abs() < 1e-6 * covariance.abs().max(1e-9));
    println!(
        "VALIDATION|weighing|standard uncertainty of x (m)|JCGM 100:2008, 5.1, by hand|{expected:e}|{:e}|1e-6 relative",
        w.centre_x.1
    );
}

#[test]
fn regress_weighings_that_cannot_be_are_refused() {
    let level = [0.8, 0.8, 0.8];
    let two = text(level, None, "")
        .lines()
        .filter(|l| !l.starts_with("3 ="))
        .map(|l| format!("{l}\n"))
        .collect::<String>();
    assert!(matches!(weighing(&meta(&two)), Err(WeighingError::Missing { key, .. }) if key == "scale.3"));
    assert!(matches!(weighing(&meta(&text([0.8, -0.1, 0.8], None, ""))), Err(WeighingError::Reading { .. })));
    let line = text(level, None, "").replace("0.18", "0").replace("-0 m", "0 m");
    assert!(matches!(weighing(&meta(&line)), Err(WeighingError::Line { .. })));
    let flat = text(level, Some((level, 0.001, 0.0)), "");
    assert!(matches!(weighing(&meta(&flat)), Err(WeighingError::Tilt { .. })));
    let e =
        read_hand(Path::new("w.toml"), "[scale]\n1 = \"1.12\"\n", Kind::Weighing).unwrap_err().to_string();
    assert!(e.contains("w.toml:2:") && e.contains("help:"), "{e}");
    let e = read_hand(Path::new("w.toml"), "scale.1=1.12 kg\nscal.2=1 kg\n", Kind::Weighing)
        .unwrap_err()
        .to_string();
    assert!(e.contains("w.toml:2:1"), "{e}");
}

#[test]
fn regress_hand_entered_records_are_stored() {
    let dir = tempfile::tempdir().unwrap();
    let request = |text, kind| HandRequest {
        aircraft: None,
        file: Path::new("call"),
        text,
        source: None,
        records: dir.path(),
        id: None,
        kind,
        build: "b1",
        date: "2026-03-04",
        fingerprint: BTreeMap::new(),
    };
    let pairs = "scale.1=0.8 kg\nscale.2=0.8 kg\nscale.3=0.8 kg +- 1 g\npoint.1.x=200 mm\npoint.1.y=0 mm\npoint.2.x=-100 mm\npoint.2.y=170 mm\npoint.3.x=-100 mm\npoint.3.y=-170 mm\n";
    let w = import_hand(&request(pairs, Kind::Weighing)).unwrap();
    assert_eq!(w.id, "2026-03-04-weighing");
    let back = record_store::load(dir.path(), &w.id).unwrap();
    assert!((weighing(&back.meta).unwrap().mass.0 - 2.4).abs() < 1e-12);
    let note = "case_temperature = \"61 degC +- 3 K\"\nremark = \"smooth, a little slow in yaw\"\n";
    let n = import_hand(&request(note, Kind::Note)).unwrap();
    let value = &n.values["case_temperature"];
    assert!((value.value - 334.15).abs() < 1e-9 && value.unit == "K" && value.uncertainty > 1.5);
    assert_eq!(n.remark, "smooth, a little slow in yaw");
    assert!(import_hand(&request("words = \"quite warm\"\n", Kind::Note)).is_err());
    assert!(import_hand(&request("", Kind::Note)).is_err());
    let mut late = request(note, Kind::Note);
    late.date = "2026-02-30";
    assert!(import_hand(&late).unwrap_err().to_string().contains("no date"));
    assert_eq!(record_store::list(dir.path()).unwrap().len(), 2);
}
