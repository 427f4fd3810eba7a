//! Geometry of a blade, resampled to the stations of the solver.

use std::f64::consts::FRAC_PI_2;

use serde::Serialize;

/// One station as measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Station {
    /// Radius over tip radius.
    pub radius: f64,
    /// Chord over tip radius.
    pub chord: f64,
    /// Angle of the chord line against the plane of the disc, rad.
    pub twist: f64,
}

/// Stations that do not make a blade.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BladeError {
    /// A number that cannot be; stations count from 1.
    #[error("station {station} of the blade: {what} is {value}, but must be {allowed}")]
    Value {
        /// Station.
        station: usize,
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it may be.
        allowed: &'static str,
    },
    /// Too few stations.
    #[error("a blade needs 3 stations or more between root and tip, not {count}")]
    Few {
        /// How many there are.
        count: usize,
    },
    /// The outermost station is far from the tip.
    #[error("the outermost station is at {radius} of the radius: give the blade up to 0.9 or beyond")]
    Short {
        /// Its radius over tip radius.
        radius: f64,
    },
}

/// A blade.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Blade {
    stations: Vec<Station>,
}

/// One element of the solver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Element {
    pub(super) radius: f64,
    pub(super) width: f64,
    pub(super) chord: f64,
    pub(super) twist: f64,
}

impl Blade {
    /// A blade from stations in any order.
    ///
    /// # Errors
    /// A number that cannot be, too few stations, or none near the tip.
    pub fn new(mut stations: Vec<Station>) -> Result<Self, BladeError> {
        stations.sort_by(|a, b| a.radius.total_cmp(&b.radius));
        for (i, s) in stations.iter().enumerate() {
            let bad = |what, value, allowed| Err(BladeError::Value { station: i + 1, what, value, allowed });
            if !(s.radius > 0.0 && s.radius <= 1.0) {
                return bad("r/R", s.radius, "above 0, at most 1");
            }
            if i > 0 && stations.get(i - 1).is_some_and(|before| before.radius == s.radius) {
                return bad("r/R", s.radius, "given once");
            }
            if !(s.chord > 0.0 && s.chord <= 1.0) {
                return bad("chord/R", s.chord, "above 0, at most 1");
            }
            if !(s.twist > -0.5 && s.twist < FRAC_PI_2) {
                return bad("twist (rad)", s.twist, "-0.5 to 1.57");
            }
        }
        if stations.len() < 3 {
            return Err(BladeError::Few { count: stations.len() });
        }
        let tip = stations.last().map_or(0.0, |s| s.radius);
        if tip < 0.9 {
            return Err(BladeError::Short { radius: tip });
        }
        Ok(Self { stations })
    }

    /// Stations from root to tip.
    pub fn stations(&self) -> &[Station] {
        &self.stations
    }

    /// Radius of the innermost station over tip radius: where the working blade begins.
    pub fn root(&self) -> f64 {
        self.stations.first().map_or(0.0, |s| s.radius)
    }

    /// Chord over tip radius and twist, rad, at a radius over tip radius; the ends hold.
    pub fn at(&self, radius: f64) -> (f64, f64) {
        let above = self.stations.partition_point(|s| s.radius <= radius);
        let low = self.stations.get(above.saturating_sub(1));
        match (low, self.stations.get(above)) {
            (Some(a), Some(b)) if above > 0 => {
                let t = (radius - a.radius) / (b.radius - a.radius);
                (a.chord + t * (b.chord - a.chord), a.twist + t * (b.twist - a.twist))
            }
            (Some(a), _) => (a.chord, a.twist),
            _ => (0.0, 0.0),
        }
    }

    /// Elements from root to tip, closer together towards the tip: edges at
    /// root + (1 - root) sin(pi/2 k/n).
    pub(super) fn elements(&self, count: usize) -> Vec<Element> {
        let root = self.root();
        let edge = |k: usize| root + (1.0 - root) * (FRAC_PI_2 * k as f64 / count as f64).sin();
        (0..count)
            .map(|k| {
                let (low, high) = (edge(k), edge(k + 1));
                let radius = 0.5 * (low + high);
                let (chord, twist) = self.at(radius);
                Element { radius, width: high - low, chord, twist }
            })
            .collect()
    }
}
