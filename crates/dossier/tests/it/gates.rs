//! States, staleness, limits, order, frozen predictions, and an aircraft file with next to nothing in it.

use std::collections::BTreeSet;
use std::path::Path;

use dossier::check::{Opened, check};
use dossier::estimate::Origin;
use dossier::gates::{Context, Limits};
use dossier::predict::{Group, freeze};
use dossier::record::Kind;
use dossier::record_store;
use dossier::result::{CheckResult, Sense, State};

use crate::tarn::{Copy, base, base_result, criterion, input, mass_key, set};

const NOTE: &str = "records/2026-03-04-case-temperature/record.toml";
const FLIGHT: &str = "2026-03-04-rate-steps";

/// Another limit for one criterion.
pub(crate) fn limit(copy: &Copy, id: &str, value: f64) {
    let c = criterion(base_result(), id);
    let (gate, name) = id.split_once('.').unwrap();
    let sense = if c.limit.sense == Sense::AtMost { "at-most" } else { "at-least" };
    let text = format!(
        "[{gate}.{name}]\nvalue = {value:?}\nunit = \"{}\"\nsense = \"{sense}\"\norigin = \"derived\"\nbasis = \"test\"\n",
        c.limit.unit
    );
    std::fs::write(copy.dir().join("gates.toml"), text).unwrap();
}

/// Takes every flight away: the build has not flown.
fn ground(copy: &Copy) {
    let records = copy.dir().join("records");
    for meta in record_store::list(&records).unwrap().iter().filter(|m| m.kind == Kind::Flight) {
        std::fs::remove_dir_all(records.join(&meta.id)).unwrap();
    }
}

/// A copy of the demo whose flight has only the channels that `keep` lets through.
fn with_channels(keep: &dyn Fn(&str) -> bool) -> Copy {
    let copy = Copy::new();
    let records = copy.dir().join("records");
    let mut record = record_store::load(&records, FLIGHT).unwrap();
    record.channels.retain(|name, _| keep(name));
    record.meta.channels.retain(|c| keep(&c.name));
    std::fs::remove_dir_all(records.join(FLIGHT)).unwrap();
    record_store::write(&records, &record).unwrap();
    copy
}

#[test]
fn prop_states_by_interval() {
    let id = "hover.case-temperature";
    let m = criterion(base_result(), id).measured.clone().unwrap().estimate;
    let copy = Copy::new();
    for (value, state) in [
        (m.value + 2.1 * m.uncertainty, State::Met),
        (m.value + 1.9 * m.uncertainty, State::Undecided),
        (m.value - 1.9 * m.uncertainty, State::Undecided),
        (m.value - 2.1 * m.uncertainty, State::Short),
    ] {
        limit(&copy, id, value);
        let r = copy.check();
        let c = criterion(&r, id);
        assert_eq!(c.state, state, "limit {value}");
        assert!(c.simulated && c.limit.basis == "test");
        assert_eq!(c.margin.map(|m| m < 0.0), Some(value < m.value));
    }
    // The same note on real evidence is met without the mark.
    let text = std::fs::read_to_string(copy.dir().join(NOTE)).unwrap();
    std::fs::write(copy.dir().join(NOTE), text.replace("\"simulated\"", "\"measured\"")).unwrap();
    std::fs::remove_file(copy.dir().join("gates.toml")).unwrap();
    let r = copy.check();
    let c = criterion(&r, id);
    assert_eq!((c.state, c.simulated), (State::Met, false));
    assert_eq!(c.measured.as_ref().unwrap().estimate.origin, Origin::Measured);
    // Where any criterion of a gate rests on simulated evidence the gate says so.
    assert!(r.gates.iter().find(|g| g.id == "hover").unwrap().simulated);
    assert_eq!(State::Met.word_marked(true), "met (simulated)");
    // Without the note nothing is measured, and nothing predicts it.
    std::fs::remove_dir_all(copy.dir().join(NOTE).parent().unwrap()).unwrap();
    let r = copy.check();
    let c = criterion(&r, id);
    assert_eq!(c.state, State::Open);
    assert!(c.waits_for.as_deref().unwrap().contains("case_temperature"), "{:?}", c.waits_for);
}

#[test]
fn prop_prediction_fails_but_never_meets() {
    let id = "rate.phase-margin";
    let copy = Copy::new();
    // Without the flight nothing measures it.
    ground(&copy);
    let p = criterion(&copy.check(), id).predicted.clone().unwrap();
    for (value, state) in [
        (p.value - 5.0 * p.uncertainty, State::Open),
        (p.value, State::Open),
        (p.value + 5.0 * p.uncertainty, State::Short),
    ] {
        limit(&copy, id, value);
        let r = copy.check();
        let c = criterion(&r, id);
        assert_eq!((c.state, c.simulated), (state, false), "limit {value}");
    }
    // No criterion is met without evidence.
    for c in base_result().gates.iter().flat_map(|g| &g.criteria) {
        assert!(c.state != State::Met || c.measured.is_some(), "{}", c.id);
        assert!(c.simulated || c.state != State::Met, "{} met without the mark", c.id);
    }
}

#[test]
fn prop_premature() {
    let copy = Copy::new();
    limit(&copy, "hover.case-temperature", 300.0);
    let r = copy.check();
    let flags: Vec<(&str, Option<&str>)> =
        r.gates.iter().map(|g| (g.id.as_str(), g.premature.as_deref())).collect();
    let first = r.gates.iter().position(|g| g.state != State::Met).unwrap();
    for (k, (id, flag)) in flags.iter().enumerate() {
        let expected = (k > first).then(|| r.gates[first].name.as_str());
        assert_eq!(*flag, expected, "{id}");
    }
    assert!(r.gates.iter().find(|g| g.id == "hover").unwrap().state == State::Short);
    // The headline is about the earliest gate that is short.
    let short = r.gates.iter().find(|g| g.state == State::Short).unwrap();
    assert_eq!(r.limiting.as_ref().unwrap().gate, short.id);
}

/// Criteria that rest on something that has since changed.
pub(crate) fn stale(r: &CheckResult) -> BTreeSet<String> {
    r.gates
        .iter()
        .flat_map(|g| &g.criteria)
        .filter(|c| c.measured.as_ref().is_some_and(|m| m.stale.is_some()))
        .map(|c| c.id.clone())
        .collect()
}

#[test]
fn prop_evidence_ages_by_estimate() {
    assert!(stale(base_result()).is_empty());
    let after = |key: &str, value: String| {
        let copy = Copy::new();
        copy.edit(&[set(key, &value)]);
        copy.check()
    };
    let has = |s: &BTreeSet<String>, id: &str| s.contains(id);
    // Another propeller: all that turns or blows.
    let s = stale(&after("rotor.ct", format!("{}", 1.02 * input("rotor.ct"))));
    for id in
        ["hover.command", "hover.case-temperature", "vibration.accel", "rate.overshoot", "sizing.hover-share"]
    {
        assert!(has(&s, id), "rotor: {id} in {s:?}");
    }
    for id in ["vibration.filters", "sizing.centre-offset"] {
        assert!(!has(&s, id), "rotor: {id} in {s:?}");
    }
    // Other gains: what the loop does, not what the aircraft is.
    let r = after("loop.rate.p.x", format!("\"{} 1/s\"", 0.97 * input("loop.rate.p.x")));
    let s = stale(&r);
    for id in ["rate.overshoot", "rate.half-cycles", "vibration.command-noise"] {
        assert!(has(&s, id), "loop: {id} in {s:?}");
    }
    for id in [
        "hover.command",
        "hover.pitch-share",
        "vibration.accel",
        "set-up.order",
        "sizing.hover-share",
        "vibration.filters",
    ] {
        assert!(!has(&s, id), "loop: {id} in {s:?}");
    }
    assert!(
        criterion(&r, "rate.overshoot")
            .measured
            .as_ref()
            .unwrap()
            .stale
            .as_ref()
            .unwrap()
            .contains("loop.rate")
    );
    // Longer arms: order, shares and steps, not the hover command's drive nor the filters.
    let s = stale(&after("aircraft.arm", format!("\"{} m\"", input("aircraft.arm") + 0.01)));
    for id in ["set-up.order", "hover.roll-share", "rate.overshoot", "sizing.roll-acceleration"] {
        assert!(has(&s, id), "arm: {id} in {s:?}");
    }
    for id in ["vibration.filters", "hover.case-temperature", "sizing.centre-offset"] {
        assert!(!has(&s, id), "arm: {id} in {s:?}");
    }
    // Another cut-off.
    let s = stale(&after("filter.1.cutoff", "\"60 Hz\"".to_owned()));
    assert!(
        has(&s, "vibration.filters") && !has(&s, "hover.command") && !has(&s, "vibration.accel"),
        "{s:?}"
    );
    // A stated tolerance says how well a part is known, not which part it is.
    let s = stale(&after("rotor.ct", format!("\"{} +- 9 %\"", input("rotor.ct"))));
    assert!(s.is_empty(), "{s:?}");
}

#[test]
fn prop_weighed_mass_is_carried() {
    let weighed = |dir: &Path| {
        let opened = Opened::open(dir, None, &[]).unwrap_or_else(|d| panic!("{d}"));
        let limits = Limits::load(dir).unwrap_or_else(|d| panic!("{d}"));
        let evidence = opened.evidence();
        let prediction = opened.subject.predict(&[Group::Mass]);
        Context::new(&opened.subject, &prediction, &evidence, &limits).weighed().unwrap()
    };
    let copy = Copy::new();
    let before = weighed(copy.dir());
    assert!(!before.carried && before.mass.origin == Origin::Simulated);
    let key = format!("{}.mass", mass_key("legs"));
    copy.edit(&[set(&key, &format!("\"{} kg\"", input(&key) + 0.1))]);
    let after = weighed(copy.dir());
    assert!(after.carried && after.stale.is_none());
    assert!((after.mass.value - before.mass.value - 0.1).abs() < 1e-9);
    assert!(after.mass.uncertainty > before.mass.uncertainty);
    // A weighing that does not hold the computed values of its day cannot be carried: it is stale.
    let dir = copy.dir().join("records");
    let id =
        record_store::list(&dir).unwrap().into_iter().find(|m| m.values.contains_key("scale.1")).unwrap().id;
    let mut record = record_store::load(&dir, &id).unwrap();
    record.meta.values.retain(|k, _| !k.starts_with("computed."));
    std::fs::remove_dir_all(dir.join(&id)).unwrap();
    record_store::write(&dir, &record).unwrap();
    assert!(weighed(copy.dir()).stale.is_some());
    let r = copy.check();
    assert_ne!(criterion(&r, "sizing.centre-offset").state, State::Met);
    assert!(criterion(&r, "sizing.centre-offset").measured.as_ref().unwrap().stale.is_some());
}

#[test]
fn prop_cannot_tell() {
    let r = with_channels(&|c| !c.starts_with("attitude")).check();
    let c = criterion(&r, "rate.drift");
    assert_eq!(c.state, State::Undecided);
    let why = c.waits_for.as_deref().unwrap();
    assert!(why.starts_with("a record that can tell") && why.contains("attitude"), "{why}");
    // One axis alone does not meet a criterion on the worse of two.
    let r = with_channels(&|c| c != "rate_demand.y").check();
    let c = criterion(&r, "rate.drift");
    assert_ne!(c.state, State::Met);
    if c.state == State::Undecided {
        assert!(c.waits_for.as_deref().unwrap().contains("step.y.drift"), "{:?}", c.waits_for);
    }
}

#[test]
fn prop_limits_and_criteria_match() {
    let used: BTreeSet<String> =
        base_result().gates.iter().flat_map(|g| &g.criteria).map(|c| c.id.clone()).collect();
    let limits = Limits::built_in().unwrap_or_else(|d| panic!("{d}"));
    // The demo's sensor is screwed down: nothing is asked of its mount.
    let stated: BTreeSet<String> =
        limits.ids().filter(|id| !id.starts_with("structure.mount-")).map(str::to_owned).collect();
    assert_eq!(used, stated);
    for g in &base_result().gates {
        for c in &g.criteria {
            assert!(c.id.starts_with(&format!("{}.", g.id)));
            for e in c.predicted.iter().chain(c.measured.as_ref().map(|m| &m.estimate)) {
                assert_eq!(e.unit, c.limit.unit, "{}", c.id);
            }
        }
    }
}

/// Two facts of the trade that the limits must hold.
#[test]
fn val_trade_facts() {
    let r = base_result();
    let c = criterion(r, "sizing.hover-share");
    println!(
        "VALIDATION|gates|hover share of full thrust without payload on a full battery, limit|common practice, no source|0.5|{}|exact",
        c.limit.value
    );
    assert_eq!((c.limit.value, c.limit.sense), (0.5, Sense::AtMost));
    assert_eq!(c.limit.origin, "common practice, no source");
    // The figure is weight without payload over full thrust at full charge, by its own parts.
    let get = |id: &str| r.figures.iter().find(|f| f.id == id).unwrap().estimate.value;
    let share = get("mass.bare") * 9.80665 / get("full.full.thrust");
    assert!((c.predicted.as_ref().unwrap().value - share).abs() < 1e-9);
    // Rate steps of +-100 deg/s without overshoot: one tenth is what cannot be seen from the ground.
    let c = criterion(r, "rate.overshoot");
    println!(
        "VALIDATION|gates|overshoot of +-100 deg/s steps, limit|common practice, no source|0.1|{}|exact",
        c.limit.value
    );
    assert!(c.text.contains("±100 deg/s") && c.limit.sense == Sense::AtMost && c.limit.value <= 0.1);
    assert!(criterion(r, "rate.half-cycles").limit.value <= 1.0);
}

#[test]
fn prop_own_limits_and_their_errors() {
    let copy = Copy::new();
    let path = copy.dir().join("gates.toml");
    let rule = |id: &str, value: &str, unit: &str, sense: &str, origin: &str| {
        format!(
            "[{id}]\n{value}\nunit = \"{unit}\"\nsense = \"{sense}\"\norigin = \"{origin}\"\nbasis = \"b\"\n"
        )
    };
    let good = rule("rate.phase-margin", "value = 0.5", "rad", "at-least", "derived");
    for (text, line, words) in [
        (rule("rate.phase", "value = 0.5", "rad", "at-least", "derived"), 1, "no criterion has this name"),
        (rule("rate.phase-margin", "value = 45", "deg", "at-least", "derived"), 1, "in \"rad\""),
        (rule("rate.phase-margin", "value = 0.5", "rad", "at-most", "derived"), 1, "turned round"),
        (rule("rate.phase-margin", "value = 0.5", "rad", "over", "derived"), 1, "sense must be"),
        (rule("rate.phase-margin", "value = nan", "rad", "at-least", "derived"), 1, "finite number"),
        (rule("rate.phase-margin", "value = \"x\"", "rad", "at-least", "derived"), 1, "finite number"),
        (rule("rate.phase-margin", "factor = 2\nof = \"x\"", "rad", "at-least", "derived"), 1, "of must be"),
        (
            rule("rate.phase-margin", "value = 1\nfactor = 2\nof = \"wc\"", "rad", "at-least", "derived"),
            1,
            "either value",
        ),
        (
            rule("rate.phase-margin", "value = 1\nof = \"wc\"", "rad", "at-least", "derived"),
            1,
            "either value",
        ),
        (rule("rate.phase-margin", "value = 0.5", "rad", "at-least", "hearsay"), 1, "origin must be"),
        (rule("rate.phase-margin", "value = 0.5\nvalu = 1", "rad", "at-least", "derived"), 1, "no such key"),
        ("rate = 3\n".to_owned(), 0, "expected a table"),
        ("[rate.phase-margin\n".to_owned(), 1, ""),
        (good.replace("basis = \"b\"\n", ""), 1, "basis is missing"),
    ] {
        std::fs::write(&path, &text).unwrap();
        let errors = check(copy.dir(), None, &[]).expect_err(&text);
        assert_eq!(errors.0.len(), 1, "{errors}");
        let d = &errors.0[0];
        assert!(d.message.contains(words), "{text}: {errors}");
        assert!(d.help.is_some() || line == 0, "{errors}");
        assert!(d.file == path && (line == 0 || d.line.is_some()), "{errors}");
    }
    // All errors at once.
    let two = rule("rate.phase", "value = 1", "rad", "at-least", "derived")
        + &rule("hover.commando", "value = 1", "1", "at-most", "derived");
    std::fs::write(&path, two).unwrap();
    assert_eq!(check(copy.dir(), None, &[]).expect_err("two wrong names").0.len(), 2);
    std::fs::write(&path, good).unwrap();
    let r = copy.check();
    assert_eq!(criterion(&r, "rate.phase-margin").limit.value, 0.5);
}

#[test]
fn prop_frozen_predictions() {
    // The demo was frozen before its flight, and is scored.
    let scores = &base_result().scores;
    assert!(
        scores.iter().any(|s| s.model == "rotor") && scores.iter().any(|s| s.model == "mass"),
        "{scores:?}"
    );
    for s in scores {
        let d = s.measured.minus(&s.predicted);
        assert!((s.score - d.value / d.uncertainty).abs() < 1e-9 && s.score.is_finite());
    }
    let error = freeze::freeze(base(), None, "2026-03-05").expect_err("b1 has flown").to_string();
    assert!(error.contains("has flown already") && error.contains("2026-03-04-"), "{error}");
    let copy = Copy::new();
    ground(&copy);
    let path = freeze::freeze(copy.dir(), None, "2026-03-05").unwrap_or_else(|d| panic!("{d}"));
    let frozen = freeze::load(copy.dir(), "b1").unwrap_or_else(|d| panic!("{d}")).unwrap();
    assert_eq!(frozen.date, "2026-03-05");
    assert_eq!(freeze::load(copy.dir(), "b9").unwrap_or_else(|d| panic!("{d}")), None);
    // A prediction of another propeller than the one that flew is not scored by that flight.
    let copy = Copy::new();
    let text = std::fs::read_to_string(copy.dir().join("predictions/b1.json")).unwrap();
    let rotor = frozen.fingerprint.get("rotor").unwrap();
    std::fs::write(copy.dir().join("predictions/b1.json"), text.replace(rotor.as_str(), "another")).unwrap();
    let r = copy.check();
    assert!(r.scores.iter().all(|s| s.model != "rotor") && r.scores.iter().any(|s| s.model == "mass"));
    for damaged in ["", "{", &text[..text.len() / 2], "{\"build\": 3}", "[]"] {
        std::fs::write(copy.dir().join("predictions/b1.json"), damaged).unwrap();
        let d = check(copy.dir(), None, &[]).expect_err("damaged");
        assert!(d.to_string().contains("is not a frozen prediction") && d.0[0].help.is_some(), "{d}");
    }
    drop(path);
}

/// Every object that has an uncertainty says what it is, and every figure that the types call an
/// estimate is one.
#[test]
fn prop_json_estimates_are_whole() {
    fn walk(v: &serde_json::Value, path: &str, found: &mut usize) {
        match v {
            serde_json::Value::Object(o) => {
                let estimate = o.contains_key("contributions")
                    || o.contains_key("origin") && o.contains_key("uncertainty");
                if estimate {
                    *found += 1;
                    // JSON has no infinity: a gain margin without a lower limit is null, and nothing else is.
                    let value = o.get("value");
                    let unlimited = value.is_some_and(serde_json::Value::is_null)
                        && o.get("unit").is_some_and(|u| u == "dB")
                        && o.get("uncertainty").and_then(serde_json::Value::as_f64) == Some(0.0);
                    assert!(value.is_some_and(serde_json::Value::is_number) || unlimited, "{path}: {v}");
                    assert!(
                        o.get("uncertainty").and_then(serde_json::Value::as_f64).is_some_and(|u| u >= 0.0),
                        "{path}: {v}"
                    );
                    assert!(o.get("unit").is_some_and(serde_json::Value::is_string), "{path}: {v}");
                    let word = o.get("origin").and_then(serde_json::Value::as_str).unwrap_or_default();
                    assert!(["stated", "computed", "measured", "simulated"].contains(&word), "{path}: {v}");
                } else {
                    // A contribution names its source, a way of measuring its record; a value entered by hand stands in a
                    // record with an origin.
                    let known =
                        o.contains_key("source") || o.contains_key("record") || path.contains(".values");
                    assert!(!o.contains_key("uncertainty") || known, "{path}: {v}");
                }
                for (k, v) in o {
                    walk(v, &format!("{path}.{k}"), found);
                }
            }
            serde_json::Value::Array(a) => {
                for (k, v) in a.iter().enumerate() {
                    walk(v, &format!("{path}.{k}"), found);
                }
            }
            _ => {}
        }
    }
    let r = base_result();
    let json = serde_json::to_value(r).unwrap();
    let mut found = 0;
    walk(&json, "", &mut found);
    let criteria: Vec<_> = r.gates.iter().flat_map(|g| &g.criteria).collect();
    let least = r.figures.len()
        + r.inputs.len()
        + criteria.iter().filter(|c| c.predicted.is_some()).count()
        + criteria.iter().filter(|c| c.measured.is_some()).count()
        + 3 * criteria.iter().map(|c| c.causes.len()).sum::<usize>();
    assert!(found >= least, "{found} estimates, at least {least} expected");
}

/// An aircraft file with rotors and masses only: every gate says which key it waits for.
#[test]
fn prop_least_aircraft() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(dir.path().join("builds/b1")).unwrap();
    std::fs::copy(base().join("dossier.toml"), dir.path().join("dossier.toml")).unwrap();
    let least = "[aircraft]\nname = \"Tarn s1\"\nlayout = \"quad-x\"\narm = \"260 mm\"\n\n[[mass]]\nitem = \"all of it\"\n\
                 mass = \"3 kg\"\nat = [\"0 mm\", \"0 mm\", \"0 mm\"]\n\n[rotor]\ndiameter = \"13 in\"\nblades = 2\nct = 0.1\n\
                 cp = 0.04\ninertia = \"6e-5 kg m^2\"\n";
    let path = dir.path().join("builds/b1/aircraft.toml");
    let esc = "\n[esc]\nresistance = \"3 mohm\"\ndead_time = \"1 ms\"\nupdate_period = \"0.5 ms\"\nprotocol_period = \"0.1 ms\"\nbraking = true\nusable_minimum = \"4 %\"\n";
    let motor = "\n[motor]\nkv = \"400 rpm/V\"\nresistance = \"55 mohm\"\nno_load_current = \"0.9 A\"\nno_load_voltage = \"10 V\"\ninertia = \"3.4e-5 kg m^2\"\n";
    for (text, keys) in [
        (least.to_owned(), vec!["motor", "imu"]),
        (format!("{least}{motor}"), vec!["imu"]),
        (format!("{least}{esc}"), vec!["motor", "imu"]),
        (format!("{least}{motor}{esc}"), vec!["battery", "imu"]),
    ] {
        std::fs::write(&path, &text).unwrap();
        let r = check(dir.path(), None, &[]).unwrap_or_else(|d| panic!("{d}"));
        for g in &r.gates {
            assert_eq!(g.state, State::Open, "{}", g.name);
            for c in &g.criteria {
                let waits = c.waits_for.as_deref().unwrap_or_else(|| panic!("{} waits for nothing", c.id));
                if c.id.starts_with("sizing.") && c.predicted.is_none()
                    || ["rate.phase-margin", "rate.overshoot"].contains(&c.id.as_str())
                {
                    assert!(waits.contains('`'), "{}: {waits}", c.id);
                }
            }
        }
        for key in keys {
            assert!(r.waits.iter().any(|w| w.contains(&format!("`{key}"))), "{key}: {:?}", r.waits);
        }
        assert!(r.limiting.is_none());
    }
}
