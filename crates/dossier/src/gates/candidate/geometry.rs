//! Where things stand and which way they turn: masses, spins, cant.

use super::{Candidate, tolerance};
use crate::gates::context::Context;
use crate::predict::rotor_centre;
use crate::result::{ChangeClass, KeyChange};

/// Items moved to bring the centre of gravity under the rotors' centre, of the aircraft with its
/// payload or without.
///
/// The more of the offset an item's own place makes, the more likely it is the cause; an item that
/// does not make it can still balance it, and ranks by how little it has to travel.
pub(in crate::gates) fn moves(ctx: &Context<'_>, loaded: bool) -> Vec<Candidate> {
    let whole = &ctx.subject.resolved().aircraft;
    let a = if loaded { whole.clone() } else { whole.without_payload() };
    let total: f64 = a.bodies.iter().map(|b| b.mass).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let rotors = rotor_centre(&a);
    let centre = a.bodies.iter().map(|b| b.at * b.mass).sum::<physics::Vec3>() / total;
    let offset = (centre - rotors).xy();
    if offset.norm() < 1e-6 {
        return Vec::new();
    }
    let arm = crate::predict::mean_arm(&a);
    let direction = offset / offset.norm();
    let mut out = Vec::new();
    for body in &a.bodies {
        let Some(key) = ctx.keys.mass(&body.item) else { continue };
        let needed = offset.norm() * total / body.mass.max(1e-9);
        if needed > 0.5 * arm {
            continue;
        }
        let share = body.mass * (body.at - rotors).xy().dot(&direction) / (total * offset.norm());
        let makes_it = share > 0.3;
        let (item, at) = (body.item.clone(), body.at);
        let place = move |v: f64| at - physics::Vec3::new(direction.x, direction.y, 0.0) * v;
        let mm = |v: f64| (v * 1e4).round() / 10.0;
        let role = if makes_it {
            format!("{item} makes {:.0} % of that", 100.0 * share)
        } else {
            format!("{item} has {:.0} % of the mass and can balance it", 100.0 * body.mass / total)
        };
        let tolerances = placement(ctx, &key);
        out.push(Candidate {
            name: if makes_it {
                format!("{item} off-centre")
            } else {
                format!("offset not balanced by {item}")
            },
            class: ChangeClass::Hardware,
            current: 0.0,
            reference: needed,
            departure: if makes_it { 1.0 + share.min(2.0) } else { 0.1 * arm / needed.max(1e-6) }.min(3.0),
            why: format!(
                "the centre of gravity stands {:.1} mm off the rotors' centre; {role}",
                offset.norm() * 1e3,
            ),
            edits: Box::new({
                let key = key.clone();
                move |v| {
                    let p = place(v);
                    let [x, y, z] = [0, 1, 2].map(|k| {
                        let tolerance = tolerances.get(k).map_or("", String::as_str);
                        format!("\"{} mm{tolerance}\"", mm(p[k]))
                    });
                    vec![KeyChange { key: format!("{key}.at"), value: format!("[{x}, {y}, {z}]") }]
                }
            }),
            words: Box::new(move |v| {
                let p = place(v);
                format!(
                    "move {item} by {:.1} mm: from ({}, {}) mm to ({}, {}) mm",
                    v * 1e3,
                    mm(at.x),
                    mm(at.y),
                    mm(p.x),
                    mm(p.y)
                )
            }),
            fixed: false,
            test: "weigh on three points",
        });
    }
    out
}

/// The payload nearer to the height of the rotors' centre of mass: what it adds to the inertia falls with the square of its
/// distance.
pub(in crate::gates) fn payload_nearer(ctx: &Context<'_>) -> Option<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let body = a.bodies.iter().filter(|b| b.payload).max_by(|x, y| x.mass.total_cmp(&y.mass))?;
    let key = ctx.keys.mass(&body.item)?;
    let bare = physics::mass::mass_properties(&a.without_payload().bodies);
    let (item, at, off) = (body.item.clone(), body.at, body.at.z - bare.centre.z);
    if off.abs() < 5e-3 {
        return None;
    }
    let mm = |v: f64| (v * 1e4).round() / 10.0;
    let tolerance = placement(ctx, &key).get(2).cloned().unwrap_or_default();
    Some(Candidate {
        name: format!("{item} far from the centre of mass"),
        class: ChangeClass::Hardware,
        current: at.z,
        reference: at.z - 0.5 * off,
        departure: 1.0,
        why: format!(
            "{item} ({:.3} kg) hangs {:.0} mm {} the centre of mass of the rest",
            body.mass,
            1e3 * off.abs(),
            if off > 0.0 { "below" } else { "above" }
        ),
        edits: Box::new(move |v| {
            vec![KeyChange { key: format!("{key}.at.z"), value: format!("\"{} mm{tolerance}\"", mm(v)) }]
        }),
        words: Box::new(move |v| format!("{item}: z from {} mm to {} mm", mm(at.z), mm(v))),
        fixed: false,
        test: "swing the aircraft with the payload on",
    })
}

/// Stated tolerances of an item's place, as they stand behind the values: how well it can be placed
/// does not change when it is moved.
fn placement(ctx: &Context<'_>, key: &str) -> Vec<String> {
    ["x", "y", "z"].map(|axis| tolerance(ctx, &format!("{key}.at.{axis}"))).to_vec()
}

/// Spins and cant: what turns yaw the wrong way or weakens it.
pub(in crate::gates) fn yaw(ctx: &Context<'_>) -> Vec<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let mut out = Vec::new();
    for (i, s) in a.stations.iter().enumerate() {
        for (j, t) in a.stations.iter().enumerate().skip(i + 1) {
            if s.spin == t.spin {
                continue;
            }
            let edits = ctx.keys.exchange_spins(&a.stations, i, j);
            let (si, sj) = (s.place.clone(), t.place.clone());
            // Of two exchanges that would do alike, the one that gives the layout's own spins.
            let usual = ctx.keys.usual_spins_after(&a.stations, i, j);
            out.push(Candidate {
                name: format!("spins of {si} and {sj} exchanged"),
                class: ChangeClass::Configuration,
                current: 0.0,
                reference: 1.0,
                departure: if usual { 11.0 } else { 10.0 },
                why: format!(
                    "{si} turns {} and {sj} turns {}; exchanged back, yaw can be commanded alone",
                    s.spin.word(),
                    t.spin.word()
                ),
                edits: Box::new(move |_| edits.clone()),
                words: Box::new(move |_| format!("exchange the spins of {si} and {sj}")),
                fixed: true,
                test: "spin check, propellers off, one motor at a time",
            });
        }
    }
    if let Some(edits) = ctx.keys.reverse_cant() {
        out.push(Candidate {
            name: "cant against the reaction torque".to_owned(),
            class: ChangeClass::Configuration,
            current: 0.0,
            reference: 1.0,
            departure: 12.0,
            why: "the rotors lean against their reaction torque, so the two yaw moments oppose".to_owned(),
            edits: Box::new(move |_| edits.clone()),
            words: Box::new(|_| "lean the rotors with their reaction torque".to_owned()),
            fixed: true,
            test: "look along each arm: which way the thrust axis leans",
        });
    }
    let cant = a.stations.iter().map(|s| (-s.axis.z).clamp(-1.0, 1.0).acos()).fold(0.0, f64::max);
    let reference = 6f64.to_radians();
    if cant < reference {
        let keys = ctx.keys.clone();
        let shown = |v: f64| (v.to_degrees() * 10.0).round() / 10.0;
        out.push(Candidate {
            name: "little cant".to_owned(),
            class: ChangeClass::Hardware,
            current: cant,
            reference,
            departure: 0.6,
            why: format!(
                "the rotors lean by {:.1} deg; 6 deg costs half a per cent of lift",
                cant.to_degrees()
            ),
            edits: Box::new(move |v| keys.cant(shown(v))),
            words: Box::new(move |v| {
                format!("cant: {} deg → {} deg, with the reaction torque", shown(cant), shown(v))
            }),
            fixed: false,
            test: "a yaw step in flight",
        });
    }
    out
}
