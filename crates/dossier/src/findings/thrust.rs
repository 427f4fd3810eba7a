//! Thrust per mass, and what a full pull gives.

use signal::{filter, lsq};

use super::PhaseKind;
use super::context::{Context, Out};

const RESTS: &[&str] = &["mass", "rotor"];
const PULL_RESTS: &[&str] = &["mass", "rotor", "motor", "esc", "battery"];

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    per_mass(context, out);
    full(context, out);
}

/// Names of all rotor speed channels.
pub(super) fn speed_names(context: &Context<'_>) -> Option<Vec<String>> {
    context.rotor_series("speed")?;
    Some((1..=context.rotors).map(|i| format!("rotor.{i}.speed")).collect())
}

/// -accel.z = (k/m) sum of squared speeds, through the origin: with the aircraft's own drag and the
/// inflow of climb and forward flight left in the residual.
fn per_mass(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("thrust.per_mass", "thrust per mass and speed squared");
    let Some(mut names) = speed_names(context) else {
        out.cannot_tell(key, label, "the channels rotor.N.speed", "log rotor speeds in hover", RESTS);
        return;
    };
    if context.series("accel.z").is_none() {
        out.cannot_tell(key, label, "the channel accel.z", "log the accelerometer", RESTS);
        return;
    }
    names.push("accel.z".to_owned());
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let hover = context.hover();
    let in_hover = Context::length(&hover) >= 3.0;
    let windows = if in_hover { hover } else { context.airborne() };
    let Some(joint) = context.joint(&views, &windows) else {
        out.cannot_tell(key, label, "a stretch in the air with speeds and accel.z", "hover for 10 s", RESTS);
        return;
    };
    let rate = 1.0 / joint.period;
    let cutoff = (0.2 * rate).min(8.0);
    let every = ((rate / (4.0 * cutoff)) as usize).max(1);
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for s in &joint.stretches {
        let Some((accel, speeds)) = s.channels.split_last() else { continue };
        let sum: Vec<f64> = (0..s.len()).map(|k| speeds.iter().map(|c| c[k] * c[k]).sum()).collect();
        let (Ok(a), Ok(w)) = (filter::low_pass(accel, rate, cutoff), filter::low_pass(&sum, rate, cutoff))
        else {
            continue;
        };
        x.extend(w.iter().step_by(every));
        y.extend(a.iter().step_by(every).map(|a| -a));
    }
    let Ok((fit, matrix)) = lsq::fit_columns(&[&x], &y, false) else {
        out.cannot_tell(key, label, "enough samples in the air", "hover for 10 s", RESTS);
        return;
    };
    let fit = fit.correlated(&matrix, None);
    let e = context.estimate("thrust per mass", fit.value(0), fit.error(0), "N/(rad/s)^2/kg");
    let spread = fit.variance.sqrt();
    let text = format!(
        "Specific force over the sum of squared speeds, {}, below {cutoff:.1} Hz; the fit leaves {spread:.2} m/s^2. \
         An accelerometer scale or bias error goes straight into it (0.1 m/s^2 is 1 %).",
        if in_hover {
            "in hover"
        } else {
            "over the whole flight (no hover of 3 s): inflow in climb and forward flight bends it"
        }
    );
    out.value(key, label, e, text, RESTS);
}

/// Largest thrust held for 0.2 s over the hover thrust.
fn full(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("full.thrust_ratio", "full thrust over hover thrust");
    let test = "after 10 s of hover pull full thrust for 0.6 s with room above, battery full";
    let pulls = context.windows(|k| k == PhaseKind::Pull);
    let hover = context.hover();
    if pulls.is_empty() || hover.is_empty() {
        let missing =
            if hover.is_empty() { "a steady hover beside the pull" } else { "a pull of full thrust" };
        out.cannot_tell(key, label, missing, test, PULL_RESTS);
        return;
    }
    let commanded = |from: f64, to: f64| -> Option<f64> {
        if let Some(all) = context.rotor_series("command") {
            let mut sum = 0.0;
            for s in &all {
                sum += s.mean(from, to)?;
            }
            return Some(sum / all.len() as f64);
        }
        context.series("thrust_demand")?.mean(from, to)
    };
    const HELD: f64 = 0.2;
    let measure = |from: f64, to: f64| -> Option<f64> {
        if let Some(all) = context.rotor_series("speed") {
            return all
                .iter()
                .map(|s| {
                    let v = s.slice(from, to).1;
                    (!v.is_empty()).then(|| v.iter().map(|w| w * w).sum::<f64>() / v.len() as f64)
                })
                .sum();
        }
        context.series("accel.z")?.mean(from, to).map(|a| -a)
    };
    let speeds = context.rotor_series("speed").is_some();
    if !speeds && context.series("accel.z").is_none() {
        out.cannot_tell(key, label, "the channels rotor.N.speed or accel.z", test, PULL_RESTS);
        return;
    }
    let base: Vec<(f64, f64)> = hover.iter().filter_map(|(a, b)| Some((measure(*a, *b)?, b - a))).collect();
    let weight: f64 = base.iter().map(|b| b.1).sum();
    let level = base.iter().map(|b| b.0 * b.1).sum::<f64>() / weight;
    let mut best: Option<(f64, f64, f64, f64)> = None;
    for (a, b) in &pulls {
        let mut t = *a;
        while t + HELD <= b + 1e-9 {
            if let (Some(v), Some(c)) = (measure(t, t + HELD), commanded(t, t + HELD))
                && best.is_none_or(|(w, ..)| v > w)
            {
                best = Some((v, c, t, *b));
            }
            t += 0.01;
        }
    }
    let Some((value, command, at, _)) = best else {
        out.cannot_tell(
            key,
            label,
            "a pull of thrust held for 0.2 s, with the command logged",
            test,
            PULL_RESTS,
        );
        return;
    };
    if command < 0.95 {
        out.cannot_tell(
            key,
            label,
            format!("a pull with the rotors at full command (the hardest reached {command:.2} on average, giving {:.2} times hover)", value / level),
            test,
            PULL_RESTS,
        );
        return;
    }
    // How far the reading moves within the held time stands for its uncertainty: speed still
    // rising, bus still sagging.
    let halves = [measure(at, at + 0.5 * HELD), measure(at + 0.5 * HELD, at + HELD)];
    let wander = match halves {
        [Some(p), Some(q)] => 0.5 * (p - q).abs() / value,
        _ => 0.0,
    };
    let spread = base.iter().map(|b| (b.0 - level).abs()).fold(0.0, f64::max) / level;
    let ratio = value / level;
    let e = context.estimate("full thrust ratio", ratio, ratio * wander.hypot(0.5 * spread).max(1e-3), "1");
    let basis = if speeds {
        "squared speeds, so the static thrust at the sagged bus; the climb itself takes some of it away"
    } else {
        "specific force, so with the thrust that the climb has already taken away"
    };
    let text = format!("Largest value held for {HELD} s in a pull at command {command:.2}, from {basis}.");
    out.value(key, label, e, text, PULL_RESTS);
}
