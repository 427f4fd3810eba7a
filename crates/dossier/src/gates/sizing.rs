//! Gate sizing: does it lift with margin?

use crate::estimate::{Estimate, Origin};
use crate::gates::candidate;
use crate::gates::context::{Context, Weighed};
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::gates::{GateSpec, at_hover_voltage};
use crate::predict::{Group, mean_arm, rotor_centre};
use crate::result::{Ledger, LedgerLine};

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "sizing",
    name: "Sizing",
    question: "Does it lift with margin?",
    closes_on: "weighing; a pull of full thrust and rate steps in flight",
    drafts,
    ledgers,
    shown: super::envelope::shown,
};

fn metric(output: &'static str, group: Group) -> Option<Metric> {
    Some(Metric { output, group, carry: Carry::Scale })
}

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let thrust = || {
        let mut c = candidate::thrust(a);
        c.extend(candidate::lighter(ctx));
        c
    };
    let mut drafts = vec![
        Draft {
            id: "sizing.hover-share",
            text: "hover thrust over full thrust, without payload, full charge",
            metric: metric("sizing.hover_share", Group::Full),
            predicted: ctx.predicted("sizing.hover_share"),
            measured: hover_share(ctx),
            compare: Compare::Interval,
            needs: "a flight with a pull of full thrust, rotor speeds logged",
            note: None,
            candidates: thrust(),
        },
        Draft {
            id: "sizing.worst-corner",
            text: "full thrust over weight: reserve charge, with payload, highest and hottest",
            metric: metric("sizing.worst_corner", Group::Full),
            predicted: ctx.predicted("sizing.worst_corner"),
            measured: worst_corner(ctx),
            compare: Compare::Interval,
            needs: "a flight with a pull of full thrust, rotor speeds logged",
            note: None,
            candidates: thrust(),
        },
    ];
    for (id, text, output, key) in [
        (
            "sizing.roll-acceleration",
            "roll acceleration available, thrust held",
            "authority.x",
            "effectiveness.x.ratio",
        ),
        (
            "sizing.pitch-acceleration",
            "pitch acceleration available, thrust held",
            "authority.y",
            "effectiveness.y.ratio",
        ),
        (
            "sizing.yaw-acceleration",
            "yaw acceleration available, thrust held",
            "authority.z",
            "effectiveness.z.ratio",
        ),
    ] {
        let predicted = ctx.predicted(output);
        let measured = match (ctx.flight(key), &predicted) {
            (Answer::Found(f), Some(p)) => {
                // The regression measures acceleration per newton; the newtons available are computed.
                let e = p.times(&f.estimate, "rad/s^2");
                Context::derived(&f, e)
            }
            (Answer::Found(_), None) => Answer::Nothing,
            (other, _) => other,
        };
        // What lifts little also turns little; yaw has causes of its own besides.
        let mut candidates = thrust();
        if output == "authority.z" {
            candidates.extend(candidate::yaw(ctx));
        }
        drafts.push(Draft {
            id,
            text,
            metric: metric(output, Group::Authority),
            predicted,
            measured,
            compare: Compare::Interval,
            needs: "rate steps in flight about this axis",
            note: None,
            candidates,
        });
    }
    drafts.push(Draft {
        id: "sizing.centre-offset",
        text: "centre of gravity off the rotors' centre, as a share of the arm, with payload",
        metric: Some(Metric { output: "sizing.centre_offset", group: Group::Mass, carry: Carry::Add }),
        predicted: ctx.predicted("sizing.centre_offset"),
        measured: ctx.weighed().map_or(Answer::Nothing, |w| centre_offset(ctx, &w)),
        compare: Compare::Interval,
        needs: "a weighing on three points",
        note: None,
        candidates: candidate::moves(ctx, true),
    });
    drafts
}

/// Hover share from the rotor speeds of a pull, carried to full charge by the computed ratio of
/// full thrust at the charge flown to that at full charge.
fn hover_share(ctx: &Context<'_>) -> Answer {
    let ratio = match ctx.flight("full.thrust_ratio") {
        Answer::Found(f) => *f,
        other => return other,
    };
    let Some(carry) = full_thrust_ratio_to_full_charge(ctx, &ratio) else { return Answer::Nothing };
    // share = (hover / full as flown) x (full as flown / full at full charge)
    let one = Estimate::exact(1.0, "1", Origin::Measured);
    let share = one.over(&ratio.estimate, "1").times(&carry, "1");
    Context::derived(&ratio, share)
}

fn full_thrust_ratio_to_full_charge(ctx: &Context<'_>, ratio: &Found) -> Option<Estimate> {
    at_hover_voltage(ctx, &ratio.record, "1", &|a, density, charge| {
        let flown = physics::powertrain::full_thrust(a, charge, density).ok()?.total;
        let full = physics::powertrain::full_thrust(a, 1.0, density).ok()?.total;
        Some(flown / full)
    })
}

/// Thrust to weight as flown, carried to the worst corner by the computed ratio.
fn worst_corner(ctx: &Context<'_>) -> Answer {
    let share = match hover_share(ctx) {
        Answer::Found(f) => *f,
        other => return other,
    };
    let (Some(worst), Some(flown)) =
        (ctx.prediction.get("sizing.worst_corner"), ctx.prediction.get("sizing.thrust_to_weight"))
    else {
        return Answer::Nothing;
    };
    let one = Estimate::exact(1.0, "1", Origin::Measured);
    let e = one.over(&share.estimate, "1").times(&worst.over(flown, "1"), "1");
    Context::derived(&share, e)
}

/// Offset from a weighing; the payload's part is computed when it was weighed without.
fn centre_offset(ctx: &Context<'_>, w: &Weighed) -> Answer {
    let a = &ctx.subject.resolved().aircraft;
    let shift = |axis: &str, measured: &Estimate| -> Option<Estimate> {
        if w.loaded {
            return Some(measured.clone());
        }
        let with = ctx.prediction.get(&format!("mass.centre.{axis}"))?;
        let without = ctx.prediction.get(&format!("mass.bare.centre.{axis}"))?;
        Some(measured.plus(&with.minus(without)))
    };
    let (Some(x), Some(y)) = (shift("x", &w.x), shift("y", &w.y)) else { return Answer::Nothing };
    let c = rotor_centre(a);
    let (dx, dy) = (x.value - c.x, y.value - c.y);
    let r = dx.hypot(dy);
    let arm = mean_arm(a);
    let (ux, uy) = if r > 0.0 { (dx / r, dy / r) } else { (1.0, 0.0) };
    let estimate =
        Estimate::combine(r / arm, "1", &[(ux / arm, &x), (uy / arm, &y)]).with_origin(w.mass.origin);
    Answer::Found(Box::new(Found {
        estimate,
        record: w.record.clone(),
        date: w.date.clone(),
        // Carried with a correction when mass items change, so that no change makes it stale.
        rests_on: if w.stale.is_some() { vec!["mass".to_owned(), "geometry".to_owned()] } else { Vec::new() },
        stale: w.stale.clone(),
        partial: None,
    }))
}

fn ledgers(ctx: &Context<'_>) -> Vec<Ledger> {
    let energy = ctx.ledger(
        "energy",
        "Energy in hover, half charge, with payload",
        "energy.hover.",
        "energy.hover.total",
        None,
        &|_, _| String::new(),
    );
    mass_ledger(ctx).into_iter().chain(energy).collect()
}

/// Mass by item, with the moment that each puts on the centre of gravity.
fn mass_ledger(ctx: &Context<'_>) -> Option<Ledger> {
    let a = &ctx.subject.resolved().aircraft;
    let total = ctx.prediction.get("mass.total")?.clone();
    let c = rotor_centre(a);
    let mut items: Vec<(String, f64, physics::Vec3, usize)> = Vec::new();
    for b in &a.bodies {
        match items.iter_mut().find(|i| i.0 == b.item) {
            Some(i) => {
                i.2 = (i.2 * i.1 + b.at * b.mass) / (i.1 + b.mass);
                i.1 += b.mass;
                i.3 += 1;
            }
            None => items.push((b.item.clone(), b.mass, b.at, 1)),
        }
    }
    let inputs = ctx.subject.inputs();
    let lines = items
        .iter()
        .map(|(name, mass, at, count)| {
            // The item's own mass key is its source, so that the sum's contributions are the lines'.
            let source = ctx.keys.mass_any(name).map(|k| format!("{k}.mass"));
            let input = source.as_ref().and_then(|s| inputs.iter().find(|i| &i.key == s));
            let value = match input {
                Some(i) => Estimate::new(
                    *mass,
                    "kg",
                    Origin::Stated,
                    vec![crate::estimate::Contribution {
                        source: i.key.clone(),
                        sensitivity: *count as f64,
                        uncertainty: i.uncertainty,
                    }],
                ),
                None => Estimate::exact(*mass, "kg", Origin::Stated),
            };
            let (dx, dy) = ((at.x - c.x) * mass * 1e3, (at.y - c.y) * mass * 1e3);
            LedgerLine {
                name: if *count > 1 { format!("{name} ({count} of them)") } else { name.clone() },
                share: mass / total.value,
                value,
                note: format!("moves the centre: x {dx:+.1}, y {dy:+.1} kg mm"),
            }
        })
        .collect();
    Some(Ledger {
        id: "mass".to_owned(),
        title: "Mass with payload".to_owned(),
        lines,
        sum: total,
        allowance: None,
    })
}
