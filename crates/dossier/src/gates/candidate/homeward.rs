//! What shortens the way home, and when it begins.

use super::{Candidate, Scalar, scalar};
use crate::gates::context::Context;
use crate::result::{ChangeClass, KeyChange};

/// A larger pack, a nearer limit, an earlier trigger, another speed.
pub(in crate::gates) fn homeward(ctx: &Context<'_>) -> Vec<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let (Some(f), Some(b)) = (a.safety.failsafe, a.battery.as_ref()) else { return Vec::new() };
    let mut out = Vec::new();
    let pack =
        a.bodies.iter().find(|x| x.item == "battery").and_then(|x| Some((ctx.keys.mass(&x.item)?, x.mass)));
    if let Some((key, mass)) = pack {
        let capacity = b.capacity / 3600.0;
        out.push(Candidate {
            name: "battery too small".to_owned(),
            class: ChangeClass::Hardware,
            current: 1.0,
            reference: 1.5,
            departure: 0.6,
            why: format!(
                "battery.capacity is {capacity:.1} Ah at {mass:.2} kg; the next size holds half as much again"
            ),
            edits: Box::new(move |v| {
                vec![
                    KeyChange {
                        key: "battery.capacity".to_owned(),
                        value: format!("\"{:.2} Ah\"", v * capacity),
                    },
                    KeyChange { key: format!("{key}.mass"), value: format!("\"{:.3} kg\"", v * mass) },
                ]
            }),
            words: Box::new(move |v| {
                format!(
                    "battery: {capacity:.1} Ah → {:.1} Ah, {mass:.2} kg → {:.2} kg",
                    v * capacity,
                    v * mass
                )
            }),
            fixed: false,
            test: "a discharge at the hover current",
        });
    }
    out.push(scalar(Scalar {
        name: "flown too far out",
        class: ChangeClass::Configuration,
        keys: vec!["failsafe.farthest".to_owned()],
        unit: "m",
        factor: 1.0,
        current: f.farthest,
        reference: 0.5 * f.farthest,
        departure: 0.5,
        basis: "nearer is always possible".to_owned(),
        test: "one return flight from half the distance: charge used",
    }));
    if f.come_home_at < 0.7 {
        out.push(scalar(Scalar {
            name: "turns home too late",
            class: ChangeClass::Configuration,
            keys: vec!["failsafe.come_home_at".to_owned()],
            unit: "%",
            factor: 0.01,
            current: f.come_home_at,
            reference: 0.7,
            departure: 0.9,
            basis: "a trigger above two thirds leaves little flight".to_owned(),
            test: "one return flight: charge used",
        }));
    }
    out.push(scalar(Scalar {
        name: "comes home too slowly",
        class: ChangeClass::Configuration,
        keys: vec!["failsafe.home_speed".to_owned()],
        unit: "m/s",
        factor: 1.0,
        current: f.plan.speed,
        reference: 1.6 * f.plan.speed,
        departure: 0.4,
        basis: "nearer the speed of least energy per distance in the stated wind".to_owned(),
        test: "power against airspeed in a flight",
    }));
    out
}

/// The time until a fail-safe acts, stated as it was measured.
pub(in crate::gates) fn stated_time(ctx: &Context<'_>, output: &str, late: Option<f64>) -> Vec<Candidate> {
    let Some((f, late)) = ctx.subject.resolved().aircraft.safety.failsafe.zip(late.filter(|l| *l > 0.0))
    else {
        return Vec::new();
    };
    let (key, current) = match output {
        "homeward.lost_link_time" => ("failsafe.lost_link_time", f.lost_link_time),
        _ => ("failsafe.low_battery_time", f.low_battery_time),
    };
    vec![scalar(Scalar {
        name: "acts later than the file states",
        class: ChangeClass::Configuration,
        keys: vec![key.to_owned()],
        unit: "s",
        factor: 1.0,
        current,
        reference: current + late,
        departure: 0.8,
        basis: "as it acted in flight".to_owned(),
        test: "the same trigger on the bench, without propellers: time until the mode changes",
    })]
}
