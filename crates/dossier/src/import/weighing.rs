//! Mass and centre of gravity from scale readings.
//!
//! The aircraft stands on three or more points p_i with scales that read m_i. Statics: the sum of the
//! readings is the mass, and the moments of the supports about the centre of gravity c vanish, so the
//! vertical line through sum(m_i p_i)/M passes through c. Level, that line is the body z axis and gives
//! x and y. Tilted by a known angle it is another line through c, with direction
//! (-sin pitch, sin roll cos pitch, cos roll cos pitch) in body axes, and the height follows from where
//! it stands over the level x and y. Uncertainties are propagated to first order (JCGM 100:2008, 5.1)
//! with central differences over every reading, position and angle.

use crate::record::{HandValue, RecordMeta};

/// One input of a weighing, with what it does to each result.
#[derive(Debug, Clone, PartialEq)]
pub struct WeighingInput {
    /// Key in the record: `scale.1`.
    pub key: String,
    /// Change of mass, centre x, y, z per unit of the input, SI.
    pub sensitivity: [f64; 4],
    /// Standard uncertainty of the input, SI.
    pub uncertainty: f64,
}

/// What a weighing gives; pairs are value and standard uncertainty, SI, body axes.
#[derive(Debug, Clone, PartialEq)]
pub struct WeighingResult {
    /// Mass, kg.
    pub mass: (f64, f64),
    /// Centre of gravity forward of the reference, m.
    pub centre_x: (f64, f64),
    /// Centre of gravity right of the reference, m.
    pub centre_y: (f64, f64),
    /// Centre of gravity below the reference, m; needs tilted readings.
    pub centre_z: Option<(f64, f64)>,
    /// Covariance of mass, x, y, z (z zero where not measured), SI.
    pub covariance: [[f64; 4]; 4],
    /// Effects of each input.
    pub inputs: Vec<WeighingInput>,
    /// Difference of the tilted from the level mass in standard uncertainties, where there is one.
    pub tilted_mass_difference: Option<f64>,
}

/// Why a weighing gives no result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum WeighingError {
    /// A value is missing.
    #[error("`{key}` is missing; {example}")]
    Missing {
        /// The key.
        key: String,
        /// What would be right.
        example: String,
    },
    /// A reading is negative, or all are zero.
    #[error("`{key}` is {value} kg; a scale reads zero or more and the sum is above zero")]
    Reading {
        /// The key.
        key: String,
        /// Its value, kg.
        value: f64,
    },
    /// The support points lie on one line.
    #[error("the support points span {area:.6} m^2: they lie on one line, and the aircraft would fall over")]
    Line {
        /// Area that they span, m^2.
        area: f64,
    },
    /// Too little tilt.
    #[error("a tilt of {degrees:.2} deg is too little to find the height; tilt by 10 deg or more")]
    Tilt {
        /// The tilt.
        degrees: f64,
    },
}

struct Readings {
    values: Vec<(String, HandValue)>,
    points: usize,
    tilted: bool,
}

impl Readings {
    fn value(values: &[f64], index: usize) -> f64 {
        values.get(index).copied().unwrap_or(f64::NAN)
    }

    /// Mass, centre and the tilted mass from the raw values, in the order that `collect` makes.
    fn solve(&self, v: &[f64]) -> [f64; 5] {
        let n = self.points;
        let mean = |first: usize| {
            let mut mass = 0.0;
            let mut at = [0.0; 3];
            for i in 0..n {
                let m = Self::value(v, first + i);
                mass += m;
                for (a, sum) in at.iter_mut().enumerate() {
                    *sum += m * Self::value(v, n + 3 * i + a);
                }
            }
            (mass, at.map(|s| s / mass))
        };
        let (mass, level) = mean(0);
        if !self.tilted {
            return [mass, level[0], level[1], 0.0, 0.0];
        }
        let (tilted_mass, through) = mean(4 * n);
        let (pitch, roll) = (Self::value(v, 5 * n), Self::value(v, 5 * n + 1));
        let down = [-pitch.sin(), roll.sin() * pitch.cos(), roll.cos() * pitch.cos()];
        let along = ((level[0] - through[0]) * down[0] + (level[1] - through[1]) * down[1])
            / (down[0].powi(2) + down[1].powi(2));
        [mass, level[0], level[1], through[2] + along * down[2], tilted_mass]
    }
}

fn collect(meta: &RecordMeta) -> Result<Readings, WeighingError> {
    let get = |key: String, example: &str| -> Result<(String, HandValue), WeighingError> {
        match meta.values.get(&key) {
            Some(v) => Ok((key, v.clone())),
            None => Err(WeighingError::Missing { key, example: example.to_owned() }),
        }
    };
    let scales = (1..=12).take_while(|i| meta.values.contains_key(&format!("scale.{i}"))).count();
    let points = scales.max(3);
    let mut values = Vec::new();
    for i in 1..=points {
        values.push(get(format!("scale.{i}"), "three scale readings or more: scale.1 = \"1.12 kg +- 2 g\"")?);
    }
    let tilted = meta.values.keys().any(|k| k.starts_with("tilted."));
    for i in 1..=points {
        for axis in ["x", "y"] {
            let example = "where each scale stands, from the reference: at = [\"210 mm\", \"0 mm\"]";
            values.push(get(format!("point.{i}.{axis}"), example)?);
        }
        let key = format!("point.{i}.z");
        if tilted {
            let example = "tilted readings need the height of the support points below the reference: at = [\"210 mm\", \"0 mm\", \"80 mm\"]";
            values.push(get(key, example)?);
        } else {
            let zero = HandValue { value: 0.0, uncertainty: 0.0, unit: "m".to_owned() };
            let value = meta.values.get(&key).cloned().unwrap_or(zero);
            values.push((key, value));
        }
    }
    if tilted {
        for i in 1..=points {
            values.push(get(format!("tilted.{i}"), "as many tilted readings as level ones")?);
        }
        let zero = HandValue { value: 0.0, uncertainty: 0.0, unit: "rad".to_owned() };
        let known: Vec<_> =
            ["tilt.pitch", "tilt.roll"].map(|k| (k.to_owned(), meta.values.get(k).cloned())).into();
        if known.iter().all(|(_, v)| v.is_none()) {
            let example =
                "tilted readings need the angle: tilt.pitch = \"20 deg +- 0.2 deg\", nose up".to_owned();
            return Err(WeighingError::Missing { key: "tilt.pitch".to_owned(), example });
        }
        values.extend(known.into_iter().map(|(k, v)| (k, v.unwrap_or(zero.clone()))));
    }
    Ok(Readings { values, points, tilted })
}

/// Mass and centre of gravity of a weighing record.
pub fn weighing(meta: &RecordMeta) -> Result<WeighingResult, WeighingError> {
    let readings = collect(meta)?;
    let n = readings.points;
    let values: Vec<f64> = readings.values.iter().map(|(_, v)| v.value).collect();
    for (key, v) in &readings.values {
        let scale = key.starts_with("scale.") || key.starts_with("tilted.");
        if scale && (v.value.is_nan() || v.value < 0.0) {
            return Err(WeighingError::Reading { key: key.clone(), value: v.value });
        }
    }
    let sum = |first: usize| values.iter().skip(first).take(n).sum::<f64>();
    for (key, first) in [("scale.1", 0), ("tilted.1", 4 * n)] {
        if (first == 0 || readings.tilted) && (sum(first).is_nan() || sum(first) <= 0.0) {
            return Err(WeighingError::Reading { key: key.to_owned(), value: sum(first) });
        }
    }
    let point = |i: usize| (Readings::value(&values, n + 3 * i), Readings::value(&values, n + 3 * i + 1));
    let mut area = 0.0_f64;
    for i in 0..n {
        for j in 0..n {
            let ((x0, y0), (x1, y1), (x2, y2)) = (point(0), point(i), point(j));
            area = area.max((0.5 * ((x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0))).abs());
        }
    }
    if area.is_nan() || area <= 1e-6 {
        return Err(WeighingError::Line { area });
    }
    if readings.tilted {
        let (pitch, roll) = (Readings::value(&values, 5 * n), Readings::value(&values, 5 * n + 1));
        let tilt = (pitch.cos() * roll.cos()).clamp(-1.0, 1.0).acos();
        if tilt.is_nan() || tilt <= 2.0_f64.to_radians() {
            return Err(WeighingError::Tilt { degrees: tilt.to_degrees() });
        }
    }
    let result = readings.solve(&values);
    let mut inputs = Vec::new();
    let mut covariance = [[0.0; 4]; 4];
    let mut difference = 0.0;
    for (i, (key, v)) in readings.values.iter().enumerate() {
        let h = 1e-6 * v.value.abs().max(0.1);
        let moved = |by: f64| {
            let mut all = values.clone();
            if let Some(x) = all.get_mut(i) {
                *x += by;
            }
            readings.solve(&all)
        };
        let (up, down) = (moved(h), moved(-h));
        let d: [f64; 5] = std::array::from_fn(|k| (up[k] - down[k]) / (2.0 * h));
        let variance = v.uncertainty.powi(2);
        for a in 0..4 {
            for b in 0..4 {
                covariance[a][b] += d[a] * d[b] * variance;
            }
        }
        difference += (d[4] - d[0]).powi(2) * variance;
        if v.uncertainty > 0.0 {
            let sensitivity = [d[0], d[1], d[2], d[3]];
            inputs.push(WeighingInput { key: key.clone(), sensitivity, uncertainty: v.uncertainty });
        }
    }
    let pair = |k: usize| (result[k], covariance[k][k].sqrt());
    Ok(WeighingResult {
        mass: pair(0),
        centre_x: pair(1),
        centre_y: pair(2),
        centre_z: readings.tilted.then(|| pair(3)),
        covariance,
        inputs,
        tilted_mass_difference: (readings.tilted && difference > 0.0)
            .then(|| (result[4] - result[0]) / difference.sqrt()),
    })
}
