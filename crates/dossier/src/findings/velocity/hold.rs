//! How place and height are held: 95 % of the time within what distance, and the mean error.

use signal::robust;

use super::super::context::{Context, Out};
use super::RESTS;

/// Time after the begin of a hold that does not count, s, and the least that must follow. Our choice.
const SETTLE: f64 = 5.0;
const LEAST: f64 = 15.0;
/// A place demand that moves by less than this is a hold, m.
const STILL: f64 = 0.02;

/// Samples of the holds: distance in the plane, error of height, m, by stretch.
struct Held {
    flat: Vec<Vec<f64>>,
    offset: [Vec<f64>; 2],
    height: Vec<Vec<f64>>,
    seconds: f64,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let test = "hold place and height for 30 s or more with position and position_demand logged";
    let Some(held) = held(context) else {
        let missing = if context.series("position_demand.x").is_none() {
            "the channels position_demand.x, .y, .z: what was to be held".to_owned()
        } else if context.series("position.x").is_none() {
            "the channels position.x, .y, .z".to_owned()
        } else {
            format!("a hold of {:.0} s: {SETTLE:.0} s to settle and {LEAST:.0} s that count", SETTLE + LEAST)
        };
        out.cannot_tell("hold.position", "distance from the place held", missing.clone(), test, RESTS);
        out.cannot_tell("hold.height", "error of the height held", missing, test, RESTS);
        return;
    };
    let wind = match context.record.meta.values.get("wind") {
        Some(w) => format!("in a mean wind of {:.1} m/s, as noted with the record", w.value),
        None => "in a wind that is not noted with the record".to_owned(),
    };
    for (key, label, parts) in [
        ("hold.position", "distance from the place held", &held.flat),
        ("hold.height", "error of the height held", &held.height),
    ] {
        let all: Vec<f64> = parts.iter().flatten().map(|v| v.abs()).collect();
        let Some(value) = robust::quantile(&all, 0.95) else { continue };
        let e = context.estimate(label, value, error_of(parts, value), "m");
        let text = format!("95 % of {:.0} s lie within it, {wind}.", held.seconds);
        out.value(key, label, e, text, RESTS);
    }
    let [x, y] = held.offset.map(|v| robust::mean_error(&v));
    if let (Some(x), Some(y)) = (x, y) {
        let value = x.mean.hypot(y.mean);
        let e = context.estimate("mean error of place", value, x.error.hypot(y.error), "m");
        let text =
            format!("Distance of the mean place from the one demanded, {wind}: what the integral leaves.");
        out.value("hold.offset", "mean error of the place held", e, text, RESTS);
    }
    if let Some(w) = context.record.meta.values.get("wind") {
        let e = context.estimate("wind as noted", w.value, w.uncertainty, "m/s");
        out.value("hold.wind", "mean wind", e, "Entered by hand with the record.", &[]);
    }
}

fn held(context: &Context<'_>) -> Option<Held> {
    let names = [
        "position_demand.x",
        "position_demand.y",
        "position_demand.z",
        "position.x",
        "position.y",
        "position.z",
    ];
    let joint = context.joint(&names, &context.airborne())?;
    let mut held =
        Held { flat: Vec::new(), offset: [Vec::new(), Vec::new()], height: Vec::new(), seconds: 0.0 };
    for s in &joint.stretches {
        let mut k = 0;
        while k < s.len() {
            let begin = k;
            while k < s.len() && (0..3).all(|a| (s.channels[a][k] - s.channels[a][begin]).abs() < STILL) {
                k += 1;
            }
            let from = begin + (SETTLE / joint.period) as usize;
            if from >= k || (k - from) as f64 * joint.period < LEAST {
                continue;
            }
            let error = |a: usize| -> Vec<f64> {
                (from..k).map(|i| s.channels[3 + a][i] - s.channels[a][i]).collect()
            };
            let (x, y) = (error(0), error(1));
            held.flat.push(x.iter().zip(&y).map(|(x, y)| x.hypot(*y)).collect());
            held.offset[0].extend(x);
            held.offset[1].extend(y);
            held.height.push(error(2));
            held.seconds += (k - from) as f64 * joint.period;
        }
    }
    (!held.flat.is_empty()).then_some(held)
}

/// Standard error of a 95 % bound, from its scatter over six parts of the time: gusts last, so that samples do not
/// count one by one.
fn error_of(parts: &[Vec<f64>], value: f64) -> f64 {
    let all: Vec<f64> = parts.iter().flatten().map(|v| v.abs()).collect();
    let size = (all.len() / 6).max(1);
    let each: Vec<f64> = all.chunks_exact(size).filter_map(|c| robust::quantile(c, 0.95)).collect();
    let spread = robust::variance(&each).unwrap_or(value * value).sqrt();
    spread / (each.len().max(1) as f64).sqrt()
}
