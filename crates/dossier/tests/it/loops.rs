//! The loop as identified in a flight of our own model beside what is planted there, the choice of gains, and the next flight.

use dossier::check::Opened;
use dossier::findings::Outcome;
use dossier::result::{KeyChange, State};
use dossier::tuning::{self, Tuning};

use crate::tarn;

fn choice(dir: &std::path::Path) -> Tuning {
    let opened = Opened::open(dir, None, &[]).unwrap_or_else(|d| panic!("{d}"));
    let evidence = opened.evidence();
    opened
        .judge_and(&evidence, &[], tuning::tune)
        .unwrap_or_else(|d| panic!("{d}"))
        .1
        .unwrap_or_else(|why| panic!("{why}"))
}

/// The flight model's plant is not told to the identification: gain p as stated, delays and lag as in the aircraft file, damping
/// from the rotors in axial flow.
#[test]
fn val_the_loop_of_a_simulated_flight() {
    let result = tarn::base_result();
    let records = tarn::base().join("records");
    let record =
        dossier::record_store::load(&records, "2026-03-04-rate-steps").unwrap_or_else(|d| panic!("{d}"));
    let aircraft = result.aircraft.without_payload();
    let found = dossier::findings::findings(&record, Some(&aircraft));
    let measured = |key: &str| match found.get(key).map(|i| &i.outcome) {
        Some(Outcome::Value { estimate }) => estimate.value,
        other => panic!("{key}: {other:?}"),
    };
    let predicted = |id: &str| {
        result.figures.iter().find(|f| f.id == id).map_or_else(|| panic!("{id}"), |f| f.estimate.value)
    };
    for (what, want, got, tolerance) in [
        ("roll crossover, rad/s", predicted("loop.x.crossover"), measured("loop.x.crossover"), 1.5),
        ("pitch crossover, rad/s", predicted("loop.y.crossover"), measured("loop.y.crossover"), 1.5),
        ("roll phase margin, rad", predicted("loop.x.phase_margin"), measured("loop.x.phase_margin"), 0.05),
        ("pitch phase margin, rad", predicted("loop.y.phase_margin"), measured("loop.y.phase_margin"), 0.05),
        (
            "roll gain margin up, dB",
            predicted("loop.x.gain_margin_up"),
            measured("loop.x.gain_margin_up"),
            0.8,
        ),
        ("roll total delay, s", predicted("latency.total"), measured("loop.x.delay"), 0.0015),
        ("roll decay of the rate, 1/s", predicted("loop.x.damping"), measured("loop.x.damping"), 0.35),
        ("pitch decay of the rate, 1/s", predicted("loop.y.damping"), measured("loop.y.damping"), 0.35),
        ("roll overshoot, of the step", predicted("loop.x.overshoot"), measured("step.x.overshoot"), 0.03),
        (
            "roll overshoot of the identified model",
            measured("step.x.overshoot"),
            measured("loop.x.step_overshoot"),
            0.03,
        ),
    ] {
        println!(
            "VALIDATION|identify|demo flight: {what}|planted in the flight model|{want:.5}|{got:.5}|{tolerance} absolute"
        );
        assert!((want - got).abs() <= tolerance, "{what}: {got}, planted {want}");
    }
    // The stated gains hold on a full battery: at the bus voltage flown they act with its square, and crossover and phase
    // margin lie where the prediction puts them at that gain.
    for (letter, name) in [('x', "roll"), ('y', "pitch")] {
        let factor =
            (measured(&format!("loop.{letter}.voltage")) / predicted("hover.full.bare.bus_voltage")).powi(2);
        let (gain, sigma) = match found.get(&format!("loop.{letter}.gain")).map(|i| &i.outcome) {
            Some(Outcome::Value { estimate }) => (estimate.value, estimate.uncertainty),
            other => panic!("{other:?}"),
        };
        // Hubs that move meet the air before the inflow has followed, which weighs like more inertia.
        let density = physics::atmosphere::air(640.0, 0.0, 0.0).unwrap().density;
        let thrust = physics::mass::mass_properties(&aircraft.bodies).mass * physics::STANDARD_GRAVITY
            / aircraft.stations.len() as f64;
        let rotors = physics::loops::damping::rotor_air(&aircraft, thrust, density);
        let decay = rotors.rate[usize::from(letter == 'y')];
        let p = aircraft.rate_loop.as_ref().unwrap().p[0];
        let factor_seen = factor / (1.0 + decay * (2.0 * rotors.inflow.zero - rotors.inflow.pole));
        println!("{name}: gain {gain} ± {sigma}, {factor}, with the air {factor_seen}");
        println!(
            "VALIDATION|identify|demo flight: {name} gain p at the voltage flown, 1/s|planted in the flight model|{:.3}|{gain:.3}|2 sigma",
            p * factor_seen
        );
        assert!(
            factor < 0.99 && (gain - p * factor_seen).abs() <= 2.0 * sigma,
            "{name}: {gain} ± {sigma}, {factor}"
        );
        for what in ["crossover", "phase margin"] {
            let score = result.scores.iter().find(|s| s.name == format!("{name} {what}")).unwrap();
            assert!(score.score.abs() <= 2.0, "{score:?}");
        }
    }
    assert!(
        found.charts.iter().any(|c| c.id == "loop-x-gain")
            && found.charts.iter().any(|c| c.id == "loop-y-phase")
    );
}

#[test]
fn prop_the_latency_as_flown_adds_up() {
    let gate = tarn::base_result().gates.iter().find(|g| g.id == "rate").unwrap_or_else(|| panic!("no gate"));
    for id in ["rate.phase-margin", "rate.gain-margin-up", "rate.gain-margin-down", "rate.peak-sensitivity"] {
        let c = gate.criteria.iter().find(|c| c.id == id).unwrap_or_else(|| panic!("{id}"));
        assert!(c.measured.is_some(), "{id}: {:?}", c.waits_for);
        assert_ne!(c.state, State::Open, "{id}");
    }
    let ledger = gate.ledgers.iter().find(|l| l.id == "latency-flown").unwrap_or_else(|| panic!("no ledger"));
    let sum: f64 = ledger.lines.iter().map(|l| l.value.value).sum();
    assert!((sum - ledger.sum.value).abs() < 1e-12);
    let share: f64 = ledger.lines.iter().map(|l| l.share).sum();
    assert!((share - 1.0).abs() < 1e-9);
    let rest = ledger.lines.last().unwrap_or_else(|| panic!("empty"));
    assert_eq!(rest.name, "Unexplained remainder");
    assert!(rest.share.abs() < 0.15, "{rest:?}");
    assert!(gate.shown.charts.iter().any(|c| c.id == "gain-plane"));
}

#[test]
fn prop_recommended_gains_are_reached_in_safe_steps() {
    let t = choice(tarn::base());
    assert!(t.measured, "{}", t.basis);
    let best = t.recommended.unwrap_or_else(|| panic!("{}", t.verdict));
    assert!(best.broken.is_none() && best.crossover > 0.0);
    assert!(best.overshoot <= 0.10 + 1e-9 && best.phase_margin >= std::f64::consts::FRAC_PI_4 - 1e-3);
    let mut p = t.today.gains.p;
    for s in &t.path {
        assert!((s.gains.p / p).ln().abs() <= 1.25f64.ln() + 1e-9);
        p = s.gains.p;
    }
    assert!((p - best.gains.p).abs() < 1e-9);
    let outer = t.outer.unwrap_or_else(|| panic!("no outer gains"));
    assert!(outer.gains.attitude <= best.crossover / 4.0 + 1e-9);
    assert!(outer.gains.velocity <= outer.gains.attitude / 4.0 + 1e-9);
    println!("{}", t.verdict);
}

/// Where the delay forbids the crossover that the size asks for, the choice says by how much it must shrink.
#[test]
fn val_milliseconds_to_save() {
    let copy = tarn::Copy::new();
    copy.edit(&[KeyChange { key: "esc.dead_time".to_owned(), value: "\"30 ms +- 1 ms\"".to_owned() }]);
    let t = choice(copy.dir());
    assert!(!t.measured, "the flight is stale");
    let save = t.save.unwrap_or_else(|| panic!("{}", t.verdict));
    assert!(t.recommended.is_none_or(|c| c.crossover < t.required));
    assert!(save > 0.0 && save < 0.035, "{save}");
    assert!(t.verdict.contains("ESC dead time"), "{}", t.verdict);
    println!("{}", t.verdict);
}

#[test]
fn prop_the_next_flight_says_why() {
    let n = dossier::next::next(tarn::base(), None).unwrap_or_else(|d| panic!("{d}"));
    assert_eq!(n.record.as_deref(), Some("2026-03-04-rate-steps"));
    assert!(n.reasons.iter().any(|r| r.text.contains("motor case")));
    assert!(n.reasons.windows(2).all(|w| w[0].weight >= w[1].weight));
    assert!(n.gate.is_some() && !n.step_note.is_empty());
    for r in &n.reasons {
        println!("{:?} {}", r.weight, r.text);
    }
}

/// Inertia a fifth up or thrust slope a sixth down: the same to a rate loop. A swing test is what tells.
#[test]
fn val_reconcile_finds_what_was_planted_and_what_cannot_be_told() {
    use dossier::estimate::{Contribution, Estimate, Origin};
    use dossier::reconcile::reconcile;
    let figure = |value: f64, parts: &[(&str, f64)]| {
        let list = parts
            .iter()
            .map(|(s, e)| Contribution { source: (*s).to_owned(), sensitivity: *e, uncertainty: 1.0 })
            .collect();
        Estimate::new(value, "1", Origin::Computed, list)
    };
    let seen = |value: f64| Estimate::single(value, 0.05, "1", Origin::Measured, "record r");
    // Three figures, three inputs, one of them two standard uncertainties off: independent effects find it.
    let truth = 2.0;
    let told = reconcile(&[
        ("a".to_owned(), figure(1.0, &[("rotor.ct", 1.0), ("esc.dead_time", 0.2)]), seen(1.0 + truth)),
        ("b".to_owned(), figure(2.0, &[("rotor.ct", 0.5), ("esc.dead_time", -1.0)]), seen(2.0 + 0.5 * truth)),
        ("c".to_owned(), figure(3.0, &[("battery.capacity", 1.0)]), seen(3.0)),
    ]);
    assert_eq!(told.changes.len(), 1, "{:?}", told.changes);
    let change = &told.changes[0];
    assert_eq!(change.source, "rotor.ct");
    println!(
        "VALIDATION|reconcile|planted change of one input, standard uncertainties|planted truth|{truth}|{:.4}|0.05 absolute",
        change.sigmas
    );
    assert!((change.sigmas - truth).abs() < 0.05 && told.twins.is_empty());
    assert!(told.misfit.1 < 0.1 * told.misfit.0);
    // One figure that two inputs move alike.
    let equal = reconcile(&[
        ("loop gain".to_owned(), figure(1.0, &[("mass.1.box", -0.2), ("rotor.ct", 0.2)]), seen(0.83)),
        ("delay".to_owned(), figure(0.02, &[("esc.dead_time", 0.5)]), seen(0.02)),
    ]);
    assert_eq!(equal.twins.len(), 1, "{equal:?}");
    assert!((equal.twins[0].alike + 1.0).abs() < 1e-9);
    println!("{}", equal.twins[0].test);
}

/// The demo's records were made by the aircraft that its file states: no input is asked to move far.
#[test]
fn prop_reconcile_on_the_demo() {
    let opened = Opened::open(tarn::base(), None, &[]).unwrap();
    let evidence = opened.evidence();
    let account = opened.in_context(&evidence, &[], dossier::reconcile::of_build).unwrap();
    assert!(account.found.pairs.len() > 20);
    assert!(account.found.pairs.iter().any(|p| p.name.contains("rotor.ct")));
    for (c, i) in account.changes() {
        assert!(c.sigmas.abs() < 2.0, "{} {:.1}", i.key, c.sigmas);
    }
    assert!(account.found.misfit.1 <= account.found.misfit.0);
}

/// The sheet that the command and the page show: everything is there, and what it says of battery and cant adds up.
#[test]
fn prop_the_sheet_of_the_loops() {
    let sheet = |dir: &std::path::Path| {
        let opened = Opened::open(dir, None, &[]).unwrap_or_else(|d| panic!("{d}"));
        let evidence = opened.evidence();
        opened.in_context(&evidence, &[], tuning::sheet).unwrap_or_else(|d| panic!("{d}"))
    };
    let s = sheet(tarn::base());
    assert!(s.gains.is_some() && s.oscillations.is_empty(), "{:?}", s.oscillations);
    // Gain, phase and coherence of roll and pitch, of velocity and of heave, each but the coherence with its prediction.
    assert_eq!(s.responses.len(), 12);
    for c in s.responses.iter().filter(|c| !c.id.ends_with("coherence")) {
        assert!(c.series.iter().any(|s| s.name == "predicted"), "{}", c.id);
    }
    let slow =
        s.tables.iter().find(|t| t.id == "slow").unwrap_or_else(|| panic!("no table of slow responses"));
    for what in ["velocity response", "heave response", "climb step"] {
        assert!(slow.rows.iter().any(|r| r[0].starts_with(what) && r[1] != "-"), "{what}: {:?}", slow.rows);
    }
    for c in &s.steps {
        let names: Vec<&str> = c.series.iter().map(|s| s.name.as_str()).collect();
        assert!(names.contains(&"predicted") && names.contains(&"identified"), "{names:?}");
    }
    assert_eq!(s.steps.len(), 2);
    let corners = s.tables.iter().find(|t| t.id == "corners").unwrap();
    let gain = |row: usize| corners.rows[row][1].parse::<f64>().unwrap();
    let volts = |charge: &str| {
        let id = format!("hover.{charge}.bare.bus_voltage");
        tarn::base_result().figures.iter().find(|f| f.id == id).unwrap().estimate.value
    };
    assert!(corners.rows[2][0].starts_with("reserve"));
    // Less than the square of the voltage: U = K w + R (Q/K + I0), Q going with w^2, bends thrust over U. At equal U the lower
    // bus makes the same thrust, where the controller looks the higher command up on the curve of the full one.
    let figure = |id: &str| tarn::base_result().figures.iter().find(|f| f.id == id).unwrap().estimate.value;
    let (speed, torque) = (figure("hover.full.bare.speed"), figure("hover.full.bare.torque"));
    let motor = tarn::base_result().aircraft.motor.clone().unwrap();
    let esc = tarn::base_result().aircraft.esc.clone().unwrap();
    // Copper at 60 degC, 0.393 % per kelvin.
    let r = motor.resistance * (1.0 + 0.00393 * (motor.winding_temperature - 293.15)) + esc.resistance;
    let (k, b, c) = (1.0 / motor.kv, torque / (speed * speed) * motor.kv * r, r * motor.no_load_current);
    let ratio = volts("reserve") / volts("full");
    let applied = k * speed + b * speed * speed + c;
    let looked_up = ((k * k + 4.0 * b * (applied / ratio - c)).sqrt() - k) / (2.0 * b);
    let slope = |w: f64| w / (k + 2.0 * b * w);
    let want = ratio * slope(speed) / slope(looked_up);
    println!(
        "VALIDATION|loops|loop gain at reserve charge over that on a full battery|thrust by the square of the speed, U = K w + R I, in closed form|{want:.4}|{:.2}|0.006",
        gain(2)
    );
    assert!((gain(2) - want).abs() < 0.006 && want > ratio * ratio, "{} {want} {}", gain(2), ratio * ratio);
    let yaw = s.yaw.unwrap_or_else(|| panic!("{:?}", s.yaw_waits_for));
    assert!(yaw.enough && yaw.recommended.acceleration >= yaw.needed, "{}", yaw.reason);
    // A little less cant would not do.
    let less = yaw.curve.iter().rfind(|c| c.cant < yaw.recommended.cant - 1e-6).unwrap();
    assert!(less.acceleration < yaw.needed);
    let turned = yaw.reversal.unwrap();
    assert!(yaw.curve.iter().all(|c| (c.yaw_per_thrust < 0.0) == (c.cant < turned)));
    // Built at the reversal, and with a yaw gain that no cant serves.
    let copy = tarn::Copy::new();
    copy.edit(&[
        tarn::set("aircraft.cant", &format!("\"{:.2} deg\"", -turned.to_degrees())),
        tarn::set("aircraft.cant_sense", "\"against-reaction\""),
        tarn::set("loop.rate.p.z", "\"40 1/s\""),
    ]);
    let yaw = sheet(copy.dir()).yaw.unwrap();
    assert!(yaw.today.unwrap().acceleration < 0.3, "{}", yaw.reason);
    assert!(
        !yaw.enough && yaw.reason.contains("either sign") && yaw.reason.contains("No cant"),
        "{}",
        yaw.reason
    );
}

/// A command that is corrected for the bus voltage keeps the loop gain as the battery empties: what payload changes is inertia
/// alone. Gains set up at another voltage act with its square.
#[test]
fn prop_the_voltage_that_gains_hold_at_counts() {
    let at = |edits: &[KeyChange]| {
        dossier::check::check(tarn::base(), None, edits).unwrap_or_else(|d| panic!("{d}"))
    };
    let figure = |r: &dossier::result::CheckResult, id: &str| {
        r.figures.iter().find(|f| f.id == id).unwrap_or_else(|| panic!("{id}")).estimate.value
    };
    let r = at(&[tarn::set("loop.rate.voltage_corrected", "true")]);
    let (all, part) = (
        physics::mass::mass_properties(&r.aircraft.bodies).inertia,
        physics::mass::mass_properties(&r.aircraft.without_payload().bodies).inertia,
    );
    let want = (0..3).map(|k| (20.0 * (part[(k, k)] / all[(k, k)]).log10()).abs()).fold(0.0, f64::max);
    let got = figure(&r, "payload.gain");
    assert!((got - want).abs() < 1e-6, "{got} {want}");
    let base = tarn::base_result();
    assert!(figure(base, "payload.gain") > want + 0.5);
    // Nothing about a full battery has changed.
    assert!((figure(&r, "loop.x.crossover") - figure(base, "loop.x.crossover")).abs() < 1e-9);
    let volts = figure(base, "hover.full.bare.bus_voltage");
    let up = at(&[tarn::set("loop.rate.set_up_at", &format!("\"{} V\"", volts / 1.1))]);
    let rate = base.aircraft.rate_loop.as_ref().unwrap();
    let (p, i) = (rate.p.map(|v| 1.21 * v), rate.i.map(|v| 1.21 * v));
    let p = at(&[
        tarn::set("loop.rate.p", &format!("[\"{} 1/s\", \"{} 1/s\", \"{} 1/s\"]", p[0], p[1], p[2])),
        tarn::set("loop.rate.i", &format!("[\"{} 1/s^2\", \"{} 1/s^2\", \"{} 1/s^2\"]", i[0], i[1], i[2])),
    ]);
    let (a, b) = (figure(&up, "loop.x.crossover"), figure(&p, "loop.x.crossover"));
    // The motor's resistance takes a percent of the square.
    assert!((a / b - 1.0).abs() < 0.015, "{a} {b}");
    let wrong = dossier::check::check(tarn::base(), None, &[tarn::set("loop.rate.set_up_at", "\"3.8 V\"")]);
    let text = wrong.err().unwrap_or_else(|| panic!("taken")).to_string();
    assert!(text.contains("no voltage of a pack") && text.contains("set_up_at = "), "{text}");
}
