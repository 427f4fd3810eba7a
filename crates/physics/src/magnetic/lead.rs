//! A lead: two conductors along a path, there and back, closed at both ends.
//!
//! Side by side their fields cancel but for the spacing: like a row of dipoles, falling with the square
//! of the distance, and in proportion to the spacing. Twisted they are two helices; far from it their
//! field falls off exponentially with distance over pitch (Shenfeld 1969), and what remains is that of
//! the ends.

use serde::Serialize;

use super::field::polyline;
use crate::Vec3;

/// Segments per turn of a twisted pair.
const PER_TURN: f64 = 24.0;
/// Most segments of one conductor: a longer twist is resolved more coarsely.
const MOST: f64 = 1_200.0;

/// A pair of conductors that carries motor current.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Lead {
    /// Name, for people.
    pub item: String,
    /// Middle line of the pair, body axes, m; at least two points.
    pub path: Vec<Vec3>,
    /// Share of the battery current that it carries.
    pub share: f64,
    /// Distance between the middles of the two conductors, m.
    pub spacing: f64,
    /// Direction from the return to the forward conductor; its part along the path does not count.
    pub side: Vec3,
    /// Length of one turn of a twisted pair, m.
    pub twist: Option<f64>,
}

/// A unit vector across `along`, as near to `wish` as can be.
fn across(wish: &Vec3, along: &Vec3) -> Vec3 {
    let try_one = |v: &Vec3| (v - along * v.dot(along)).try_normalize(1e-6);
    try_one(wish).or_else(|| try_one(&Vec3::x())).or_else(|| try_one(&Vec3::y())).unwrap_or_else(Vec3::z)
}

impl Lead {
    /// The circuit as a closed polyline: there on one conductor, back on the other.
    pub fn circuit(&self) -> Vec<Vec3> {
        let (mut forward, back) = match self.twist.filter(|p| *p > 0.0) {
            Some(pitch) => self.twisted(pitch),
            None => self.parallel(),
        };
        forward.extend(back.into_iter().rev());
        if let Some(first) = forward.first().copied() {
            forward.push(first);
        }
        forward
    }

    fn parallel(&self) -> (Vec<Vec3>, Vec<Vec3>) {
        let n = self.path.len();
        let direction = |i: usize, j: usize| {
            self.path.get(j).zip(self.path.get(i)).and_then(|(b, a)| (b - a).try_normalize(1e-12))
        };
        (0..n)
            .map(|i| {
                let before = i.checked_sub(1).and_then(|h| direction(h, i));
                let after = direction(i, i + 1);
                let along = match (before, after) {
                    (Some(a), Some(b)) => (a + b).try_normalize(1e-6).unwrap_or(b),
                    (Some(a), None) | (None, Some(a)) => a,
                    (None, None) => Vec3::x(),
                };
                let half = across(&self.side, &along) * (0.5 * self.spacing);
                (self.path[i] + half, self.path[i] - half)
            })
            .unzip()
    }

    fn twisted(&self, pitch: f64) -> (Vec<Vec3>, Vec<Vec3>) {
        let total: f64 = self.path.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
        let step = (pitch / PER_TURN).max(total / MOST);
        let (mut forward, mut back) = (Vec::new(), Vec::new());
        let mut run = 0.0;
        for w in self.path.windows(2) {
            let length = (w[1] - w[0]).norm();
            let Some(along) = (w[1] - w[0]).try_normalize(1e-12) else { continue };
            let u = across(&self.side, &along);
            let v = along.cross(&u);
            let pieces = (length / step).ceil().max(1.0) as usize;
            for k in 0..=pieces {
                let s = length * k as f64 / pieces as f64;
                let turn = std::f64::consts::TAU * (run + s) / pitch;
                let off = (u * turn.cos() + v * turn.sin()) * (0.5 * self.spacing);
                let middle = w[0] + along * s;
                forward.push(middle + off);
                back.push(middle - off);
            }
            run += length;
        }
        (forward, back)
    }

    /// Field at a point per ampere in this lead, T/A.
    pub fn field(&self, at: &Vec3) -> Vec3 {
        polyline(&self.circuit(), at)
    }
}
