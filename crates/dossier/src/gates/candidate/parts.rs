//! Parts: battery, propeller, motor, mass, balance.

use physics::aircraft::Aircraft;

use super::{Candidate, Scalar, quoted, round3, scalar, tolerance};
use crate::gates::context::Context;
use crate::result::{ChangeClass, KeyChange};

/// Parts that set the thrust margin.
pub(in crate::gates) fn thrust(a: &Aircraft) -> Vec<Candidate> {
    let mut out = Vec::new();
    if let Some(b) = &a.battery {
        let ah = b.capacity / 3600.0 / f64::from(b.parallel.max(1));
        let reference = 0.016 / ah;
        if b.cell_resistance > reference {
            out.push(scalar(Scalar {
                name: "battery resistance",
                class: ChangeClass::Hardware,
                keys: vec!["battery.cell_resistance".to_owned()],
                unit: "mohm",
                factor: 1e-3,
                current: b.cell_resistance,
                reference,
                departure: (b.cell_resistance / reference).ln() / 1.3f64.ln(),
                basis: "sound cells have about 16 mohm Ah (common practice, no source)".to_owned(),
                test: "a discharge with a current step: voltage drop per ampere",
            }));
        }
    }
    if let Some(spacing) = least_spacing(a) {
        let d = a.rotor.diameter;
        let j = a.rotor.inertia;
        let reference = spacing / 1.05;
        if reference > d {
            out.push(Candidate {
                name: "propeller too small".to_owned(),
                class: ChangeClass::Hardware,
                current: d,
                reference,
                departure: (reference / d).ln() / 1.07f64.ln(),
                why: format!(
                    "rotor.diameter is {d:.3} m; the arms leave room for {reference:.3} m with 5 % between the discs"
                ),
                // Blades of one shape: inertia grows with the fifth power of the diameter.
                edits: Box::new(move |v| {
                    let v = round3(v);
                    vec![
                        KeyChange { key: "rotor.diameter".to_owned(), value: quoted(v, "m") },
                        KeyChange {
                            key: "rotor.inertia".to_owned(),
                            value: quoted(round3(j * (v / d).powi(5)), "kg m^2"),
                        },
                    ]
                }),
                words: Box::new(move |v| {
                    format!("rotor.diameter: {:.3} m → {:.3} m, same blade shape (inertia with its fifth power)", d, round3(v))
                }),
                fixed: false,
                test: "a static sweep: thrust against rotor speed",
            });
        }
    }
    if let Some(m) = &a.motor {
        let per_volt = std::f64::consts::TAU / 60.0;
        out.push(scalar(Scalar {
            name: "motor velocity constant low",
            class: ChangeClass::Hardware,
            keys: vec!["motor.kv".to_owned()],
            unit: "rpm/V",
            factor: per_volt,
            current: m.kv,
            reference: 1.15 * m.kv,
            departure: 0.4,
            basis: "one winding step up (common practice, no source)".to_owned(),
            test: "a static sweep: rotor speed against voltage",
        }));
    }
    out
}

/// The heaviest item, lighter.
pub(in crate::gates) fn lighter(ctx: &Context<'_>) -> Option<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let body = a.bodies.iter().max_by(|x, y| x.mass.total_cmp(&y.mass))?;
    let item = body.item.clone();
    let key = ctx.keys.mass(&item)?;
    let current = body.mass;
    let weighed = tolerance(ctx, &format!("{key}.mass"));
    Some(Candidate {
        name: format!("mass: {item}"),
        class: ChangeClass::Hardware,
        current,
        reference: 0.85 * current,
        departure: 0.4,
        why: format!("the heaviest item, {item}, has {current:.3} kg"),
        edits: Box::new(move |v| {
            vec![KeyChange { key: format!("{key}.mass"), value: format!("\"{} kg{weighed}\"", round3(v)) }]
        }),
        words: Box::new(move |v| format!("{item}: {current:.3} kg → {:.3} kg", round3(v))),
        fixed: false,
        test: "weigh the aircraft",
    })
}

/// Least distance between two hubs that do not share an axis, m.
fn least_spacing(a: &Aircraft) -> Option<f64> {
    let mut least = f64::INFINITY;
    for (i, s) in a.stations.iter().enumerate() {
        for t in &a.stations[i + 1..] {
            let d = (s.at - t.at).xy().norm();
            if d > 1e-3 {
                least = least.min(d);
            }
        }
    }
    least.is_finite().then_some(least)
}

/// Unbalance of the rotors.
pub(in crate::gates) fn unbalance(a: &Aircraft) -> Option<Candidate> {
    let u = a.rotor.unbalance;
    (u > 0.0).then(|| {
        scalar(Scalar {
            name: "rotor unbalance",
            class: ChangeClass::Hardware,
            keys: vec!["rotor.unbalance".to_owned()],
            unit: "g mm",
            factor: 1e-6,
            current: u,
            reference: 0.25 * u,
            departure: 1.5,
            basis: "balancing with tape leaves about a quarter (common practice, no source)".to_owned(),
            test: "a balance run on one motor",
        })
    })
}
