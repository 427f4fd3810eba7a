//! Rotor commands: are they ratios, and does each follow its own rotor?

use super::doubt::{Amendment, Choice, Doubt};
use super::map::ChannelMap;
use crate::record::Record;

/// Correlation coefficient.
pub(super) fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len()) as f64;
    if n < 2.0 {
        return 0.0;
    }
    let (ma, mb) = (a.iter().sum::<f64>() / n, b.iter().sum::<f64>() / n);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    if aa > 0.0 && bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 }
}

fn pairs(a: &[f64], b: &[f64]) -> (Vec<f64>, Vec<f64>) {
    a.iter().zip(b).filter(|(x, y)| x.is_finite() && y.is_finite()).map(|(x, y)| (*x, *y)).unzip()
}

/// Correlation of slow parts removed: differences over a tenth of a second.
fn following(record: &Record, command: &[f64], speed: &[f64]) -> f64 {
    let step = super::timebase::median_step(&record.time).max(1e-6);
    let lag = ((0.1 / step).round() as usize).max(1);
    let changes = |v: &[f64]| -> Vec<f64> { v.iter().skip(lag).zip(v).map(|(b, a)| b - a).collect() };
    let (a, b) = pairs(&changes(command), &changes(speed));
    correlation(&a, &b)
}

/// Exponent of command against speed (slope of the logarithms), with the correlation of command with speed squared.
fn exponent(command: &[f64], speed: &[f64]) -> Option<(f64, f64)> {
    let (c, w) = pairs(command, speed);
    let squares: Vec<f64> = w.iter().map(|v| v * v).collect();
    let r = correlation(&c, &squares);
    let (x, y): (Vec<f64>, Vec<f64>) =
        w.iter().zip(&c).filter(|(w, c)| **w > 0.0 && **c > 0.0).map(|(w, c)| (w.ln(), c.ln())).unzip();
    if x.len() < 20 {
        return None;
    }
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let xx: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
    let xy: f64 = x.iter().zip(&y).map(|(a, b)| (a - mx) * (b - my)).sum();
    (xx > 1e-9).then(|| (xy / xx, r))
}

/// Tests all rotor commands.
pub(super) fn check(record: &Record, map: &ChannelMap, doubts: &mut Vec<Doubt>) {
    let commands: Vec<(usize, &[f64])> =
        (1..=64).filter_map(|n| record.channel(&format!("rotor.{n}.command")).map(|c| (n, c))).collect();
    if commands.is_empty() {
        return;
    }
    range(record, map, &commands, doubts);
    order(record, &commands, doubts);
    speeds(record, doubts);
}

fn range(record: &Record, map: &ChannelMap, commands: &[(usize, &[f64])], doubts: &mut Vec<Doubt>) {
    let ends = |v: &[f64]| {
        v.iter()
            .filter(|x| x.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(*x), b.max(*x)))
    };
    let each: Vec<(usize, f64, f64)> = commands.iter().map(|(n, v)| (*n, ends(v).0, ends(v).1)).collect();
    let low = each.iter().fold(f64::INFINITY, |m, e| m.min(e.1));
    let high = each.iter().fold(f64::NEG_INFINITY, |m, e| m.max(e.2));
    if !(low.is_finite() && high.is_finite()) || (low >= -0.05 && high <= 1.05) {
        return;
    }
    // What the columns themselves hold, before any range of the map.
    let raw = |n: usize, v: f64| {
        let entry = map.channel(&format!("rotor.{n}.command"));
        let percent = entry.is_some_and(|e| e.unit == "%" && e.range.is_none());
        match entry.and_then(|e| e.range) {
            Some((a, b)) => a + v * (b - a),
            None if percent => v * 100.0,
            None => v,
        }
    };
    let raws: Vec<(usize, f64, f64)> = each.iter().map(|(n, a, b)| (*n, raw(*n, *a), raw(*n, *b))).collect();
    let raw_low = raws.iter().fold(f64::INFINITY, |m, e| m.min(e.1.min(e.2)));
    let raw_high = raws.iter().fold(f64::NEG_INFINITY, |m, e| m.max(e.1.max(e.2)));
    let name = |n: usize| format!("rotor.{n}.command");
    let mut options = Vec::new();
    let negative: Vec<usize> =
        raws.iter().filter(|(_, a, b)| *b <= 0.0 && *a < 0.0).map(|(n, _, _)| *n).collect();
    let magnitude = raw_low.abs().max(raw_high.abs());
    if !negative.is_empty() && negative.len() < commands.len() {
        for full in
            [100.0, 500.0, 1000.0, 2000.0].into_iter().filter(|f| *f >= magnitude && *f <= 8.0 * magnitude)
        {
            let mut amend: Vec<Amendment> = negative.iter().map(|n| Amendment::Flip(name(*n))).collect();
            amend.extend(commands.iter().map(|(n, _)| Amendment::Range(name(*n), 0.0, full, "1".to_owned())));
            let text = format!("the sign alternates with the spin: size only, {full} means full");
            options.push(Choice::new(&format!("size-{full}"), text, amend));
        }
    } else if raw_low >= 700.0 && raw_high <= 2500.0 {
        let amend = commands
            .iter()
            .map(|(n, _)| Amendment::Range(name(*n), 1000.0, 2000.0, "us".to_owned()))
            .collect();
        options.push(Choice::new("us", "pulse lengths, 1000 us means 0 and 2000 us means 1", amend));
    } else if raw_low >= 0.0 && raw_high <= 105.0 {
        let amend = commands.iter().map(|(n, _)| Amendment::Unit(name(*n), "%".to_owned())).collect();
        options.push(Choice::new("percent", "per cent of full command", amend));
    }
    if raw_low >= -0.1 && raw_high < 500.0 {
        let amend = commands
            .iter()
            .flat_map(|(n, _)| {
                let to = format!("rotor.{n}.thrust_demand");
                [Amendment::Unit(name(*n), "N".to_owned()), Amendment::Rename(name(*n), to)]
            })
            .collect();
        options.push(Choice::new("newtons", "thrust demanded of each rotor, in newtons", amend));
    }
    let full = [255.0, 1000.0, 1023.0, 2047.0, 4095.0, 10_000.0, 65_535.0];
    for top in full.into_iter().filter(|f| raw_low >= 0.0 && raw_high <= *f && raw_high > 0.3 * f) {
        let amend =
            commands.iter().map(|(n, _)| Amendment::Range(name(*n), 0.0, top, "1".to_owned())).collect();
        options.push(Choice::new(&format!("counts-{top}"), format!("counts, {top} means full"), amend));
    }
    options.push(Choice::keep("they are ratios as mapped"));
    let mut why = format!("they run from {low:.3} to {high:.3} as mapped, a ratio lies between 0 and 1");
    if let Some((n, values)) = commands.first()
        && let Some(speed) = record.channel(&format!("rotor.{n}.speed"))
        && let Some((p, r)) = exponent(values, speed)
    {
        why.push_str(&format!(
            "; command {n} goes with its rotor's speed to the power {p:.2} (thrust: 2), correlation with speed squared {r:+.2}"
        ));
    } else if let Some((sum, r)) = against_lift(record, commands) {
        why.push_str(&format!(
            "; the sum of all is {sum:.3} times the specific force along z (the mass in kg if they are newtons), correlation {r:+.2}"
        ));
    }
    doubts.push(Doubt {
        id: "command".to_owned(),
        channel: "rotor.N.command".to_owned(),
        question: "What do the rotor commands mean?".to_owned(),
        why,
        options,
    });
}

fn against_lift(record: &Record, commands: &[(usize, &[f64])]) -> Option<(f64, f64)> {
    let lift: Vec<f64> = record.channel("accel.z")?.iter().map(|v| v.abs()).collect();
    let total: Vec<f64> =
        (0..lift.len()).map(|i| commands.iter().filter_map(|(_, c)| c.get(i)).sum()).collect();
    let (t, l) = pairs(&total, &lift);
    let mean = l.iter().sum::<f64>() / l.len().max(1) as f64;
    (mean > 1.0).then(|| (t.iter().sum::<f64>() / t.len() as f64 / mean, correlation(&t, &l)))
}

/// Each command must be followed best by its own rotor.
fn order(record: &Record, commands: &[(usize, &[f64])], doubts: &mut Vec<Doubt>) {
    let speeds: Vec<(usize, &[f64])> = commands
        .iter()
        .filter_map(|(n, _)| record.channel(&format!("rotor.{n}.speed")).map(|s| (*n, s)))
        .collect();
    if speeds.len() < 2 || speeds.len() != commands.len() {
        return;
    }
    let mut wrong = Vec::new();
    for (n, c) in commands {
        let own = speeds.iter().find(|(m, _)| m == n).map_or(0.0, |(_, s)| following(record, c, s));
        let best = speeds
            .iter()
            .map(|(m, s)| (*m, following(record, c, s)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((*n, own));
        if best.0 != *n && best.1 > 0.5 && best.1 > own + 0.2 {
            wrong.push((*n, best.0, own, best.1));
        }
    }
    if wrong.is_empty() {
        return;
    }
    let parts: Vec<_> = wrong
        .iter()
        .map(|(n, m, own, best)| {
            format!("command {n} is followed by rotor {m} ({best:+.2}), not by rotor {n} ({own:+.2})")
        })
        .collect();
    let mut targets: Vec<usize> = wrong.iter().map(|w| w.1).collect();
    targets.sort_unstable();
    let mut sources: Vec<usize> = wrong.iter().map(|w| w.0).collect();
    sources.sort_unstable();
    let mut options = Vec::new();
    if targets == sources {
        // By way of names that no channel has, so that exchanges do not meet.
        let away = wrong.iter().map(|(n, _, _, _)| {
            Amendment::Rename(format!("rotor.{n}.command"), format!("rotor.{n}.command?"))
        });
        let back = wrong.iter().map(|(n, m, _, _)| {
            Amendment::Rename(format!("rotor.{n}.command?"), format!("rotor.{m}.command"))
        });
        let amend = away.chain(back).collect();
        options.push(Choice::new("by-speed", "number the commands as the speeds that follow them", amend));
    }
    options.push(Choice::keep("the map is right"));
    doubts.push(Doubt {
        id: "rotor-order".to_owned(),
        channel: "rotor.N.command".to_owned(),
        question: "Are commands and speeds numbered alike?".to_owned(),
        why: parts.join("; "),
        options,
    });
}

fn speeds(record: &Record, doubts: &mut Vec<Doubt>) {
    let all = record.rotor_channels("speed");
    let largest = all.iter().flat_map(|v| v.iter()).filter(|v| v.is_finite()).fold(0.0_f64, |m, v| m.max(*v));
    if largest <= 6000.0 {
        return;
    }
    let amend =
        (1..=all.len()).map(|n| Amendment::Unit(format!("rotor.{n}.speed"), "rpm".to_owned())).collect();
    doubts.push(Doubt {
        id: "speed-unit".to_owned(),
        channel: "rotor.N.speed".to_owned(),
        question: "In what unit are the rotor speeds?".to_owned(),
        why: format!(
            "the largest is {largest:.0} rad/s, {:.0} rpm, faster than any rotor of this kind turns (common practice, no source)",
            largest * 30.0 / std::f64::consts::PI
        ),
        options: vec![Choice::new("rpm", "revolutions per minute", amend), Choice::keep("the unit in the map is right")],
    });
}
