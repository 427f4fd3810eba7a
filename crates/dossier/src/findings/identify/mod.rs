//! The rate loop as flown: plant, total delay and margins, through the rate demand.
//!
//! In rate command the demand comes from outside the loop. From command to rate the plant is found by instruments
//! ([`signal::response::fit`]); the controller is found by regressing the command on rate error, its integral and the
//! rate's derivative, so that the loop gain needs nothing from the aircraft file but the geometry that says how rotor
//! commands add up about an axis. Only stretches between steps and releases count (or the whole flight where the
//! record says `rate_command`): elsewhere an outer loop makes the demand, and the answer would be biased.

mod chart;
mod controller;
mod data;

use std::f64::consts::TAU;

use physics::loops::margins::{Margins, margins};
use physics::loops::response;
use signal::response::model::{Parameter, Plant};
use signal::response::{composite, excitation, fit, misfit, spectra};
use signal::spectrum::Complex64;

use self::controller::Controller;
use self::data::Flown;
use super::context::{AXES, Context, Out};
use crate::estimate::Estimate;

const RESTS: &[&str] =
    &["esc", "motor", "rotor", "filter", "loop.rate", "mass", "imu", "station", "aircraft"];
/// Frequencies of the response that is shown.
const POINTS: usize = 36;

/// What one axis shows.
pub(super) struct Axis {
    pub(super) axis: usize,
    pub(super) fit: fit::Fit,
    pub(super) controller: Controller,
    pub(super) points: Vec<composite::Point>,
    /// Band that the record can answer in, Hz.
    pub(super) band: (f64, f64),
    pub(super) margins: Margins,
    pub(super) cost: f64,
    pub(super) seconds: f64,
    /// What lies between the logged rate and the controller, at `omega`.
    pub(super) behind: data::Behind,
    /// Mean bus voltage meanwhile, V, where it is logged.
    pub(super) voltage: Option<f64>,
}

impl Axis {
    /// Loop gain of a plant with the controller as flown, at `omega`.
    pub(super) fn loop_gain(&self, plant: &Plant, omega: f64) -> Complex64 {
        plant.at(omega) * self.controller.feedback(omega) * self.behind.at(omega)
    }

    /// Poles of the loop gain at zero: the controller's and, without damping, the airframe's.
    fn poles(&self) -> u32 {
        self.controller.integrators() + u32::from(!self.fit.free.contains(&Parameter::Damping))
    }

    /// Overshoot of a step of demand, as the controller sees the rate.
    fn overshoot(&self, plant: &Plant) -> Option<f64> {
        let wc = self.margins.crossover;
        self.step(plant, 12.0 / wc, 0.04 / wc).map(|s| s.figures().overshoot)
    }

    /// Response of the rate, as the controller sees it, to a step of demand.
    pub(super) fn step(&self, plant: &Plant, span: f64, dt: f64) -> Option<response::Step> {
        let closed = |s: Complex64| {
            let (feedback, demand) = self.controller.at_point(s);
            let forward = plant.at_point(s);
            let behind = self.behind.at_point(s);
            forward * demand * behind / (forward * feedback * behind + 1.0)
        };
        self.margins_of(plant)?;
        response::step_seen(&closed, span, dt).ok()
    }

    fn margins_of(&self, plant: &Plant) -> Option<Margins> {
        let near = self.margins.crossover;
        let m = margins(&|w| self.loop_gain(plant, w), near / 60.0, near * 40.0, self.poles());
        m.stable.then_some(m)
    }
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    for (axis, (letter, name)) in AXES.iter().enumerate() {
        let test = format!(
            "fly {name} steps of 100 deg/s to both sides in rate command for 10 s or more (or a slow sweep of the stick \
             from 0.2 to 4 Hz), with rotor commands, rate demand and gyro logged at 200 Hz or more"
        );
        match axis_of(context, axis) {
            Ok(found) => report(context, &found, out),
            Err(missing) => {
                let key = format!("loop.{letter}.phase_margin");
                out.cannot_tell(
                    &key,
                    &format!("{name} loop, phase margin"),
                    missing.clone(),
                    test.clone(),
                    RESTS,
                );
                let key = format!("loop.{letter}.delay");
                out.cannot_tell(&key, &format!("{name} loop, total delay"), missing, test, RESTS);
            }
        }
    }
}

/// Reads one axis, or says what is missing.
fn axis_of(context: &Context<'_>, axis: usize) -> Result<Axis, String> {
    let flown = Flown::new(context, axis)?;
    let controller = Controller::of(&flown)?;
    let rate = flown.rate();
    // About where the loop crosses over: refined below.
    let mut near = flown.guess;
    let start = Plant { gain: 1.0, delay: 0.01, lag: 0.03, zero: 0.0, damping: 0.0 };
    let plain: &[Parameter] = &[Parameter::Gain, Parameter::Delay, Parameter::Lag];
    let drag: &[Parameter] = &[Parameter::Gain, Parameter::Delay, Parameter::Lag, Parameter::Damping];
    let lead: &[Parameter] = &[Parameter::Gain, Parameter::Delay, Parameter::Lag, Parameter::Zero];
    let sets: Vec<&[Parameter]> = if axis == 2 { vec![plain, lead] } else { vec![plain, drag] };
    let stretches = flown.stretches();
    let longest = flown.longest();
    let mut found = None;
    for _ in 0..3 {
        let options = spectra::Options {
            rate,
            low: (0.06 * near / TAU).max(1.5 / longest),
            high: (3.0 * near / TAU).min(0.4 * rate),
            taper: 0.06,
        };
        let bins =
            spectra::bins(&stretches, &options).map_err(|e| format!("excitation in rate command: {e}"))?;
        let fit = fit::select(&bins, &start, &sets, &[])
            .map_err(|e| format!("excitation that tells gain, lag and dead time apart: {e}"))?
            .with_clock(flown.clock);
        let gain = |w: f64| fit.plant.at(w) * controller.feedback(w) * flown.behind.at(w);
        let poles = controller.integrators() + u32::from(!fit.free.contains(&Parameter::Damping));
        let m = margins(&gain, near / 60.0, near * 40.0, poles);
        if !(m.stable && m.crossover > 0.0) {
            return Err(
                "a fitted loop that is stable, as the flown one is: the excitation is too little".to_owned()
            );
        }
        let moved = (m.crossover / near).ln().abs();
        near = m.crossover;
        found = Some((fit, m, options));
        if moved < 0.15 {
            break;
        }
    }
    let (mut fit, m, options) = found.ok_or_else(|| "excitation in rate command".to_owned())?;
    // The controller's own gain is known to so much only.
    if let Some(k) = fit.free.iter().position(|p| *p == Parameter::Gain) {
        fit.covariance[(k, k)] += controller.relative_error.powi(2);
    }
    let windows: Vec<f64> = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0].into_iter().filter(|w| *w <= longest).collect();
    let high = (4.0 * near / TAU).min(0.4 * rate);
    let low = (2.5 / longest).max(0.1 * near / TAU);
    let points = composite::response(&stretches, rate, &windows, low, high, POINTS)
        .map_err(|e| format!("a stretch in rate command long enough for a response: {e}"))?;
    let band = excitation::band(&points).unwrap_or((options.low, options.high));
    let inside: Vec<(Complex64, f64, Complex64)> = points
        .iter()
        .filter(|p| excitation::usable(p) && p.frequency >= band.0 && p.frequency <= band.1)
        .map(|p| (p.joint, p.coherence, fit.plant.at(TAU * p.frequency)))
        .collect();
    Ok(Axis {
        axis,
        cost: misfit::cost(&inside),
        fit,
        controller,
        points,
        band,
        margins: m,
        seconds: flown.seconds(),
        voltage: flown.voltage,
        behind: flown.behind,
    })
}

fn decibel(ratio: f64) -> Option<f64> {
    (ratio.is_finite() && ratio > 0.0).then(|| 20.0 * ratio.log10())
}

fn report(context: &Context<'_>, a: &Axis, out: &mut Out) {
    let (letter, name) = AXES[a.axis];
    let crossover = a.margins.crossover;
    let about = format!(
        "From {:.0} s in rate command, excited from {:.2} to {:.1} Hz; crossover at {:.2} Hz.",
        a.seconds,
        a.band.0,
        a.band.1,
        crossover / TAU
    );
    let mut put =
        |what: &str, label: &str, unit: &str, figure: &dyn Fn(&Plant) -> Option<f64>, text: String| {
            let Some((value, error)) = a.fit.propagate(figure) else { return };
            let e = context.estimate(&format!("{name} loop response"), value, error, unit);
            out.value(&format!("loop.{letter}.{what}"), &format!("{name} loop, {label}"), e, text, RESTS);
        };
    let margin = |f: fn(&Margins) -> Option<f64>| move |p: &Plant| a.margins_of(p).as_ref().and_then(f);
    let far = if TAU * a.band.1 < a.margins.neutral_stability {
        " The frequency of neutral stability lies above what was excited: by the fitted model."
    } else {
        ""
    };
    put("crossover", "crossover", "rad/s", &margin(|m| Some(m.crossover)), about.clone());
    put("phase_margin", "phase margin", "rad", &margin(|m| Some(m.phase_margin)), about.clone());
    put(
        "gain_margin_up",
        "gain margin up",
        "dB",
        &margin(|m| decibel(m.gain_margin_up)),
        format!("{about}{far}"),
    );
    put(
        "gain_margin_down",
        "gain margin down",
        "dB",
        &margin(|m| decibel(m.gain_margin_down)),
        about.clone(),
    );
    put("delay_margin", "delay margin", "s", &margin(|m| Some(m.delay_margin)), about.clone());
    put("disc_margin", "disc margin", "1", &margin(|m| Some(m.disc_margin)), about.clone());
    put("peak_sensitivity", "peak sensitivity", "1", &margin(|m| Some(m.peak_sensitivity)), about.clone());
    put(
        "step_overshoot",
        "overshoot of the identified model's own step",
        "1",
        &|p: &Plant| a.overshoot(p),
        "Linear: what rate steps show beyond it is saturation or another effect of size.".to_owned(),
    );
    let cost = if a.cost.is_finite() {
        let verdict = match a.cost {
            c if c <= misfit::CLOSE => "close",
            c if c <= misfit::ACCEPTABLE => "acceptable",
            _ => "not acceptable: the model leaves something out",
        };
        format!(" Misfit {:.0} in the published convention ({verdict}; at most 100 is acceptable).", a.cost)
    } else {
        String::new()
    };
    let trade = a.fit.correlation(Parameter::Delay, Parameter::Lag);
    let behind = &a.behind;
    let total = |p: &Plant| Some(p.total_delay(crossover) - behind.at(crossover).arg() / crossover);
    put(
        "delay",
        "total delay at crossover",
        "s",
        &total,
        format!(
            "From command to what the controller sees, as a pure delay of the same phase at {crossover:.1} rad/s.{cost}"
        ),
    );
    let split = a.fit.uncertainty(Parameter::Lag) < 0.25 * a.fit.plant.lag && a.fit.plant.lag > 0.0;
    if split {
        let text =
            format!("Correlation of lag and dead time {trade:.2}; the sum is known better than either.");
        put("lag", "lag", "s", &|p: &Plant| Some(p.lag), text.clone());
        put("dead_time", "dead time", "s", &|p: &Plant| Some(p.delay), text);
    }
    if a.fit.free.contains(&Parameter::Damping) {
        let text = "The rate dies away by itself: drag and inflow at the rotors.".to_owned();
        put("damping", "decay of the rate", "1/s", &|p: &Plant| Some(p.damping), text);
    }
    let p = a.controller.p;
    let text = format!(
        "Angular acceleration per rate error at crossover, as flown: the stated gain p if the file's inertia and thrust \
         slope are right and the bus at the voltage that the gains hold at; else it goes with the square of the voltage, unless the command is corrected for it. \
         Controller explained to {:.2} % of its variance.",
        100.0 * a.controller.explained
    );
    put("gain", "proportional gain as it acts", "1/s", &move |plant: &Plant| Some(plant.gain * p), text);
    if a.margins.gain_margin_down.is_infinite() {
        let text = format!("{about} No lower limit: less gain never makes this loop unstable.");
        let label = format!("{name} loop, gain margin down");
        let e = Estimate::unlimited("dB", context.origin);
        out.unlimited(&format!("loop.{letter}.gain_margin_down"), &label, e, text, RESTS);
    }
    if let Some(v) = a.voltage {
        // A voltmeter in flight is right to half a percent (common practice, no source).
        let e = context.estimate("bus voltage", v, 0.005 * v, "V");
        let text =
            "Mean over the stretches that the loop was read from: thrust at a command goes with its square.";
        let label = format!("bus voltage while the {name} loop was read");
        out.value(&format!("loop.{letter}.voltage"), &label, e, text, &["battery"]);
    }
    if !split {
        let missing = format!(
            "bandwidth to tell lag from dead time (correlation {trade:.2}): well below 1/lag only their sum is seen"
        );
        let test = "a step record of one drive on the bench, or a stick sweep to twice the crossover";
        out.cannot_tell(&format!("loop.{letter}.lag"), &format!("{name} loop, lag"), missing, test, RESTS);
    }
    chart::draw(a, name, letter, out);
    chart::steps(context, a, name, letter, out);
}
