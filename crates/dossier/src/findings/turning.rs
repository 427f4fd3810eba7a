//! How rotor thrust turns the aircraft: effectiveness by axis, and the moments on which
//! [`super::order`] judges rotor order and spins.
//!
//! Angular acceleration about an axis = slope x sum(lever_i speed_i^2) + damping x rate + the
//! gyroscopic product of the other two rates + a part that goes with total thrust (the off-centre
//! mass) + a constant; about z also the reaction to the rotors' own acceleration. Everything is
//! band-passed alike from 3 (yaw: 0.5) to 20 Hz: below, the loop balances moments of wind and speed, so
//! that thrust differences follow the disturbance instead of turning the aircraft (identification
//! in closed loop; Ljung, System Identification, 2nd ed., ch. 13, from memory). The acceleration is shifted by
//! the delay that explains most (sensor filters come later than speeds). Slopes carry errors that
//! allow for correlated residuals (Newey and West 1987), and the change that a band from an octave higher
//! makes: moments of the air that are still in the band show there.

use nalgebra::{DMatrix, DVector};
use signal::{filter, lsq, robust};

use super::PhaseKind;
use super::context::{AXES, Context, Out};
use super::geometry::{self, Levers};
use super::order;
use super::thrust::speed_names;
use crate::estimate::Contribution;
use crate::estimate::Estimate;

const RESTS: &[&str] = &["mass", "rotor", "motor", "station", "aircraft"];
/// Rows used at most.
const MOST_ROWS: usize = 12_000;
/// Band of the fits, Hz; the upper end also at most a sixth of the rate.
const LOW: f64 = 3.0;
/// Yaw is slow, and above some hertz the rotors' own acceleration turns the aircraft in step with
/// their torque: its figure is taken from further down.
const LOW_YAW: f64 = 0.5;
const HIGH: f64 = 20.0;

/// Band-passed stretches before the delay is taken out.
struct Prepared {
    period: f64,
    every: usize,
    cutoff: f64,
    stretches: Vec<Band>,
}

/// One stretch, everything band-passed.
struct Band {
    /// Squared speeds and accelerations by rotor.
    squares: Vec<Vec<f64>>,
    spin_up: Vec<Vec<f64>>,
    /// Rates, their products by axis, accelerations.
    rate: Vec<Vec<f64>>,
    product: Vec<Vec<f64>>,
    alpha: Vec<Vec<f64>>,
}

impl Band {
    fn len(&self) -> usize {
        self.squares.first().map_or(0, Vec::len)
    }
}

/// Rows for the fits.
pub(super) struct Rows {
    pub(super) squares: Vec<Vec<f64>>,
    spin_up: Vec<Vec<f64>>,
    rate: Vec<Vec<f64>>,
    product: Vec<Vec<f64>>,
    alpha: Vec<Vec<f64>>,
}

/// Where thrust goes with squared speed: steps with half a second around them and hover; without
/// steps all of the flight but pulls of thrust, whose climb and fall bend the thrust.
fn windows(context: &Context<'_>) -> Vec<(f64, f64)> {
    if context.steps.is_empty() {
        return context.windows(|k| !matches!(k, PhaseKind::Ground | PhaseKind::Pull));
    }
    let mut all = context.hover();
    for s in &context.steps {
        all.push((s.step.at - 0.5, s.release.map_or(s.step.until, |r| r.until.min(r.at + 2.0))));
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for w in all {
        match merged.last_mut() {
            Some(last) if w.0 <= last.1 + 0.5 => last.1 = last.1.max(w.1),
            _ => merged.push(w),
        }
    }
    merged
}

fn prepare(context: &Context<'_>, lowest: f64) -> Option<Prepared> {
    let mut names = speed_names(context)?;
    let n = names.len();
    names.extend(AXES.iter().map(|(l, _)| format!("rate.{l}")));
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let joint = context.joint(&views, &windows(context))?;
    let rate = 1.0 / joint.period;
    let cutoff = (rate / 6.0).min(HIGH);
    if cutoff < 2.0 * lowest {
        return None;
    }
    let slope = |v: &[f64]| -> Vec<f64> {
        signal::derivative::savitzky_golay(v, joint.period, 1, 2, 1).unwrap_or_default()
    };
    let band = |v: &[f64]| -> Option<Vec<f64>> {
        let high = filter::low_pass(v, rate, cutoff).ok()?;
        let low = filter::low_pass(v, rate, lowest).ok()?;
        Some(high.iter().zip(&low).map(|(h, l)| h - l).collect())
    };
    let all = |columns: &[Vec<f64>]| -> Option<Vec<Vec<f64>>> { columns.iter().map(|c| band(c)).collect() };
    let mut stretches = Vec::new();
    let mut total = 0;
    for s in joint.stretches.iter().filter(|s| s.len() as f64 * joint.period > 1.0) {
        let (speeds, rates) = s.channels.split_at(n);
        let squares: Vec<Vec<f64>> = speeds.iter().map(|c| c.iter().map(|w| w * w).collect()).collect();
        let product: Vec<Vec<f64>> = (0..3)
            .map(|a| rates[(a + 1) % 3].iter().zip(&rates[(a + 2) % 3]).map(|(x, y)| x * y).collect())
            .collect();
        let (Some(squares), Some(speeds), Some(rate), Some(product)) =
            (all(&squares), all(speeds), all(rates), all(&product))
        else {
            continue;
        };
        let spin_up = speeds.iter().map(|c| slope(c)).collect();
        let alpha = rate.iter().map(|c| slope(c)).collect();
        total += s.len();
        stretches.push(Band { squares, spin_up, rate, product, alpha });
    }
    let every = ((rate / (4.0 * cutoff)) as usize).max(total.div_ceil(MOST_ROWS)).max(1);
    (!stretches.is_empty()).then_some(Prepared { period: joint.period, every, cutoff, stretches })
}

impl Prepared {
    /// Rows with rates and accelerations taken `shift` samples later than the speeds.
    fn rows(&self, shift: i64) -> Rows {
        let n = self.stretches.first().map_or(0, |s| s.squares.len());
        let mut rows = Rows {
            squares: vec![Vec::new(); n],
            spin_up: vec![Vec::new(); n],
            rate: vec![Vec::new(); 3],
            product: vec![Vec::new(); 3],
            alpha: vec![Vec::new(); 3],
        };
        let trim = (0.17 / self.period) as i64;
        for s in &self.stretches {
            let length = s.len() as i64;
            let mut k = trim.max(-shift);
            while k < length - trim && k + shift < length {
                let (a, b) = (k as usize, (k + shift) as usize);
                for i in 0..n {
                    rows.squares[i].push(s.squares[i][a]);
                    rows.spin_up[i].push(s.spin_up[i][a]);
                }
                for j in 0..3 {
                    rows.rate[j].push(s.rate[j][b]);
                    rows.product[j].push(s.product[j][b]);
                    rows.alpha[j].push(s.alpha[j][b]);
                }
                k += self.every as i64;
            }
        }
        rows
    }

    /// Delay of the rates behind the speeds that explains most, samples.
    fn delay(&self) -> i64 {
        let from = -(0.01 / self.period).ceil() as i64;
        let to = (0.08 / self.period).ceil() as i64;
        let step = ((to - from) / 45).max(1);
        let score = |shift: i64| {
            let rows = self.rows(shift);
            (0..2).map(|axis| rows.explained(axis)).fold(0.0, f64::max)
        };
        let mut best = (0_i64, f64::NEG_INFINITY);
        let mut shift = from;
        while shift <= to {
            let s = score(shift);
            if s > best.1 {
                best = (shift, s);
            }
            shift += step;
        }
        best.0
    }
}

impl Rows {
    fn len(&self) -> usize {
        self.alpha.first().map_or(0, Vec::len)
    }

    fn weighted(&self, columns: &[Vec<f64>], pattern: &[f64]) -> Vec<f64> {
        (0..self.len()).map(|k| columns.iter().zip(pattern).map(|(c, p)| c[k] * p).sum()).collect()
    }

    /// Sum of squared speeds.
    fn total(&self, k: usize) -> f64 {
        self.squares.iter().map(|c| c[k]).sum()
    }

    /// What goes with the acceleration besides thrust differences: constant, rate, gyroscopic
    /// product, and total thrust, whose moment is that of an off-centre mass.
    fn nuisance(&self, axis: usize) -> DMatrix<f64> {
        DMatrix::from_fn(self.len(), 4, |k, j| match j {
            0 => 1.0,
            1 => self.rate[axis][k],
            2 => self.product[axis][k],
            _ => self.total(k),
        })
    }

    /// Share of the acceleration's variance that free rotor columns explain beyond the nuisance.
    fn explained(&self, axis: usize) -> f64 {
        Moments::new(self, axis).map_or(0.0, |m| m.free())
    }
}

/// Second moments of rotor columns and acceleration with the nuisance taken out.
pub(super) struct Moments {
    gram: DMatrix<f64>,
    cross: DVector<f64>,
    total: f64,
    rows: usize,
    columns: DMatrix<f64>,
    target: DVector<f64>,
}

impl Moments {
    pub(super) fn new(rows: &Rows, axis: usize) -> Option<Self> {
        // About z the rotors' own acceleration turns the aircraft too.
        let used: Vec<&Vec<f64>> =
            rows.squares.iter().chain(rows.spin_up.iter().filter(|_| axis == 2)).collect();
        let n = used.len();
        let m = rows.len();
        if m < 30 || n == 0 {
            return None;
        }
        let z = rows.nuisance(axis);
        let clean = |c: &[f64]| -> DVector<f64> {
            let y = DVector::from_column_slice(c);
            lsq::fit(&z, &y, None).map_or_else(
                |_| {
                    // No turning at all: only the mean to take out.
                    let mean = y.mean();
                    y.map(|v| v - mean)
                },
                |f| f.residuals,
            )
        };
        let mut columns = DMatrix::zeros(m, n);
        for (i, c) in used.into_iter().enumerate() {
            columns.set_column(i, &clean(c));
        }
        let target = clean(&rows.alpha[axis]);
        Some(Self {
            gram: columns.transpose() * &columns,
            cross: columns.transpose() * &target,
            total: target.norm_squared(),
            rows: m,
            columns,
            target,
        })
    }

    fn solve(&self) -> Option<DVector<f64>> {
        let n = self.gram.nrows();
        // Each column by its own size: squared speeds and accelerations differ by orders.
        let scale: Vec<f64> = (0..n).map(|i| self.gram[(i, i)].sqrt().max(1e-300)).collect();
        let gram = DMatrix::from_fn(n, n, |i, j| {
            self.gram[(i, j)] / (scale[i] * scale[j]) + if i == j { 1e-8 } else { 0.0 }
        });
        let right = DVector::from_fn(n, |i, _| self.cross[i] / scale[i]);
        gram.cholesky().map(|c| {
            let b = c.solve(&right);
            DVector::from_fn(n, |i, _| b[i] / scale[i])
        })
    }

    fn free(&self) -> f64 {
        self.solve().map_or(0.0, |b| if self.total > 0.0 { self.cross.dot(&b) / self.total } else { 0.0 })
    }

    /// Independent samples: rows over the correlation length of what free columns leave.
    pub(super) fn independent(&self) -> f64 {
        let rest = match self.solve() {
            Some(b) => &self.target - &self.columns * b,
            None => self.target.clone(),
        };
        self.rows as f64 / robust::correlation_length(rest.as_slice())
    }

    /// Share of the variance that a pattern leaves; all of it where the slope would be negative.
    pub(super) fn left(&self, pattern: &[f64]) -> f64 {
        let e = self.padded(pattern, 0);
        let slope = e.dot(&self.cross);
        let square = e.dot(&(&self.gram * &e));
        if slope <= 0.0 || square <= 0.0 || self.total <= 0.0 {
            return 1.0;
        }
        (1.0 - slope * slope / square / self.total).clamp(1e-9, 1.0)
    }

    /// A pattern as a vector over all columns, from column `from` on.
    fn padded(&self, pattern: &[f64], from: usize) -> DVector<f64> {
        let mut e = DVector::zeros(self.gram.nrows());
        for (i, p) in pattern.iter().enumerate() {
            if let Some(v) = e.get_mut(from + i) {
                *v = *p;
            }
        }
        e
    }

    /// As [`Self::left`] with a second pattern on the rotors' accelerations; neither slope may be
    /// negative.
    pub(super) fn left_with(&self, pattern: &[f64], spins: &[f64]) -> f64 {
        let n = pattern.len();
        let (e, f) = (self.padded(pattern, 0), self.padded(spins, n));
        let (ge, gf) = (&self.gram * &e, &self.gram * &f);
        let (ee, ff, ef) = (e.dot(&ge), f.dot(&gf), e.dot(&gf));
        let (ce, cf) = (e.dot(&self.cross), f.dot(&self.cross));
        let single = |c: f64, s: f64| if c > 0.0 && s > 0.0 { c * c / s } else { 0.0 };
        let det = ee * ff - ef * ef;
        let mut gain = single(ce, ee).max(single(cf, ff));
        if det > 1e-12 * ee * ff {
            let (b, c) = ((ce * ff - cf * ef) / det, (cf * ee - ce * ef) / det);
            if b >= 0.0 && c >= 0.0 {
                gain = gain.max(b * ce + c * cf);
            }
        }
        if self.total > 0.0 { (1.0 - gain / self.total).clamp(1e-9, 1.0) } else { 1.0 }
    }
}

/// `hop` says that order and spins have been judged already.
pub(super) fn run(context: &Context<'_>, out: &mut Out, hop: bool) {
    let missing = if context.rotor_series("speed").is_none() {
        Some("the channels rotor.N.speed")
    } else if AXES.iter().any(|(l, _)| context.series(&format!("rate.{l}")).is_none()) {
        Some("the channels rate.x, rate.y, rate.z")
    } else {
        None
    };
    let stations = context.known.stations.as_ref().filter(|s| s.len() == context.rotors);
    let refuse = |out: &mut Out, missing: &str, test: &str| {
        for (letter, name) in AXES {
            out.cannot_tell(
                &format!("effectiveness.{letter}"),
                &format!("{name} effectiveness"),
                missing,
                test,
                RESTS,
            );
        }
        if !hop {
            out.cannot_tell(
                "order.posterior",
                "rotor order and spins as in the file",
                missing,
                test,
                order::RESTS,
            );
        }
    };
    if let Some(missing) = missing {
        refuse(out, missing, "log rotor speeds and rates while steps about each axis are flown");
        return;
    }
    let Some(stations) = stations else {
        refuse(
            out,
            "the places of the rotors",
            "give the layout, or an aircraft file with as many stations as the record has rotors",
        );
        return;
    };
    let (Some(prepared), Some(slow)) = (prepare(context, LOW), prepare(context, LOW_YAW)) else {
        refuse(out, "a second in the air with speeds and rates", "fly steps of 100 deg/s about each axis");
        return;
    };
    let delay = prepared.delay();
    let rows = prepared.rows(delay);
    let levers = geometry::levers(stations, context.known);
    let behind = delay as f64 * prepared.period;
    let slow_rows = slow.rows(delay);
    for axis in 0..3 {
        let (rows, low) = if axis == 2 { (&slow_rows, LOW_YAW) } else { (&rows, LOW) };
        let higher = prepare(context, 2.0 * low).and_then(|p| slope(&p.rows(delay), &levers, axis));
        effectiveness(
            context,
            out,
            rows,
            &levers,
            axis,
            (behind, higher.map(|h| h.0)),
            (low, prepared.cutoff),
        );
    }
    if !hop {
        order::run(context, out, &rows, &levers);
    }
}

/// Slope of angular acceleration on the rotors' pattern, with its error.
fn slope(rows: &Rows, levers: &Levers, axis: usize) -> Option<(f64, f64)> {
    let span = geometry::rms(&levers.lever[axis]);
    if span <= 0.0 || rows.len() < 60 {
        return None;
    }
    let pattern: Vec<f64> = levers.lever[axis].iter().map(|l| l / span).collect();
    let drive = rows.weighted(&rows.squares, &pattern);
    let total: Vec<f64> = (0..rows.len()).map(|k| rows.total(k)).collect();
    let mut columns: Vec<&[f64]> = vec![&drive, &rows.rate[axis], &rows.product[axis], &total];
    let reaction;
    if axis == 2 {
        reaction = rows.weighted(&rows.spin_up, &spin_signs(levers));
        columns.push(&reaction);
    }
    let (fit, matrix) = lsq::fit_columns(&columns, &rows.alpha[axis], true).ok()?;
    let fit = fit.correlated(&matrix, None);
    Some((fit.value(0), fit.error(0)))
}

/// Sign of each rotor's reaction about z.
fn spin_signs(levers: &Levers) -> Vec<f64> {
    levers.lever[2].iter().zip(&levers.cant).map(|(l, c)| (l - c).signum()).collect()
}

fn effectiveness(
    context: &Context<'_>,
    out: &mut Out,
    rows: &Rows,
    levers: &Levers,
    axis: usize,
    (behind, higher): (f64, Option<f64>),
    (low, cutoff): (f64, f64),
) {
    let (letter, name) = AXES[axis];
    let (key, label) = (format!("effectiveness.{letter}"), format!("{name} effectiveness"));
    let test = format!("fly {name} steps of 60 to 100 deg/s to both sides");
    let span = geometry::rms(&levers.lever[axis]);
    let no_excitation = format!("excitation: the rotors did not turn the aircraft enough about {name}");
    if span <= 0.0 || rows.len() < 60 {
        out.cannot_tell(&key, &label, no_excitation, test, RESTS);
        return;
    }
    let pattern: Vec<f64> = levers.lever[axis].iter().map(|l| l / span).collect();
    let explained = Moments::new(rows, axis).map_or(0.0, |m| {
        1.0 - if axis == 2 { m.left_with(&pattern, &spin_signs(levers)) } else { m.left(&pattern) }
    });
    let Some((slope, own_error)) = slope(rows, levers, axis) else {
        out.cannot_tell(&key, &label, no_excitation, test, RESTS);
        return;
    };
    let moved = higher.map_or(0.0, |h| (h - slope).abs());
    let error = own_error.hypot(moved);
    if explained < 0.2 || slope.abs() < 3.0 * error {
        let detail = format!(
            "{no_excitation} (thrust differences explain {:.0} % of the angular acceleration; from {} Hz on in place of \
             {low} Hz the slope changes by {:.0} %)",
            100.0 * explained,
            2.0 * low,
            100.0 * moved / slope.abs().max(f64::MIN_POSITIVE)
        );
        out.cannot_tell(&key, &label, detail, test, RESTS);
        return;
    }
    let own = context.estimate(&format!("{name} effectiveness"), slope, error, "rad/s^2/(rad/s)^2");
    let reach = if context.known.lengths {
        format!(" over {:.0} mm", span * 1e3)
    } else {
        " over the r.m.s. lever".to_owned()
    };
    let scale = format!(
        "Differential lift is the sum of each rotor's thrust times its lever{reach}. Fitted from {low} to {cutoff:.0} Hz \
         with the rates {:.0} ms behind the speeds; it explains {:.0} % of the angular acceleration beyond damping and \
         an off-centre mass. From {} Hz on the slope changes by {:.0} %.",
        behind * 1e3,
        100.0 * explained,
        2.0 * low,
        100.0 * moved / slope.abs()
    );
    let Some(per_mass) = out.estimate("thrust.per_mass").cloned() else {
        let text = format!("Per squared speed, as thrust per mass is not known. {scale}");
        out.value(&key, &label, own, text, RESTS);
        return;
    };
    let Some((mass, uncertainty)) = context.known.mass else {
        let e = own.over(&per_mass, "rad/s^2/(N/kg)");
        let text = format!("Per newton and kilogram of aircraft, as the mass is not known. {scale}");
        out.value(&key, &label, e, text, RESTS);
        return;
    };
    let mass_estimate = Estimate::new(
        mass,
        "kg",
        context.origin,
        vec![Contribution { source: "mass".to_owned(), sensitivity: 1.0, uncertainty }],
    );
    let e = own.over(&per_mass.times(&mass_estimate, "N/(rad/s)^2"), "rad/s^2/N");
    let predicted = context
        .known
        .inertia
        .and_then(|i| i.try_inverse())
        .map(|i| span * i[(axis, axis)])
        .filter(|p| *p > 0.0 && context.known.lengths && (axis < 2 || context.known.reaction.is_some()));
    let lengths = context.known.lengths.then(|| {
        let inertia = span / e.value;
        let what = if axis == 2 { "with the file's reaction torque" } else { "with these levers" };
        format!(" That is an inertia of {inertia:.3e} kg m^2 {what}.")
    });
    out.value(
        &key,
        &label,
        e.clone(),
        format!(
            "Angular acceleration per newton of differential lift. {scale}{}",
            lengths.unwrap_or_default()
        ),
        RESTS,
    );
    if let Some(p) = predicted {
        let ratio = e.scaled(1.0 / p, "1");
        let text = format!(
            "Measured over the file's own {p:.3} rad/s^2/N. Off from 1: inertia, lever, thrust of a rotor or mass is \
             not as the file says; the uncertainty holds the record's part only."
        );
        out.value(
            &format!("{key}.ratio"),
            &format!("{name} effectiveness over the file's"),
            ratio,
            text,
            RESTS,
        );
    }
}
