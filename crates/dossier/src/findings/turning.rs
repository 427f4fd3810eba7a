//! How rotor thrust turns the aircraft: effectiveness by axis, and whether rotor order and spins
//! are as the file says.
//!
//! Angular acceleration about an axis = slope x sum(lever_i speed_i^2) + damping x rate + the
//! gyroscopic product of the other two rates + a constant (the off-centre mass); about z also the
//! reaction to the rotors' own acceleration. Everything is low-passed alike, the acceleration is
//! shifted by the delay that explains most (sensor filters come later than speeds). What is slower
//! than 2 Hz is taken out: in forward flight the air turns the aircraft too, thrust differences hold
//! against it without any angular acceleration, and the slope would come out too small. Slopes carry
//! errors that allow for correlated residuals (Newey and West 1987) and the change that a band from
//! 4 Hz on makes.
//!
//! Order and spins: every assignment of channels to stations, and every set of spins, gives a
//! pattern; its likelihood falls with the residual it leaves, (RSS)^(-n/2) with n the number of
//! independent samples. With equal prior weight this is the posterior (Bernardo and Smith 1994,
//! normal linear model with unknown variance, leading order).

use nalgebra::{DMatrix, DVector};
use signal::{filter, lsq, robust};

use super::context::{AXES, Context, Out};
use super::geometry::{self, Levers};
use super::thrust::speed_names;
use crate::estimate::Contribution;
use crate::estimate::Estimate;

const RESTS: &[&str] = &["mass", "rotor", "motor", "station", "aircraft"];
const ORDER_RESTS: &[&str] = &["station", "aircraft", "motor", "rotor"];
/// Rows used at most.
const MOST_ROWS: usize = 12_000;
/// Slower motion is left out, Hz: manoeuvring flight balances moments of the air there.
const SLOW: f64 = 2.0;

/// Low-passed stretches before the delay is taken out.
struct Prepared {
    period: f64,
    every: usize,
    cutoff: f64,
    /// By stretch: squared speeds by rotor, rotor accelerations by rotor, rates, accelerations,
    /// products of the other two rates.
    stretches: Vec<[Vec<Vec<f64>>; 5]>,
    /// Trimmed at both ends of a stretch, s.
    trim: f64,
}

/// Rows for the fits.
struct Rows {
    squares: Vec<Vec<f64>>,
    spin_up: Vec<Vec<f64>>,
    rate: Vec<Vec<f64>>,
    alpha: Vec<Vec<f64>>,
    product: Vec<Vec<f64>>,
}

fn prepare(context: &Context<'_>, slow: f64) -> Option<Prepared> {
    let mut names = speed_names(context)?;
    let n = names.len();
    names.extend(AXES.iter().map(|(l, _)| format!("rate.{l}")));
    let views: Vec<&str> = names.iter().map(String::as_str).collect();
    let joint = context.joint(&views, &context.airborne())?;
    let rate = 1.0 / joint.period;
    let cutoff = (rate / 6.0).min(8.0);
    let slope = |v: &[f64]| -> Vec<f64> {
        signal::derivative::savitzky_golay(v, joint.period, 1, 2, 1).unwrap_or_default()
    };
    let mut stretches = Vec::new();
    let mut total = 0;
    for s in joint.stretches.iter().filter(|s| s.len() as f64 * joint.period > 1.0) {
        let smooth = |c: &[f64]| filter::low_pass(c, rate, cutoff).ok();
        let speeds: Option<Vec<Vec<f64>>> = s.channels[..n].iter().map(|c| smooth(c)).collect();
        let squares: Option<Vec<Vec<f64>>> =
            s.channels[..n].iter().map(|c| smooth(&c.iter().map(|w| w * w).collect::<Vec<_>>())).collect();
        let rates: Option<Vec<Vec<f64>>> = s.channels[n..].iter().map(|c| smooth(c)).collect();
        let (Some(speeds), Some(squares), Some(rates)) = (speeds, squares, rates) else { continue };
        let spin_up: Vec<Vec<f64>> = speeds.iter().map(|c| slope(c)).collect();
        let alpha: Vec<Vec<f64>> = rates.iter().map(|c| slope(c)).collect();
        let product = |axis: usize| -> Vec<f64> {
            rates[(axis + 1) % 3].iter().zip(&rates[(axis + 2) % 3]).map(|(x, y)| x * y).collect()
        };
        let products: Vec<Vec<f64>> = (0..3).map(product).collect();
        let quick = |all: Vec<Vec<f64>>| -> Option<Vec<Vec<f64>>> {
            all.iter()
                .map(|v| {
                    let slow = filter::low_pass(v, rate, slow).ok()?;
                    Some(v.iter().zip(&slow).map(|(a, b)| a - b).collect())
                })
                .collect()
        };
        let all = [squares, spin_up, rates, alpha, products].map(quick);
        let [Some(squares), Some(spin_up), Some(rates), Some(alpha), Some(products)] = all else { continue };
        total += s.len();
        stretches.push([squares, spin_up, rates, alpha, products]);
    }
    let every = ((rate / (4.0 * cutoff)) as usize).max(total.div_ceil(MOST_ROWS)).max(1);
    (!stretches.is_empty()).then_some(Prepared { period: joint.period, every, cutoff, stretches, trim: 0.5 / SLOW })
}

impl Prepared {
    /// Rows with rates and accelerations taken `shift` samples later than the speeds.
    fn rows(&self, shift: i64) -> Rows {
        let n = self.stretches.first().map_or(0, |s| s[0].len());
        let mut rows = Rows {
            squares: vec![Vec::new(); n],
            spin_up: vec![Vec::new(); n],
            rate: vec![Vec::new(); 3],
            alpha: vec![Vec::new(); 3],
            product: vec![Vec::new(); 3],
        };
        let trim = (self.trim / self.period) as i64;
        for s in &self.stretches {
            let length = s[0].first().map_or(0, Vec::len) as i64;
            let mut k = trim.max(-shift);
            while k < length - trim && k + shift < length {
                let (a, b) = (k as usize, (k + shift) as usize);
                for i in 0..n {
                    rows.squares[i].push(s[0][i][a]);
                    rows.spin_up[i].push(s[1][i][a]);
                }
                for j in 0..3 {
                    rows.rate[j].push(s[2][j][b]);
                    rows.alpha[j].push(s[3][j][b]);
                    rows.product[j].push(s[4][j][b]);
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

    /// What goes with the acceleration besides thrust: rate, gyroscopic product, constant.
    fn nuisance(&self, axis: usize) -> DMatrix<f64> {
        DMatrix::from_fn(self.len(), 3, |k, j| match j {
            0 => 1.0,
            1 => self.rate[axis][k],
            _ => self.product[axis][k],
        })
    }

    /// Share of the acceleration's variance that free rotor columns explain beyond the nuisance.
    fn explained(&self, axis: usize) -> f64 {
        Moments::new(self, axis).map_or(0.0, |m| m.free())
    }
}

/// Second moments of rotor columns and acceleration with the nuisance taken out.
struct Moments {
    gram: DMatrix<f64>,
    cross: DVector<f64>,
    total: f64,
    rows: usize,
    columns: DMatrix<f64>,
    target: DVector<f64>,
}

impl Moments {
    fn new(rows: &Rows, axis: usize) -> Option<Self> {
        let n = rows.squares.len();
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
        for (i, c) in rows.squares.iter().enumerate() {
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
        let ridge = 1e-8 * self.gram.trace() / n as f64;
        (self.gram.clone() + DMatrix::identity(n, n) * ridge).cholesky().map(|c| c.solve(&self.cross))
    }

    fn free(&self) -> f64 {
        self.solve().map_or(0.0, |b| if self.total > 0.0 { self.cross.dot(&b) / self.total } else { 0.0 })
    }

    /// Independent samples: rows over the correlation length of what free columns leave.
    fn independent(&self) -> f64 {
        let rest = match self.solve() {
            Some(b) => &self.target - &self.columns * b,
            None => self.target.clone(),
        };
        self.rows as f64 / robust::correlation_length(rest.as_slice())
    }

    /// Share of the variance that a pattern leaves; all of it where the slope would be negative.
    fn left(&self, pattern: &[f64]) -> f64 {
        let e = DVector::from_column_slice(pattern);
        let slope = e.dot(&self.cross);
        let square = e.dot(&(&self.gram * &e));
        if slope <= 0.0 || square <= 0.0 || self.total <= 0.0 {
            return 1.0;
        }
        (1.0 - slope * slope / square / self.total).clamp(1e-9, 1.0)
    }
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
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
        out.cannot_tell(
            "order.posterior",
            "rotor order and spins as in the file",
            missing,
            test,
            ORDER_RESTS,
        );
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
    let Some(prepared) = prepare(context, SLOW) else {
        refuse(out, "a second in the air with speeds and rates", "fly steps of 100 deg/s about each axis");
        return;
    };
    let delay = prepared.delay();
    let rows = prepared.rows(delay);
    let levers = geometry::levers(stations, context.known);
    let behind = delay as f64 * prepared.period;
    // A second look an octave higher: what still depends on the band counts as error.
    let quicker = prepare(context, 2.0 * SLOW).map(|p| p.rows(delay));
    for axis in 0..3 {
        let other = quicker.as_ref().and_then(|r| slope(r, &levers, axis)).map(|f| f.0);
        effectiveness(context, out, &rows, &levers, axis, (behind, other), prepared.cutoff);
    }
    order(context, out, &rows, &levers);
}

/// Slope of angular acceleration on the rotors' pattern, with its error.
fn slope(rows: &Rows, levers: &Levers, axis: usize) -> Option<(f64, f64)> {
    let span = geometry::rms(&levers.lever[axis]);
    if span <= 0.0 || rows.len() < 60 {
        return None;
    }
    let pattern: Vec<f64> = levers.lever[axis].iter().map(|l| l / span).collect();
    let drive = rows.weighted(&rows.squares, &pattern);
    let mut columns: Vec<&[f64]> = vec![&drive, &rows.rate[axis], &rows.product[axis]];
    let signs: Vec<f64> = levers.lever[2].iter().zip(&levers.cant).map(|(l, c)| (l - c).signum()).collect();
    let reaction;
    if axis == 2 {
        reaction = rows.weighted(&rows.spin_up, &signs);
        columns.push(&reaction);
    }
    let (fit, matrix) = lsq::fit_columns(&columns, &rows.alpha[axis], true).ok()?;
    let fit = fit.correlated(&matrix, None);
    Some((fit.value(0), fit.error(0)))
}

fn effectiveness(
    context: &Context<'_>,
    out: &mut Out,
    rows: &Rows,
    levers: &Levers,
    axis: usize,
    (behind, quicker): (f64, Option<f64>),
    cutoff: f64,
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
    let explained = Moments::new(rows, axis).map_or(0.0, |m| 1.0 - m.left(&pattern));
    let Some((slope, own_error)) = slope(rows, levers, axis) else {
        out.cannot_tell(&key, &label, no_excitation, test, RESTS);
        return;
    };
    let moved = quicker.map_or(0.0, |q| (q - slope).abs());
    let error = own_error.hypot(moved);
    if explained < 0.2 || slope.abs() < 3.0 * error {
        let detail = format!(
            "{no_excitation} (thrust differences explain {:.0} % of the angular acceleration)",
            100.0 * explained
        );
        out.cannot_tell(&key, &label, detail, test, RESTS);
        return;
    }
    let own = context.estimate(&format!("{name} effectiveness"), slope, error, "rad/s^2/(rad/s)^2");
    let scale = format!(
        "Differential lift is the sum of each rotor's thrust times its lever over {:.0} mm. Fitted between {SLOW:.0} and {cutoff:.1} Hz \
         with the rates {:.0} ms behind the speeds; it explains {:.0} % of the angular acceleration; \
         from {:.0} Hz on the slope changes by {:.0} %.",
        span * 1e3,
        behind * 1e3,
        100.0 * explained,
        2.0 * SLOW,
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

/// All orders of 0..n (Heap's algorithm).
fn permutations(n: usize) -> Vec<Vec<usize>> {
    fn recurse(k: usize, a: &mut Vec<usize>, all: &mut Vec<Vec<usize>>) {
        if k <= 1 {
            all.push(a.clone());
            return;
        }
        for i in 0..k {
            recurse(k - 1, a, all);
            if i + 1 < k {
                a.swap(if k.is_multiple_of(2) { i } else { 0 }, k - 1);
            }
        }
    }
    let mut a: Vec<usize> = (0..n).collect();
    let mut all = Vec::new();
    recurse(n, &mut a, &mut all);
    all
}

/// Posterior of hypothesis 0, and the best other one with its posterior.
fn posterior(scores: &[f64], temper: f64) -> (f64, usize, f64) {
    let top = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = scores.iter().map(|s| ((s - top) * temper).exp()).collect();
    let sum: f64 = weights.iter().sum();
    let other = (1..weights.len()).max_by(|a, b| weights[*a].total_cmp(&weights[*b])).unwrap_or(0);
    (weights[0] / sum, other, weights.get(other).copied().unwrap_or(0.0) / sum)
}

fn order(context: &Context<'_>, out: &mut Out, rows: &Rows, levers: &Levers) {
    let (key, label) = ("order.posterior", "rotor order and spins as in the file");
    let n = rows.squares.len();
    let test =
        "propellers off, one motor at a time; in the air: steps of 60 to 100 deg/s about roll, pitch and yaw";
    if !(3..=8).contains(&n) {
        out.cannot_tell(key, label, "a record of 3 to 8 rotors", test, ORDER_RESTS);
        return;
    }
    let moments: Vec<Moments> = (0..3).filter_map(|a| Moments::new(rows, a)).collect();
    let [mx, my, mz] = moments.as_slice() else {
        out.cannot_tell(key, label, "a second in the air with speeds and rates", test, ORDER_RESTS);
        return;
    };
    let independent = [mx.independent(), my.independent(), mz.independent()];
    // Orders that give the same roll and pitch pattern (the two rotors of a coaxial pair) count once.
    let mut seen = std::collections::BTreeSet::new();
    let mut orders = Vec::new();
    let mut order_scores = Vec::new();
    for p in permutations(n) {
        let x: Vec<f64> = p.iter().map(|&s| levers.lever[0][s]).collect();
        let y: Vec<f64> = p.iter().map(|&s| levers.lever[1][s]).collect();
        let id: Vec<i64> = x.iter().chain(&y).map(|v| (v * 1e6).round() as i64).collect();
        if !seen.insert(id) {
            continue;
        }
        order_scores.push(-0.5 * (independent[0] * mx.left(&x).ln() + independent[1] * my.left(&y).ln()));
        orders.push(p);
    }
    // The order of the file must be the first.
    if let Some(k) = orders.iter().position(|p| p.iter().enumerate().all(|(i, s)| i == *s)) {
        orders.swap(0, k);
        order_scores.swap(0, k);
    }
    let signs: Vec<f64> = levers.lever[2].iter().zip(&levers.cant).map(|(l, c)| (l - c).signum()).collect();
    let spin_scores: Vec<f64> = (0..1_usize << n)
        .map(|flips| {
            let e: Vec<f64> = (0..n)
                .map(|i| {
                    let s = if flips >> i & 1 == 1 { -signs[i] } else { signs[i] };
                    levers.cant[i] + s * levers.reaction
                })
                .collect();
            -0.5 * independent[2] * mz.left(&e).ln()
        })
        .collect();
    let (order_p, order_other, order_alt) = posterior(&order_scores, 1.0);
    let (spin_p, spin_other, spin_alt) = posterior(&spin_scores, 1.0);
    let exchanged = orders.get(order_other).map_or_else(String::new, |p| describe(p));
    let turned: Vec<String> =
        (0..n).filter(|i| spin_other >> i & 1 == 1).map(|i| (i + 1).to_string()).collect();
    let turned = if turned.len() == n {
        "all spins reversed".to_owned()
    } else {
        format!("the other spin on rotor {}", turned.join(", "))
    };
    // With a quarter of the independent samples: what a misjudged correlation could do. A verdict
    // that this would overturn is none.
    let (order_c, _, order_c_alt) = posterior(&order_scores, 0.25);
    let (spin_c, _, spin_c_alt) = posterior(&spin_scores, 0.25);
    let order_open = order_p.max(order_alt) < 0.9 || order_c.max(order_c_alt) < 0.7;
    let spin_open = spin_p.max(spin_alt) < 0.9 || spin_c.max(spin_c_alt) < 0.7;
    if order_open || spin_open {
        let missing = match (order_open, spin_open) {
            (true, true) => "excitation about roll, pitch and yaw".to_owned(),
            (true, false) => {
                format!("excitation about roll and pitch (spins fit the file with probability {spin_p:.3})")
            }
            _ => format!(
                "excitation about yaw (the order fits the file with probability {order_p:.3}; spins are open)"
            ),
        };
        out.cannot_tell(key, label, missing, test, ORDER_RESTS);
        return;
    }
    let p = order_p * spin_p;
    let cautious = order_c * spin_c;
    let e = context.estimate("rotor order and spins", p, (p - cautious).abs(), "1");
    let verdict = if p > 0.5 {
        format!(
            "The file's order and spins fit. Best alternative order: {exchanged} ({order_alt:.1e}); spins: {turned} ({spin_alt:.1e})."
        )
    } else if order_p < 0.5 {
        format!("The record contradicts the file: {exchanged} fits with probability {order_alt:.3}.")
    } else {
        format!("The record contradicts the file: {turned} fits with probability {spin_alt:.3}.")
    };
    let text = format!(
        "{verdict} Judged by which rotor speeds turn the aircraft which way; a rate axis with a wrong sign looks like \
         exchanged rotors."
    );
    out.value(key, label, e, text, ORDER_RESTS);
}

/// An order in words.
fn describe(p: &[usize]) -> String {
    let moved: Vec<usize> = (0..p.len()).filter(|&i| p[i] != i).collect();
    match moved.as_slice() {
        [] => "as in the file".to_owned(),
        [a, b] => format!("rotors {} and {} exchanged", a + 1, b + 1),
        _ => {
            let list: Vec<String> = p.iter().map(|s| (s + 1).to_string()).collect();
            format!("channels 1 to {} at stations {}", p.len(), list.join(", "))
        }
    }
}
