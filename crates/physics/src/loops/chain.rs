//! The rate loop as a chain of stages, from the gyro to the airframe.
//!
//! Loop gain L(s) = (p + i/s + d s/(1 + d_lag s)) x the other stages x 1/s. The gains of the rate loop are
//! physical (demanded angular acceleration per rate), so that the airframe is a plain 1/s, times a factor
//! where the thrust slope has changed since the gains were set ([`super::effect`]).
//!
//! Sampled parts. The filters are taken by their exact discrete response. The controller is taken as
//! continuous. Its output is held for a loop period. A gyro that is sampled in step with the loop adds no wait of
//! its own; one that is not adds a wait between zero and its period, as does the ESC that takes up commands
//! at its own pace; a uniform wait has the mean response of a hold. Folding (images of the signal about the sample
//! rate) is left out: at a tenth of the loop rate it is below the other errors.

use nalgebra::Complex;
use serde::Serialize;

use super::damping::RotorAir;
use super::inflow::InflowLead;
use super::margins::{Margins, margins};
use super::stage::{Element, Path, Stage};
use super::{effect, filter};
use crate::aircraft::{Aircraft, Filter, Missing};

/// Lowest frequency that margins are searched over, rad/s.
const FROM: f64 = 1e-3;
/// Highest frequency that margins are searched over, rad/s.
const TO: f64 = 1e5;

/// The stages of one axis of the rate loop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RateChain {
    /// Axis: 0 roll, 1 pitch, 2 yaw.
    pub axis: usize,
    /// Stages in the order of the signal.
    pub stages: Vec<Stage>,
}

/// Responses of the parts of a loop at one point.
struct Around {
    /// From the airframe's rate to the controller.
    sensing: Complex<f64>,
    /// The controller, from the measured rate.
    controller: Complex<f64>,
    /// The controller, from the rate demand: without the derivative.
    demand: Complex<f64>,
    /// From the controller's output to the airframe's rate.
    forward: Complex<f64>,
}

fn stage(id: &str, name: &str, key: Option<&str>, path: Path, element: Element) -> Stage {
    Stage { id: id.to_owned(), name: name.to_owned(), key: key.map(str::to_owned), path, element }
}

/// The chain of one axis (0 roll, 1 pitch, 2 yaw).
///
/// `motor_lag` is the time constant of rotor speed, s; `inflow_lead` the net lead of thrust over speed, s, zero for
/// none (see [`InflowLead::from_net`]). The gain is that of a hover on a full battery without payload. Waits for the IMU, the ESC and the rate loop. A filter that cannot be realised
/// at the sample rate counts as missing: `filter::cascade` says why.
pub fn rate_chain(
    aircraft: &Aircraft,
    axis: usize,
    motor_lag: f64,
    inflow_lead: f64,
) -> Result<RateChain, Missing> {
    let imu = aircraft.imu()?;
    let esc = aircraft.esc()?;
    let loops = aircraft.rate_loop()?;
    let gain = |list: &[f64; 3], key: &str| list.get(axis).copied().ok_or_else(|| Missing::new(key));
    let pid = Element::Pid {
        p: gain(&loops.p, "loop.rate.p")?,
        i: gain(&loops.i, "loop.rate.i")?,
        d: gain(&loops.d, "loop.rate.d")?,
        d_lag: loops.d_lag,
    };

    let mut stages = vec![stage(
        "imu-delay",
        "Gyro's own filtering and transfer",
        Some("imu.delay"),
        Path::Sensing,
        Element::Delay { time: imu.delay },
    )];
    for (k, each) in aircraft.filters.iter().enumerate() {
        stages.push(filter_stage(k, each, imu.sample_period)?);
    }
    let wait = if in_step(loops.period, imu.sample_period) { 0.0 } else { imu.sample_period };
    stages.push(stage(
        "imu-sampling",
        "Wait between gyro sample and loop",
        Some("imu.sample_rate"),
        Path::Sensing,
        Element::Hold { period: wait },
    ));
    stages.push(stage("controller", "Rate controller", Some("loop.rate.p"), Path::Controller, pid));
    let forward = [
        ("computation", "Computation", "loop.rate.delay", Element::Delay { time: loops.delay }),
        ("loop-hold", "Hold over the loop period", "loop.rate.rate", Element::Hold { period: loops.period }),
        (
            "protocol",
            "One frame to the ESC",
            "esc.protocol_period",
            Element::Delay { time: esc.protocol_period },
        ),
        (
            "esc-update",
            "Wait for the ESC to take up the command",
            "esc.update_period",
            Element::Hold { period: esc.update_period },
        ),
        ("esc-dead-time", "ESC dead time", "esc.dead_time", Element::Delay { time: esc.dead_time }),
        ("motor", "Motor and rotor lag", "rotor.inertia", Element::Lag { tau: motor_lag }),
    ];
    for (id, name, key, element) in forward {
        stages.push(stage(id, name, Some(key), Path::Forward, element));
    }
    let gain = effect::on_full_battery(aircraft);
    stages.push(stage("airframe", "Airframe", None, Path::Forward, Element::Integrator { gain }));
    Ok(RateChain { axis, stages }.with_inflow(InflowLead::from_net(inflow_lead)))
}

/// The stage of the filter with index `k`.
fn filter_stage(k: usize, each: &Filter, sample_period: f64) -> Result<Stage, Missing> {
    let number = k + 1;
    let (name, key) = match each {
        Filter::LowPass { order, cutoff } => {
            (format!("Low-pass {cutoff:.0} Hz, order {order}"), format!("filter.{number}.cutoff"))
        }
        Filter::Notch { centre, width, .. } => {
            (format!("Notch {centre:.0} Hz, {width:.0} Hz wide"), format!("filter.{number}.width"))
        }
    };
    if !(sample_period > 0.0 && sample_period.is_finite()) {
        return Err(Missing::new("imu.sample_rate"));
    }
    let sample_rate = 1.0 / sample_period;
    let sections = filter::cascade(each, sample_rate).map_err(|_| Missing::new(&key))?;
    let element = Element::Filter { sections, sample_rate };
    Ok(stage(&format!("filter-{number}"), &name, Some(&key), Path::Sensing, element))
}

/// Whether the loop runs once in a whole number of samples.
fn in_step(loop_period: f64, sample_period: f64) -> bool {
    let ratio = loop_period / sample_period;
    ratio > 0.5 && (ratio - ratio.round()).abs() < 1e-6 * ratio
}

impl RateChain {
    /// Loop gain at `omega`, rad/s.
    pub fn loop_gain(&self, omega: f64) -> Complex<f64> {
        self.loop_gain_at(Complex::new(0.0, omega))
    }

    /// Loop gain at a point s of the complex plane, rad/s.
    pub fn loop_gain_at(&self, s: Complex<f64>) -> Complex<f64> {
        let around = self.around(s);
        around.sensing * around.controller * around.forward
    }

    /// The parts of the loop at a point s. Delays add up to one exponential.
    fn around(&self, s: Complex<f64>) -> Around {
        let one = Complex::new(1.0, 0.0);
        let mut parts = Around { sensing: one, controller: one, demand: one, forward: one };
        let (mut sensing, mut forward) = (0.0, 0.0);
        for stage in &self.stages {
            match (stage.path, &stage.element) {
                (Path::Sensing, Element::Delay { time }) => sensing += time,
                (Path::Sensing, element) => parts.sensing *= element.at(s),
                (Path::Controller, Element::Pid { p, i, .. }) => {
                    parts.controller *= stage.element.at(s);
                    parts.demand *= s.inv() * *i + *p;
                }
                (Path::Controller | Path::Forward, Element::Delay { time }) => forward += time,
                (Path::Controller | Path::Forward, element) => parts.forward *= element.at(s),
            }
        }
        parts.sensing *= Element::Delay { time: sensing }.at(s);
        parts.forward *= Element::Delay { time: forward }.at(s);
        parts
    }

    /// Phase of the loop gain, rad, not wrapped to one turn.
    pub fn phase(&self, omega: f64) -> f64 {
        self.stages.iter().map(|stage| stage.phase(omega)).sum()
    }

    /// Rate over rate demand, closed loop, at a point s. The derivative acts on the measurement only.
    pub fn closed_at(&self, s: Complex<f64>) -> Complex<f64> {
        let Around { sensing, controller, demand, forward } = self.around(s);
        demand * forward / (Complex::new(1.0, 0.0) + sensing * controller * forward)
    }

    /// The same as the controller sees the rate: behind the gyro and its filters.
    pub fn closed_seen_at(&self, s: Complex<f64>) -> Complex<f64> {
        self.closed_at(s) * self.around(s).sensing
    }

    /// Thrust over thrust asked at a point s: what lies between the controller's output and the airframe.
    pub fn thrust_at(&self, s: Complex<f64>) -> Complex<f64> {
        let body = |s: &&Stage| s.path == Path::Forward && !matches!(s.id.as_str(), "airframe" | "damping");
        self.stages.iter().filter(body).map(|stage| stage.element.at(s)).product()
    }

    /// Attitude loop gain at a point s: attitude gain (1/s) x closed rate loop / s. The attitude estimate is taken
    /// as free of delay.
    pub fn attitude_gain_at(&self, gain: f64, s: Complex<f64>) -> Complex<f64> {
        self.closed_at(s) * gain / s
    }

    /// Attitude over attitude demand, closed loop, at a point s.
    pub fn attitude_closed_at(&self, gain: f64, s: Complex<f64>) -> Complex<f64> {
        let open = self.attitude_gain_at(gain, s);
        open / (Complex::new(1.0, 0.0) + open)
    }

    /// Number of integrators in the loop gain.
    pub fn integrators(&self) -> u32 {
        let (p, i, _) = self.gains();
        let damped = self.stages.iter().any(|s| matches!(s.element, Element::Damping { .. }));
        (if i != 0.0 { 2 } else { u32::from(p != 0.0) }).saturating_sub(u32::from(damped))
    }

    /// Gains p (1/s), i (1/s^2), d (dimensionless).
    pub fn gains(&self) -> (f64, f64, f64) {
        self.stages
            .iter()
            .find_map(|stage| match stage.element {
                Element::Pid { p, i, d, .. } => Some((p, i, d)),
                _ => None,
            })
            .unwrap_or((0.0, 0.0, 0.0))
    }

    /// Proportional gain as it acts, 1/s: the stated one times what the airframe makes of it.
    pub fn acting(&self) -> f64 {
        let factor = |s: &Stage| if let Element::Integrator { gain } = s.element { gain } else { 1.0 };
        self.gains().0 * self.stages.iter().map(factor).product::<f64>()
    }

    /// Margins of the rate loop.
    pub fn margins(&self) -> Margins {
        margins(&|omega| self.loop_gain(omega), FROM, TO, self.integrators())
    }

    /// The same chain with other gains.
    #[must_use]
    pub fn with_gains(mut self, new_p: f64, new_i: f64, new_d: f64) -> Self {
        for stage in &mut self.stages {
            if let Element::Pid { p, i, d, .. } = &mut stage.element {
                (*p, *i, *d) = (new_p, new_i, new_d);
            }
        }
        self
    }

    /// The same chain with p, i and d times `factor`.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        let (p, i, d) = self.gains();
        self.with_gains(p * factor, i * factor, d * factor)
    }

    /// The same chain with the airframe answering `factor` times as much, as when the slope of thrust over
    /// command is not that at which the gains were set.
    #[must_use]
    pub fn with_gain_factor(mut self, factor: f64) -> Self {
        for stage in &mut self.stages {
            if let Element::Integrator { gain } = &mut stage.element {
                *gain *= factor;
            }
        }
        self
    }

    /// The same chain with this inflow lead in place of any other; none if its time constants are equal.
    #[must_use]
    pub fn with_inflow(mut self, lead: InflowLead) -> Self {
        self.stages.retain(|s| s.id != "inflow");
        if lead.zero > lead.pole {
            let element = Element::Lead { zero: lead.zero, pole: lead.pole };
            self.before_airframe(stage(
                "inflow",
                "Inflow building up",
                Some("rotor.diameter"),
                Path::Forward,
                element,
            ));
        }
        self
    }

    /// The same chain with the lead that rotor acceleration gives to yaw by reaction.
    ///
    /// `lead` is that of [`crate::control::reaction_lead`], s; `share` the part of the yaw moment that is by
    /// reaction (1 without cant). The moment is (1 - share) + share (1 + lead s) of thrust's own.
    #[must_use]
    pub fn with_reaction_lead(mut self, lead: f64, share: f64) -> Self {
        self.stages.retain(|s| s.id != "reaction");
        let zero = lead * share;
        if zero > 0.0 && zero.is_finite() {
            let element = Element::Lead { zero, pole: 0.0 };
            self.before_airframe(stage(
                "reaction",
                "Reaction to the rotors' acceleration",
                Some("rotor.inertia"),
                Path::Forward,
                element,
            ));
        }
        self
    }

    /// The same chain with the rate dying away by itself at `rate`, 1/s (see [`super::damping`]); none for zero.
    #[must_use]
    pub fn with_damping(mut self, rate: f64) -> Self {
        self.stages.retain(|s| s.id != "damping");
        if rate > 0.0 && rate.is_finite() {
            let element = Element::Damping { rate };
            self.before_airframe(stage("damping", "Damping by the rotors", None, Path::Forward, element));
        }
        self
    }

    /// The same chain with what the rotors' air does about its axis: the rate dies away, and about roll and pitch thrust leads
    /// rotor speed while the inflow builds up.
    #[must_use]
    pub fn with_rotors(self, air: &RotorAir) -> Self {
        let rate = air.rate.get(self.axis).copied().unwrap_or(0.0);
        let lead = if self.axis < 2 { air.inflow } else { RotorAir::NONE.inflow };
        // A hub that moves meets the air before the inflow has followed: the decay is d (1 + 2 a s)/(1 + b s), a and b those of
        // the lead. Well below 1/b that is d and an inertia more by d (2 a - b).
        let heavier = 1.0 + rate * (2.0 * lead.zero - lead.pole);
        self.with_damping(rate / heavier).with_gain_factor(1.0 / heavier).with_inflow(lead)
    }

    /// The same chain with its gyro on an isolator of this natural frequency (Hz) and damping ratio.
    #[must_use]
    pub fn with_isolator(mut self, frequency: f64, damping: f64) -> Self {
        self.stages.retain(|s| s.id != "isolator");
        if frequency > 0.0 && frequency.is_finite() {
            let element = Element::Isolator { omega: std::f64::consts::TAU * frequency, damping };
            let new = stage(
                "isolator",
                "Sensor on its isolator",
                Some("structure.mount.frequency"),
                Path::Sensing,
                element,
            );
            self.stages.insert(0, new);
        }
        self
    }

    /// The same chain with `time` (s) added at the stage with this identifier; below zero for a saving.
    #[must_use]
    pub fn with_delay_at(mut self, id: &str, time: f64) -> Self {
        if let Some(place) = self.stages.iter().position(|s| s.id == id) {
            let path = if self.stages[place].path == Path::Sensing { Path::Sensing } else { Path::Forward };
            let change = stage("change", "Change of delay", None, path, Element::Delay { time });
            self.stages.insert(place + 1, change);
        }
        self
    }

    fn before_airframe(&mut self, new: Stage) {
        let place = self.stages.iter().position(|s| s.id == "airframe").unwrap_or(self.stages.len());
        self.stages.insert(place, new);
    }
}
