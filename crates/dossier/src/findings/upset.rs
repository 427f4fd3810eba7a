//! Blows from outside: sudden turns out of quiet flight that the rotors did not make, and how they end.
//!
//! A sudden turn is a rate above the threshold within 0.3 s after at least 0.4 s of quiet. Who made it
//! shows in the work of the rotors on the turn up to its peak, the sum over axes of moment times rate
//! (moment in units of thrust-like command or speed squared times lever, about its mean before the
//! turn), and the same with angular acceleration in place of the rate: rotors that push with the turn
//! made it, rotors that push against it met a blow. Only a record that also hovers is asked: in
//! manoeuvring flight the moments of the air blur both sums. The return
//! is the time from the peak to 1/e of it. It is a time constant of the loop only after a blow short
//! against it, with every command off its limits: a push that lasts, and rotors at their limit, set the
//! time themselves.

use signal::robust;

use super::context::{AXES, Context, Joint, Out};
use super::geometry::{self, Levers};
use super::phases::side;

const RESTS: &[&str] = &["loop", "mass", "motor", "rotor", "esc", "station", "aircraft"];
/// Least rate that counts as a blow, rad/s (about 35 deg/s). Our choice.
const LEAST: f64 = 0.6;
const QUIET: f64 = 0.4;
/// Hover that a record needs to be asked, s.
const LEAST_HOVER: f64 = 2.0;
const RISE: f64 = 0.3;
/// A blow that is over sooner is short against the loops of small aircraft, s. Our choice.
const SHORT: f64 = 0.06;

/// One sudden turn.
struct Upset {
    at: f64,
    axis: usize,
    peak: f64,
    /// From the threshold to the peak, s.
    rise: f64,
    /// Time from the peak to 1/e of it, s; none when the record ends before.
    back: Option<f64>,
    /// Share of samples from the start to the return in which a command is at a limit.
    limited: Option<f64>,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let asked = AXES.iter().any(|(l, _)| context.series(&format!("rate_demand.{l}")).is_some());
    let stations = context.known.stations.as_ref().filter(|s| s.len() == context.rotors && s.len() >= 3);
    // With the demand logged, steps are steps; and without rotors nobody can say who turned.
    let what = if context.rotor_series("command").is_some() { "command" } else { "speed" };
    let (Some(stations), false, Some(_)) = (stations, asked, context.rotor_series(what)) else { return };
    let mut names: Vec<String> = AXES.iter().map(|(l, _)| format!("rate.{l}")).collect();
    names.extend((1..=context.rotors).map(|i| format!("rotor.{i}.{what}")));
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    if Context::length(&context.hover()) < LEAST_HOVER {
        return;
    }
    let Some(joint) = context.joint(&views, &context.airborne()) else { return };
    let levers = geometry::levers(stations, context.known);
    let limits = (what == "command").then_some((context.known.usable_minimum.max(0.02) + 1e-3, 0.98));
    let mut found = Vec::new();
    for k in 0..joint.stretches.len() {
        search(&joint, k, &levers, limits, &mut found);
    }
    let Some(worst) = found.iter().max_by(|a, b| a.peak.abs().total_cmp(&b.peak.abs())) else { return };
    let list: Vec<String> = found.iter().map(sentence).collect();
    let noise = {
        let series = joint.channel(worst.axis);
        let all: Vec<f64> = series.iter().flat_map(|s| s.windows(2).map(|w| w[1] - w[0])).collect();
        robust::deviation(&all).unwrap_or(0.0)
    };
    let e = context.estimate("rate peak of the blow", worst.peak.abs(), noise, "rad/s");
    out.value(
        "upset.peak",
        "largest turn by a blow",
        e,
        format!("{} The rotors pushed against each up to its peak: they did not make it.", list.join(" ")),
        RESTS,
    );
    let (key, label) = ("upset.return", "return from a blow to 1/e of its peak");
    let back: Vec<&Upset> = found.iter().filter(|u| u.back.is_some()).collect();
    let free: Vec<f64> =
        back.iter().filter(|u| u.limited == Some(0.0) && u.rise <= SHORT).filter_map(|u| u.back).collect();
    let test = "several light, short taps in hover that keep every command off its limits, logged to the end";
    if let Some(m) = robust::mean(&free) {
        let spread = robust::variance(&free).unwrap_or(0.0);
        let error = ((spread + joint.period.powi(2) / 6.0) / free.len() as f64).sqrt();
        let text = "From the peak to 1/e of it after short blows with no command at a limit: of a first-order loop the time constant.";
        out.value(key, label, context.estimate("return from a blow", m, error, "s"), text, RESTS);
    } else {
        let times: Vec<String> =
            back.iter().filter_map(|u| u.back).map(|t| format!("{:.0} ms", t * 1e3)).collect();
        let seen = if times.is_empty() { String::new() } else { format!("; seen were {}", times.join(", ")) };
        let missing = if limits.is_none() {
            format!("the channels rotor.N.command, which tell a loop from rotors at their limit{seen}")
        } else if times.is_empty() {
            "the end of the turn: the record stops before".to_owned()
        } else {
            format!(
                "a blow shorter than {:.0} ms that leaves every command off its limits (else the hand and the rotors set the time, not the loop{seen})",
                SHORT * 1e3
            )
        };
        out.cannot_tell(key, label, missing, test, RESTS);
    }
}

fn sentence(u: &Upset) -> String {
    let end = match u.back {
        Some(t) => format!("back to 1/e after {:.0} ms", t * 1e3),
        None => "the record ends before it is back".to_owned(),
    };
    let limited = match u.limited {
        Some(l) if l > 0.0 => format!(", a command at a limit in {:.0} % of that time", 100.0 * l),
        Some(_) => ", no command at a limit".to_owned(),
        None => String::new(),
    };
    format!(
        "At {:.2} s {} {} to {:.1} rad/s, {end}{limited}.",
        u.at,
        AXES[u.axis].1,
        side(u.axis, u.peak),
        u.peak.abs()
    )
}

fn search(joint: &Joint, index: usize, levers: &Levers, limits: Option<(f64, f64)>, found: &mut Vec<Upset>) {
    let Some(s) = joint.stretches.get(index) else { return };
    let (rates, rotors) = s.channels.split_at(3.min(s.channels.len()));
    if rates.len() < 3 {
        return;
    }
    let size = |k: usize| rates.iter().map(|r| r[k].abs()).fold(0.0, f64::max);
    let all: Vec<f64> = (0..s.len()).map(size).collect();
    let threshold = (6.0 * robust::median(&all).unwrap_or(0.0)).max(LEAST);
    let samples = |t: f64| ((t / joint.period).round() as usize).max(1);
    let (quiet, rise, settled) = (samples(QUIET), samples(RISE), samples(0.2));
    let mut k = quiet;
    while k < s.len() {
        if all[k] < threshold {
            k += 1;
            continue;
        }
        let onset = k;
        // The turn ends when nothing is above the threshold for 0.2 s.
        let mut end = onset;
        while k < s.len() && k - end < settled {
            if all[k] >= threshold {
                end = k;
            }
            k += 1;
        }
        if all[onset - quiet..onset].iter().any(|v| *v >= threshold) {
            continue;
        }
        let last = (onset + rise).min(end);
        let Some(peak) = (onset..=last).max_by(|a, b| all[*a].total_cmp(&all[*b])) else { continue };
        let axis = (0..3).max_by(|a, b| rates[*a][peak].abs().total_cmp(&rates[*b][peak].abs())).unwrap_or(0);
        let (work, push) = work(rates, rotors, levers, onset, peak, samples(0.1), quiet);
        if work >= 0.0 || push >= 0.0 {
            continue;
        }
        let value = rates[axis][peak];
        let low = value.abs() / std::f64::consts::E;
        let back = (peak..s.len()).find(|j| rates[axis][*j] * value.signum() < low);
        let limited = limits.map(|(floor, full)| {
            let stop = back.unwrap_or(s.len() - 1);
            let at = |j: &usize| rotors.iter().any(|c| c[*j] <= floor || c[*j] >= full);
            (onset..=stop).filter(at).count() as f64 / (stop + 1 - onset) as f64
        });
        found.push(Upset {
            at: s.start + peak as f64 * joint.period,
            axis,
            peak: value,
            rise: (peak - onset) as f64 * joint.period,
            back: back.map(|j| (j - peak) as f64 * joint.period),
            limited,
        });
    }
}

/// Sums over axes of the rotors' moment times rate and times angular acceleration, from shortly before
/// the start of a turn to its peak.
fn work(
    rates: &[Vec<f64>],
    rotors: &[Vec<f64>],
    levers: &Levers,
    onset: usize,
    peak: usize,
    lead: usize,
    quiet: usize,
) -> (f64, f64) {
    let from = onset.saturating_sub(lead);
    let base = onset.saturating_sub(quiet)..from.max(onset.saturating_sub(quiet) + 1);
    let (mut work, mut push) = (0.0, 0.0);
    for (axis, rate) in rates.iter().enumerate() {
        let moment =
            |k: usize| -> f64 { rotors.iter().zip(&levers.lever[axis]).map(|(c, l)| c[k] * c[k] * l).sum() };
        let mean = base.clone().map(moment).sum::<f64>() / base.len() as f64;
        for k in from.max(1)..=peak {
            work += (moment(k) - mean) * rate[k];
            push += (moment(k) - mean) * (rate[k] - rate[k - 1]);
        }
    }
    (work, push)
}
