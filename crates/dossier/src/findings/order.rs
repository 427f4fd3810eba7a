//! Whether rotor order and spins are as the file says, from a flight; a short hop has its own question in
//! [`super::hop`], with the sensor's axes open as well.
//!
//! Every assignment of channels to stations, and every set of spins, gives a
//! pattern; its likelihood falls with the residual it leaves, (RSS)^(-n/2) with n the number of
//! independent samples. With equal prior weight this is the posterior (Bernardo and Smith 1994,
//! normal linear model with unknown variance, leading order).

use super::context::{Context, Out};
use super::geometry::Levers;
use super::posterior::permutations;
use super::turning::{Moments, Rows};

/// What the answer rests on.
pub(super) const RESTS: &[&str] = &["station", "aircraft", "motor", "rotor"];

/// Posterior of hypothesis 0, and the best other one with its posterior.
fn posterior(scores: &[f64], temper: f64) -> (f64, usize, f64) {
    let top = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = scores.iter().map(|s| ((s - top) * temper).exp()).collect();
    let sum: f64 = weights.iter().sum();
    let other = (1..weights.len()).max_by(|a, b| weights[*a].total_cmp(&weights[*b])).unwrap_or(0);
    (weights[0] / sum, other, weights.get(other).copied().unwrap_or(0.0) / sum)
}

pub(super) fn run(context: &Context<'_>, out: &mut Out, rows: &Rows, levers: &Levers) {
    let (key, label) = ("order.posterior", "rotor order and spins as in the file");
    let n = rows.squares.len();
    let test =
        "propellers off, one motor at a time; in the air: steps of 60 to 100 deg/s about roll, pitch and yaw";
    if !(3..=8).contains(&n) {
        out.cannot_tell(key, label, "a record of 3 to 8 rotors", test, RESTS);
        return;
    }
    let moments: Vec<Moments> = (0..3).filter_map(|a| Moments::new(rows, a)).collect();
    let [mx, my, mz] = moments.as_slice() else {
        out.cannot_tell(key, label, "a second in the air with speeds and rates", test, RESTS);
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
            let s: Vec<f64> =
                (0..n).map(|i| if flips >> i & 1 == 1 { -signs[i] } else { signs[i] }).collect();
            let e: Vec<f64> = (0..n).map(|i| levers.cant[i] + s[i] * levers.reaction).collect();
            -0.5 * independent[2] * mz.left_with(&e, &s).ln()
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
    // One clear contradiction is an answer even while the other question is open.
    let contradicted = (!order_open && order_p < 0.1) || (!spin_open && spin_p < 0.1);
    if (order_open || spin_open) && !contradicted {
        let missing = match (order_open, spin_open) {
            (true, true) => "excitation about roll, pitch and yaw".to_owned(),
            (true, false) => {
                format!("excitation about roll and pitch (spins fit the file with probability {spin_p:.3})")
            }
            _ => format!(
                "excitation about yaw (the order fits the file with probability {order_p:.3}; spins are open)"
            ),
        };
        out.cannot_tell(key, label, missing, test, RESTS);
        return;
    }
    let p = order_p * spin_p;
    // With a quarter of the independent samples: what a misjudged correlation could do.
    let cautious = order_c * spin_c;
    let e = context.estimate("rotor order and spins", p, (p - cautious).abs().max(1e-9), "1");
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
    out.value(key, label, e, text, RESTS);
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
