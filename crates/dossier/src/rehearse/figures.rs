//! Figures of one rehearsed flight, straight from the model's log, up to where it hits the ground: the model has none.

use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use physics::flight::FlightLog;

/// A figure.
#[derive(Debug)]
pub(super) struct Kind {
    pub id: &'static str,
    pub name: &'static str,
    pub unit: &'static str,
    /// Criterion whose limit it is held against.
    pub limit: Option<&'static str>,
    of: fn(&Log<'_>) -> f64,
}

/// Figures of one run.
#[derive(Debug, Clone)]
pub(super) struct Measured {
    pub values: Vec<f64>,
    /// Turned over, fallen far, or on the ground where it was not to land.
    pub lost: bool,
    /// Height lost, m.
    pub fell: f64,
}

const TILT: Kind = Kind { id: "tilt", name: "largest tilt", unit: "rad", limit: None, of: |l| l.tilt() };
const DROP: Kind = Kind { id: "drop", name: "height lost", unit: "m", limit: None, of: |l| l.drop() };
const FULL: Kind = Kind {
    id: "saturation",
    name: "samples with a rotor at full command",
    unit: "1",
    limit: Some("hover.saturation"),
    of: |l| l.saturation(),
};
const VOLTS: Kind =
    Kind { id: "voltage", name: "least bus voltage", unit: "V", limit: None, of: |l| l.voltage() };

pub(super) const HOVER: &[Kind] = &[
    TILT,
    DROP,
    Kind { id: "drift", name: "farthest from the start", unit: "m", limit: None, of: |l| l.drift() },
    FULL,
    VOLTS,
];
pub(super) const RATE: &[Kind] = &[
    Kind {
        id: "overshoot",
        name: "overshoot of rate steps, the worst",
        unit: "1",
        limit: Some("rate.overshoot"),
        of: |l| l.rate_overshoot(),
    },
    TILT,
    DROP,
    FULL,
    VOLTS,
];
pub(super) const VELOCITY: &[Kind] = &[
    Kind {
        id: "overshoot",
        name: "overshoot of velocity steps, the worst",
        unit: "1",
        limit: Some("velocity.overshoot"),
        of: |l| l.velocity_overshoot(),
    },
    TILT,
    DROP,
    FULL,
    VOLTS,
];
pub(super) const HOLD: &[Kind] = &[
    Kind {
        id: "place",
        name: "95 % of the distance from the place held",
        unit: "m",
        limit: Some("velocity.position"),
        of: |l| l.place(),
    },
    Kind {
        id: "height",
        name: "95 % of the error of the height held",
        unit: "m",
        limit: Some("velocity.height"),
        of: |l| l.held_height(),
    },
    TILT,
    FULL,
    VOLTS,
];
pub(super) const HOME: &[Kind] = &[
    Kind {
        id: "charge",
        name: "charge left at the end",
        unit: "1",
        limit: Some("fail-safe.charge-left"),
        of: |l| l.charge(),
    },
    Kind {
        id: "home",
        name: "distance from home at the end",
        unit: "m",
        limit: None,
        of: |l| l.home_distance(),
    },
    Kind { id: "time", name: "time of the flight", unit: "s", limit: None, of: |l| l.time() },
    TILT,
    FULL,
    VOLTS,
];

/// Tilt at which it counts as turned over, rad.
const TURNED: f64 = 1.4;
/// Height lost that counts as lost where it was not to land, m.
const FALLEN: f64 = 20.0;

/// Measures a log.
pub(super) fn measure(log: &FlightLog, kinds: &[Kind]) -> Measured {
    let l = Log::new(log);
    let fell = l.drop();
    let landed = l.column("mode").last().is_some_and(|m| *m > 0.5);
    Measured {
        values: kinds.iter().map(|k| (k.of)(&l)).collect(),
        lost: l.tilt() > TURNED || (!landed && (fell > FALLEN || l.rows < log.time.len())),
        fell,
    }
}

struct Log<'a> {
    log: &'a FlightLog,
    /// Rows before the ground.
    rows: usize,
}

impl<'a> Log<'a> {
    fn new(log: &'a FlightLog) -> Self {
        let fallen = log.channels.get("height").and_then(|h| h.iter().position(|v| *v <= 0.0));
        Self { log, rows: fallen.map_or(log.time.len(), |k| k + 1) }
    }

    fn column(&self, name: &str) -> &'a [f64] {
        self.log.channels.get(name).and_then(|c| c.get(..self.rows)).unwrap_or(&[])
    }

    fn clock(&self) -> &'a [f64] {
        self.log.time.get(..self.rows).unwrap_or(&[])
    }

    fn columns<const N: usize>(&self, stem: &str, parts: [&str; N]) -> [&[f64]; N] {
        parts.map(|p| self.column(&format!("{stem}.{p}")))
    }

    fn most(values: impl Iterator<Item = f64>) -> f64 {
        values.filter(|v| v.is_finite()).fold(f64::NAN, f64::max)
    }

    fn tilt(&self) -> f64 {
        let [w, i, j, k] = self.columns("attitude", ["w", "i", "j", "k"]);
        Self::most((0..w.len()).map(|n| {
            let q = UnitQuaternion::from_quaternion(Quaternion::new(w[n], i[n], j[n], k[n]));
            (q * Vector3::z()).z.clamp(-1.0, 1.0).acos()
        }))
    }

    fn drop(&self) -> f64 {
        let h = self.column("height");
        let first = h.first().copied().unwrap_or(0.0);
        Self::most(h.iter().map(|v| first - v)).max(0.0)
    }

    fn drift(&self) -> f64 {
        let [x, y] = self.columns("position", ["x", "y"]);
        Self::most(x.iter().zip(y).map(|(x, y)| x.hypot(*y)))
    }

    fn saturation(&self) -> f64 {
        let commands: Vec<&[f64]> =
            (1..).map(|n| self.column(&format!("rotor.{n}.command"))).take_while(|c| !c.is_empty()).collect();
        let full = (0..self.rows).filter(|k| commands.iter().any(|c| c[*k] >= 1.0)).count();
        full as f64 / self.rows.max(1) as f64
    }

    fn voltage(&self) -> f64 {
        self.column("battery.voltage").iter().copied().fold(f64::INFINITY, f64::min)
    }

    fn charge(&self) -> f64 {
        self.column("battery.charge").last().copied().unwrap_or(f64::NAN)
    }

    fn home_distance(&self) -> f64 {
        let [x, y] = self.columns("position", ["x", "y"]);
        x.last().zip(y.last()).map_or(f64::NAN, |(x, y)| x.hypot(*y))
    }

    fn time(&self) -> f64 {
        self.clock().last().copied().unwrap_or(f64::NAN)
    }

    /// Stretches of the script by the words of their label.
    fn stretches(&self, word: &str) -> Vec<(usize, usize)> {
        let marks = &self.log.marks;
        let at = |t: f64| self.clock().partition_point(|s| *s < t);
        marks
            .iter()
            .enumerate()
            .filter(|(_, m)| m.label.contains(word))
            .map(|(k, m)| (at(m.time), marks.get(k + 1).map_or(self.rows, |n| at(n.time))))
            .filter(|(a, b)| a < b)
            .collect()
    }

    /// Largest value beyond a demand over its size, in the stretches with a word.
    fn overshoot(&self, word: &str, stem: &str, axes: &[&str]) -> f64 {
        Self::most(self.stretches(word).into_iter().flat_map(|(a, b)| {
            axes.iter().filter_map(move |axis| {
                let demand = self.column(&format!("{stem}_demand.{axis}"));
                let value = self.column(&format!("{stem}.{axis}"));
                let asked = *demand.get(a)?;
                if asked.abs() < 1e-6 {
                    return None;
                }
                let most = value.get(a..b)?.iter().map(|v| v * asked.signum()).fold(f64::NAN, f64::max);
                Some(most / asked.abs() - 1.0)
            })
        }))
    }

    fn rate_overshoot(&self) -> f64 {
        self.overshoot("step", "rate", &["x", "y"])
    }

    fn velocity_overshoot(&self) -> f64 {
        self.overshoot("forward", "velocity", &["x"]).max(self.overshoot("right", "velocity", &["y"]))
    }

    /// 95 % of the distance along some axes from the place held, the hold's first five seconds left out. The place is the
    /// first that was demanded, or where the hold began if none ever was (without satellites).
    fn held(&self, axes: &[&str]) -> f64 {
        let Some((a, b)) = self.stretches("hold").pop() else { return f64::NAN };
        let time = self.clock();
        let from = time.partition_point(|t| *t < time.get(a).copied().unwrap_or(0.0) + 5.0);
        let mut squares = vec![0.0; b.saturating_sub(from)];
        for axis in axes {
            let at = self.column(&format!("position.{axis}"));
            let asked = self.column(&format!("position_demand.{axis}")).get(a..b).unwrap_or(&[]);
            let place = asked.iter().find(|v| v.is_finite()).or(at.get(a)).copied().unwrap_or(f64::NAN);
            for (square, v) in squares.iter_mut().zip(at.get(from..b).unwrap_or(&[])) {
                *square += (v - place).powi(2);
            }
        }
        signal::robust::quantile(&squares, 0.95).map_or(f64::NAN, f64::sqrt)
    }

    fn place(&self) -> f64 {
        self.held(&["x", "y"])
    }

    fn held_height(&self) -> f64 {
        self.held(&["z"])
    }
}
