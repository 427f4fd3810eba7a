//! Cards for builds of 0.07, 2.5 and 25 kg: the numbers differ in the direction that physics says.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use dossier::aircraft_file::AircraftFile;
use dossier::cards::{Card, deck};
use dossier::gates::Limits;

/// Mass, arm, propeller diameter, blades inertia, kv, resistance, cells, capacity, motor inertia.
struct Build {
    name: &'static str,
    mass: &'static str,
    arm: &'static str,
    diameter: &'static str,
    rotor_inertia: &'static str,
    kv: &'static str,
    resistance: &'static str,
    no_load: &'static str,
    motor_inertia: &'static str,
    cells: u32,
    capacity: &'static str,
    cell: &'static str,
}

const BUILDS: [Build; 3] = [
    Build {
        name: "0.07 kg",
        mass: "0.07 kg",
        arm: "50 mm",
        diameter: "55 mm",
        rotor_inertia: "4e-8 kg m^2",
        kv: "11500 rpm/V",
        resistance: "0.25 ohm",
        no_load: "0.15 A",
        motor_inertia: "4e-8 kg m^2",
        cells: 1,
        capacity: "0.5 Ah",
        cell: "30 mohm",
    },
    Build {
        name: "2.5 kg",
        mass: "2.5 kg",
        arm: "260 mm",
        diameter: "12 in",
        rotor_inertia: "5e-5 kg m^2",
        kv: "420 rpm/V",
        resistance: "60 mohm",
        no_load: "0.8 A",
        motor_inertia: "3e-5 kg m^2",
        cells: 6,
        capacity: "5 Ah",
        cell: "3 mohm",
    },
    Build {
        name: "25 kg",
        mass: "25 kg",
        arm: "800 mm",
        diameter: "30 in",
        rotor_inertia: "4.5e-3 kg m^2",
        kv: "100 rpm/V",
        resistance: "35 mohm",
        no_load: "1.6 A",
        motor_inertia: "1.2e-3 kg m^2",
        cells: 12,
        capacity: "32 Ah",
        cell: "1 mohm",
    },
];

fn cards(b: &Build) -> Vec<Card> {
    let text = format!(
        r#"
[aircraft]
name = "Tarn {name}"
layout = "quad-x"
arm = "{arm}"
[[mass]]
item = "all of it"
mass = "{mass}"
at = ["0 mm", "0 mm", "0 mm"]
box = ["{arm}", "{arm}", "{diameter}"]
[rotor]
diameter = "{diameter}"
blades = 2
ct = 0.1
cp = 0.042
inertia = "{rotor_inertia}"
[motor]
kv = "{kv}"
resistance = "{resistance}"
no_load_current = "{no_load}"
no_load_voltage = "10 V"
inertia = "{motor_inertia}"
[esc]
resistance = "2 mohm"
dead_time = "1.5 ms"
update_period = "0.5 ms"
protocol_period = "0.1 ms"
usable_minimum = "4 %"
braking = true
[battery]
chemistry = "lipo"
series = {cells}
parallel = 1
capacity = "{capacity}"
cell_resistance = "{cell}"
cutoff = "3.2 V"
reserve = "20 %"
"#,
        name = b.name,
        arm = b.arm,
        mass = b.mass,
        diameter = b.diameter,
        rotor_inertia = b.rotor_inertia,
        kv = b.kv,
        resistance = b.resistance,
        no_load = b.no_load,
        motor_inertia = b.motor_inertia,
        cells = b.cells,
        capacity = b.capacity,
        cell = b.cell,
    );
    let file = AircraftFile::parse(Path::new("aircraft.toml"), &text).unwrap_or_else(|d| panic!("{d}"));
    let aircraft = file.resolve(&BTreeMap::new()).unwrap_or_else(|d| panic!("{d}")).aircraft;
    deck(&aircraft, 1.225, &Limits::built_in().unwrap())
}

fn get<'a>(cards: &'a [Card], id: &str) -> &'a Card {
    cards.iter().find(|c| c.id == id).unwrap_or_else(|| panic!("no card {id}"))
}

fn number(cards: &[Card], card: &str, id: &str) -> f64 {
    let c = get(cards, card);
    c.number(id).unwrap_or_else(|| panic!("{card} has no {id}")).value
}

#[test]
fn prop_numbers_follow_the_size() {
    let decks: Vec<Vec<Card>> = BUILDS.iter().map(cards).collect();
    // Rising with size: energy, reach, force, time. Falling: rates.
    for (card, id) in [
        ("first-hop", "snatch"),
        ("first-hop", "height"),
        ("hover", "height"),
        ("step", "allowed"),
        ("sweep", "cell"),
        ("weighing", "resolution"),
        ("magnetic", "hold-down"),
        ("balance", "trial"),
        ("discharge", "stored"),
    ] {
        let v: Vec<f64> = decks.iter().map(|d| number(d, card, id)).collect();
        assert!(v[0] <= v[1] && v[1] <= v[2] && v[0] < v[2], "{card} {id}: {v:?}");
        println!(
            "VALIDATION|cards|{card} {id} rises from 0.07 over 2.5 to 25 kg|energy, reach and time grow with size|rises|rises|exact"
        );
    }
    // A distance goes with thrust over weight as well, so that only the smallest is surely nearest.
    for (card, id) in [("first-hop", "distance"), ("first-hop", "bystanders"), ("step", "distance")] {
        let v: Vec<f64> = decks.iter().map(|d| number(d, card, id)).collect();
        assert!(v[0] <= v[1].min(v[2]) && v[0] < v[2], "{card} {id}: {v:?}");
    }
    for (card, id) in [("end-points", "rate"), ("tap", "passage"), ("tap", "lowest"), ("balance", "speed")] {
        let v: Vec<f64> = decks.iter().map(|d| number(d, card, id)).collect();
        assert!(v[0] > v[1] && v[1] > v[2], "{card} {id}: {v:?}");
    }
    for card in ["tap", "hover", "step", "first-hop"] {
        let v: Vec<f64> = decks.iter().map(|d| get(d, card).highest_rate()).collect();
        assert!(v[0] >= v[1] && v[1] >= v[2] && v[0] > v[2], "{card} rate: {v:?}");
    }
}

#[test]
fn prop_vibration_is_logged_above_blade_passage() {
    // Nyquist: what is to be seen lies below half the rate; 2.5 leaves a quarter over.
    for b in &BUILDS {
        let d = cards(b);
        let passage = number(&d, "tap", "passage");
        for card in ["tap", "balance", "hover", "rate-steps"] {
            let rate = get(&d, card).highest_rate();
            assert!(rate >= 2.5 * passage, "{} {card}: {rate} {passage}", b.name);
        }
    }
}

#[test]
fn prop_every_card_is_whole() {
    for b in &BUILDS {
        let d = cards(b);
        assert_eq!(d.len(), 24);
        for c in &d {
            let id = c.id;
            assert!(!c.purpose.is_empty() && !c.steps.is_empty() && !c.set_up.is_empty(), "{id}");
            assert!(!c.abort_limits.is_empty() && !c.log.is_empty() && !c.computed_after.is_empty(), "{id}");
            assert!(!c.pass_limits.is_empty() || ["swing", "fall"].contains(&id), "{id}");
            assert!(c.cautions.iter().any(|t| t.contains("Local rules")), "{id}");
            assert!(
                c.cautions.iter().any(|t| t.contains("ropellers off") || t.contains("Nobody holds")),
                "{id}"
            );
            for n in &c.numbers {
                assert!(
                    n.value.is_finite() && !n.why.is_empty() && !n.shown.contains("unknown"),
                    "{id} {n:?}"
                );
            }
            assert!(c.log.iter().all(|l| l.least_rate.is_finite() && !l.why.is_empty()), "{id}");
            assert!(dossier::record::Kind::of_word(c.record).is_some(), "{id}: {}", c.record);
            let text = serde_json::to_string(c).unwrap();
            assert!(!text.contains("->") && !text.contains("+-") && !text.contains("NaN"), "{id}");
        }
    }
}

#[test]
fn regress_first_hop_card() {
    let mut text = String::new();
    for b in &BUILDS {
        let d = cards(b);
        let c = get(&d, "first-hop");
        let _ = writeln!(text, "{}", c.aircraft);
        for n in &c.numbers {
            let _ = writeln!(text, "  {}: {} ({})", n.name, n.shown, n.why);
        }
        for l in &c.log {
            let _ = writeln!(text, "  log {} at {}", l.channel, l.shown);
        }
        for l in &c.abort_limits {
            let _ = writeln!(text, "  stop: {} {}", l.what, l.limit);
        }
    }
    insta::assert_snapshot!(text.replace('\u{a0}', " "));
}

/// The pull that stops a runaway, by integrating its rise: full thrust from the ground, then against a cord that doubles
/// its length at four times the spare thrust.
#[test]
fn prop_a_runaway_ends_where_the_card_says() {
    for b in &BUILDS {
        let d = cards(b);
        let (pull, slack, reach) = (
            number(&d, "first-hop", "snatch"),
            number(&d, "first-hop", "height"),
            number(&d, "first-hop", "reach"),
        );
        let mass: f64 = b.mass.split(' ').next().unwrap().parse().unwrap();
        let (spare, stiffness) = (pull / 4.0, pull / slack);
        let h = 1e-5;
        let (mut z, mut v, mut most) = (0.0_f64, 0.0_f64, 0.0_f64);
        while v >= 0.0 && z < 10.0 * slack {
            let tension = stiffness * (z - slack).max(0.0);
            most = most.max(tension);
            v += h * (spare - tension) / mass;
            z += h * v;
        }
        assert!((most / pull - 1.0).abs() < 0.01, "{}: {most} {pull}", b.name);
        assert!((z / reach - 1.0).abs() < 0.01, "{}: {z} {reach}", b.name);
    }
}
