//! Over which band of frequency a record can answer.

use super::composite::Point;

/// Least coherence at which a point counts (Tischler and Remple 2012, from memory).
pub const LEAST_COHERENCE: f64 = 0.6;
/// Largest relative random error of the gain at which a point counts. Our choice.
pub const LARGEST_ERROR: f64 = 0.2;

/// A point that can be used.
pub fn usable(point: &Point) -> bool {
    point.coherence >= LEAST_COHERENCE && point.joint_error <= LARGEST_ERROR
}

/// The widest run of usable points, Hz, that a single weak point does not interrupt; `None` without three points.
pub fn band(points: &[Point]) -> Option<(f64, f64)> {
    let mut best: Option<(usize, usize)> = None;
    let mut start = None;
    for k in 0..=points.len() {
        let here = points.get(k).is_some_and(usable);
        let bridged = points.get(k).is_some() && points.get(k + 1).is_some_and(usable);
        match start {
            None if here => start = Some(k),
            Some(from) if !here && !bridged => {
                if best.is_none_or(|(a, b)| k - from > b - a) {
                    best = Some((from, k));
                }
                start = None;
            }
            _ => {}
        }
    }
    best.filter(|(a, b)| b - a >= 3).map(|(a, b)| (points[a].frequency, points[b - 1].frequency))
}

/// Share of the points between two frequencies (Hz) that can be used.
pub fn share(points: &[Point], low: f64, high: f64) -> f64 {
    let inside: Vec<&Point> = points.iter().filter(|p| p.frequency >= low && p.frequency <= high).collect();
    if inside.is_empty() {
        return 0.0;
    }
    inside.iter().filter(|p| usable(p)).count() as f64 / inside.len() as f64
}
