//! What moves a resonance: length, section, root, tip mass; what turns the compass.

use physics::aircraft::Aircraft;
use physics::structure::diagram::{Dwell, least_separation};
use physics::structure::{Section, frame};

use super::{Candidate, Scalar, scalar};
use crate::gates::context::Context;
use crate::predict::separation;
use crate::result::{ChangeClass, KeyChange};

/// Separation that a change is looked for with: a little beyond the limit.
const WANTED: f64 = 0.22;
const TAP: &str = "a tap on it: frequency and damping";

/// One part that can be changed, with how a factor on it changes the aircraft.
struct Part {
    name: &'static str,
    key: String,
    unit: &'static str,
    unit_size: f64,
    current: f64,
    /// Least and greatest factor that is practical.
    range: (f64, f64),
    basis: &'static str,
    apply: Box<dyn Fn(&mut Aircraft, f64)>,
}

/// The factor nearest to one, within the range, that reaches the wanted separation.
fn nearest_factor(
    part: &Part,
    aircraft: &Aircraft,
    reached: &dyn Fn(&Aircraft) -> Option<f64>,
) -> Option<f64> {
    const STEPS: usize = 48;
    let (low, high) = (part.range.0.ln(), part.range.1.ln());
    let mut factors: Vec<f64> = (0..=STEPS)
        .map(|k| low + (high - low) * k as f64 / STEPS as f64)
        .filter(|f| f.abs() > 0.01)
        .collect();
    factors.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
    factors.into_iter().map(f64::exp).find(|factor| {
        let mut changed = aircraft.clone();
        (part.apply)(&mut changed, *factor);
        reached(&changed).is_some_and(|s| s >= WANTED)
    })
}

fn candidates(
    parts: Vec<Part>,
    aircraft: &Aircraft,
    reached: &dyn Fn(&Aircraft) -> Option<f64>,
) -> Vec<Candidate> {
    parts
        .into_iter()
        .filter_map(|p| {
            let factor = nearest_factor(&p, aircraft, reached)?;
            Some(scalar(Scalar {
                name: p.name,
                class: ChangeClass::Hardware,
                keys: vec![p.key],
                unit: p.unit,
                factor: p.unit_size,
                current: p.current,
                reference: p.current * factor,
                // The less a part has to change, the nearer at hand it is.
                departure: 1.0 / (0.1 + factor.ln().abs()),
                basis: p.basis.to_owned(),
                test: TAP,
            }))
        })
        .collect()
}

fn scale_section(section: &mut Section, factor: f64) {
    match section {
        Section::Tube { outer, .. } => *outer *= factor,
        Section::Rectangle { height, .. } => *height *= factor,
    }
}

/// Key and size of a section's depth.
fn depth(prefix: &str, section: &Section) -> (String, f64) {
    match *section {
        Section::Tube { outer, .. } => (format!("{prefix}.outer"), outer),
        Section::Rectangle { height, .. } => (format!("{prefix}.height"), height),
    }
}

/// Changes that restore the separation of the arms.
pub(in crate::gates) fn arm(ctx: &Context<'_>, dwell: Dwell, short: bool) -> Vec<Candidate> {
    let a = ctx.subject.resolved().aircraft.without_payload();
    let Some(arm) = a.structure.arm.as_ref().filter(|_| short) else { return Vec::new() };
    let blades = a.rotor.blades;
    let reached = |a: &Aircraft| {
        let f: Vec<f64> = frame::arms(a).ok()?.patterns().iter().map(|p| p.frequency).collect();
        separation(&f, blades, dwell)
    };
    let (depth_key, size) = depth("structure.arm", &arm.section);
    let mut parts = vec![
        Part {
            name: "arm too long or too short for its section",
            key: "structure.arm.length".to_owned(),
            unit: "mm",
            unit_size: 1e-3,
            current: arm.length,
            range: (0.6, 1.3),
            basis: "the frequency goes with about the power -1.5 of the length",
            apply: Box::new(|a, k| {
                if let Some(arm) = &mut a.structure.arm {
                    arm.length *= k;
                }
            }),
        },
        Part {
            name: "section of the arm",
            key: depth_key,
            unit: "mm",
            unit_size: 1e-3,
            current: size,
            range: (0.6, 2.0),
            basis: "the stiffness of a tube goes with the cube of its diameter",
            apply: Box::new(|a, k| {
                if let Some(arm) = &mut a.structure.arm {
                    scale_section(&mut arm.section, k);
                }
            }),
        },
        Part {
            name: "root of the arm",
            key: "structure.arm.root_stiffness".to_owned(),
            unit: "kN m/rad",
            unit_size: 1e3,
            current: arm.root_stiffness,
            range: (0.3, 8.0),
            basis: "a longer clamp, or a bonded plug in the tube's end",
            apply: Box::new(|a, k| {
                if let Some(arm) = &mut a.structure.arm {
                    arm.root_stiffness *= k;
                }
            }),
        },
    ];
    parts.extend(tip(ctx, &a));
    candidates(parts, &a, &reached)
}

/// The item at the hubs, lighter or heavier.
fn tip(ctx: &Context<'_>, a: &Aircraft) -> Option<Part> {
    let hub = a.stations.first()?.at;
    let body = a
        .bodies
        .iter()
        .filter(|b| (b.at.xy() - hub.xy()).norm() < 0.02)
        .max_by(|x, y| x.mass.total_cmp(&y.mass))?;
    let key = ctx.keys.mass_any(&body.item)?;
    let prefix = body.item.split(", ").next().unwrap_or(&body.item).to_owned();
    Some(Part {
        name: "mass at the arm's tip",
        key: format!("{key}.mass"),
        unit: "g",
        unit_size: 1e-3,
        current: body.mass,
        range: (0.75, 1.35),
        basis: "motor and propeller of another mass",
        apply: Box::new(move |a, k| {
            for b in a.bodies.iter_mut().filter(|b| b.item.starts_with(&prefix)) {
                b.mass *= k;
            }
        }),
    })
}

/// Changes that restore the separation of the mast.
pub(in crate::gates) fn mast(ctx: &Context<'_>, dwell: Dwell, short: bool) -> Vec<Candidate> {
    let a = ctx.subject.resolved().aircraft.without_payload();
    let Some(mast) = a.structure.mast.as_ref().filter(|_| short) else { return Vec::new() };
    let blades = a.rotor.blades;
    let reached = |a: &Aircraft| {
        let f = a.structure.mast.as_ref()?.frequency()?;
        Some(least_separation(f, blades, dwell).0)
    };
    let (depth_key, size) = depth("structure.mast", &mast.section);
    let parts = vec![
        Part {
            name: "height of the mast",
            key: "structure.mast.length".to_owned(),
            unit: "mm",
            unit_size: 1e-3,
            current: mast.length,
            range: (0.4, 2.0),
            basis: "a lower mast is stiffer and nearer to the leads",
            apply: Box::new(|a, k| {
                if let Some(m) = &mut a.structure.mast {
                    m.length *= k;
                }
            }),
        },
        Part {
            name: "section of the mast",
            key: depth_key,
            unit: "mm",
            unit_size: 1e-3,
            current: size,
            range: (0.6, 2.5),
            basis: "the stiffness of a tube goes with the cube of its diameter",
            apply: Box::new(|a, k| {
                if let Some(m) = &mut a.structure.mast {
                    scale_section(&mut m.section, k);
                }
            }),
        },
        Part {
            name: "foot of the mast",
            key: "structure.mast.root_stiffness".to_owned(),
            unit: "N m/rad",
            unit_size: 1.0,
            current: mast.root_stiffness,
            range: (0.3, 8.0),
            basis: "a wider foot, or a thicker plate under it",
            apply: Box::new(|a, k| {
                if let Some(m) = &mut a.structure.mast {
                    m.root_stiffness *= k;
                }
            }),
        },
    ];
    candidates(parts, &a, &reached)
}

/// Stiffer parts for a lowest mode that is too low or a thrust axis that turns too far.
pub(in crate::gates) fn stiffer(a: &Aircraft) -> Vec<Candidate> {
    let mut out = Vec::new();
    let mut add = |name, key: String, unit, factor: f64, current: f64, times: f64, basis: &str| {
        out.push(scalar(Scalar {
            name,
            class: ChangeClass::Hardware,
            keys: vec![key],
            unit,
            factor,
            current,
            reference: current * times,
            departure: 1.0,
            basis: basis.to_owned(),
            test: TAP,
        }));
    };
    if let Some(arm) = &a.structure.arm {
        let (key, size) = depth("structure.arm", &arm.section);
        add("section of the arm", key, "mm", 1e-3, size, 1.5, "half as deep again");
        let k = arm.root_stiffness;
        add(
            "root of the arm",
            "structure.arm.root_stiffness".to_owned(),
            "kN m/rad",
            1e3,
            k,
            4.0,
            "a longer clamp, or a bonded plug",
        );
        let l = arm.length;
        add("length of the arm", "structure.arm.length".to_owned(), "mm", 1e-3, l, 0.7, "held farther out");
    }
    if let Some(mast) = &a.structure.mast {
        let l = mast.length;
        add("height of the mast", "structure.mast.length".to_owned(), "mm", 1e-3, l, 0.5, "half as high");
    }
    if let Some(plate) = &a.structure.plate {
        let c = plate.carried;
        if c > 0.0 {
            add(
                "mass on the plate",
                "structure.plate.carried".to_owned(),
                "g",
                1e-3,
                c,
                0.4,
                "part of it carried elsewhere",
            );
        }
    }
    out
}

/// A mount that is too soft or too stiff.
pub(in crate::gates) fn mount(ctx: &Context<'_>) -> Vec<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let Some(physics::structure::Mount::Soft { frequency, .. }) = a.structure.mount else {
        return Vec::new();
    };
    let least = 5.0 * crate::predict::required_crossover(a) / std::f64::consts::TAU;
    let most = ctx.prediction.get("structure.dwell_speed.low").map(|e| 0.5 * e.value / std::f64::consts::TAU);
    let reference = match most {
        Some(m) if frequency > m => 0.95 * m.max(least),
        _ => 1.1 * least,
    };
    vec![scalar(Scalar {
        name: "stiffness of the mount",
        class: ChangeClass::Hardware,
        keys: vec!["structure.mount.frequency".to_owned()],
        unit: "Hz",
        factor: 1.0,
        current: frequency,
        reference,
        departure: (frequency / reference).ln().abs() / 1.2f64.ln(),
        basis: "between five crossovers and half of the lowest 1/rev".to_owned(),
        test: "a tap on the body with the sensor logged raw",
    })]
}

/// What turns the compass: leads apart, leads untwisted, a place too near.
pub(in crate::gates) fn compass(ctx: &Context<'_>) -> Vec<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let Some(at) = a.magnetic.magnetometer else { return Vec::new() };
    let mut out = Vec::new();
    let total = a.magnetic.per_ampere(&at).xy();
    let along = total.try_normalize(0.0).unwrap_or_default();
    for (k, lead) in a.magnetic.leads.iter().enumerate() {
        let share = (lead.field(&at) * lead.share).xy().dot(&along) / total.norm().max(1e-30);
        if share < 0.15 {
            continue;
        }
        let n = k + 1;
        let item = lead.item.clone();
        if lead.twist.is_none() {
            out.push(Candidate {
                name: format!("{item} not twisted"),
                class: ChangeClass::Hardware,
                current: 0.0,
                reference: 1.0,
                departure: 1.0 + share,
                why: format!("{item} makes {:.0} % of the field at the magnetometer", 100.0 * share),
                edits: Box::new(move |_| {
                    vec![KeyChange { key: format!("lead.{n}.twist"), value: "\"40 mm\"".to_owned() }]
                }),
                words: Box::new(move |_| format!("twist {item}, one turn in 40 mm")),
                fixed: true,
                test: "a restrained run-up with the leads twisted by hand",
            });
        }
        let reference = 3e-3;
        if lead.spacing > reference {
            out.push(scalar(Scalar {
                name: "conductors apart",
                class: ChangeClass::Hardware,
                keys: vec![format!("lead.{n}.spacing")],
                unit: "mm",
                factor: 1e-3,
                current: lead.spacing,
                reference,
                departure: 0.5 * share * (lead.spacing / reference).ln(),
                basis: format!(
                    "{} makes {:.0} % of the field; conductors that touch",
                    lead.item,
                    100.0 * share
                ),
                test: "a restrained run-up with the conductors tied together",
            }));
        }
    }
    if let Some(best) = crate::siting::of_context(ctx).ok().and_then(|s| s.recommended().cloned()) {
        let mm = |v: f64| (v * 1e4).round() / 10.0;
        let p = best.at;
        let mast = (best.mast_height > 0.0 && a.structure.mast.is_some()).then_some(best.mast_height);
        let place = format!("({}, {}, {}) mm, {}", mm(p.x), mm(p.y), mm(p.z), best.place.words());
        out.push(Candidate {
            name: "magnetometer too near to the leads".to_owned(),
            class: ChangeClass::Hardware,
            current: 0.0,
            reference: 1.0,
            departure: 1.2,
            why: format!(
                "the survey of sites finds {:.1} deg at full current there",
                best.full_error.to_degrees()
            ),
            edits: Box::new(move |_| {
                let mut edits = vec![KeyChange {
                    key: "magnetometer.at".to_owned(),
                    value: format!("[\"{} mm\", \"{} mm\", \"{} mm\"]", mm(p.x), mm(p.y), mm(p.z)),
                }];
                if let Some(h) = mast {
                    edits.push(KeyChange {
                        key: "structure.mast.length".to_owned(),
                        value: format!("\"{} mm\"", mm(h)),
                    });
                }
                edits
            }),
            words: Box::new(move |_| format!("move the magnetometer to {place}")),
            fixed: true,
            test: "a restrained run-up with the magnetometer held there on a stick",
        });
    }
    out
}
