//! Sweep and step records end to end: the demo's own against what was planted in them, and measured sweeps of
//! other people.

use std::collections::BTreeMap;
use std::path::Path;

use dossier::findings::{Findings, Surroundings, findings, findings_at};
use dossier::record::Kind;
use dossier::record_store;
use dossier::result::State;

use crate::tarn;

/// The four drives of the demo are planted within 2 % of the file; steps and sweeps must find that.
#[test]
fn prop_demo_drives_are_recovered() {
    let r = tarn::base_result();
    let aircraft = tarn::base();
    let file = dossier::aircraft_file::AircraftFile::load(&tarn::aircraft(aircraft)).unwrap();
    let stated = file.resolve(&BTreeMap::new()).unwrap();
    let input = |key: &str| stated.inputs.iter().find(|i| i.key == key).unwrap().value;
    for n in 1..=4 {
        let record = record_store::load(&aircraft.join("records"), &format!("2026-03-02-step-{n}")).unwrap();
        let f = findings(&record, Some(&stated.aircraft.without_payload()));
        let own = f.estimate("step.esc_dead_time").unwrap();
        // Planted: within 5 % of the file's; the log has one row each millisecond.
        assert!((own.value - input("esc.dead_time")).abs() < 0.1e-3 + 2.5 * own.uncertainty, "{n}: {own:?}");
        assert!(
            f.estimate("step.lag_up").unwrap().uncertainty < 0.05 * f.estimate("step.lag_up").unwrap().value
        );
        let record = record_store::load(&aircraft.join("records"), &format!("2026-03-02-sweep-{n}")).unwrap();
        let f = findings_at(
            &record,
            Some(&stated.aircraft),
            Surroundings { density: Some((1.155, 0.003)), earth: None },
        );
        let kv = f.estimate("sweep.kv").unwrap();
        assert!(
            (kv.value / input("motor.kv") - 1.0).abs() < 0.004 + 2.5 * kv.uncertainty / kv.value,
            "{n}: {kv:?}"
        );
    }
    let gate = r.gates.iter().find(|g| g.id == "drive").unwrap();
    for c in &gate.criteria {
        println!("{}: {:?} {:?}", c.id, c.state, c.measured.as_ref().map(|m| m.estimate.value));
        assert!(c.measured.is_some(), "{} is not measured: {:?}", c.id, c.waits_for);
        assert!(c.simulated || c.state != State::Met, "{}", c.id);
    }
    for key in ["esc.dead_time", "esc.response_up", "esc.response_down", "rotor.ct", "motor.kv"] {
        let line = r.inputs.iter().find(|i| i.key == key).unwrap();
        assert!(line.replaced.is_some(), "{key} is not replaced by what was measured");
    }
}

/// A sweep is written a row at a time by hand: half a row a second is right. All at one speed, which every motor reaches.
fn sweep_of(file: &Path) -> Findings {
    let speed = dossier::record::HandValue { value: 1200.0, uncertainty: 0.0, unit: "rad/s".to_owned() };
    crate::real_bench::seen_with(
        &[file.to_owned()],
        "static_5in/map.toml",
        Kind::Sweep,
        &["time-unit=keep"],
        BTreeMap::from([("reference_speed".to_owned(), speed)]),
    )
    .0
}

/// Thrust over speed squared depends on the propeller alone: six motors with the same propeller agree, far better than
/// the propellers among each other, and as well as the stated intervals say.
#[test]
fn val_thrust_per_speed_squared_is_the_propellers() {
    let Some(folder) = crate::realdata::data("bench_static_5in") else { return };
    let median = |list: &[f64]| {
        let mut v = list.to_vec();
        v.sort_by(f64::total_cmp);
        0.5 * (v[(v.len() - 1) / 2] + v[v.len() / 2])
    };
    let mut middles = Vec::new();
    let mut within = Vec::new();
    let (mut pairs, mut agreeing) = (0, 0);
    for propeller in 1..=8 {
        let list: Vec<(f64, f64)> = ["a", "b", "c", "d", "e", "f"]
            .iter()
            // Two files bear another propeller than their name says.
            .filter(|m| !(**m == "b" && [4, 7].contains(&propeller)))
            .map(|m| folder.join(format!("{m}{propeller}_11.csv")))
            .filter(|f| f.is_file())
            .map(|f| crate::real_bench::value(&sweep_of(&f), "sweep.thrust_per_speed2"))
            .collect();
        assert!(list.len() >= 5, "propeller {propeller}: only {} motors", list.len());
        let values: Vec<f64> = list.iter().map(|k| k.0).collect();
        let middle = median(&values);
        let off: Vec<f64> = values.iter().map(|k| (k / middle - 1.0).abs()).collect();
        println!("propeller {propeller}: {list:?}");
        for (i, a) in list.iter().enumerate() {
            for b in &list[..i] {
                pairs += 1;
                agreeing += usize::from((a.0 - b.0).abs() <= 1.96 * a.1.hypot(b.1));
            }
        }
        middles.push(middle);
        within.push(median(&off));
    }
    let between = middles.iter().copied().fold(0.0, f64::max)
        / middles.iter().copied().fold(f64::INFINITY, f64::min)
        - 1.0;
    let typical = median(&within);
    let share = 100.0 * f64::from(agreeing as u32) / f64::from(pairs);
    println!("median deviations by propeller: {within:?}; {agreeing} of {pairs} pairs agree");
    let source = "open static sweeps, StrawsonDesign/motor_propeller_testing";
    println!(
        "VALIDATION|drive sweeps|thrust per speed squared of one propeller on six motors at one speed: median deviation, middle of eight propellers (a plain fit of the same files gives 0.03 to 0.08)|{source}|0.03|{typical:.4}|at most"
    );
    println!(
        "VALIDATION|drive sweeps|thrust per speed squared between eight propellers: largest over smallest less one, against five times the deviation within|{source}|{:.3}|{between:.3}|at least",
        5.0 * typical
    );
    println!(
        "VALIDATION|drive sweeps|the same: pairs of motors that agree within the intervals stated for them, %, of {pairs}|{source}|90|{share:.1}|at least"
    );
    assert!(typical < 0.03, "{typical}");
    assert!(between > 5.0 * typical, "{between} {typical}");
    assert!(share >= 90.0, "{share} % of the pairs");
}
