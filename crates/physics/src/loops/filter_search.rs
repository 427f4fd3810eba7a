//! Search for the filters that cost least phase while the motors stay quiet enough.
//!
//! The gyro's noise is a density without the lines of the rotors and structure, plus these lines with their power and
//! the band they wander over. A filter set is a Butterworth low-pass and up to one notch for each line, fixed or tracking
//! a rotor's order. For each set the r.m.s. at the motor command and the lag at crossover follow from the filters' exact
//! discrete responses; the set with least lag whose noise is under the limit is recommended, provided that the loop keeps
//! its phase margin with it. If no set reaches the limit the quietest that the loop bears is named, and said to be short.
//!
//! A tracking notch is taken to follow its line to within [`TRACKING_ERROR`] of its frequency, from the rotor's
//! telemetry; for the lag at crossover it stands at the middle of the band. Notches are the ones of [`super::filter`]
//! (width pre-warped; the audio-cookbook form is narrower towards half the sample rate).

use std::f64::consts::{PI, TAU};

use nalgebra::Complex;
use serde::Serialize;

use super::chain;
use super::filter::{self, Biquad};
use super::noise;
use crate::aircraft::{Aircraft, Filter, Missing};

/// How far a tracking notch may stand off its line, as a fraction of its frequency (telemetry noise and age; common
/// practice, no source).
pub const TRACKING_ERROR: f64 = 0.015;
/// Points of the noise integral.
const POINTS: usize = 500;
/// Widths of a notch tried, over its centre.
const WIDTHS: [f64; 3] = [0.1, 0.2, 0.4];
/// Lines that get a notch at most.
const MOST_NOTCHES: usize = 3;

/// A line in the gyro's spectrum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoiseLine {
    /// Name, for people.
    pub name: String,
    /// Band it stands in, Hz.
    pub band: (f64, f64),
    /// Mean square, (rad/s)^2.
    pub power: f64,
    /// Order of the rotors that a notch can follow, where it is one.
    pub order: Option<u32>,
}

/// A notch of a set.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NotchChoice {
    /// Line it is for.
    pub line: String,
    /// Centre, Hz; the middle of the band for a tracking one.
    pub centre: f64,
    /// Width between the -3 dB points, Hz.
    pub width: f64,
    /// Order that it follows.
    pub order: Option<u32>,
    /// Depth at the line, averaged over where it stands, as a ratio.
    pub depth: f64,
    /// Lag at crossover, s.
    pub delay: f64,
}

/// A filter set with what it does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Design {
    /// Low-pass: order and cut-off, Hz; none for none.
    pub low_pass: Option<(u32, f64)>,
    /// Notches.
    pub notches: Vec<NotchChoice>,
    /// Lag of all filters at crossover, s.
    pub delay: f64,
    /// R.m.s. of the motor command from the gyro's noise, above the control band.
    pub noise: f64,
}

impl Design {
    /// The set as filters, tracking notches at the middle of their band.
    pub fn filters(&self) -> Vec<Filter> {
        let mut out: Vec<Filter> = self
            .notches
            .iter()
            .map(|n| Filter::Notch { centre: n.centre, width: n.width, floor: 0.0 })
            .collect();
        out.extend(self.low_pass.map(|(order, cutoff)| Filter::LowPass { order, cutoff }));
        out
    }
}

/// What is asked.
pub struct Search<'a> {
    /// Aircraft with its IMU, gains and today's filters.
    pub aircraft: &'a Aircraft,
    /// Axis: 0 roll, 1 pitch, 2 yaw.
    pub axis: usize,
    /// Time constant of rotor speed, s.
    pub motor_lag: f64,
    /// Crossover at which lag counts, rad/s.
    pub crossover: f64,
    /// Phase margin to keep, rad.
    pub phase_margin: f64,
    /// One-sided density of the raw gyro without the lines, (rad/s)^2/Hz, at a frequency, Hz.
    pub density: &'a dyn Fn(f64) -> f64,
    /// Lines.
    pub lines: &'a [NoiseLine],
    /// Band over which noise counts, Hz.
    pub band: (f64, f64),
    /// Motor command per demanded angular acceleration, s^2/rad.
    pub command: f64,
    /// Limit of the command noise, r.m.s.
    pub limit: f64,
}

/// What came out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    /// Today's filters.
    pub today: Design,
    /// Least lag under the limit that the loop bears; none where no set reaches the limit.
    pub recommended: Option<Design>,
    /// The quietest set that the loop bears, where none reaches the limit.
    pub quietest: Option<Design>,
    /// Sets of which none is both quicker and quieter, by lag.
    pub front: Vec<Design>,
}

/// Squared gain of a filter over the grid and at the lines, and its lag.
struct Part {
    square: Vec<f64>,
    /// Mean squared gain at each line.
    lines: Vec<f64>,
    delay: f64,
}

struct Ground {
    grid: Vec<f64>,
    /// Squared controller times density times the step, at each frequency.
    weight: Vec<f64>,
    /// Power of each line at the command without filters.
    line_power: Vec<f64>,
    sample_rate: f64,
    crossover: f64,
}

/// Places within a band, five of them.
fn places(band: (f64, f64)) -> [f64; 5] {
    std::array::from_fn(|k| band.0 + (band.1 - band.0) * k as f64 / 4.0)
}

impl Ground {
    fn part(&self, sections: &[Biquad], lines: &[NoiseLine], own: Option<usize>) -> Part {
        let square = |f: f64| filter::response(sections, TAU * f, self.sample_rate).norm_sqr();
        Part {
            square: self.grid.iter().map(|f| square(*f)).collect(),
            lines: lines
                .iter()
                .enumerate()
                .map(|(k, l)| match (own, l.order) {
                    // Its own line: the notch follows it, to within the error.
                    (Some(o), Some(_)) if o == k => {
                        let centre = 0.5 * (l.band.0 + l.band.1);
                        [-1.0, -0.5, 0.0, 0.5, 1.0]
                            .iter()
                            .map(|e| square(centre * (1.0 + TRACKING_ERROR * e)))
                            .sum::<f64>()
                            / 5.0
                    }
                    _ => places(l.band).iter().map(|f| square(*f)).sum::<f64>() / 5.0,
                })
                .collect(),
            delay: -filter::phase(sections, self.crossover, self.sample_rate) / self.crossover,
        }
    }

    fn noise(&self, parts: &[&Part]) -> f64 {
        let mut sum = 0.0;
        for (k, w) in self.weight.iter().enumerate() {
            sum += parts.iter().fold(*w, |p, part| p * part.square[k]);
        }
        for (k, w) in self.line_power.iter().enumerate() {
            sum += parts.iter().fold(*w, |p, part| p * part.lines[k]);
        }
        sum.max(0.0).sqrt()
    }
}

fn ground(s: &Search<'_>) -> Result<Ground, Missing> {
    let sample_rate = 1.0 / s.aircraft.imu()?.sample_period;
    let bare = Aircraft { filters: Vec::new(), ..s.aircraft.clone() };
    let controller = noise::gyro_to_command(&bare, s.axis)?;
    let (low, high) = (s.band.0.max(0.1), s.band.1.min(0.499 * sample_rate));
    let step = (high - low).max(0.0) / POINTS as f64;
    let grid: Vec<f64> = (0..POINTS).map(|k| low + step * (k as f64 + 0.5)).collect();
    let gain = |f: f64| (controller(TAU * f) * s.command).norm_sqr();
    Ok(Ground {
        weight: grid.iter().map(|f| gain(*f) * (s.density)(*f).max(0.0) * step).collect(),
        line_power: s
            .lines
            .iter()
            .map(|l| l.power * places(l.band).iter().map(|f| gain(*f)).sum::<f64>() / 5.0)
            .collect(),
        grid,
        sample_rate,
        crossover: s.crossover,
    })
}

/// Today's filters, one part each.
fn today_parts(s: &Search<'_>, ground: &Ground) -> Result<Vec<Part>, Missing> {
    s.aircraft
        .filters
        .iter()
        .enumerate()
        .map(|(k, f)| {
            let sections = filter::cascade(f, ground.sample_rate)
                .map_err(|_| Missing::new(&format!("filter.{}", k + 1)))?;
            Ok(ground.part(&sections, s.lines, None))
        })
        .collect()
}

/// Least that a notch for one line must take off it, as a ratio left: a tenth of its amplitude (our choice).
pub const NOTCH_DEPTH: f64 = 0.1;

/// A notch made for one measured line, by itself on top of today's filters.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineNotch {
    /// The notch; none where none can stand there.
    pub notch: Option<NotchChoice>,
    /// R.m.s. of the motor command with today's filters.
    pub before: f64,
    /// The same with the notch added.
    pub after: f64,
}

/// For each line the narrowest notch that leaves [`NOTCH_DEPTH`] of it over the band where it stands (over the error of
/// tracking where a rotor's order is followed).
///
/// # Errors
/// As [`search`].
pub fn line_notches(s: &Search<'_>) -> Result<Vec<LineNotch>, Missing> {
    let ground = ground(s)?;
    let today = today_parts(s, &ground)?;
    let with = |extra: Option<&Part>| {
        let refs: Vec<&Part> = today.iter().chain(extra).collect();
        ground.noise(&refs)
    };
    let before = with(None);
    let mut out = Vec::with_capacity(s.lines.len());
    for (k, line) in s.lines.iter().enumerate() {
        let centre = 0.5 * (line.band.0 + line.band.1);
        let at = |width: f64| -> Option<Part> {
            let sections =
                filter::cascade(&Filter::Notch { centre, width, floor: 0.0 }, ground.sample_rate).ok()?;
            Some(ground.part(&sections, s.lines, Some(k)))
        };
        let fits = centre > 2.0 * s.crossover / TAU && centre < 0.45 * ground.sample_rate;
        // The gain left falls as the notch widens: by halves.
        let (mut narrow, mut wide) = (0.005 * centre, 1.5 * centre);
        let left = |width: f64| at(width).map_or(f64::INFINITY, |p| p.lines[k].sqrt());
        if !fits || left(wide) > NOTCH_DEPTH {
            out.push(LineNotch { notch: None, before, after: before });
            continue;
        }
        for _ in 0..40 {
            let middle = 0.5 * (narrow + wide);
            if left(middle) > NOTCH_DEPTH { narrow = middle } else { wide = middle }
        }
        let part = at(wide);
        out.push(LineNotch {
            notch: part.as_ref().map(|part| NotchChoice {
                line: line.name.clone(),
                centre,
                width: wide,
                order: line.order,
                depth: part.lines[k].sqrt(),
                delay: part.delay,
            }),
            before,
            after: with(part.as_ref()),
        });
    }
    Ok(out)
}

/// Searches.
///
/// # Errors
/// What the aircraft does not state: IMU, gains, ESC; a today's filter that cannot be realised.
pub fn search(s: &Search<'_>) -> Result<Found, Missing> {
    let ground = ground(s)?;
    let today = {
        let parts = today_parts(s, &ground)?;
        let refs: Vec<&Part> = parts.iter().collect();
        Design {
            low_pass: s.aircraft.filters.iter().find_map(|f| match f {
                Filter::LowPass { order, cutoff } => Some((*order, *cutoff)),
                Filter::Notch { .. } => None,
            }),
            notches: s
                .aircraft
                .filters
                .iter()
                .zip(&parts)
                .filter_map(|(f, p)| match f {
                    Filter::Notch { centre, width, .. } => Some(NotchChoice {
                        line: String::new(),
                        centre: *centre,
                        width: *width,
                        order: None,
                        depth: p.lines.iter().copied().fold(1.0, f64::min).sqrt(),
                        delay: p.delay,
                    }),
                    Filter::LowPass { .. } => None,
                })
                .collect(),
            delay: parts.iter().map(|p| p.delay).sum(),
            noise: ground.noise(&refs),
        }
    };
    let mut all = candidates(s, &ground);
    all.sort_by(|a, b| a.delay.total_cmp(&b.delay));
    let mut front: Vec<Design> = Vec::new();
    for d in &all {
        if front.last().is_none_or(|best| d.noise < 0.985 * best.noise) {
            front.push(d.clone());
        }
    }
    let bears = |d: &Design| -> bool {
        let with = Aircraft { filters: d.filters(), ..s.aircraft.clone() };
        chain::rate_chain(&with, s.axis, s.motor_lag, 0.0).is_ok_and(|c| {
            let m = c.margins();
            m.stable && m.phase_margin >= s.phase_margin
        })
    };
    // More lag takes more margin: the first that meets the limit is the one, or none is.
    let recommended = front.iter().find(|d| d.noise <= s.limit).filter(|d| bears(d)).cloned();
    let quietest = if recommended.is_some() {
        None
    } else {
        // Margins are dear: by halves along the front, on which lag only grows.
        let (mut good, mut bad) = (None, front.len());
        let mut from = 0;
        while from < bad {
            let middle = (from + bad) / 2;
            if bears(&front[middle]) {
                good = Some(middle);
                from = middle + 1;
            } else {
                bad = middle;
            }
        }
        good.and_then(|k| front.get(k).cloned())
    };
    Ok(Found { today, recommended, quietest, front })
}

fn candidates(s: &Search<'_>, ground: &Ground) -> Vec<Design> {
    let rate = ground.sample_rate;
    let none = Part { square: vec![1.0; ground.grid.len()], lines: vec![1.0; s.lines.len()], delay: 0.0 };
    let mut passes: Vec<(Option<(u32, f64)>, Part)> = vec![(None, none)];
    // From twice the crossover to 0.45 of the sample rate, fourteen steps to an octave pair.
    let (low, high) = (2.0 * s.crossover / TAU, 0.45 * rate);
    for order in 1..=4 {
        let mut cutoff = low;
        while cutoff < high {
            let shown = if cutoff < 100.0 { cutoff.round() } else { (cutoff / 5.0).round() * 5.0 };
            if let Ok(sections) = filter::cascade(&Filter::LowPass { order, cutoff: shown }, rate) {
                passes.push((Some((order, shown)), ground.part(&sections, s.lines, None)));
            }
            cutoff *= 1.1;
        }
    }
    // Notches for the lines that put most into the command.
    let mut by_power: Vec<usize> = (0..s.lines.len()).collect();
    by_power.sort_by(|a, b| ground.line_power[*b].total_cmp(&ground.line_power[*a]));
    by_power.truncate(MOST_NOTCHES);
    let mut choices: Vec<Vec<Option<(NotchChoice, Part)>>> = Vec::new();
    for &k in &by_power {
        let line = &s.lines[k];
        let centre = 0.5 * (line.band.0 + line.band.1);
        let mut own: Vec<Option<(NotchChoice, Part)>> = vec![None];
        // Below twice the crossover a notch costs more than it gives; above half the rate it cannot stand.
        if centre > 2.0 * s.crossover / TAU && centre < 0.45 * rate {
            for share in WIDTHS {
                let width = (share * centre).round().max(1.0);
                let wanted = Filter::Notch { centre, width, floor: 0.0 };
                let Ok(sections) = filter::cascade(&wanted, rate) else { continue };
                let part = ground.part(&sections, s.lines, Some(k));
                let choice = NotchChoice {
                    line: line.name.clone(),
                    centre,
                    width,
                    order: line.order,
                    depth: part.lines[k].sqrt(),
                    delay: part.delay,
                };
                own.push(Some((choice, part)));
            }
        }
        choices.push(own);
    }
    let sets = choices.iter().map(Vec::len).product::<usize>();
    let mut out = Vec::with_capacity(sets * passes.len());
    for code in 0..sets {
        let mut rest = code;
        let mut notches: Vec<&(NotchChoice, Part)> = Vec::new();
        for own in &choices {
            if let Some(Some(n)) = own.get(rest % own.len()) {
                notches.push(n);
            }
            rest /= own.len();
        }
        for (low_pass, pass) in &passes {
            let mut parts: Vec<&Part> = notches.iter().map(|n| &n.1).collect();
            parts.push(pass);
            out.push(Design {
                low_pass: *low_pass,
                notches: notches.iter().map(|n| n.0.clone()).collect(),
                delay: parts.iter().map(|p| p.delay).sum(),
                noise: ground.noise(&parts),
            });
        }
    }
    out
}

/// Group delay of a cascade at `omega`, rad/s, in s: the derivative of the phase, exactly. `None` at a zero on the unit
/// circle, where it is not defined.
pub fn group_delay(sections: &[Biquad], omega: f64, sample_rate: f64) -> Option<f64> {
    let z = Complex::from_polar(1.0, -omega / sample_rate);
    let mut total = 0.0;
    for s in sections {
        let ratio = |c: [f64; 3]| {
            let value = z * z * c[2] + z * c[1] + c[0];
            let slope = z * z * (2.0 * c[2]) + z * c[1];
            (value.norm() > 1e-12).then(|| (slope / value).re)
        };
        total += ratio(s.b)? - ratio([1.0, s.a[0], s.a[1]])?;
    }
    Some(total / sample_rate)
}

/// Copper loss, W, of a winding of `resistance` (ohm) on which the command chops `voltage` with an r.m.s. ripple of
/// `noise` (of full command) that is slow against the winding: the current ripple is noise x voltage / resistance.
///
/// An upper bound: inductance and the rotor's back-EMF response take some of it away.
pub fn copper_loss(noise: f64, voltage: f64, resistance: f64) -> f64 {
    if resistance > 0.0 { (noise * voltage).powi(2) / resistance } else { 0.0 }
}

/// Half-power quality of a notch, centre over width, for people who state it so.
pub fn quality(centre: f64, width: f64) -> f64 {
    if width > 0.0 { centre / width } else { f64::INFINITY }
}

/// Delay at low frequency of a Butterworth low-pass, s: the sum of 1/|pole| cos of its angle, over 2 pi f.
pub fn low_frequency_delay(order: u32, cutoff: f64) -> f64 {
    let n = f64::from(order.max(1));
    let sum: f64 = (0..order.max(1)).map(|k| (PI * (2.0 * f64::from(k) + 1.0 - n) / (2.0 * n)).cos()).sum();
    sum / (TAU * cutoff)
}
