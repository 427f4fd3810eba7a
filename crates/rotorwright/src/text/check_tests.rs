//! How a check reads in the terminal, on an invented result.

use bare::aircraft;
use dossier::estimate::{Contribution, Origin};
use dossier::result::{Effect, Evidence, KeyChange, LedgerLine, Limit, Limiting, Score, Sense};

use super::*;

/// The smallest aircraft that the type allows; no text shows it.
mod bare {
    use physics::aircraft::Aircraft;
    use physics::rotor::{Coefficients, Rotor};

    pub(super) fn aircraft() -> Aircraft {
        Aircraft {
            name: "Tarn b1".into(),
            stations: Vec::new(),
            bodies: Vec::new(),
            rotor: Rotor {
                diameter: 0.381,
                pitch: None,
                blades: 2,
                inertia: 1e-4,
                unbalance: 0.0,
                download: 0.0,
                coefficients: Coefficients::Constant { ct: 0.1, cp: 0.04 },
            },
            motor: None,
            esc: None,
            battery: None,
            avionics_power: 0.0,
            imu: None,
            filters: Vec::new(),
            rate_loop: None,
            attitude_loop: None,
            velocity_loop: None,
            position_loop: None,
            drag_area: 0.0,
            structure: Default::default(),
            magnetic: Default::default(),
            safety: Default::default(),
            sensors: Default::default(),
        }
    }
}

fn est(value: f64, u: f64, unit: &str, origin: Origin, source: &str) -> Estimate {
    let own = Contribution { source: source.into(), sensitivity: 1.0, uncertainty: u };
    let other = Contribution { source: "air density".into(), sensitivity: 1.0, uncertainty: u / 2.0 };
    Estimate::new(value, unit, origin, vec![own, other])
}

fn criterion(id: &str, text: &str, limit: f64, unit: &str, sense: Sense) -> CriterionResult {
    CriterionResult {
        id: id.into(),
        text: text.into(),
        limit: Limit {
            value: limit,
            unit: unit.into(),
            sense,
            origin: "derived".into(),
            basis: "1.3 / cos 30 deg".into(),
        },
        predicted: None,
        measured: None,
        state: State::Open,
        simulated: false,
        margin: None,
        waits_for: None,
        note: None,
        causes: Vec::new(),
        separating_test: None,
    }
}

fn gate(id: &str, name: &str, state: State, criteria: Vec<CriterionResult>) -> GateResult {
    GateResult {
        id: id.into(),
        name: name.into(),
        question: "Does it lift with margin?".into(),
        closes_on: "weighing".into(),
        state,
        simulated: false,
        premature: None,
        verdict: "A verdict in one sentence.".into(),
        criteria,
        ledgers: Vec::new(),
        shown: dossier::chart::Shown::default(),
        records: Vec::new(),
        evidence_date: None,
    }
}

fn fixture() -> CheckResult {
    let mut weight = criterion("sizing.thrust-weight", "Full thrust over weight", 1.5, "1", Sense::AtLeast);
    weight.predicted = Some(est(1.92, 0.05, "1", Origin::Computed, "rotor.ct"));
    weight.measured = Some(Evidence {
        estimate: est(1.88, 0.02, "1", Origin::Measured, "record w1: scale"),
        records: vec!["w1".into()],
        stale: None,
    });
    weight.state = State::Met;
    weight.margin = Some(0.253);
    let mut sizing = gate("sizing", "Sizing", State::Met, vec![weight]);
    sizing.records = vec!["w1".into()];
    sizing.evidence_date = Some("2026-03-04".into());
    sizing.ledgers = vec![Ledger {
        id: "mass".into(),
        title: "Mass".into(),
        lines: vec![LedgerLine {
            name: "battery".into(),
            value: est(1.32, 0.0066, "kg", Origin::Stated, "mass.1.mass"),
            share: 0.4,
            note: "35 mm below the rotors".into(),
        }],
        sum: est(3.3, 0.02, "kg", Origin::Stated, "mass.1.mass"),
        allowance: Some(3.5),
    }];

    let mut shake = criterion("vibration.filter-delay", "Filter delay", 0.0064, "s", Sense::AtMost);
    shake.waits_for = Some("a flight record with `rate_raw.x`".into());

    let mut over = criterion(
        "rate.overshoot",
        "Overshoot of a step of the rate demand by 100 deg/s about roll or pitch",
        0.1,
        "1",
        Sense::AtMost,
    );
    over.state = State::Short;
    over.simulated = true;
    over.margin = Some(-0.84);
    over.predicted = Some(est(0.17, 0.02, "1", Origin::Computed, "esc.dead_time"));
    over.measured = Some(Evidence {
        estimate: est(0.184, 0.006, "1", Origin::Simulated, "record f1: roll steps"),
        records: vec!["f1".into()],
        stale: None,
    });
    let cause = Cause {
        name: "slow ESC".into(),
        why: "its dead time of 11.5 ms is 38 % of the loop's delay".into(),
        class: ChangeClass::Hardware,
        change: "an ESC that answers within 1.5 ms".into(),
        edits: vec![KeyChange { key: "esc.dead_time".into(), value: "\"1.5 ms\"".into() }],
        effect: Effect {
            before: est(0.17, 0.02, "1", Origin::Computed, "esc.dead_time"),
            after: est(0.062, 0.012, "1", Origin::Computed, "esc.dead_time"),
            difference: est(-0.108, 0.009, "1", Origin::Computed, "esc.dead_time"),
            meets: true,
        },
        makes_stale: vec!["hover".into(), "rate".into()],
        breaks: Vec::new(),
    };
    over.causes = vec![cause.clone()];
    over.separating_test = Some("step one motor on the bench and time its first move.".into());
    let mut rate = gate("rate", "Rate", State::Short, vec![over]);
    rate.simulated = true;
    rate.premature = Some("Vibration".into());
    rate.records = vec!["f1".into(), "f2".into()];
    rate.evidence_date = Some("2026-03-09".into());

    CheckResult {
        programme: "Tarn".into(),
        build: "b1".into(),
        builds: vec!["b1".into()],
        aircraft: aircraft(),
        centre_of_gravity: [0.0; 3],
        figures: vec![Figure {
            id: "hover.full.speed".into(),
            group: "Hover, full charge".into(),
            name: "rotor speed".into(),
            estimate: est(480.0, 6.0, "rad/s", Origin::Computed, "rotor.ct"),
        }],
        facts: vec![dossier::result::Fact {
            name: "What limits full thrust".into(),
            text: "full command".into(),
        }],
        waits: vec!["endurance waits for `battery.capacity` in the aircraft file".into()],
        gates: vec![sizing, gate("vibration", "Vibration", State::Open, vec![shake]), rate],
        limiting: Some(Limiting {
            gate: "rate".into(),
            criterion: "rate.overshoot".into(),
            sentence: "Rate steps overshoot by 18 %, against 10 % allowed.".into(),
            cause: Some(cause),
        }),
        frozen: None,
        scores: vec![Score {
            model: "powertrain".into(),
            name: "hover.command".into(),
            predicted: est(0.43, 0.012, "1", Origin::Computed, "rotor.ct"),
            measured: est(0.44, 0.002, "1", Origin::Simulated, "record f1: hover"),
            score: 0.8,
        }],
        records: Vec::new(),
        inputs: Vec::new(),
        edits: Vec::new(),
        warnings: Vec::new(),
    }
}

fn fits(text: &str) {
    for line in text.lines() {
        assert!(line.chars().count() <= WIDTH, "{} columns: {line}", line.chars().count());
        assert!(!line.contains('\u{a0}') && !line.contains('\u{1b}'), "stray character in {line}");
    }
}

#[test]
fn regress_check_reads_in_eighty_columns() {
    let text = check(&fixture(), None);
    fits(&text);
    insta::assert_snapshot!(text);
}

#[test]
fn one_gate_shows_the_basis_of_its_limits() {
    let text = check(&fixture(), Some("sizing"));
    fits(&text);
    assert!(text.contains("Limit derived: 1.3 / cos 30 deg"), "{text}");
    assert!(!text.contains("3 Rate:"), "{text}");
}

#[test]
fn predictions_name_the_input_behind_most_of_the_uncertainty() {
    let text = predictions(&fixture());
    fits(&text);
    assert!(text.contains("4584 ± 64 rpm"), "{text}");
    assert!(text.contains("rotor.ct (80 %)"), "{text}");
}

#[test]
fn what_if_lists_what_moved() {
    let filed = fixture();
    let mut edited = fixture();
    edited.gates[2].criteria[0].predicted = Some(est(0.062, 0.012, "1", Origin::Computed, "esc.dead_time"));
    let text = what_if(&filed, &edited);
    fits(&text);
    assert!(text.contains("rate.overshoot") && !text.contains("sizing"), "{text}");
    assert!(what_if(&filed, &filed).contains("moves no predicted figure"));
}
