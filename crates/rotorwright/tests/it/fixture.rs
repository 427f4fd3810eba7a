//! A result as `check` would give it, and a source that answers what-ifs: invented figures of the
//! programme "Tarn", laid out so that every state and every kind of finding occurs.

#![expect(clippy::expect_used, reason = "a test fails by panicking")]

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::path::Path;
use std::sync::Mutex;

use dossier::compare::{BuildComparison, RecordComparison};
use dossier::diagnostic::{Diagnostic, Diagnostics};
use dossier::estimate::{Contribution, Estimate, Origin};
use dossier::findings::{Finding, Findings, Outcome, Peak, Phase, PhaseKind, Spectrum, StepTrace};
use dossier::record::{
    ChannelMeta, HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Source as Origins, Stamp,
    Tap,
};
use dossier::result::{
    Cause, ChangeClass, CheckResult, CriterionResult, Effect, Evidence, Fact, Figure, GateResult, InputLine,
    KeyChange, Ledger, LedgerLine, Limit, Limiting, Score, Sense, State,
};
use physics::Vec3;
use physics::aircraft::{Aircraft, Body, Shape, Spin, Station};
use physics::rotor::{Coefficients, Rotor};
use rotorwright::web::Source;

fn est(value: f64, unit: &str, origin: Origin, parts: &[(&str, f64)]) -> Estimate {
    Estimate::new(
        value,
        unit,
        origin,
        parts
            .iter()
            .map(|(s, u)| Contribution { source: (*s).to_owned(), sensitivity: 1.0, uncertainty: *u })
            .collect(),
    )
}

fn limit(value: f64, unit: &str, sense: Sense, origin: &str, basis: &str) -> Limit {
    Limit { value, unit: unit.to_owned(), sense, origin: origin.to_owned(), basis: basis.to_owned() }
}

fn criterion(id: &str, text: &str, limit: Limit, state: State) -> CriterionResult {
    CriterionResult {
        id: id.to_owned(),
        text: text.to_owned(),
        limit,
        predicted: None,
        measured: None,
        state,
        simulated: false,
        margin: None,
        waits_for: None,
        note: None,
        causes: Vec::new(),
        separating_test: None,
    }
}

fn margin(c: &CriterionResult, value: f64) -> f64 {
    let d = (c.limit.value - value) / c.limit.value;
    if c.limit.sense == Sense::AtMost { d } else { -d }
}

fn predicted(mut c: CriterionResult, e: Estimate) -> CriterionResult {
    c.margin = Some(margin(&c, e.value));
    c.predicted = Some(e);
    c
}

fn measured(mut c: CriterionResult, e: Estimate, record: &str) -> CriterionResult {
    c.margin = Some(margin(&c, e.value));
    c.simulated = e.origin == Origin::Simulated;
    c.measured = Some(Evidence { estimate: e, records: vec![record.to_owned()], stale: None });
    c
}

fn aircraft() -> Aircraft {
    let arm = 0.31;
    let k = arm / 2f64.sqrt();
    let cant = 4f64.to_radians();
    let station = |place: &str, x: f64, y: f64, spin: Spin| {
        // A sideways tilt, away from the arm's own plane.
        let side = Vec3::new(-y, x, 0.0).normalize() * spin.reaction_sign();
        Station {
            place: place.to_owned(),
            at: Vec3::new(x, y, 0.0),
            axis: Vec3::new(side.x * cant.sin(), side.y * cant.sin(), -cant.cos()),
            spin,
            below: None,
        }
    };
    let stations = vec![
        station("front right", k, k, Spin::Ccw),
        station("rear right", -k, k, Spin::Cw),
        station("rear left", -k, -k, Spin::Ccw),
        station("front left", k, -k, Spin::Cw),
    ];
    let body = |item: &str, mass: f64, at: Vec3, payload: bool| Body {
        item: item.to_owned(),
        mass,
        at,
        shape: Shape::Point,
        payload,
    };
    let mut bodies = vec![
        body("battery", 1.32, Vec3::new(0.008, 0.0, 0.035), false),
        body("frame", 0.62, Vec3::new(0.0, 0.0, 0.008), false),
        body("avionics", 0.18, Vec3::new(0.045, 0.0, -0.02), false),
        body("camera", 0.35, Vec3::new(0.11, 0.0, 0.055), true),
    ];
    bodies.extend(
        stations.iter().map(|s| body("motor and propeller", 0.168, s.at + Vec3::new(0.0, 0.0, 0.02), false)),
    );
    Aircraft {
        name: "Tarn b1".to_owned(),
        stations,
        bodies,
        rotor: Rotor {
            diameter: 0.381,
            pitch: Some(0.127),
            blades: 2,
            inertia: 9.5e-5,
            unbalance: 4e-5,
            download: 0.0,
            coefficients: Coefficients::Constant { ct: 0.105, cp: 0.04 },
        },
        motor: None,
        esc: None,
        battery: None,
        avionics_power: 9.0,
        imu: None,
        filters: Vec::new(),
        rate_loop: None,
        attitude_loop: None,
        velocity_loop: None,
        position_loop: None,
        drag_area: 0.02,
        structure: Default::default(),
        magnetic: Default::default(),
        safety: Default::default(),
        sensors: Default::default(),
    }
}

pub(crate) const FLIGHT: &str = "2026-03-04-flight-1";
pub(crate) const WEIGHING: &str = "2026-03-02-weighing";

fn sizing() -> GateResult {
    let hover = measured(
        predicted(
            criterion(
                "sizing.hover-thrust",
                "hover thrust over full thrust, no payload, full charge",
                limit(0.5, "1", Sense::AtMost, "common practice, no source", "half of full thrust"),
                State::Met,
            ),
            est(0.386, "1", Origin::Computed, &[("rotor.ct", 0.009), ("battery.cell_resistance", 0.004)]),
        ),
        est(0.391, "1", Origin::Simulated, &[("record: hover command", 0.006)]),
        FLIGHT,
    );
    let worst = predicted(
        criterion(
            "sizing.thrust-to-weight",
            "full thrust over weight in the worst corner",
            limit(1.5, "1", Sense::AtLeast, "derived", "1/cos 30 deg x 1.3"),
            State::Open,
        ),
        est(1.93, "1", Origin::Computed, &[("rotor.ct", 0.05), ("battery.cell_resistance", 0.03)]),
    );
    let mut centre = measured(
        predicted(
            criterion(
                "sizing.centre-of-gravity",
                "centre of gravity from the rotors' centre, fraction of the arm",
                limit(0.05, "1", Sense::AtMost, "common practice, no source", "5 % of the rotor arms"),
                State::Met,
            ),
            est(0.042, "1", Origin::Computed, &[("mass.4.at", 0.004)]),
        ),
        est(0.044, "1", Origin::Measured, &[("record: scales", 0.002)]),
        WEIGHING,
    );
    centre.note = Some("The camera alone moves it by 12 mm.".to_owned());
    GateResult {
        id: "sizing".to_owned(),
        name: "Sizing".to_owned(),
        question: "Does it lift with margin?".to_owned(),
        closes_on: "weighing, static sweep".to_owned(),
        state: State::Open,
        simulated: false,
        premature: None,
        verdict:
            "It lifts with margin by the prediction; full thrust in the worst corner is not measured yet."
                .to_owned(),
        criteria: vec![hover, worst, centre],
        ledgers: vec![Ledger {
            id: "mass".to_owned(),
            title: "Mass".to_owned(),
            lines: [
                ("battery", 1.32, 0.0066),
                ("frame", 0.62, 0.006),
                ("motors and propellers", 0.672, 0.004),
                ("camera", 0.35, 0.002),
                ("avionics", 0.18, 0.002),
            ]
            .iter()
            .map(|(n, m, u)| LedgerLine {
                name: (*n).to_owned(),
                value: est(*m, "kg", Origin::Stated, &[(n, *u)]),
                share: m / 3.152,
                note: if *n == "camera" { "payload".to_owned() } else { String::new() },
            })
            .collect(),
            sum: est(3.152, "kg", Origin::Computed, &[("battery", 0.0066), ("frame", 0.006)]),
            allowance: Some(3.4),
        }],
        shown: dossier::chart::Shown::default(),
        records: vec![WEIGHING.to_owned(), FLIGHT.to_owned()],
        evidence_date: Some("2026-03-04".to_owned()),
    }
}

fn dead_time_of(edits: &[KeyChange]) -> f64 {
    edits
        .iter()
        .find(|e| e.key == "esc.dead_time")
        .and_then(|e| e.value.trim_matches('"').trim_end_matches("ms").trim().parse::<f64>().ok())
        .map_or(0.0115, |ms| ms * 1e-3)
}

fn rate(dead: f64) -> GateResult {
    let total = dead + 0.0021 + 0.0004 + 0.0052 + 0.0243;
    let phase_margin = (76.0 - 28.0 * dead / 0.0115).to_radians();
    let short = phase_margin < 45f64.to_radians();
    let after = 69f64.to_radians();
    let pm = |v: f64, o| {
        est(v, "rad", o, &[("esc.dead_time", 0.02), ("motor.inertia", 0.012), ("rotor.inertia", 0.006)])
    };
    let mut phase = predicted(
        criterion(
            "rate.phase-margin",
            "phase margin, roll",
            limit(
                45f64.to_radians(),
                "rad",
                Sense::AtLeast,
                "published",
                "MIL-DTL-9490E, table of gain and phase margins",
            ),
            if short { State::Short } else { State::Open },
        ),
        pm(phase_margin, Origin::Computed),
    );
    let mut overshoot = measured(
        predicted(
            criterion(
                "rate.overshoot",
                "overshoot of ±100 deg/s steps, roll",
                limit(
                    0.1,
                    "1",
                    Sense::AtMost,
                    "derived",
                    "second order at 45 deg phase margin and a prefilter",
                ),
                State::Short,
            ),
            est(
                0.162 * dead / 0.0115,
                "1",
                Origin::Computed,
                &[("esc.dead_time", 0.018), ("rotor.inertia", 0.008)],
            ),
        ),
        est(0.187, "1", Origin::Simulated, &[("record: roll steps", 0.014)]),
        FLIGHT,
    );
    overshoot.simulated = true;
    overshoot.causes = vec![
        Cause {
            name: "The ESC answers late".to_owned(),
            why: "Its 11.5 ms of dead time are 27 % of the loop's delay; the same steps with 3 ms show 6 % overshoot.".to_owned(),
            class: ChangeClass::Hardware,
            change: "Set the ESC's input to the faster frame, or fit one with at most 3 ms of dead time".to_owned(),
            edits: vec![KeyChange { key: "esc.dead_time".to_owned(), value: "\"3 ms\"".to_owned() }],
            effect: Effect {
                before: est(0.187, "1", Origin::Simulated, &[("record: roll steps", 0.014)]),
                after: est(0.064, "1", Origin::Computed, &[("record: roll steps", 0.012)]),
                difference: est(-0.123, "1", Origin::Computed, &[("esc.dead_time", 0.011)]),
                meets: true,
            },
            makes_stale: vec!["rate".to_owned(), "vibration".to_owned()],
            breaks: Vec::new(),
        },
        Cause {
            name: "The low-pass is lower than the vibration asks for".to_owned(),
            why: "Its 40 Hz cut-off costs 5.2 ms; the spectrum is quiet up to 96 Hz.".to_owned(),
            class: ChangeClass::Filter,
            change: "Raise the cut-off to 70 Hz".to_owned(),
            edits: vec![KeyChange { key: "filter.1.cutoff".to_owned(), value: "\"70 Hz\"".to_owned() }],
            effect: Effect {
                before: est(0.187, "1", Origin::Simulated, &[("record: roll steps", 0.014)]),
                after: est(0.142, "1", Origin::Computed, &[("record: roll steps", 0.013)]),
                difference: est(-0.045, "1", Origin::Computed, &[("filter.1.cutoff", 0.006)]),
                meets: false,
            },
            makes_stale: vec!["rate".to_owned()],
            breaks: vec!["vibration: command noise would be 1.2 % against 1 %".to_owned()],
        },
    ];
    overshoot.separating_test =
        Some("one motor, propeller on, on the bench: a command step with rotor speed at 1 kHz".to_owned());
    phase.note = Some(format!(
        "At a crossover of 20.4 rad/s every millisecond costs 1.2 deg; {:.1} ms in all.",
        total * 1e3
    ));
    if short {
        phase.causes = vec![overshoot.causes[0].clone()];
        phase.causes[0].effect = Effect {
            before: pm(phase_margin, Origin::Computed),
            after: pm(after, Origin::Computed),
            difference: est(after - phase_margin, "rad", Origin::Computed, &[("esc.dead_time", 0.01)]),
            meets: true,
        };
    }
    let mut drift = criterion(
        "rate.drift",
        "attitude drift in the 2 s after release",
        limit(2f64.to_radians(), "rad", Sense::AtMost, "common practice, no source", "2 deg"),
        State::Undecided,
    );
    drift = measured(drift, est(0.033, "rad", Origin::Simulated, &[("record: attitude", 0.004)]), FLIGHT);
    let mut yaw = criterion(
        "rate.overshoot-yaw",
        "overshoot of ±60 deg/s steps, yaw",
        limit(0.1, "1", Sense::AtMost, "common practice, no source", "10 %"),
        State::Open,
    );
    yaw.waits_for = Some("a record with yaw steps".to_owned());
    let line = |name: &str, value: f64, u: f64, note: &str| LedgerLine {
        name: name.to_owned(),
        value: est(value, "s", Origin::Computed, &[(name, u)]),
        share: value / total,
        note: note.to_owned(),
    };
    GateResult {
        id: "rate".to_owned(),
        name: "Rate".to_owned(),
        question: "Are rate steps crisp, without overshoot or drift?".to_owned(),
        closes_on: "flight with rate steps".to_owned(),
        state: State::Short,
        simulated: true,
        premature: Some("Hover".to_owned()),
        verdict:
            "Roll steps overshoot by 18.7 % where 10 % is allowed; the ESC's dead time explains most of it."
                .to_owned(),
        criteria: vec![phase, overshoot, drift, yaw],
        ledgers: vec![Ledger {
            id: "latency".to_owned(),
            title: "Latency at crossover, roll".to_owned(),
            lines: vec![
                line("sensor", 0.0004, 0.0001, "0.5 deg at crossover"),
                line("low-pass 40 Hz", 0.0052, 0.0001, "6.1 deg at crossover"),
                line("computation and hold", 0.0021, 0.0002, "2.5 deg"),
                line("ESC dead time", dead, 0.0008, "stated; a step record would measure it"),
                line("motor lag", 0.0273, 0.0014, "time constant with braking"),
                line("inflow", -0.003, 0.0006, "a lead: thrust runs ahead of speed"),
            ],
            sum: est(total, "s", Origin::Computed, &[("motor lag", 0.0014), ("ESC dead time", 0.0008)]),
            allowance: Some(0.0314),
        }],
        shown: dossier::chart::Shown::default(),
        records: vec![FLIGHT.to_owned()],
        evidence_date: Some("2026-03-04".to_owned()),
    }
}

fn gates(dead: f64) -> Vec<GateResult> {
    let simple = |id: &str,
                  name: &str,
                  question: &str,
                  closes: &str,
                  state: State,
                  verdict: &str,
                  criteria: Vec<CriterionResult>| GateResult {
        id: id.to_owned(),
        name: name.to_owned(),
        question: question.to_owned(),
        closes_on: closes.to_owned(),
        state,
        simulated: false,
        premature: None,
        verdict: verdict.to_owned(),
        criteria,
        ledgers: Vec::new(),
        shown: dossier::chart::Shown::default(),
        records: Vec::new(),
        evidence_date: None,
    };
    let mut stale = measured(
        predicted(
            criterion(
                "hover.command",
                "hover command against the prediction",
                limit(0.1, "1", Sense::AtMost, "derived", "within 10 % and within 2 standard uncertainties"),
                State::Stale,
            ),
            est(0.021, "1", Origin::Computed, &[("rotor.ct", 0.018)]),
        ),
        est(0.034, "1", Origin::Simulated, &[("record: hover command", 0.009)]),
        FLIGHT,
    );
    if let Some(m) = stale.measured.as_mut() {
        m.stale = Some("`battery` has changed since the record".to_owned());
    }
    let mut hover = simple(
        "hover",
        "Hover",
        "Does it hover as computed?",
        "tethered first hop, flight",
        State::Stale,
        "It hovered as computed, with a battery that has changed since.",
        vec![stale],
    );
    hover.records = vec![FLIGHT.to_owned()];
    hover.simulated = true;
    hover.evidence_date = Some("2026-03-04".to_owned());
    let mut quiet = simple(
        "vibration",
        "Vibration",
        "Is what remains small enough to filter cheaply?",
        "flight, balance run",
        State::Met,
        "Vibration is 2.1 m/s² r.m.s. where 5 m/s² is allowed.",
        vec![measured(
            criterion(
                "vibration.accelerometer",
                "accelerometer, r.m.s. up to blade passage",
                limit(5.0, "m/s^2", Sense::AtMost, "common practice, no source", "5 m/s² r.m.s."),
                State::Met,
            ),
            est(2.1, "m/s^2", Origin::Simulated, &[("record: accelerometer", 0.12)]),
            FLIGHT,
        )],
    );
    quiet.simulated = true;
    quiet.premature = Some("Hover".to_owned());
    quiet.records = vec![FLIGHT.to_owned()];
    quiet.evidence_date = Some("2026-03-04".to_owned());
    vec![
        sizing(),
        simple(
            "set-up",
            "Set-up",
            "May the propellers go on?",
            "hand rotation, spin check, end points, fail-safe presets",
            State::Met,
            "Every axis, sign, order and direction is confirmed.",
            vec![measured(
                criterion(
                    "set-up.axes",
                    "posterior that axes and signs are right",
                    limit(0.99, "1", Sense::AtLeast, "derived", "99 %"),
                    State::Met,
                ),
                est(0.9994, "1", Origin::Measured, &[("record: spin check", 0.0001)]),
                WEIGHING,
            )],
        ),
        hover,
        quiet,
        rate(dead),
    ]
}

fn input(
    key: &str,
    label: &str,
    text: &str,
    value: f64,
    uncertainty: f64,
    unit: &str,
    assumed: bool,
) -> InputLine {
    InputLine {
        key: key.to_owned(),
        label: label.to_owned(),
        text: text.to_owned(),
        value,
        uncertainty,
        unit: unit.to_owned(),
        assumed,
        origin: Origin::Stated,
        replaced: None,
    }
}

fn meta(id: &str, kind: Kind) -> RecordMeta {
    let flight = kind == Kind::Flight;
    let channel = |name: &str, unit: &str, column: &str, tap| ChannelMeta {
        name: name.to_owned(),
        unit: unit.to_owned(),
        column: column.to_owned(),
        tap,
        stamp: Some(Stamp::Sampled),
    };
    let mut channels = Vec::new();
    if flight {
        for a in ["x", "y", "z"] {
            channels.push(channel(
                &format!("rate.{a}"),
                "rad/s",
                &format!("column {a}"),
                Some(Tap::Filtered),
            ));
            channels.push(channel(&format!("rate_demand.{a}"), "rad/s", &format!("demand {a}"), None));
        }
        for i in 1..=4 {
            channels.push(channel(
                &format!("rotor.{i}.command"),
                "1",
                &format!("out {i}"),
                Some(Tap::AfterMixing),
            ));
        }
        channels.push(channel("accel.z", "m/s^2", "acc down", Some(Tap::Raw)));
        channels.push(channel("battery.voltage", "V", "volts", None));
    }
    RecordMeta {
        id: id.to_owned(),
        kind,
        build: "b1".to_owned(),
        date: id.get(..10).unwrap_or("").to_owned(),
        origin: if flight { RecordOrigin::Simulated } else { RecordOrigin::Measured },
        remark: if flight {
            "rate steps in calm air".to_owned()
        } else {
            "three scales, level and tilted".to_owned()
        },
        setting: String::new(),
        sources: if flight {
            vec![Origins {
                file: "flight.csv".to_owned(),
                sha256: "9c1f0a7744aa51d2be".repeat(4).get(..64).unwrap_or("").to_owned(),
                bytes: 18_400_000,
            }]
        } else {
            Vec::new()
        },
        rate: if flight { 500.0 } else { 0.0 },
        channels,
        fingerprint: BTreeMap::new(),
        values: if flight {
            BTreeMap::new()
        } else {
            [("scale.1", 1.061), ("scale.2", 1.037), ("scale.3", 1.044)]
                .into_iter()
                .map(|(n, v)| {
                    (n.to_owned(), HandValue { value: v, uncertainty: 0.002, unit: "kg".to_owned() })
                })
                .collect()
        },
        report: ImportReport {
            rows: 30_000,
            duplicates: 3,
            gaps: 1,
            remarks: vec!["Time jitters by 0.2 ms; resampled to 500 Hz.".to_owned()],
            ..ImportReport::default()
        },
    }
}

/// The result, with the effect of an edit of `esc.dead_time`.
pub(crate) fn result(build: Option<&str>, edits: &[KeyChange]) -> CheckResult {
    let dead = dead_time_of(edits);
    let gates = gates(dead);
    let rate = gates.last().expect("the rate gate");
    let limiting = (!edits.iter().any(|e| e.key == "esc.dead_time")).then(|| Limiting {
        gate: "rate".to_owned(),
        criterion: "rate.overshoot".to_owned(),
        sentence: "Roll steps overshoot by 18.7 % where 10 % is allowed.".to_owned(),
        cause: rate.criteria[1].causes.first().cloned(),
    });
    let figure = |id: &str, group: &str, name: &str, e: Estimate| Figure {
        id: id.to_owned(),
        group: group.to_owned(),
        name: name.to_owned(),
        estimate: e,
    };
    let c = Origin::Computed;
    let text = |key: &str, file: &str| {
        edits.iter().find(|e| e.key == key).map_or_else(|| file.to_owned(), |e| e.value.clone())
    };
    CheckResult {
        programme: "Tarn".to_owned(),
        build: build.unwrap_or("b1").to_owned(),
        builds: vec!["b1".to_owned(), "b2".to_owned()],
        aircraft: aircraft(),
        centre_of_gravity: [0.0132, -0.001, 0.0269],
        figures: vec![
            figure(
                "mass.total",
                "Mass",
                "mass with payload",
                est(3.152, "kg", c, &[("mass.1.mass", 0.0066), ("mass.2.mass", 0.006)]),
            ),
            figure(
                "mass.inertia.roll",
                "Mass",
                "roll inertia",
                est(0.0392, "kg m^2", c, &[("mass.2.box", 0.0011)]),
            ),
            figure(
                "hover.full.speed",
                "Hover, full charge",
                "rotor speed",
                est(512.4, "rad/s", c, &[("rotor.ct", 7.7), ("air density", 2.0)]),
            ),
            figure(
                "hover.full.current",
                "Hover, full charge",
                "motor current",
                est(6.31, "A", c, &[("rotor.cp", 0.26), ("motor.kv", 0.05)]),
            ),
            figure(
                "hover.full.command",
                "Hover, full charge",
                "command",
                est(0.4831, "1", c, &[("rotor.ct", 0.0071), ("motor.kv", 0.004)]),
            ),
            figure(
                "hover.full.voltage",
                "Hover, full charge",
                "bus voltage",
                est(24.31, "V", c, &[("battery.cell_resistance", 0.08)]),
            ),
            figure(
                "hover.endurance",
                "Hover, full charge",
                "endurance to reserve",
                est(1106.0, "s", c, &[("rotor.cp", 45.0), ("battery.capacity", 22.0)]),
            ),
            figure(
                "loop.roll.crossover",
                "Rate loop, roll",
                "crossover",
                est(20.4, "rad/s", c, &[("motor.inertia", 0.3)]),
            ),
            figure(
                "loop.roll.phase_margin",
                "Rate loop, roll",
                "phase margin",
                rate.criteria[0].predicted.clone().expect("predicted"),
            ),
            figure(
                "loop.roll.latency",
                "Rate loop, roll",
                "latency at crossover",
                rate.ledgers[0].sum.clone(),
            ),
        ],
        facts: vec![Fact {
            name: "yaw signs".to_owned(),
            text: "as by reaction alone at every rotor".to_owned(),
        }],
        waits: vec!["gust response waits for `loop.velocity` in the aircraft file".to_owned()],
        gates,
        limiting,
        frozen: None,
        scores: vec![
            Score {
                model: "powertrain".to_owned(),
                name: "hover command".to_owned(),
                predicted: est(0.4831, "1", c, &[("rotor.ct", 0.0082)]),
                measured: est(0.4915, "1", Origin::Simulated, &[("record", 0.004)]),
                score: 0.9,
            },
            Score {
                model: "loops".to_owned(),
                name: "overshoot, roll".to_owned(),
                predicted: est(0.162, "1", c, &[("esc.dead_time", 0.019)]),
                measured: est(0.187, "1", Origin::Simulated, &[("record", 0.014)]),
                score: -2.4,
            },
        ],
        records: vec![meta(WEIGHING, Kind::Weighing), meta(FLIGHT, Kind::Flight)],
        inputs: vec![
            input("mass.1.mass", "battery", "\"1.32 kg +- 0.5 %\"", 1.32, 0.0066, "kg", false),
            input("mass.2.mass", "frame", "\"620 g\"", 0.62, 0.006, "kg", true),
            input("rotor.diameter", "diameter", "\"15 in\"", 0.381, 0.0004, "m", true),
            input("rotor.ct", "thrust coefficient", "\"0.105 +- 3 %\"", 0.105, 0.003_15, "1", false),
            input("rotor.inertia", "inertia", "\"9.5e-5 kg m^2\"", 9.5e-5, 9.5e-6, "kg m^2", true),
            input("motor.kv", "velocity constant", "\"400 rpm/V\"", 41.9, 0.8, "rad/s/V", true),
            input(
                "esc.dead_time",
                "dead time",
                &text("esc.dead_time", "\"11.5 ms\""),
                dead,
                0.0008,
                "s",
                true,
            ),
            input("battery.cell_resistance", "cell resistance", "\"2.4 mohm\"", 0.0024, 0.0003, "ohm", true),
            input(
                "filter.1.cutoff",
                "cut-off",
                &text("filter.1.cutoff", "\"40 Hz\""),
                40.0,
                0.0,
                "Hz",
                false,
            ),
            input("loop.rate.p.1", "rate gain, roll", "\"22 1/s\"", 22.0, 0.0, "1/s", false),
        ],
        edits: edits.to_vec(),
        warnings: vec![
            Diagnostic::warning(
                Path::new("builds/b1/aircraft.toml"),
                "the ESC's dead time is the default of its kind",
            )
            .at(41, 1)
            .key("esc.dead_time")
            .help("measure it with a step record and state it: dead_time = \"3 ms +- 10 %\""),
        ],
    }
}

/// Small repeatable noise, about -1 to 1.
fn noise(i: usize, seed: u64) -> f64 {
    let mut z = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ seed.wrapping_mul(0xd1b5_4a32_d192_ed03);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z >> 11) as f64 / (1u64 << 53) as f64) * 2.0 - 1.0
}

/// Second-order answer to a unit step after a dead time, with `zeta` below one.
fn answer(t: f64, zeta: f64) -> f64 {
    let (dead, w) = (0.018, 24.0);
    let t = t - dead;
    if t <= 0.0 {
        return 0.0;
    }
    let wd = w * (1.0 - zeta * zeta).sqrt();
    1.0 - (-zeta * w * t).exp() * ((wd * t).cos() + zeta * w / wd * (wd * t).sin())
}

const STEP: f64 = 100.0 * PI / 180.0;

/// Start, axis and sign of the steps in the record.
fn script() -> Vec<(f64, usize, f64)> {
    (0..8)
        .map(|k| (12.0 + 4.0 * f64::from(k), (k / 4) as usize, if k % 2 == 0 { 1.0 } else { -1.0 }))
        .collect()
}

/// A flight of a minute at 500 Hz with steps in roll and pitch, and the weighing.
pub(crate) fn record(id: &str) -> Record {
    if id != FLIGHT {
        return Record { meta: meta(id, Kind::Weighing), time: Vec::new(), channels: BTreeMap::new() };
    }
    let n = 30_000;
    let time: Vec<f64> = (0..n).map(|i| i as f64 / 500.0).collect();
    let mut channels: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for (a, name) in ["x", "y", "z"].iter().enumerate() {
        let mut demand = vec![0.0; n];
        let mut rate = vec![0.0; n];
        for i in 0..n {
            let t = time[i];
            rate[i] = 0.03 * noise(i, a as u64) + 0.02 * (TAU * 97.0 * t).sin();
            for (start, axis, sign) in script() {
                if axis == a && t >= start {
                    demand[i] += if t < start + 0.8 { sign * STEP } else { 0.0 };
                    rate[i] += sign * STEP * (answer(t - start, 0.47) - answer(t - start - 0.8, 0.47));
                }
            }
        }
        channels.insert(format!("rate_demand.{name}"), demand);
        channels.insert(format!("rate.{name}"), rate);
    }
    for r in 0..4usize {
        let values = (0..n)
            .map(|i| {
                let t = time[i];
                let lift = if t < 4.0 { 0.06 } else { 0.48 + 0.01 * r as f64 + 0.0006 * t };
                let push: f64 = script()
                    .iter()
                    .map(|(s, _, sign)| {
                        if (0.0..0.2).contains(&(t - s)) {
                            0.1 * sign * if r < 2 { -1.0 } else { 1.0 }
                        } else {
                            0.0
                        }
                    })
                    .sum();
                lift + push + 0.004 * noise(i, 7 + r as u64)
            })
            .collect();
        channels.insert(format!("rotor.{}.command", r + 1), values);
    }
    let mut accel: Vec<f64> =
        (0..n).map(|i| -9.81 + 1.6 * noise(i, 31) + 1.8 * (TAU * 97.0 * time[i]).sin()).collect();
    accel[20_000..20_400].fill(f64::NAN);
    channels.insert("accel.z".to_owned(), accel);
    channels.insert(
        "battery.voltage".to_owned(),
        (0..n).map(|i| 25.0 - 0.02 * time[i] + 0.02 * noise(i, 41)).collect(),
    );
    Record { meta: meta(id, Kind::Flight), time, channels }
}

/// What the record shows.
pub(crate) fn findings(record: &Record) -> Findings {
    if record.meta.kind != Kind::Flight {
        return Findings {
            record: record.meta.id.clone(),
            items: vec![Finding {
                key: "mass".to_owned(),
                label: "mass".to_owned(),
                outcome: Outcome::Value {
                    estimate: est(3.152, "kg", Origin::Measured, &[("scales", 0.0035)]),
                },
                text: "The sum of three scales; it agrees with the items within 0.1 standard uncertainties."
                    .to_owned(),
                replaces: None,
                rests_on: vec!["mass".to_owned()],
            }],
            ..Findings::default()
        };
    }
    let value = |key: &str, label: &str, e: Estimate, text: &str| Finding {
        key: key.to_owned(),
        label: label.to_owned(),
        outcome: Outcome::Value { estimate: e },
        text: text.to_owned(),
        replaces: None,
        rests_on: vec!["rotor".to_owned()],
    };
    let s = Origin::Simulated;
    let mut phases = vec![
        Phase { kind: PhaseKind::Ground, label: "on the ground".to_owned(), start: 0.0, end: 4.0 },
        Phase { kind: PhaseKind::Hover, label: "hover".to_owned(), start: 4.5, end: 11.8 },
    ];
    for (start, axis, sign) in script() {
        let word = match (axis, sign > 0.0) {
            (0, true) => "roll step right",
            (0, false) => "roll step left",
            (_, true) => "pitch step nose up",
            _ => "pitch step nose down",
        };
        phases.push(Phase {
            kind: PhaseKind::Step,
            label: format!("{word} 100 deg/s"),
            start,
            end: start + 0.8,
        });
        phases.push(Phase {
            kind: PhaseKind::Release,
            label: "release".to_owned(),
            start: start + 0.8,
            end: start + 2.8,
        });
    }
    phases.push(Phase { kind: PhaseKind::Hover, label: "hover".to_owned(), start: 44.0, end: 60.0 });
    let steps = script()
        .into_iter()
        .enumerate()
        .map(|(k, (_, axis, sign))| {
            let zeta = 0.47 + 0.02 * noise(k, 3);
            let time: Vec<f64> = (0..400).map(|i| f64::from(i) / 500.0).collect();
            StepTrace {
                axis: if axis == 0 { 'x' } else { 'y' },
                size: sign * STEP,
                demand: vec![sign * STEP; 400],
                rate: time
                    .iter()
                    .enumerate()
                    .map(|(i, t)| sign * STEP * answer(*t, zeta) + 0.02 * noise(i, k as u64))
                    .collect(),
                time,
                delay: Some(0.036 + 0.001 * noise(k, 5)),
                rise: Some(0.066 + 0.003 * noise(k, 6)),
                overshoot: Some(0.187 + 0.01 * noise(k, 8)),
                settling: Some(0.31 + 0.02 * noise(k, 9)),
                drift: Some(0.033),
                half_cycles: Some(2),
                damping: Some(0.46),
            }
        })
        .collect();
    let frequency: Vec<f64> = (0..1025).map(|i| 250.0 * f64::from(i) / 1024.0).collect();
    let line = |f: f64, at: f64, width: f64, height: f64| height / (1.0 + ((f - at) / width).powi(2));
    let spectrum = |channel: &str, unit: &str, k: f64| {
        let density: Vec<f64> = frequency
            .iter()
            .enumerate()
            .map(|(i, f)| {
                k * (2e-3 / (1.0 + (f / 6.0).powi(2))
                    + 2e-6 * (1.2 + noise(i, 11))
                    + line(*f, 97.0, 0.5, 1.5e-2)
                    + line(*f, 194.0, 0.8, 1.2e-3)
                    + line(*f, 31.0, 2.0, 1e-4))
            })
            .collect();
        let mut sum = 0.0;
        let cumulative = density
            .iter()
            .map(|d| {
                sum += d * 250.0 / 1024.0;
                f64::sqrt(sum)
            })
            .collect();
        let peak = |f: f64, rms: f64, what: &str| Peak { frequency: f, rms, attribution: what.to_owned() };
        Spectrum {
            channel: channel.to_owned(),
            unit: unit.to_owned(),
            frequency: frequency.clone(),
            density,
            cumulative,
            averages: 30.0,
            peaks: vec![
                peak(97.0, 0.15, "1/rev, imbalance"),
                peak(194.0, 0.05, "blade passage"),
                peak(31.0, 0.02, "cannot tell: mode or loop"),
            ],
        }
    };
    Findings {
        record: record.meta.id.clone(),
        items: vec![
            value(
                "hover.command",
                "hover command",
                est(0.4915, "1", s, &[("record: hover command", 0.004)]),
                "Within 2 % of the prediction. It says the powertrain lifts as computed; it cannot say whether the propeller or the motor is the better one.",
            ),
            value(
                "share.roll",
                "rotor share, left over right",
                est(0.021, "1", s, &[("record", 0.004)]),
                "The centre of gravity lies to the left, or a motor is twisted; one flight cannot separate the two.",
            ),
            value(
                "step.x.overshoot",
                "overshoot, roll",
                est(0.187, "1", s, &[("record", 0.014)]),
                "Over four steps, right and left alike.",
            ),
            Finding {
                key: "saturation".to_owned(),
                label: "saturation".to_owned(),
                outcome: Outcome::Words { answer: "no sample at an end".to_owned() },
                text: "The largest command is 0.62.".to_owned(),
                replaces: None,
                rests_on: Vec::new(),
            },
            Finding {
                key: "step.z.overshoot".to_owned(),
                label: "overshoot, yaw".to_owned(),
                outcome: Outcome::CannotTell {
                    missing: "yaw steps".to_owned(),
                    would_tell: "three steps of 60 deg/s to each side".to_owned(),
                },
                text: "Yaw was never moved.".to_owned(),
                replaces: None,
                rests_on: Vec::new(),
            },
        ],
        phases,
        sources: Vec::new(),
        spectra: vec![spectrum("rate.x", "(rad/s)^2/Hz", 1.0), spectrum("accel.z", "(m/s^2)^2/Hz", 900.0)],
        steps,
        charts: Vec::new(),
        tables: Vec::new(),
        cannot_answer: vec![
            "Vibration above 250 Hz: the record has 500 samples a second, and what lies above is folded."
                .to_owned(),
            "Rotor speed: no channel carries it, so lines are attributed by frequency alone.".to_owned(),
        ],
    }
}

/// What was kept: build it came from, edits, new build.
type Kept = (String, Vec<KeyChange>, String);

/// A source over the fixture, which remembers what it was asked to keep.
#[derive(Default)]
pub(crate) struct Fixture {
    pub(crate) kept: std::sync::Arc<Mutex<Vec<Kept>>>,
}

impl Source for Fixture {
    fn stamp(&self) -> u64 {
        1
    }
    fn check(&self, build: Option<&str>, edits: &[KeyChange]) -> Result<CheckResult, Diagnostics> {
        for e in edits {
            if e.value.contains("furlong") {
                return Err(Diagnostic::error(
                    Path::new("builds/b1/aircraft.toml"),
                    "“furlong” is no unit of time",
                )
                .at(41, 13)
                .key(&e.key)
                .found(&e.value)
                .help("a time such as \"3 ms\" or \"0.003 s\"")
                .into());
            }
        }
        Ok(result(build, edits))
    }
    fn cards(
        &self,
        build: Option<&str>,
        edits: &[KeyChange],
    ) -> Result<Vec<dossier::cards::Card>, Diagnostics> {
        let check = self.check(build, edits)?;
        Ok(dossier::cards::deck(&check.aircraft, 1.2, &dossier::gates::Limits::built_in()?))
    }
    fn reconcile(
        &self,
        _build: Option<&str>,
        _edits: &[KeyChange],
    ) -> Result<dossier::reconcile::Account, Diagnostics> {
        Ok(dossier::reconcile::Account {
            found: dossier::reconcile::Reconciliation::default(),
            inputs: Vec::new(),
        })
    }
    fn loops(
        &self,
        _build: Option<&str>,
        _edits: &[KeyChange],
    ) -> Result<dossier::tuning::LoopSheet, Diagnostics> {
        Ok(dossier::tuning::LoopSheet::default())
    }
    fn record(&self, id: &str) -> Result<Record, Diagnostics> {
        Ok(record(id))
    }
    fn findings(&self, record: &Record) -> Result<Findings, Diagnostics> {
        Ok(findings(record))
    }
    fn records(&self) -> Result<Vec<RecordMeta>, Diagnostics> {
        Ok(result(None, &[]).records)
    }
    fn compare_builds(&self, before: &str, after: &str) -> Result<BuildComparison, Diagnostics> {
        Ok(BuildComparison {
            programme: "Heron".to_owned(),
            before: before.to_owned(),
            after: after.to_owned(),
            changes: Vec::new(),
            borrowed: Vec::new(),
            figures: Vec::new(),
            gates: Vec::new(),
        })
    }
    fn compare_records(&self, ids: &[String], _: Option<&str>) -> Result<RecordComparison, Diagnostics> {
        let help = "flights compare with flights";
        Err(Diagnostic::error(Path::new("records"), format!("{} do not go together", ids.join(", ")))
            .help(help)
            .into())
    }
    fn keep(&self, from: &str, edits: &[KeyChange], id: &str) -> Result<(), Diagnostics> {
        self.kept.lock().expect("no other test holds it").push((
            from.to_owned(),
            edits.to_vec(),
            id.to_owned(),
        ));
        Ok(())
    }
}
