//! A slow response as flown: composite points, a simple plant, and what is shown of both.
//!
//! The plant is that of [`signal::response::model`] from what is asked for to a velocity: gain, dead time, lag where visible,
//! decay where visible. Through a demand from outside the loop it is free of bias; from the input itself it is not, as whatever
//! answers the velocity is in that input.

use std::f64::consts::TAU;

use signal::response::model::{Parameter, Plant};
use signal::response::{Stretch, composite, excitation, fit, misfit, spectra};
use signal::robust;
use signal::spectrum::Complex64;

use super::super::context::{Context, Out};
use super::RESTS;
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};

/// What is asked of a response.
pub(super) struct Ask {
    /// Identity of its figures and charts.
    pub(super) stem: &'static str,
    pub(super) chart: &'static str,
    pub(super) name: &'static str,
    /// Whether the reference is a demand from outside the loop; else it is the input itself.
    pub(super) outside: bool,
    /// About where the loop around it crosses over, rad/s.
    pub(super) near: f64,
    /// Words and unit of the gain, and a note on what it should be.
    pub(super) gain: (&'static str, &'static str, &'static str),
    /// Words of the decay.
    pub(super) decay: &'static str,
    /// Whether a lag may be told apart from dead time.
    pub(super) lag: bool,
    pub(super) test: &'static str,
}

/// Reference, input and output by stretch, at a common period, s.
pub(super) struct Data {
    pub(super) parts: Vec<[Vec<f64>; 3]>,
    pub(super) period: f64,
}

/// Frequencies of the response that is shown, and lengths of the blocks, s.
const POINTS: usize = 28;
const WINDOWS: [f64; 5] = [2.0, 4.0, 8.0, 16.0, 32.0];
/// Band that is fitted, over the crossover.
const BAND: (f64, f64) = (0.06, 8.0);
/// Relative standard uncertainty that is added to the gain: what gusts leave in it beyond their scatter, as the few bins of a
/// slow loop smooth the instrument little. Eight planted flights are 1 % above and 2 % below on average.
const LEFT: f64 = 0.03;
/// Taper at either end of a stretch, s: gusts are slow, and what leaks of them from bin to bin biases the gain.
const TAPER: f64 = 2.0;
/// Rate that is kept, Hz, at least, and over the highest frequency asked.
const KEPT: f64 = 25.0;
const OVER: f64 = 6.0;

impl Data {
    /// The same at a lower rate, each sample the mean of so many: all three alike, so that their ratios keep.
    fn thinned(&self, high: f64) -> Self {
        let every = ((1.0 / self.period / KEPT.max(OVER * high)) as usize).max(1);
        let thin =
            |v: &Vec<f64>| v.chunks_exact(every).map(|c| c.iter().sum::<f64>() / every as f64).collect();
        let parts = self.parts.iter().map(|p| [thin(&p[0]), thin(&p[1]), thin(&p[2])]).collect();
        Self { parts, period: self.period * every as f64 }
    }
}

/// Range of the middle four fifths.
pub(super) fn moved(values: &[f64]) -> f64 {
    robust::quantile(values, 0.9).zip(robust::quantile(values, 0.1)).map_or(0.0, |(a, b)| a - b)
}

/// What was found.
struct Found {
    fit: fit::Fit,
    points: Vec<composite::Point>,
    band: (f64, f64),
    cost: f64,
    seconds: f64,
}

fn find(data: &Data, ask: &Ask) -> Result<Found, String> {
    let top = BAND.1 * ask.near / TAU;
    let clock = data.period / 12f64.sqrt();
    let data = data.thinned(top);
    let rate = 1.0 / data.period;
    let stretches: Vec<Stretch<'_>> =
        data.parts.iter().map(|[r, u, y]| Stretch { reference: r, input: u, output: y }).collect();
    let longest = data.parts.iter().map(|p| p[2].len()).max().unwrap_or(0) as f64 * data.period;
    let seconds = data.parts.iter().map(|p| p[2].len()).sum::<usize>() as f64 * data.period;
    let high = top.min(0.4 * rate);
    let options = spectra::Options {
        rate,
        low: (BAND.0 * ask.near / TAU).max(1.5 / longest.max(1e-9)),
        high,
        taper: TAPER,
    };
    let bins = spectra::bins(&stretches, &options).map_err(|e| format!("a long enough stretch: {e}"))?;
    let start = Plant { gain: 1.0, delay: 0.05, lag: 0.0, zero: 0.0, damping: 0.0 };
    use Parameter::{Damping, Delay, Gain, Lag};
    let mut sets: Vec<&[Parameter]> = vec![&[Gain, Delay], &[Gain, Delay, Damping]];
    if ask.lag {
        sets.extend([&[Gain, Delay, Lag] as &[Parameter], &[Gain, Delay, Lag, Damping]]);
    }
    let mut fit = fit::select(&bins, &start, &sets, &[])
        .map_err(|e| format!("excitation that tells gain and delay apart: {e}"))?
        .with_clock(clock);
    if let Some(k) = fit.free.iter().position(|p| *p == Gain) {
        fit.covariance[(k, k)] += LEFT.powi(2);
    }
    let windows: Vec<f64> = WINDOWS.into_iter().filter(|w| *w <= longest).collect();
    let low = (2.5 / longest.max(1e-9)).max(0.1 * ask.near / TAU);
    let points = composite::response(&stretches, rate, &windows, low, high, POINTS)
        .map_err(|e| format!("a stretch long enough for a response: {e}"))?;
    let band = excitation::band(&points)
        .ok_or_else(|| format!("excitation: no band between {low:.2} and {high:.1} Hz that is coherent"))?;
    let inside: Vec<(Complex64, f64, Complex64)> = points
        .iter()
        .filter(|p| excitation::usable(p) && p.frequency >= band.0 && p.frequency <= band.1)
        .map(|p| (p.joint, p.coherence, fit.plant.at(TAU * p.frequency)))
        .collect();
    Ok(Found { cost: misfit::cost(&inside), fit, points, band, seconds })
}

/// Reads a response and says what it shows, or that it cannot tell where `silent` does not forbid.
pub(super) fn run(context: &Context<'_>, data: &Data, ask: &Ask, silent: bool, out: &mut Out) {
    let key = |what: &str| format!("{}.{what}", ask.stem);
    let f = match find(data, ask) {
        // A flight that was not flown for it speaks only where the model follows what is seen.
        Ok(f) if silent && !(f.cost <= misfit::ACCEPTABLE) => return,
        Ok(f) => f,
        Err(_) if silent => return,
        Err(missing) => {
            let label = format!("{}, {}", ask.name, ask.gain.0);
            out.cannot_tell(&key("gain"), &label, missing, ask.test, RESTS);
            return;
        }
    };
    let from = if ask.outside {
        "through the demand, which comes from outside the loop"
    } else {
        "from what was asked of the aircraft itself: where a pilot or a loop answered what the aircraft did, that answer is in it and biases it"
    };
    let verdict = match f.cost {
        c if !c.is_finite() => String::new(),
        c => format!(
            " Misfit {c:.0} in the published convention ({}; at most 100 is acceptable).",
            if c <= misfit::ACCEPTABLE {
                "acceptable"
            } else {
                "not acceptable: the model leaves something out"
            }
        ),
    };
    let about = format!(
        "From {:.0} s, {from}; excited from {:.2} to {:.1} Hz.{verdict}",
        f.seconds, f.band.0, f.band.1
    );
    let mut put = |what: &str, words: &str, unit: &str, figure: &dyn Fn(&Plant) -> f64, text: String| {
        let Some((value, error)) = f.fit.propagate(&|p| Some(figure(p))) else { return };
        let e = context.estimate(&format!("{} {what}", ask.name), value, error, unit);
        out.value(&key(what), &format!("{}, {words}", ask.name), e, text, RESTS);
    };
    let (words, unit, should) = ask.gain;
    put("gain", words, unit, &|p| p.gain, format!("{should} {about}"));
    let near = ask.near;
    put(
        "delay",
        "total delay",
        "s",
        &|p| p.total_delay(near),
        format!("As a pure delay of the same phase at {near:.1} rad/s."),
    );
    if f.fit.free.contains(&Parameter::Damping) {
        let trade = f.fit.correlation(Parameter::Gain, Parameter::Damping);
        put("decay", ask.decay, "1/s", &|p| p.damping, format!("Correlation with the gain {trade:.2}."));
    } else {
        let missing = "a decay that stands out from an integral: slower excitation, or more of it";
        out.cannot_tell(&key("decay"), &format!("{}, {}", ask.name, ask.decay), missing, ask.test, RESTS);
    }
    draw(&f, ask, out);
}

fn draw(f: &Found, ask: &Ask, out: &mut Out) {
    let usable: Vec<_> = f.points.iter().filter(|p| excitation::usable(p)).collect();
    let all: Vec<f64> = f.points.iter().map(|p| p.frequency).collect();
    let x: Vec<f64> = usable.iter().map(|p| p.frequency).collect();
    let db = |v: f64| 20.0 * v.log10();
    let hertz = || Axis::log("frequency", "Hz");
    let name = |what: &str| {
        let mut letters = ask.name.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
        format!("{first}{}, {what}", letters.as_str())
    };
    let fitted: Vec<Complex64> = all.iter().map(|v| f.fit.plant.at(TAU * v)).collect();
    let edge = |sign: f64| {
        usable
            .iter()
            .map(|p| db(p.joint.norm() * (1.0 + sign * p.joint_error).max(0.05)))
            .collect::<Vec<f64>>()
    };
    out.charts.push(Chart {
        id: format!("{}-gain", ask.chart),
        title: name("gain"),
        caption: "The marks are what the flight shows, the band twice their random error: a straight fall is an integral, a level beginning \
                  a decay."
            .to_owned(),
        x: hertz(),
        y: Axis::linear("gain", "dB"),
        series: vec![
            Series::band("random error", x.clone(), edge(-2.0), edge(2.0)),
            Series::new("fitted", Style::Line, all.clone(), fitted.iter().map(|v| db(v.norm())).collect()),
            Series::new("measured", Style::Dots, x.clone(), usable.iter().map(|p| db(p.joint.norm())).collect()),
        ],
        marks: Vec::new(),
    });
    let turned = |values: &mut dyn Iterator<Item = Complex64>| -> Vec<f64> {
        let mut last = -90.0;
        values
            .map(|v| {
                let mut phase = v.arg().to_degrees();
                phase -= 360.0 * ((phase - last) / 360.0).round();
                last = phase;
                phase
            })
            .collect()
    };
    out.charts.push(Chart {
        id: format!("{}-phase", ask.chart),
        title: name("phase"),
        caption: "What the phase falls below -90 deg is delay.".to_owned(),
        x: hertz(),
        y: Axis::linear("phase", "deg"),
        series: vec![
            Series::new("fitted", Style::Line, all.clone(), turned(&mut fitted.iter().copied())),
            Series::new("measured", Style::Dots, x, turned(&mut usable.iter().map(|p| p.joint))),
        ],
        marks: Vec::new(),
    });
    out.charts.push(Chart {
        id: format!("{}-coherence", ask.chart),
        title: name("coherence"),
        caption: "Only where the coherence is 0.6 or more does the flight say anything.".to_owned(),
        x: hertz(),
        y: Axis::linear("coherence", "1"),
        series: vec![
            Series::new(
                "by demand",
                Style::Line,
                all.clone(),
                f.points.iter().map(|p| p.coherence).collect(),
            ),
            Series::new("direct", Style::Dashed, all, f.points.iter().map(|p| p.direct_coherence).collect()),
        ],
        marks: vec![Mark::Limit { y: excitation::LEAST_COHERENCE, name: "0.6".to_owned() }],
    });
    let error = |p| f.fit.uncertainty(p);
    let plant = &f.fit.plant;
    let ms = |v: f64, e: f64| format!("{:.0} ± {:.0} ms", 1e3 * v, 1e3 * e);
    let mut rows = vec![
        vec![
            "gain".to_owned(),
            format!("{:.3} ± {:.3} {}", plant.gain, plant.gain.abs() * error(Parameter::Gain), ask.gain.1),
            ask.gain.2.to_owned(),
        ],
        vec!["dead time".to_owned(), ms(plant.delay, error(Parameter::Delay)), String::new()],
    ];
    if f.fit.free.contains(&Parameter::Lag) {
        let trade = f.fit.correlation(Parameter::Delay, Parameter::Lag);
        let note = format!("correlation with dead time {trade:.2}");
        rows.push(vec!["lag".to_owned(), ms(plant.lag, error(Parameter::Lag)), note]);
    }
    if f.fit.free.contains(&Parameter::Damping) {
        let text = format!("{:.2} ± {:.2} 1/s", plant.damping, error(Parameter::Damping));
        rows.push(vec![ask.decay.to_owned(), text, String::new()]);
    }
    rows.push(vec![
        "misfit".to_owned(),
        format!("{:.2} per degree of freedom", f.fit.reduced()),
        format!("{:.0} in the published convention", f.cost),
    ]);
    let centre = ask.near / TAU;
    let apart = |p: &&&composite::Point| (p.frequency / centre).ln().abs();
    if let Some(p) = usable.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))).filter(|_| ask.outside) {
        let ratio = p.direct / p.joint;
        rows.push(vec![
            format!("direct estimate over joint one at {:.2} Hz", p.frequency),
            format!("{:.1} dB, {:.1} deg", db(ratio.norm()), ratio.arg().to_degrees()),
            "the direct one carries the gusts that the loop answers".to_owned(),
        ]);
    }
    out.tables.push(Table {
        id: format!("{}-fit", ask.chart),
        title: name("as fitted"),
        head: vec!["parameter".to_owned(), "value ± standard uncertainty".to_owned(), "note".to_owned()],
        rows,
        note: String::new(),
    });
}
