//! Spectra, vibration, command noise, delay of the filters.

use std::f64::consts::TAU;

use signal::peaks;
use signal::spectrum::{self, Density, Options};
use signal::{delay, robust};

use super::context::{AXES, Context, Joint, Out};
use super::{Peak, Source, Spectrum, attribution};
use crate::record::Tap;

const RESTS: &[&str] = &["rotor", "imu", "mass", "structure", "motor"];
/// Below this vibration ends and flying begins, Hz.
const FLYING: f64 = 5.0;

/// How often each rotor turns over the windows, Hz: 5 % and 95 % quantile of all rotors together.
pub(super) fn turns(context: &Context<'_>, windows: &[(f64, f64)]) -> Option<(f64, f64)> {
    let all = context.rotor_series("speed")?;
    let mut low = f64::INFINITY;
    let mut high: f64 = 0.0;
    for s in all {
        let v: Vec<f64> = windows.iter().flat_map(|(a, b)| s.slice(*a, *b).1.iter().copied()).collect();
        low = low.min(robust::quantile(&v, 0.05)?);
        high = high.max(robust::quantile(&v, 0.95)?);
    }
    (high > 0.0).then_some((low / TAU, high / TAU))
}

/// The quietest windows there are: hover, else all of the flight.
pub(super) fn quiet(context: &Context<'_>) -> (Vec<(f64, f64)>, bool) {
    let hover = context.hover();
    if Context::length(&hover) >= 2.0 { (hover, true) } else { (context.airborne(), false) }
}

/// Block length for about one hertz of resolution, shorter where the record is.
pub(super) fn block_length(joint: &Joint) -> usize {
    let wanted = (1.0 / joint.period).max(16.0);
    let most = (joint.longest() / 3).max(16) as f64;
    let mut n = 16_usize;
    while (n * 2) as f64 <= wanted.min(most) * 1.5 {
        n *= 2;
    }
    n
}

pub(super) fn density(joint: &Joint, channel: usize) -> Option<Density> {
    spectrum::welch(&joint.channel(channel), 1.0 / joint.period, &Options::hann(block_length(joint))).ok()
}

/// What a frequency may be, given how fast the rotors turn.
struct Attribution {
    turns: Option<(f64, f64)>,
    blades: Option<u32>,
    nyquist: f64,
    resolution: f64,
}

impl Attribution {
    /// Interval of a line above half the rate after folding.
    fn seen(&self, low: f64, high: f64) -> (f64, f64, bool) {
        let rate = 2.0 * self.nyquist;
        if high <= self.nyquist {
            return (low, high, false);
        }
        let fold = |f: f64| (f - rate * (f / rate).round()).abs();
        let (a, b) = (fold(low), fold(high));
        let mut from = a.min(b);
        let mut to = a.max(b);
        // A band that crosses a multiple of half the rate reaches its end.
        let cell = |f: f64| (f / self.nyquist).floor();
        if cell(low) != cell(high) {
            if (cell(high) as i64) % 2 == 0 { from = 0.0 } else { to = self.nyquist }
        }
        (from, to, true)
    }

    fn of(&self, peak: &peaks::Peak) -> String {
        let Some((low, high)) = self.turns else {
            return "cannot tell: rotor speed is not logged".to_owned();
        };
        let f = peak.frequency;
        let slack = 1.5 * self.resolution;
        let spread = (high - low) / high.max(1e-9);
        let mut fits = Vec::new();
        let mut only_folded = true;
        let mut orders = vec![(1, "1/rev (unbalance)".to_owned()), (2, "2/rev".to_owned())];
        match self.blades {
            Some(b) => {
                orders.retain(|(o, _)| *o != b);
                orders.push((b, format!("blade passage ({b}/rev)")));
                orders.push((2 * b, format!("twice blade passage ({}/rev)", 2 * b)));
            }
            None => orders.extend([(3, "3/rev".to_owned()), (4, "4/rev".to_owned())]),
        }
        for (order, name) in orders {
            let o = f64::from(order);
            let (from, to, folded) = self.seen(o * low, o * high);
            // A folded band that covers much of what is seen says nothing.
            if folded && (to - from > 0.3 * self.nyquist || o * (high - low) > self.nyquist) {
                continue;
            }
            only_folded &= folded || f < from - slack || f > to + slack;
            if f >= from - slack && f <= to + slack {
                fits.push(if folded {
                    format!("{name}, folded from {:.0} Hz", o * 0.5 * (low + high))
                } else {
                    name
                });
            }
        }
        let caution = if spread < 0.1 {
            format!(
                "; rotor speed varied by {:.0} % only, so a fixed resonance there cannot be excluded",
                100.0 * spread
            )
        } else {
            String::new()
        };
        match fits.as_slice() {
            [] if f < (0.5 * low).min(30.0) => "control band: loop, pilot or gusts".to_owned(),
            several if only_folded && f < (0.5 * low).min(30.0) => {
                format!("cannot tell: control band (loop, pilot or gusts) or {}", several.join(" or "))
            }
            [] => "no order of the rotors: structure, folding of something not listed, or electrical; a tap test tells".to_owned(),
            [one] => format!("{one}{caution}"),
            several => format!("cannot tell: {}{caution}", several.join(" or ")),
        }
    }
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let (windows, in_hover) = quiet(context);
    out.sources = attribution::run(context, out);
    spectra(context, &windows, out);
    accelerometer(context, &windows, in_hover, out);
    command_noise(context, in_hover, out);
    filter_delay(context, out);
}

/// The source that a peak belongs to, in words; where none covers it, what its frequency may be.
fn attributed(
    sources: &[Source],
    peak: &peaks::Peak,
    turns: Option<(f64, f64)>,
    otherwise: &Attribution,
) -> String {
    let slack = 1.5 * otherwise.resolution;
    sources
        .iter()
        .filter(|s| s.covers(peak.frequency, slack, turns, 2.0 * otherwise.nyquist))
        .max_by(|a, b| a.rms.total_cmp(&b.rms))
        .map_or_else(|| otherwise.of(peak), |s| s.name.clone())
}

fn spectra(context: &Context<'_>, windows: &[(f64, f64)], out: &mut Out) {
    let turns = turns(context, windows);
    let mut names: Vec<(String, &str)> = Vec::new();
    for (base, unit) in [("rate_raw", "rad/s"), ("rate", "rad/s"), ("accel", "m/s^2")] {
        names.extend(AXES.iter().map(|(letter, _)| (format!("{base}.{letter}"), unit)));
    }
    // What the controller puts out.
    names.extend((1..=context.rotors).map(|i| (format!("rotor.{i}.command"), "1")));
    for (name, unit) in names {
        let Some(joint) = context.joint(&[&name], windows) else { continue };
        let Some(d) = density(&joint, 0) else { continue };
        let attribution = Attribution {
            turns,
            blades: context.known.blades,
            nyquist: 0.5 / joint.period,
            resolution: d.resolution,
        };
        let options = peaks::Options { low: 1.5 * d.resolution, ..peaks::Options::default() };
        let found = peaks::find(&d, &options)
            .iter()
            .map(|p| Peak {
                frequency: p.frequency,
                rms: p.rms,
                attribution: attributed(&out.sources, p, turns, &attribution),
            })
            .collect();
        out.spectra.push(Spectrum {
            channel: name,
            unit: format!("({unit})^2/Hz"),
            cumulative: d.cumulative_rms(),
            averages: d.averages,
            frequency: d.frequency,
            density: d.density,
            peaks: found,
        });
    }
}

/// R.m.s. of a channel between two frequencies with its error, over blocks of the windows.
fn band(joint: &Joint, channel: usize, low: f64, high: f64) -> Option<(f64, f64)> {
    let d = density(joint, channel)?;
    let rms = d.band_rms(low, high);
    // Scatter of the band's mean square from piece to piece of the record.
    let length = block_length(joint);
    let options = Options::hann(length);
    let pieces: Vec<f64> = joint
        .channel(channel)
        .iter()
        .flat_map(|s| s.chunks_exact(2 * length))
        .filter_map(|c| spectrum::welch(&[c], 1.0 / joint.period, &options).ok())
        .map(|d| d.band_rms(low, high).powi(2))
        .collect();
    let mean = robust::mean(&pieces).unwrap_or(0.0);
    if let Some(v) = robust::variance(&pieces).filter(|_| pieces.len() >= 4 && mean > 0.0) {
        return Some((rms, 0.5 * rms * (v / pieces.len() as f64).sqrt() / mean));
    }
    // Too short for pieces: the mean square of a band is the sum of its bins, which scatter by
    // 1/sqrt(averages); neighbours of a Hann window share half their information.
    let (mut sum, mut square) = (0.0, 0.0);
    for (f, v) in d.frequency.iter().zip(&d.density) {
        if *f >= low && *f <= high {
            sum += v;
            square += v * v;
        }
    }
    let relative = if sum > 0.0 { (1.5 * square / d.averages.max(1.0)).sqrt() / sum } else { 0.0 };
    Some((rms, 0.5 * rms * relative))
}

fn accelerometer(context: &Context<'_>, windows: &[(f64, f64)], in_hover: bool, out: &mut Out) {
    let (key, label) = ("vibration.accel_rms", "accelerometer r.m.s. up to blade passage");
    let Some(joint) = context.joint(&["accel.x", "accel.y", "accel.z"], windows) else {
        let test = "log the raw accelerometer at 1 kHz or more in a hover of 10 s";
        out.cannot_tell(key, label, "the channels accel.x, accel.y, accel.z", test, RESTS);
        return;
    };
    let nyquist = 0.5 / joint.period;
    let turns = turns(context, windows);
    let passage = turns.zip(context.known.blades).map(|((_, high), b)| f64::from(b) * high);
    let top = passage.map_or(nyquist, |p| (1.1 * p).min(nyquist));
    if top <= FLYING {
        out.cannot_tell(
            key,
            label,
            format!("rate: {:.0} Hz shows nothing above {nyquist:.0} Hz", 2.0 * nyquist),
            "log at 1 kHz or more",
            RESTS,
        );
        return;
    }
    let per_axis: Vec<(usize, f64, f64)> =
        (0..3).filter_map(|a| band(&joint, a, FLYING, top).map(|(r, u)| (a, r, u))).collect();
    let Some((axis, rms, error)) = per_axis.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)) else {
        out.cannot_tell(key, label, "a stretch long enough for a spectrum", "hover for 10 s", RESTS);
        return;
    };
    let letter = AXES[axis].0;
    let values: Vec<String> = per_axis.iter().map(|(a, r, _)| format!("{} {r:.2}", AXES[*a].0)).collect();
    let place = if in_hover {
        "in hover"
    } else {
        "over the whole flight, as there is no hover of 2 s: manoeuvres add to it"
    };
    let text = format!(
        "Largest axis ({letter}), {FLYING:.0} to {top:.0} Hz, {place}; axes: {} m/s^2.",
        values.join(", ")
    );
    let e = context.estimate("accelerometer r.m.s.", rms, error, "m/s^2");
    out.value(
        "vibration.accel_rms_seen",
        "accelerometer r.m.s. as far as seen",
        e.clone(),
        text.clone(),
        RESTS,
    );
    let tap = context.tap("accel.x");
    let missing = match (tap, passage) {
        (Some(Tap::Raw), Some(p)) if p < nyquist => None,
        (Some(Tap::Raw), Some(p)) => Some(format!(
            "rate: blade passage is near {p:.0} Hz, the record shows up to {nyquist:.0} Hz (what is seen there may be folded)"
        )),
        (Some(Tap::Raw), None) => {
            Some("rotor speed and number of blades, which say where blade passage is".to_owned())
        }
        (Some(_), _) => Some("the raw accelerometer: accel is tapped behind a filter".to_owned()),
        (None, _) => Some("the tap point of accel: raw or filtered".to_owned()),
    };
    match missing {
        None => out.value(key, label, e, text, RESTS),
        Some(m) => {
            let test = "log the raw accelerometer at three times blade passage or more in a hover of 10 s";
            out.cannot_tell(
                key,
                label,
                format!("{m}; seen so far are {rms:.2} m/s^2 r.m.s. up to {top:.0} Hz"),
                test,
                RESTS,
            );
        }
    }
}

fn command_noise(context: &Context<'_>, in_hover: bool, out: &mut Out) {
    let (key, label) = ("vibration.command_noise", "command noise above the control band");
    let rests = &["rotor", "imu", "mass", "filter", "loop", "structure"];
    let test = "log every rotor's command after mixing at 500 Hz or more in a hover of 10 s";
    if context.rotor_series("command").is_none() {
        out.cannot_tell(key, label, "the channels rotor.N.command", test, rests);
        return;
    }
    if context.tap("rotor.1.command").is_some_and(|t| t != Tap::AfterMixing) {
        out.cannot_tell(key, label, "the command after mixing", test, rests);
        return;
    }
    if !in_hover {
        out.cannot_tell(key, label, "a steady hover of 2 s", test, rests);
        return;
    }
    // Three times the crossover, which lies near the proportional gain.
    let edge = context.known.rate_gain.map_or(15.0, |p| (3.0 * p / TAU).clamp(8.0, 60.0));
    let mut worst: Option<(usize, f64, f64)> = None;
    let mut values = Vec::new();
    let mut nyquist = 0.0;
    for i in 1..=context.rotors {
        let name = format!("rotor.{i}.command");
        let Some(joint) = context.joint(&[&name], &context.hover()) else { continue };
        nyquist = 0.5 / joint.period;
        if let Some((r, u)) = band(&joint, 0, edge, nyquist) {
            values.push(format!("{i}: {:.2} %", 100.0 * r));
            if worst.is_none_or(|w| r > w.1) {
                worst = Some((i, r, u));
            }
        }
    }
    if nyquist < 1.5 * edge {
        out.cannot_tell(
            key,
            label,
            format!("rate: {:.0} Hz shows nothing above {nyquist:.0} Hz", 2.0 * nyquist),
            test,
            rests,
        );
        return;
    }
    let Some((rotor, rms, error)) = worst else {
        out.cannot_tell(key, label, "a hover long enough for a spectrum", test, rests);
        return;
    };
    let e = context.estimate("command noise", rms, error, "1");
    let text = format!(
        "Worst rotor ({rotor}), r.m.s. of full command from {edge:.0} to {nyquist:.0} Hz in hover; by rotor: {}. What \
         lies above {nyquist:.0} Hz is folded into it or lost.",
        values.join(", ")
    );
    out.value(key, label, e, text, rests);
}

fn filter_delay(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("filter.delay", "delay of the gyro filters");
    let rests = &["filter", "imu"];
    let test = "log the gyro before and after the controller's filters, with steps";
    if matches!(context.tap("rate.x"), Some(Tap::Estimated | Tap::External)) {
        out.cannot_tell(
            key,
            label,
            "rate as the filters give it: here it comes from an estimator",
            test,
            rests,
        );
        return;
    }
    let windows = context.airborne();
    let mut found: Vec<(char, delay::Delay)> = Vec::new();
    for (letter, _) in AXES {
        let (raw, own) = (format!("rate_raw.{letter}"), format!("rate.{letter}"));
        let Some(joint) = context.joint(&[&raw, &own], &windows) else { continue };
        let pairs: Vec<(&[f64], &[f64])> = joint
            .stretches
            .iter()
            .filter_map(|s| Some((s.channels.first()?.as_slice(), s.channels.get(1)?.as_slice())))
            .collect();
        let rate = 1.0 / joint.period;
        let Ok(cross) = spectrum::cross(&pairs, rate, &Options::hann(block_length(&joint))) else { continue };
        if let Some(d) = delay::phase_delay(&cross, 1.5, (0.2 * rate).min(15.0), 0.8) {
            found.push((letter, d));
        }
    }
    if found.is_empty() {
        let missing = if context.series("rate_raw.x").is_none() {
            "the channels rate_raw.x, .y, .z beside rate"
        } else {
            "coherence between raw and filtered gyro below 15 Hz"
        };
        out.cannot_tell(key, label, missing, test, rests);
        return;
    }
    let weight: f64 = found.iter().map(|f| f.1.uncertainty.powi(-2)).sum();
    let mean = found.iter().map(|f| f.1.delay * f.1.uncertainty.powi(-2)).sum::<f64>() / weight;
    let values: Vec<f64> = found.iter().map(|f| f.1.delay).collect();
    let spread = robust::variance(&values).unwrap_or(0.0);
    let error = (1.0 / weight).max(spread / values.len() as f64).sqrt();
    let text = format!(
        "Phase of rate against rate_raw between 1.5 and 15 Hz as a delay, axes {}. Near crossover it is what the loop spends; \
         at higher frequencies the filters' phase is no pure delay.",
        found.iter().map(|(l, d)| format!("{l} {:.2} ms", d.delay * 1e3)).collect::<Vec<_>>().join(", ")
    );
    let e = context.estimate("filter delay", mean, error, "s");
    out.value(key, label, e, text, rests);
}
