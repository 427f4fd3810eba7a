//! Compares the measured body rate with the rate that the attitude's change implies.
//!
//! With q earth from body, the change from sample a to sample b is q_a* q_b = exp(theta/2), and
//! theta is the integral of the body rate while the turn is small (Diebel 2006, section 6). Both
//! are averaged over the same short spans, so noise and small delays matter little.

use nalgebra::{Quaternion, UnitQuaternion, Vector3};

use super::vocabulary::{quaternion_name, vector_name};
use crate::record::Record;

/// Agreement of attitude and rate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Agreement {
    /// Correlation of attitude axis `i` (row) with rate axis `j`.
    pub correlation: [[f64; 3]; 3],
    /// R.m.s. about the mean, rad/s, of the rate from the attitude.
    pub from_attitude: [f64; 3],
    /// R.m.s. about the mean, rad/s, of the measured rate.
    pub measured: [f64; 3],
    /// Spans compared.
    pub spans: usize,
}

/// Quaternions of a record, where all parts are there.
pub(super) fn quaternions(record: &Record, stem: &str) -> Option<Vec<Option<UnitQuaternion<f64>>>> {
    let part = |p: usize| record.channel(&quaternion_name(stem, p));
    let (w, i, j, k) = (part(0)?, part(1)?, part(2)?, part(3)?);
    Some(
        w.iter()
            .zip(i)
            .zip(j)
            .zip(k)
            .map(|(((w, i), j), k)| UnitQuaternion::try_new(Quaternion::new(*w, *i, *j, *k), 1e-6))
            .map(|q| q.filter(|q| q.coords.iter().all(|v| v.is_finite())))
            .collect(),
    )
}

/// The three channels of a vector.
pub(super) fn vector<'r>(record: &'r Record, stem: &str) -> Option<[&'r [f64]; 3]> {
    let part = |i: usize| record.channel(&vector_name(stem, i));
    Some([part(0)?, part(1)?, part(2)?])
}

/// Compares; `inverse` takes the attitude as body from earth. `None` where there is too little to compare.
pub(super) fn compare(record: &Record, stem: &str, inverse: bool) -> Option<Agreement> {
    let q = quaternions(record, "attitude")?;
    let rate = vector(record, stem)?;
    let time = &record.time;
    let step = super::timebase::median_step(time);
    if step.is_nan() || step <= 0.0 {
        return None;
    }
    // An attitude that stands still between updates is compared over whole updates.
    let moves = q.windows(2).filter(|w| matches!(w, [Some(a), Some(b)] if a != b)).count().max(1);
    let update = step * (q.len() as f64 / moves as f64);
    let span = ((0.02_f64.max(2.0 * update)) / step).round().clamp(1.0, 10_000.0) as usize;
    let (mut a, mut b): (Vec<Vector3<f64>>, Vec<Vector3<f64>>) = (Vec::new(), Vec::new());
    let mut from = 0;
    while from + span < time.len() {
        let to = from + span;
        if let Some((x, y)) = one_span(&q, rate, time, from, to, step, inverse) {
            a.push(x);
            b.push(y);
        }
        from = to;
    }
    (a.len() >= 20).then(|| statistics(&a, &b))
}

fn one_span(
    q: &[Option<UnitQuaternion<f64>>],
    rate: [&[f64]; 3],
    time: &[f64],
    from: usize,
    to: usize,
    step: f64,
    inverse: bool,
) -> Option<(Vector3<f64>, Vector3<f64>)> {
    let duration = time.get(to)? - time.get(from)?;
    if duration > 1.5 * step * (to - from) as f64 {
        return None;
    }
    let (mut qa, mut qb) = ((*q.get(from)?)?, (*q.get(to)?)?);
    if inverse {
        (qa, qb) = (qa.inverse(), qb.inverse());
    }
    let turned = (qa.inverse() * qb).scaled_axis();
    if turned.norm() > 2.5 {
        return None;
    }
    let mut mean = Vector3::zeros();
    for axis in 0..3 {
        let values = rate[axis].get(from..=to)?;
        let ends = 0.5 * (values.first()? + values.last()?);
        let sum: f64 = values.iter().sum::<f64>() - ends;
        mean[axis] = sum / (to - from) as f64;
    }
    mean.iter().all(|v| v.is_finite()).then_some((turned / duration, mean))
}

fn statistics(a: &[Vector3<f64>], b: &[Vector3<f64>]) -> Agreement {
    let n = a.len() as f64;
    let (ma, mb) = (a.iter().sum::<Vector3<f64>>() / n, b.iter().sum::<Vector3<f64>>() / n);
    let mut cross = nalgebra::Matrix3::zeros();
    let (mut va, mut vb) = (Vector3::zeros(), Vector3::zeros());
    for (x, y) in a.iter().zip(b) {
        let (x, y) = (x - ma, y - mb);
        cross += x * y.transpose();
        va += x.component_mul(&x);
        vb += y.component_mul(&y);
    }
    let mut correlation = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            let scale = (va[i] * vb[j]).sqrt();
            correlation[i][j] = if scale > 0.0 { cross[(i, j)] / scale } else { 0.0 };
        }
    }
    let rms = |v: Vector3<f64>| [0, 1, 2].map(|i| (v[i] / n).sqrt());
    Agreement { correlation, from_attitude: rms(va), measured: rms(vb), spans: a.len() }
}
