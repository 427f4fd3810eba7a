//! What the identification works on: demand, command about the axis and rate, in rate command.

use physics::Vec3;
use physics::control;
use physics::loops::filter::{self, Biquad};
use signal::response::Stretch;
use signal::spectrum::Complex64;

use crate::findings::context::{AXES, Context, Joint};
use crate::record::Tap;

/// What is between the logged rate and the controller: the filters, where the rate was logged before them.
#[derive(Debug, Clone, Default)]
pub(in crate::findings) struct Behind {
    cascades: Vec<(Vec<Biquad>, f64)>,
}

impl Behind {
    /// Response at a point s, rad/s.
    pub(in crate::findings) fn at_point(&self, s: Complex64) -> Complex64 {
        self.cascades.iter().map(|(sections, rate)| filter::response_at(sections, s, *rate)).product()
    }

    /// Response at `omega`, rad/s.
    pub(in crate::findings) fn at(&self, omega: f64) -> Complex64 {
        self.cascades.iter().map(|(sections, rate)| filter::response(sections, omega, *rate)).product()
    }
}

/// Stretches of one axis in rate command.
pub(super) struct Flown {
    joint: Joint,
    /// Command about the axis, by stretch: mean over the rotors of their share times command to a power.
    pub(super) commands: [Vec<Vec<f64>>; 2],
    /// Rate as the controller sees it, by stretch.
    pub(super) seen: Vec<Vec<f64>>,
    /// Between the logged rate and the controller.
    pub(super) behind: Behind,
    /// Standard uncertainty of the time between command and rate in the log, s.
    pub(super) clock: f64,
    /// Expected crossover, rad/s.
    pub(super) guess: f64,
    /// Whether the file gives the axis a derivative, and its filter's time constant, s.
    pub(super) derivative: Option<f64>,
    /// Mean bus voltage over the stretches, V, where it is logged.
    pub(super) voltage: Option<f64>,
    /// Power of the command that was taken for thrust.
    power: std::cell::Cell<usize>,
}

impl Flown {
    pub(super) fn new(context: &Context<'_>, axis: usize) -> Result<Self, String> {
        let (letter, name) = AXES[axis];
        let (demand, rate) = (format!("rate_demand.{letter}"), format!("rate.{letter}"));
        for channel in [&demand, &rate] {
            if context.series(channel).is_none() {
                return Err(format!("the channel {channel}"));
            }
        }
        if context.rotor_series("command").is_none() {
            return Err("the channels rotor.N.command of every rotor".to_owned());
        }
        let Some(aircraft) = &context.known.aircraft else {
            return Err("the aircraft file: how rotor commands add up about an axis".to_owned());
        };
        let tap = context.tap(&rate).ok_or_else(|| {
            format!("the tap point of {rate}: whether the filters' delay is in it decides the margins")
        })?;
        if !matches!(tap, Tap::Raw | Tap::Filtered) {
            return Err(format!("{rate} from the gyro, before or after the controller's filters"));
        }
        let share = shares(context, axis)
            .ok_or_else(|| format!("geometry that lets the rotors turn the aircraft in {name}"))?;
        let windows = windows(context, axis);
        if windows.is_empty() {
            return Err(format!("excitation: no {name} step in rate command"));
        }
        let mut names = vec![demand, rate];
        names.extend((1..=context.rotors).map(|k| format!("rotor.{k}.command")));
        let views: Vec<&str> = names.iter().map(String::as_str).collect();
        let mut joint = context.joint(&views, &windows).ok_or_else(|| "samples without gaps".to_owned())?;
        joint.stretches.retain(|s| s.len() as f64 * joint.period >= 1.5);
        if joint.stretches.is_empty() {
            return Err("a stretch of 1.5 s in rate command without gaps".to_owned());
        }
        let command = |power: i32| -> Vec<Vec<f64>> {
            joint
                .stretches
                .iter()
                .map(|s| {
                    (0..s.len())
                        .map(|k| share.iter().zip(&s.channels[2..]).map(|(w, c)| w * c[k].powi(power)).sum())
                        .collect()
                })
                .collect()
        };
        let commands = [command(1), command(2)];
        let sample = 1.0 / joint.period;
        let mut behind = Behind::default();
        if tap == Tap::Raw
            && let Some(imu) = &aircraft.imu
        {
            for each in &aircraft.filters {
                let rate = 1.0 / imu.sample_period;
                let sections = filter::cascade(each, rate)
                    .map_err(|_| "a filter of the aircraft file that can be realised".to_owned())?;
                behind.cascades.push((sections, rate));
            }
        }
        let seen = joint
            .stretches
            .iter()
            .map(|s| {
                let mut v = s.channels[1].clone();
                if tap == Tap::Raw {
                    for each in &aircraft.filters {
                        let Ok(mut sections) = filter::cascade(each, sample) else { continue };
                        let first = v.first().copied().unwrap_or(0.0);
                        let mut steady = first;
                        for section in &mut sections {
                            steady = section.settle(steady);
                        }
                        for x in &mut v {
                            *x = sections.iter_mut().fold(*x, |x, section| section.step(x));
                        }
                    }
                }
                v
            })
            .collect();
        let stamped = |channel: &str| context.record.channel_meta(channel).is_some_and(|c| c.stamp.is_some());
        // Stamps whose meaning is stated put command and rate on one clock; else either may be a period off.
        let clock = if stamped(&format!("rate.{letter}")) && stamped("rotor.1.command") {
            0.0
        } else {
            joint.period / 12f64.sqrt()
        };
        let ends = joint.stretches.iter().map(|s| (s.start, s.start + s.len() as f64 * joint.period));
        let volts: Vec<f64> = context
            .series("battery.voltage")
            .map(|v| ends.flat_map(|(from, to)| v.slice(from, to).1).copied().collect())
            .unwrap_or_default();
        let voltage = signal::robust::mean(&volts);
        let gain = aircraft.rate_loop.as_ref().map(|l| l.p[axis]).filter(|p| *p > 0.0);
        let guess = gain.unwrap_or(12.0 / aircraft.hub_to_hub().max(1e-3).sqrt()).clamp(1.0, 120.0);
        let derivative = aircraft.rate_loop.as_ref().filter(|l| l.d[axis] != 0.0).map(|l| l.d_lag);
        let power = std::cell::Cell::new(0);
        Ok(Self { joint, commands, seen, behind, clock, guess, derivative, voltage, power })
    }

    pub(super) fn period(&self) -> f64 {
        self.joint.period
    }
    pub(super) fn rate(&self) -> f64 {
        1.0 / self.joint.period
    }
    pub(super) fn longest(&self) -> f64 {
        self.joint.longest() as f64 * self.joint.period
    }
    pub(super) fn seconds(&self) -> f64 {
        self.joint.stretches.iter().map(|s| s.len() as f64 * self.joint.period).sum()
    }
    /// Demand, by stretch.
    pub(super) fn demand(&self) -> Vec<&[f64]> {
        self.joint.channel(0)
    }
    /// Takes the command to this power (index into `commands`) from now on.
    pub(super) fn use_power(&self, index: usize) {
        self.power.set(index);
    }
    /// Demand, command and rate for the estimators.
    pub(super) fn stretches(&self) -> Vec<Stretch<'_>> {
        let commands = &self.commands[self.power.get().min(1)];
        self.joint
            .stretches
            .iter()
            .zip(commands)
            .map(|(s, u)| Stretch { reference: &s.channels[0], input: u, output: &s.channels[1] })
            .collect()
    }
}

/// Share of each rotor in the command about an axis: the row of the effectiveness over its squared length.
fn shares(context: &Context<'_>, axis: usize) -> Option<Vec<f64>> {
    let aircraft = context.known.aircraft.as_ref()?;
    let n = aircraft.stations.len();
    if n == 0 || n != context.rotors {
        return None;
    }
    let middle = aircraft.stations.iter().map(|s| s.at).sum::<Vec3>() / n as f64;
    let matrix = control::effectiveness(aircraft, &middle, context.known.reaction.unwrap_or(0.0));
    let row: Vec<f64> = (0..n).map(|k| matrix[(axis + 1, k)]).collect();
    let square: f64 = row.iter().map(|v| v * v).sum();
    (square > 1e-12).then(|| row.iter().map(|v| v / square.sqrt()).collect())
}

/// From the first to the last step of a run about the axis, releases included; or all of the flight where the record
/// says that it was in rate command.
fn windows(context: &Context<'_>, axis: usize) -> Vec<(f64, f64)> {
    if context.record.meta.values.get("rate_command").is_some_and(|v| v.value > 0.5) {
        return context.airborne();
    }
    let mut out: Vec<(f64, f64)> = Vec::new();
    for s in context.steps.iter().filter(|s| s.axis == axis) {
        let (from, to) = (s.step.at - 0.12, s.release.map_or(s.step.until, |r| r.until.min(r.at + 2.0)));
        match out.last_mut() {
            Some(last) if from <= last.1 + 0.05 => last.1 = last.1.max(to),
            _ => out.push((from, to)),
        }
    }
    out
}
