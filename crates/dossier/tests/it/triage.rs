use dossier::findings::Outcome;
use dossier::triage::triage;

use crate::synthetic::{Plant, check, without};

#[test]
fn val_triage_without_a_dossier() {
    let p = Plant::default();
    let r = p.fly(54.0, 5);
    let t = triage(&r, Some((3.0, 0.03)), Some("quad-x"), Some(p.arm));
    let e = t.findings.estimate("thrust.per_mass").unwrap();
    check("triage: thrust per mass", p.k / p.mass, e.value, 0.02 * e.value);
    let e = t.findings.estimate("effectiveness.x").unwrap();
    assert_eq!(e.unit, "rad/s^2/N");
    check(
        "triage: roll effectiveness, rad/s^2/N",
        p.arm / 2.0_f64.sqrt() / p.inertia[0],
        e.value,
        0.08 * e.value,
    );
    assert!(e.contributions.iter().any(|c| c.source == "mass"));
    assert!(t.findings.estimate("order.posterior").unwrap().value > 0.99);
    assert!(t.proves.len() > 15 && t.proves.iter().any(|l| l.contains("(simulated)")));
    assert!(t.alarms.is_empty(), "{:?}", t.alarms);
    assert!(t.ask_for.iter().all(|a| !a.what.is_empty() && !a.unlocks.is_empty()));
    let json = format!("{:?}", t.ask_for);
    assert!(json.contains("unlocks"));
}

#[test]
fn val_triage_asks_for_what_unlocks_most() {
    let r = Plant::default().fly(54.0, 5);
    let bare = without(&r, |n| n.ends_with("speed"));
    let t = triage(&bare, None, None, None);
    assert!(t.ask_for[0].what.contains("rotor.N.speed"), "{:#?}", t.ask_for);
    assert!(
        t.ask_for.iter().any(|a| a.what.contains("mass on the day") || a.what.contains("layout")),
        "{:#?}",
        t.ask_for
    );
    assert!(t.cannot.iter().any(|o| o.why == "the mass"));
    assert!(t.cannot.iter().all(|o| !o.why.is_empty() && !o.would_tell.is_empty()));
    let t = triage(&r, None, Some("triangle"), None);
    assert!(t.cannot.iter().any(|o| o.why.contains("`triangle` is none of")));
    // Without a mass the same effectiveness comes per newton and kilogram.
    let t = triage(&r, None, Some("quad-x"), Some(0.31));
    let e = t.findings.estimate("effectiveness.y").unwrap();
    assert_eq!(e.unit, "rad/s^2/(N/kg)");
    check(
        "triage: pitch effectiveness per newton and kilogram",
        0.31 / 2.0_f64.sqrt() / 0.058 * 3.0,
        e.value,
        0.08 * e.value,
    );
    assert!(t.findings.get("hover.thrust_per_speed_squared").is_none());
    assert!(t.findings.items.iter().any(|f| matches!(f.outcome, Outcome::CannotTell { .. })));
}

#[test]
fn val_triage_alarms() {
    let mut r = Plant { shake: (4.0, 6.0), steps: false, ..Plant::default() }.fly(14.0, 8);
    for v in &mut r.channels.get_mut("rotor.1.command").unwrap()[4000..4400] {
        *v = 0.99;
    }
    let t = triage(&r, None, Some("quad-x"), None);
    let kinds: Vec<&str> = t.alarms.iter().map(|a| a.kind.as_str()).collect();
    assert!(kinds.contains(&"saturation") && kinds.contains(&"oscillation"), "{:?}", t.alarms);
}
