//! Lag and dead time from command to rotor speed.
//!
//! speed(t) = lag of first order (tau) of f(command(t - d)), f quadratic in command (times voltage
//! where logged), plus a slow drift. For given tau and d the rest is linear; tau and d by a coarse
//! search and Gauss-Newton steps. Well below 1/tau only the sum d + tau is seen: the text says how
//! far the two are told apart.

use nalgebra::DMatrix;
use signal::{lsq, robust};

use super::context::{Context, Out};

const RESTS: &[&str] = &["motor", "esc", "rotor", "battery"];
/// Samples used per rotor at most.
const MOST: usize = 8_000;

struct Fit {
    lag: f64,
    dead: f64,
    lag_error: f64,
    dead_error: f64,
    correlation: f64,
    explained: f64,
    /// Mean command, and how much speed one more unit of command gives there, rad/s.
    middle: f64,
    gain: f64,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let test = "log rotor.N.command after mixing and rotor.N.speed at 200 Hz or more, with steps or a pull";
    let refuse = |out: &mut Out, missing: &str| {
        out.cannot_tell("drive.lag", "motor lag", missing, test, RESTS);
        out.cannot_tell("drive.dead_time", "dead time from command to speed", missing, test, RESTS);
        out.cannot_tell("drive.gain", "speed per command", missing, test, RESTS);
    };
    if context.rotor_series("command").is_none() || context.rotor_series("speed").is_none() {
        refuse(out, "the channels rotor.N.command and rotor.N.speed together");
        return;
    }
    let fits: Vec<Fit> = (1..=context.rotors).filter_map(|i| one(context, i)).collect();
    if fits.is_empty() {
        refuse(out, "excitation: command changes that the speed follows");
        return;
    }
    let period = context.series("rotor.1.speed").map_or(0.0, |s| s.period);
    let n = fits.len() as f64;
    let gather = |value: &dyn Fn(&Fit) -> f64, error: &dyn Fn(&Fit) -> f64| {
        let v: Vec<f64> = fits.iter().map(value).collect();
        let mean = v.iter().sum::<f64>() / n;
        let spread = robust::variance(&v).unwrap_or(0.0);
        let own = fits.iter().map(|f| error(f).powi(2)).sum::<f64>() / n;
        (mean, (spread.max(own) / n).sqrt(), spread.sqrt())
    };
    let (lag, lag_error, lag_spread) = gather(&|f| f.lag, &|f| f.lag_error);
    let (dead, dead_error, _) = gather(&|f| f.dead, &|f| f.dead_error);
    let correlation = fits.iter().map(|f| f.correlation).sum::<f64>() / n;
    let explained = fits.iter().map(|f| f.explained).fold(1.0, f64::min);
    let sum = lag + dead;
    let e = context.estimate("motor lag", lag, lag_error.max(0.02 * lag), "s");
    let text = format!(
        "First-order lag over {} rotors, spread {:.1} ms; it explains at least {:.1} % of the speed. Lag and dead time \
         correlate by {correlation:.2}: their sum {:.1} ms is known better than either.",
        fits.len(),
        lag_spread * 1e3,
        100.0 * explained,
        sum * 1e3
    );
    out.value("drive.lag", "motor lag", e, text, RESTS);
    let resolution = period / 12.0_f64.sqrt();
    let e = context.estimate("drive dead time", dead, dead_error.hypot(resolution), "s");
    let text = "From the logged command to the first change of speed, with whatever the controller's output, the wire \
                and the speed telemetry add; a bench step with its own clock splits it.";
    out.value("drive.dead_time", "dead time from command to speed", e, text, RESTS);
    let (gain, gain_error, gain_spread) = gather(&|f| f.gain, &|_| 0.0);
    let middle = fits.iter().map(|f| f.middle).sum::<f64>() / n;
    let e = context.estimate("speed per command", gain, gain_error, "rad/s");
    let text = format!(
        "Slope of steady speed against command near command {middle:.2}, mean of {} rotors, spread {:.1} %. It goes with \
         the supply voltage.",
        fits.len(),
        100.0 * gain_spread / gain.abs().max(1e-9)
    );
    out.value("drive.gain", "speed per command", e, text, RESTS);
}

/// First-order lag, exact for a held input, started in steady state.
fn lagged(u: &[f64], period: f64, tau: f64) -> Vec<f64> {
    let keep = if tau > 0.0 { (-period / tau).exp() } else { 0.0 };
    let mut y = u.first().copied().unwrap_or(0.0);
    let mut before = y;
    u.iter()
        .map(|v| {
            // The input of the last period acts until now.
            y = keep * y + (1.0 - keep) * before;
            before = *v;
            y
        })
        .collect()
}

/// Input `dead` seconds earlier, held between samples and interpolated for fractions of one.
fn delayed(u: &[f64], period: f64, dead: f64) -> Vec<f64> {
    let shift = dead / period;
    let whole = shift.floor() as usize;
    let part = shift - whole as f64;
    let at = |k: usize, back: usize| u[k.saturating_sub(back)];
    (0..u.len()).map(|k| (1.0 - part) * at(k, whole) + part * at(k, whole + 1)).collect()
}

struct Data {
    period: f64,
    input: Vec<Vec<f64>>,
    speed: Vec<f64>,
}

impl Data {
    fn columns(&self, lag: f64, dead: f64) -> Vec<Vec<f64>> {
        let mut c: Vec<Vec<f64>> =
            self.input.iter().map(|u| lagged(&delayed(u, self.period, dead), self.period, lag)).collect();
        let n = self.speed.len();
        c.push(vec![1.0; n]);
        c.push((0..n).map(|k| k as f64 / n as f64 - 0.5).collect());
        c
    }

    fn skip(&self) -> usize {
        ((0.3 / self.period) as usize).min(self.speed.len() / 4)
    }

    /// Fit of the linear part and what it leaves, by normal equations on unit columns.
    fn solve(&self, lag: f64, dead: f64) -> Option<(Vec<f64>, f64)> {
        let c = self.columns(lag, dead);
        let skip = self.skip();
        let p = c.len();
        let y = &self.speed[skip..];
        let c: Vec<&[f64]> = c.iter().map(|v| &v[skip..]).collect();
        let norm: Vec<f64> =
            c.iter().map(|v| v.iter().map(|x| x * x).sum::<f64>().sqrt().max(1e-300)).collect();
        let gram = DMatrix::from_fn(p, p, |i, j| {
            c[i].iter().zip(c[j]).map(|(a, b)| a * b).sum::<f64>() / (norm[i] * norm[j])
        });
        let right = nalgebra::DVector::from_fn(p, |i, _| {
            c[i].iter().zip(y).map(|(a, b)| a * b).sum::<f64>() / norm[i]
        });
        let b = gram.cholesky()?.solve(&right);
        let b: Vec<f64> = (0..p).map(|i| b[i] / norm[i]).collect();
        let square =
            (0..y.len()).map(|k| (y[k] - (0..p).map(|i| b[i] * c[i][k]).sum::<f64>()).powi(2)).sum::<f64>();
        Some((b, square))
    }

    fn model(&self, b: &[f64], lag: f64, dead: f64) -> Vec<f64> {
        let c = self.columns(lag, dead);
        (0..self.speed.len()).map(|k| b.iter().zip(&c).map(|(b, c)| b * c[k]).sum()).collect()
    }
}

fn data(context: &Context<'_>, rotor: usize) -> Option<Data> {
    let command = format!("rotor.{rotor}.command");
    let speed = format!("rotor.{rotor}.speed");
    let mut names = vec![command.as_str(), speed.as_str()];
    let with_voltage = context.series("battery.voltage").is_some();
    if with_voltage {
        names.push("battery.voltage");
    }
    let joint = context.joint(&names, &context.airborne())?;
    // The stretch where the command moves most, so that the hover does not drown it.
    let stretch = joint.stretches.iter().max_by_key(|s| s.len())?;
    let n = stretch.len();
    let width = n.min(MOST);
    let c = stretch.channels.first()?;
    let square: Vec<f64> = c.windows(2).map(|w| (w[1] - w[0]).powi(2)).collect();
    // Slow motion counts too: spread about the window's own mean.
    let mut best = (0, -1.0);
    let mut start = 0;
    while start + width <= n {
        let v = robust::variance(&c[start..start + width]).unwrap_or(0.0);
        if v > best.1 {
            best = (start, v);
        }
        start += (width / 4).max(1);
    }
    if square.is_empty() || best.1.sqrt() < 0.003 {
        return None;
    }
    let range = best.0..best.0 + width;
    let c = &c[range.clone()];
    let rate = 1.0 / joint.period;
    let voltage: Vec<f64> = match stretch.channels.get(2) {
        Some(v) => {
            let v = &v[range.clone()];
            let mean = robust::mean(v)?;
            // Fast ripple of the bus is the motor's own doing; its slow sag is the input.
            let slow = if rate > 20.0 { signal::filter::low_pass(v, rate, 4.0).ok()? } else { v.to_vec() };
            slow.iter().map(|x| x / mean).collect()
        }
        None => vec![1.0; width],
    };
    let input = vec![
        c.iter().zip(&voltage).map(|(c, v)| c * v).collect(),
        c.iter().zip(&voltage).map(|(c, v)| (c * v).powi(2)).collect(),
    ];
    Some(Data { period: joint.period, input, speed: stretch.channels.get(1)?[range].to_vec() })
}

fn one(context: &Context<'_>, rotor: usize) -> Option<Fit> {
    let d = data(context, rotor)?;
    if d.speed.len() < 100 {
        return None;
    }
    let skip = d.skip();
    let mean = robust::mean(&d.speed[skip..])?;
    let about: f64 = d.speed[skip..].iter().map(|v| (v - mean).powi(2)).sum();
    let (mut lag, mut dead, mut best) = (0.0, 0.0, f64::INFINITY);
    for i in 0..10 {
        let l = 0.004 * 1.5_f64.powi(i);
        for j in 0..7 {
            let t = 0.008 * f64::from(j);
            if let Some((_, square)) = d.solve(l, t)
                && square < best
            {
                (lag, dead, best) = (l, t, square);
            }
        }
    }
    if !best.is_finite() || about <= 0.0 {
        return None;
    }
    let mut jacobian = DMatrix::zeros(0, 0);
    let mut residuals = Vec::new();
    for _ in 0..15 {
        let (b, square) = d.solve(lag, dead)?;
        let now = d.model(&b, lag, dead);
        let (hl, hd) = (0.01 * lag.max(1e-4), 0.05 * d.period);
        let up = d.model(&b, lag + hl, dead);
        let later = d.model(&b, lag, dead + hd);
        let columns = d.columns(lag, dead);
        let n = d.speed.len() - skip;
        jacobian = DMatrix::from_fn(n, 2 + columns.len(), |k, j| {
            let k = k + skip;
            match j {
                0 => (up[k] - now[k]) / hl,
                1 => (later[k] - now[k]) / hd,
                _ => columns[j - 2][k],
            }
        });
        residuals = (skip..d.speed.len()).map(|k| d.speed[k] - now[k]).collect();
        let step = lsq::fit(&jacobian, &nalgebra::DVector::from_column_slice(&residuals), None).ok()?;
        let mut factor = 1.0;
        let mut moved = false;
        for _ in 0..8 {
            let l = (lag + factor * step.value(0)).clamp(1e-4, 1.0);
            let t = (dead + factor * step.value(1)).clamp(0.0, 0.2);
            if let Some((_, next)) = d.solve(l, t)
                && next < square
            {
                moved = (square - next) > 1e-7 * square;
                (lag, dead) = (l, t);
                break;
            }
            factor *= 0.5;
        }
        if !moved {
            break;
        }
    }
    let y = nalgebra::DVector::from_column_slice(&residuals);
    let fit = lsq::fit(&jacobian, &y, None).ok()?.correlated(&jacobian, None);
    let explained = 1.0 - y.norm_squared() / about;
    // What a lag cannot explain at all says nothing about the lag.
    if explained < 0.5 {
        return None;
    }
    let (lag_error, dead_error) = (fit.error(0), fit.error(1));
    let correlation = fit.covariance[(0, 1)] / (lag_error * dead_error);
    let (b, _) = d.solve(lag, dead)?;
    let middle = robust::mean(d.input.first()?)?;
    let gain = b.first()? + 2.0 * b.get(1)? * middle;
    Some(Fit { lag, dead, lag_error, dead_error, correlation, explained, middle, gain })
}
