//! What the rate loop spends: delays, motor lag, filters, gains.

use physics::aircraft::{Aircraft, Filter};

use super::{Candidate, Scalar, scalar};
use crate::predict::{delay_budget, required_crossover};
use crate::result::ChangeClass;

/// ESC, protocol, sensor and computation delays.
pub(in crate::gates) fn delays(a: &Aircraft) -> Vec<Candidate> {
    let mut out = Vec::new();
    let mut add = |name, key: &str, current: f64, reference: f64, spread: f64, test| {
        if current > reference {
            out.push(scalar(Scalar {
                name,
                class: ChangeClass::Hardware,
                keys: vec![key.to_owned()],
                unit: "ms",
                factor: 1e-3,
                current,
                reference,
                departure: (current - reference) / spread,
                basis: "a quick drive or sensor reaches (common practice, no source)".to_owned(),
                test,
            }));
        }
    };
    let step = "a step record of one motor: command and rotor speed at 1 kHz or faster";
    if let Some(e) = &a.esc {
        add("ESC dead time", "esc.dead_time", e.dead_time, 1.0e-3, 1.5e-3, step);
        add("ESC update period", "esc.update_period", e.update_period, 0.5e-3, 1.0e-3, step);
        add("input protocol's period", "esc.protocol_period", e.protocol_period, 0.1e-3, 1.0e-3, step);
    }
    if let Some(i) = &a.imu {
        let test = "a record of raw gyro beside an external reference";
        add("sensor delay", "imu.delay", i.delay, 0.5e-3, 1.0e-3, test);
    }
    if let Some(l) = &a.rate_loop {
        let test = "a record of raw gyro and motor command at the loop's rate";
        add("computation delay", "loop.rate.delay", l.delay, 0.3e-3, 1.0e-3, test);
    }
    out
}

/// Rotor inertia: the motor lag.
pub(in crate::gates) fn rotor_inertia(a: &Aircraft) -> Option<Candidate> {
    let j = a.rotor.inertia;
    (j > 0.0).then(|| {
        scalar(Scalar {
            name: "rotor inertia (motor lag)",
            class: ChangeClass::Hardware,
            keys: vec!["rotor.inertia".to_owned()],
            unit: "kg m^2",
            factor: 1.0,
            current: j,
            reference: 0.75 * j,
            departure: 0.5,
            basis:
                "a lighter blade of the same size reaches about three quarters (common practice, no source)"
                    .to_owned(),
            test: "a step record of one motor: the lag",
        })
    })
}

/// Filters in the gyro path.
pub(in crate::gates) fn filters(a: &Aircraft) -> Vec<Candidate> {
    let tb = delay_budget(a);
    let mut out = Vec::new();
    for (k, f) in a.filters.iter().enumerate() {
        let n = k + 1;
        match *f {
            Filter::LowPass { order, cutoff } => {
                // Delay at low frequency of a Butterworth low-pass: 1/(2 pi fc) times 1, sqrt 2, 2, 2.613.
                let shape = match order {
                    1 => 1.0,
                    2 => std::f64::consts::SQRT_2,
                    3 => 2.0,
                    _ => 2.613,
                };
                let reference = shape / (std::f64::consts::TAU * 0.1 * tb);
                if reference > cutoff {
                    out.push(scalar(Scalar {
                        name: "gyro low-pass",
                        class: ChangeClass::Filter,
                        keys: vec![format!("filter.{n}.cutoff")],
                        unit: "Hz",
                        factor: 1.0,
                        current: cutoff,
                        reference,
                        departure: (reference / cutoff).ln() / 1.5f64.ln(),
                        basis: "cut-off that spends a tenth of the delay this size allows".to_owned(),
                        test: "a hover record of raw gyro: what the filter has to remove",
                    }));
                }
            }
            Filter::Notch { centre, width, .. } => {
                let reference = 0.25 * centre;
                if width > reference {
                    out.push(scalar(Scalar {
                        name: "gyro notch",
                        class: ChangeClass::Filter,
                        keys: vec![format!("filter.{n}.width")],
                        unit: "Hz",
                        factor: 1.0,
                        current: width,
                        reference,
                        departure: (width / reference).ln() / 1.5f64.ln(),
                        basis: "a quarter of its centre (common practice, no source)".to_owned(),
                        test: "a hover record of raw gyro: how wide the peak is",
                    }));
                }
            }
        }
    }
    out
}

/// Gains of the rate loop, roll and pitch together.
pub(in crate::gates) fn gains(a: &Aircraft) -> Vec<Candidate> {
    let Some(l) = &a.rate_loop else { return Vec::new() };
    let wc = required_crossover(a);
    let test = "rate steps at the lower gain";
    let pair = |what: &str| vec![format!("loop.rate.{what}.x"), format!("loop.rate.{what}.y")];
    let p = l.p[0].max(l.p[1]);
    let i = l.i[0].max(l.i[1]);
    let mut out = Vec::new();
    if p > 0.0 {
        let reference = if p > wc { 0.7 * wc } else { 1.2 * wc };
        out.push(scalar(Scalar {
            name: if p > reference { "rate gain p too high for the delay" } else { "rate gain p low" },
            class: ChangeClass::Gain,
            keys: pair("p"),
            unit: "1/s",
            factor: 1.0,
            current: p,
            reference,
            departure: (p / reference).ln().abs() / 1.3f64.ln(),
            basis: format!("the crossover that this size asks for is {wc:.1} rad/s; gain to try"),
            test,
        }));
    }
    let reference = 0.15 * wc * p;
    if i > reference && reference > 0.0 {
        out.push(scalar(Scalar {
            name: "rate gain i too high",
            class: ChangeClass::Gain,
            keys: pair("i"),
            unit: "1/s^2",
            factor: 1.0,
            current: i,
            reference,
            departure: (i / reference).ln() / 1.5f64.ln(),
            basis: "costs 8.5 deg at the required crossover with p as it is".to_owned(),
            test,
        }));
    }
    out
}
