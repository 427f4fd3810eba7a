//! Way home, fail-safe and payload gates, range record, rehearsals.

use std::collections::BTreeMap;
use std::path::Path;

use dossier::aircraft_file::AircraftFile;
use dossier::findings::{Outcome, findings};
use dossier::homeward::{Ask as Way, of_check};
use dossier::record::{ChannelMeta, HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin};
use dossier::record_store;
use dossier::rehearse::{Ask, fault, rehearse};
use dossier::result::{Sense, State};

use crate::gates::limit;
use crate::tarn::{Copy, base, base_result, criterion, set};

const HOME: &str = "2026-03-04-come-home";

fn record(kind: Kind, time: Vec<f64>, channels: &[(&str, Vec<f64>)], values: &[(&str, f64, &str)]) -> Record {
    Record {
        meta: RecordMeta {
            id: "test".to_owned(),
            kind,
            build: "b1".to_owned(),
            date: "2026-03-05".to_owned(),
            origin: RecordOrigin::Measured,
            remark: String::new(),
            setting: String::new(),
            sources: Vec::new(),
            rate: 10.0,
            channels: channels
                .iter()
                .map(|(name, _)| ChannelMeta {
                    name: (*name).to_owned(),
                    unit: "1".to_owned(),
                    column: String::new(),
                    tap: None,
                    stamp: None,
                })
                .collect(),
            fingerprint: BTreeMap::new(),
            values: values
                .iter()
                .map(|(k, v, u)| {
                    ((*k).to_owned(), HandValue { value: *v, uncertainty: 0.0, unit: (*u).to_owned() })
                })
                .collect(),
            report: ImportReport::default(),
        },
        time,
        channels: channels.iter().map(|(n, v)| ((*n).to_owned(), v.clone())).collect(),
    }
}

fn aircraft() -> physics::aircraft::Aircraft {
    AircraftFile::load(&crate::tarn::aircraft(base())).unwrap().resolve(&BTreeMap::new()).unwrap().aircraft
}

#[test]
fn prop_demo_comes_home_and_says_so() {
    let r = base_result();
    for id in [
        "fail-safe.charge-left",
        "fail-safe.charge-error",
        "fail-safe.lost-link",
        "fail-safe.in-a-row",
        "fail-safe.take-over",
        "fail-safe.low-battery",
    ] {
        let c = criterion(r, id);
        assert_eq!((c.state, c.simulated), (State::Met, true), "{id}");
    }
    // The planted delay of the take-over, to the period of the log.
    let e = &criterion(r, "fail-safe.take-over").measured.as_ref().unwrap().estimate;
    assert!((e.value - 0.12).abs() <= 0.05 + 1e-9, "{e:?}");
    // The planted error of the count: 3 % of what was used, and more is not found.
    let e = &criterion(r, "fail-safe.charge-error").measured.as_ref().unwrap().estimate;
    assert!(e.value < 0.012 && e.uncertainty > 0.0, "{e:?}");
    let h = of_check(r, Way::default()).unwrap();
    assert!(h.enough && h.verdict.contains("must turn home"), "{}", h.verdict);
    let predicted = r.figures.iter().find(|f| f.id == "homeward.need").unwrap();
    assert!((h.need.unwrap() - predicted.estimate.value).abs() < 2e-3, "{:?} {predicted:?}", h.need);
    assert!(predicted.estimate.contributions.iter().any(|c| c.source == "battery.capacity"));
    for t in h.tables() {
        assert!(t.rows.iter().all(|r| r.len() == t.head.len()), "{}", t.id);
        assert!(t.rows.iter().flatten().all(|c| !c.contains("NaN")), "{}", t.id);
    }
    // Farther out and in more wind it takes more, and at last there is no way.
    let more = of_check(r, Way { distance: Some(600.0), wind: Some(10.0), height: None }).unwrap();
    assert!(more.need > h.need);
    let storm = of_check(r, Way { wind: Some(40.0), ..Way::default() }).unwrap_err();
    assert!(storm.contains("no way home"), "{storm}");
}

#[test]
fn prop_fail_safe_without_the_keys_waits() {
    let copy = Copy::new();
    let text = std::fs::read_to_string(copy.aircraft()).unwrap();
    let at = text.find("[failsafe]").unwrap();
    std::fs::write(copy.aircraft(), &text[..at]).unwrap();
    let r = copy.check();
    let why = of_check(&r, Way::default()).unwrap_err();
    assert!(why.contains("failsafe"), "{why}");
    let c = criterion(&r, "fail-safe.energy");
    assert!(
        c.predicted.is_none() && c.waits_for.as_deref().is_some_and(|w| w.contains("failsafe")),
        "{:?}",
        c.waits_for
    );
}

#[test]
fn prop_a_late_trigger_is_short_with_a_cause() {
    let copy = Copy::new();
    // Without the flight the prediction alone can fail it.
    std::fs::remove_dir_all(copy.dir().join("records").join(HOME)).unwrap();
    copy.edit(&[set("failsafe.come_home_at", "\"26 %\"")]);
    let r = copy.check();
    let c = criterion(&r, "fail-safe.energy");
    assert_eq!(c.state, State::Short);
    assert!(c.causes.iter().any(|x| x.name == "turns home too late" && x.effect.meets), "{:?}", c.causes);
    // A changed fail-safe makes the times stale.
    assert_eq!(criterion(&r, "fail-safe.lost-link").state, State::Open);
}

/// What an input of the file moves names it when it is short, and what the change buys; what none moves says with what
/// it rests.
#[test]
fn prop_short_figures_name_their_causes() {
    let asked = [
        ("fail-safe.charge-left", 0.95),
        ("fail-safe.low-battery", -5.0),
        ("fail-safe.lost-link", -5.0),
        ("payload.phase-margin", 2.5),
        ("payload.gain-margin", 40.0),
        ("payload.overshoot", 1e-4),
    ];
    for (id, value) in asked {
        let copy = Copy::new();
        limit(&copy, id, value);
        let r = copy.check();
        let c = criterion(&r, id);
        assert_eq!(c.state, State::Short, "{id} {:?} {:?}", c.measured, c.waits_for);
        // A figure of zero or less has nothing to be restated.
        let late = c.measured.as_ref().map_or(0.0, |m| m.estimate.value);
        let restated = id == "fail-safe.low-battery" || id == "fail-safe.lost-link";
        assert!(!c.causes.is_empty() || (restated && late <= 0.0), "{id} {late}");
        for cause in &c.causes {
            let (was, is) = (cause.effect.before.value, cause.effect.after.value);
            let better = match c.limit.sense {
                Sense::AtMost => is < was,
                Sense::AtLeast => is > was,
            };
            assert!(better, "{id} {}: {was} {is}", cause.name);
            // The change can be written into the file.
            copy.edit(&cause.edits);
        }
    }
    for id in ["fail-safe.charge-error", "fail-safe.in-a-row", "fail-safe.take-over"] {
        let note = criterion(base_result(), id).note.clone().unwrap();
        assert!(note.contains("it rests with"), "{id} {note}");
    }
}

#[test]
fn prop_events_are_found_where_they_were_planted() {
    let a = aircraft();
    let f = a.safety.failsafe.unwrap();
    let n = 1200;
    let time: Vec<f64> = (0..n).map(|k| 0.1 * f64::from(k)).collect();
    let at = |from: f64, to: f64| -> Vec<f64> {
        time.iter().map(|t| f64::from(u8::from(*t >= from && *t < to))).collect()
    };
    // Two losses; it acts on the first 0.9 s late and not on the second; a blink is nothing to act on.
    let link: Vec<f64> = time
        .iter()
        .map(|t| {
            f64::from(u8::from(
                !((10.0..16.0).contains(t) || (30.0..30.4).contains(t) || (40.0..46.0).contains(t)),
            ))
        })
        .collect();
    let mode = at(10.0 + f.lost_link_time + 0.9, 20.0);
    let made = record(
        Kind::Flight,
        time.clone(),
        &[("link.on", link), ("mode", mode), ("pilot.override", at(19.7, 25.0))],
        &[],
    );
    let found = findings(&made, Some(&a));
    assert!((found.estimate("failsafe.link.late").unwrap().value - 30.0).abs() < 1e-9);
    assert!(found.estimate("failsafe.link.row").unwrap().value.abs() < 1e-9);
    assert!((found.estimate("failsafe.takeover").unwrap().value - 0.3).abs() < 0.11);
    assert!(matches!(found.get("failsafe.charge_left").unwrap().outcome, Outcome::CannotTell { .. }));
    // By hand, what no channel shows.
    let noted = record(
        Kind::Flight,
        time,
        &[("height", vec![10.0; n as usize])],
        &[("link.lost.1", 10.0, "s"), ("link.acted.1", 10.2 + f.lost_link_time, "s")],
    );
    let e = findings(&noted, Some(&a));
    assert!((e.estimate("failsafe.link.late").unwrap().value - 0.2).abs() < 1e-9);
    // A flight that tried nothing says nothing.
    let quiet = record(Kind::Flight, vec![0.0, 0.1, 0.2], &[("height", vec![1.0; 3])], &[]);
    assert!(findings(&quiet, Some(&a)).items.iter().all(|i| !i.key.starts_with("failsafe")));
}

#[test]
fn prop_range_finds_the_planted_exponent() {
    let a = aircraft();
    for (n, level) in [(2.0, -60.0), (2.7, -72.0)] {
        let distance: Vec<f64> = (0..400).map(|k| 5.0 * 1.01_f64.powi(k)).collect();
        // A fixed pattern for the fading, 4 dB r.m.s. over whole periods.
        let signal: Vec<f64> = distance
            .iter()
            .enumerate()
            .map(|(k, d)| level - 10.0 * n * (d / 100.0).log10() + 4.0 * 2f64.sqrt() * (0.7 * k as f64).sin())
            .collect();
        let time = (0..400).map(f64::from).collect();
        let r = record(
            Kind::Range,
            time,
            &[("distance", distance), ("link.signal", signal)],
            &[("power_reduction", 20.0, "dB")],
        );
        let f = findings(&r, Some(&a));
        let e = f.estimate("range.exponent").unwrap();
        assert!((e.value - n).abs() < 3.0 * e.uncertainty.max(0.03), "{e:?}");
        assert!((f.estimate("range.level").unwrap().value - level - 20.0).abs() < 1.0);
        assert!((f.estimate("range.fading").unwrap().value - 4.0).abs() < 0.4);
    }
    let short = record(
        Kind::Range,
        vec![0.0, 1.0],
        &[("distance", vec![5.0, 6.0]), ("link.signal", vec![-50.0, -51.0])],
        &[],
    );
    assert!(matches!(
        findings(&short, Some(&a)).get("range.exponent").unwrap().outcome,
        Outcome::CannotTell { .. }
    ));
}

fn ask(card: &str, faults: &[&str], runs: usize, seed: u64) -> Ask {
    Ask {
        card: card.to_owned(),
        faults: faults.iter().map(|t| fault(t).unwrap()).collect(),
        wind: None,
        runs,
        seed,
        payload: false,
    }
}

#[test]
fn prop_rehearsals_repeat_and_are_no_evidence() {
    let dir = base();
    let flown = |ask: &Ask| rehearse(dir, None, ask, &|| ()).unwrap_or_else(|d| panic!("{d}"));
    let calm = ask("hover", &[], 6, 3);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let (one, record) = pool.install(|| flown(&calm));
    let (two, _) = flown(&calm);
    assert_eq!(one, two);
    assert_eq!((one.flown, one.lost), (6, 0));
    assert!(one.label.contains("no evidence") && record.unwrap().meta.remark.contains("no evidence"));
    assert!(one.figures.iter().all(|f| f.range[0] <= f.quantiles[1] && f.quantiles[1] <= f.range[1]));
    // Another seed is another answer.
    assert_ne!(flown(&ask("hover", &[], 6, 4)).0.figures, one.figures);
    // A quadrotor does not survive a stopped rotor, and the gates know nothing of it.
    let (lost, _) = flown(&ask("hover", &["rotor:2@3s"], 3, 3));
    assert_eq!((lost.lost, lost.pass), (3, 0.0));
    assert_eq!(base_result().records.len(), record_store::list(&dir.join("records")).unwrap().len());
    let wrong = rehearse(dir, None, &ask("hover", &["rotor:9@3s"], 3, 3), &|| ()).unwrap_err().to_string();
    assert!(wrong.contains("rotor 9 of 4"), "{wrong}");
    assert!(rehearse(Path::new("/nowhere"), None, &calm, &|| ()).is_err());
    let unknown = rehearse(dir, None, &ask("loop", &[], 3, 3), &|| ()).unwrap_err().to_string();
    assert!(unknown.contains("rate-steps"), "{unknown}");
}

/// Loops fly on what the file describes; what it does not describe is named, and what cannot be measured has not passed.
#[test]
fn prop_rehearsals_fly_on_the_sensors_of_the_file() {
    let flown = |dir: &Path, ask: &Ask| rehearse(dir, None, ask, &|| ()).unwrap_or_else(|d| panic!("{d}"));
    let hold = Ask { wind: Some(6.0), ..ask("hold", &[], 4, 3) };
    let (sound, record) = flown(base(), &hold);
    assert_eq!(sound.flown_on.len(), 1, "{:?}", sound.flown_on);
    let record = record.unwrap();
    for name in ["mag.x", "pressure", "satellite.position.x", "velocity_estimate.x", "attitude_estimate.w"] {
        assert!(record.channels.contains_key(name), "{name}");
    }
    let unit = |n: &str| record.meta.channels.iter().find(|c| c.name == n).map(|c| c.unit.clone()).unwrap();
    assert_eq!((unit("satellite.position.x").as_str(), unit("satellite.velocity.x").as_str()), ("m", "m/s"));
    // Without satellites from before the hold on it drifts away with the wind, and does not pass for want of a demand.
    let half =
        |r: &dossier::rehearse::Rehearsal| r.figures.iter().find(|f| f.id == "place").unwrap().quantiles[1];
    let (lost, _) = flown(base(), &Ask { faults: vec![fault("satellites@1s").unwrap()], ..hold.clone() });
    assert!(lost.pass == 0.0 && half(&lost) > 5.0 && half(&lost) > 4.0 * half(&sound), "{}", half(&lost));
    let copy = Copy::new();
    let text = std::fs::read_to_string(copy.aircraft()).unwrap();
    let (before, rest) = text.split_once("[barometer]").unwrap();
    let after = rest.split_once("[satellite]").unwrap().1;
    std::fs::write(copy.aircraft(), format!("{before}[satellite]{after}")).unwrap();
    let (answer, _) = flown(copy.dir(), &hold);
    assert!(
        answer.flown_on[1].contains("height") && answer.flown_on[1].contains("`barometer`"),
        "{:?}",
        answer.flown_on
    );
    let stuck = Ask { faults: vec![fault("sensor:barometer@3s").unwrap()], ..hold };
    let error = rehearse(copy.dir(), None, &stuck, &|| ()).unwrap_err().to_string();
    assert!(error.contains("describes no barometer"), "{error}");
    // Half a magnetometer or half a dropout is a mistake in the file.
    for (from, to) in [("noise = \"0.25 uT\"", ""), ("dropout_time = \"1.2 s\"", "")] {
        std::fs::write(copy.aircraft(), text.replace(from, to)).unwrap();
        assert!(AircraftFile::load(&copy.aircraft()).is_err(), "{from}");
    }
}
