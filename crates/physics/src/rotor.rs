//! One rotor: thrust and torque from coefficients.
//!
//! T = C_T rho n^2 D^4 and P = C_P rho n^3 D^5, n in rev/s; torque = P / omega. The advance ratio is
//! J = V / (n D) with V the speed of the hub along the thrust (climb positive).
//!
//! *Table.* Bilinear in rotor speed and advance ratio. Outside the speeds of the table the nearest
//! row holds, beyond its last advance ratio the last column holds: a windmilling rotor is not
//! modelled.
//!
//! *Constants.* Static values at every speed. With a stated pitch, axial flow reduces them by
//! C_T = C_T0 (1 - x/2 - x^2/2) and C_P = C_P0 (1 - 0.6 x^2), x = J/J0 up to 1, where J0 = 1.25
//! pitch/D is the advance ratio of no thrust. Fitted here to nine propellers, 9 to 15 in, of the
//! UIUC Propeller Data Site (Brandt & Selig, AIAA 2011-1255): their J0 is 1.06 to 1.44 pitch/D,
//! and C_T/C_T0 at half of J0 is 0.57 to 0.67 (model 0.625) except for one that stalls at rest
//! (pitch/D 0.86), where this form is wrong. Without a stated pitch axial flow changes nothing.
//!
//! *Descent.* The slope at J = 0 is carried on to J = -0.1 and the value there held beyond. At
//! C_T = 0.1 that is a descent at 0.4 of the hover induced speed, about where the flow through the
//! disc turns into the vortex-ring state (Leishman, Principles of Helicopter Aerodynamics, ch. 2),
//! which these models do not know.

use std::f64::consts::{PI, TAU};

use serde::Serialize;

/// A rotor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rotor {
    /// Diameter, m.
    pub diameter: f64,
    /// Geometric pitch, m, where stated.
    pub pitch: Option<f64>,
    /// Number of blades.
    pub blades: u32,
    /// Moment of inertia about the shaft (blades and adapter, without the motor), kg m^2.
    pub inertia: f64,
    /// Residual static unbalance, kg m. Zero where not stated.
    pub unbalance: f64,
    /// Thrust and power.
    pub coefficients: Coefficients,
}

/// Thrust and power coefficients of a rotor.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Coefficients {
    /// The same at every speed; static thrust only known.
    Constant {
        /// C_T, static.
        ct: f64,
        /// C_P, static.
        cp: f64,
    },
    /// By rotor speed and advance ratio.
    Table(Table),
}

/// C_T and C_P on a grid of rotor speed and advance ratio.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Rotor speeds, rad/s, ascending.
    pub speeds: Vec<f64>,
    /// Advance ratios J = V/(n D), ascending, beginning at 0.
    pub advance: Vec<f64>,
    /// C_T, row by speed, column by advance ratio.
    pub ct: Vec<Vec<f64>>,
    /// C_P, likewise.
    pub cp: Vec<Vec<f64>>,
}

/// One measured row of a rotor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TableRow {
    /// Rotor speed, rad/s.
    pub speed: f64,
    /// Advance ratio J = V/(n D).
    pub advance: f64,
    /// C_T.
    pub ct: f64,
    /// C_P.
    pub cp: f64,
}

/// Rows that do not make a table. Row numbers begin at 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// No rows.
    #[error("the rotor table has no rows")]
    Empty,
    /// A value that cannot be.
    #[error("row {row} of the rotor table: {what} is {value}, but must be {allowed}")]
    Value {
        /// Row.
        row: usize,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// What it may be.
        allowed: &'static str,
    },
    /// The same point twice.
    #[error("the rotor table has advance ratio {advance} at {speed} rad/s twice")]
    Twice {
        /// Rotor speed, rad/s.
        speed: f64,
        /// Advance ratio.
        advance: f64,
    },
    /// A speed without a static row.
    #[error("the rotor table has no row with advance ratio 0 at {speed} rad/s")]
    NoStatic {
        /// Rotor speed, rad/s.
        speed: f64,
    },
    /// A speed with only the static row while others have more.
    #[error("at {speed} rad/s the rotor table has only the static row, while other speeds reach advance ratio {advance}")]
    OnlyStatic {
        /// Rotor speed, rad/s.
        speed: f64,
        /// Largest advance ratio of the table.
        advance: f64,
    },
}

/// Zero-thrust advance ratio over pitch/diameter in the constant model.
const ZERO_THRUST_ADVANCE: f64 = 1.25;
/// Advance ratio down to which the slope at 0 is carried on in descent.
const LOWEST_ADVANCE: f64 = -0.1;

/// Induced power of a coaxial pair over that of two such rotors apart, at equal thrusts:
/// 1.35 and 1.38 from the two rotors of Harrington 1951 (NACA TN 2318, discs 8 to 9 % of the
/// diameter apart), inside the bracket 1.28 (lower rotor in the contracted wake) to 1.41 (discs in
/// one plane) of Leishman & Syal 2006.
pub const COAXIAL_INTERFERENCE: f64 = 1.36;
/// Induced power over its ideal value, 1.15: common practice for hover.
pub const INDUCED_FACTOR: f64 = 1.15;

/// Power of the lower rotor of a coaxial pair over that of the same rotor apart, in hover with
/// equal thrusts, from its figure of merit: 1 + (2 kappa_int - 2) k FM.
///
/// The upper rotor is left as it is apart and the lower one carries the whole interference. Its
/// speed at a given thrust is left too, though it really turns a little faster. Within 8 % of the
/// pairs of Harrington 1951 above C_T = 0.003 (rotorcraft coefficient, one disc).
pub fn coaxial_lower_power_factor(figure_of_merit: f64) -> f64 {
    1.0 + (2.0 * COAXIAL_INTERFERENCE - 2.0) * INDUCED_FACTOR * figure_of_merit
}

/// Static load of a rotor and its slopes over speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// Thrust, N.
    pub thrust: f64,
    /// Slope of thrust, N s/rad.
    pub thrust_slope: f64,
    /// Torque on the shaft, N m.
    pub torque: f64,
    /// Slope of torque, N m s/rad.
    pub torque_slope: f64,
}

impl Rotor {
    /// C_T and C_P at a rotor speed, rad/s, and a speed along the thrust, m/s (climb positive).
    pub fn coefficients_at(&self, speed: f64, axial_speed: f64) -> (f64, f64) {
        let advance =
            if speed > 0.0 { (axial_speed * TAU / (speed * self.diameter)).max(LOWEST_ADVANCE) } else { 0.0 };
        match &self.coefficients {
            Coefficients::Constant { ct, cp } => {
                let Some(pitch) = self.pitch.filter(|pitch| *pitch > 0.0) else { return (*ct, *cp) };
                let share = (advance * self.diameter / (ZERO_THRUST_ADVANCE * pitch)).min(1.0);
                if share < 0.0 {
                    return (ct * (1.0 - 0.5 * share), *cp);
                }
                (ct * (1.0 - 0.5 * share - 0.5 * share * share), cp * (1.0 - 0.6 * share * share))
            }
            Coefficients::Table(table) => table.at(speed, advance),
        }
    }

    /// Thrust, N, at a rotor speed, rad/s, axial speed, m/s, and density, kg/m^3.
    pub fn thrust(&self, speed: f64, axial_speed: f64, density: f64) -> f64 {
        let speed = speed.max(0.0);
        self.coefficients_at(speed, axial_speed).0 * self.thrust_scale(density) * speed * speed
    }

    /// Torque on the shaft, N m, at a rotor speed, rad/s, axial speed, m/s, and density, kg/m^3.
    pub fn torque(&self, speed: f64, axial_speed: f64, density: f64) -> f64 {
        let speed = speed.max(0.0);
        self.coefficients_at(speed, axial_speed).1 * self.torque_scale(density) * speed * speed
    }

    /// Shaft power, W, at a rotor speed, rad/s, axial speed, m/s, and density, kg/m^3.
    pub fn power(&self, speed: f64, axial_speed: f64, density: f64) -> f64 {
        self.torque(speed, axial_speed, density) * speed.max(0.0)
    }

    /// Static thrust and torque with their slopes over speed, at a rotor speed, rad/s, and density,
    /// kg/m^3. Odd in speed, so that a solver may step through zero.
    pub fn load(&self, speed: f64, density: f64) -> Load {
        let size = speed.abs();
        let [ct, ct_slope, cp, cp_slope] = match &self.coefficients {
            Coefficients::Constant { ct, cp } => [*ct, 0.0, *cp, 0.0],
            Coefficients::Table(table) => table.at_rest(size),
        };
        let (thrust, torque) = (self.thrust_scale(density), self.torque_scale(density));
        Load {
            thrust: thrust * ct * speed * size,
            thrust_slope: thrust * size * (2.0 * ct + ct_slope * size),
            torque: torque * cp * speed * size,
            torque_slope: torque * size * (2.0 * cp + cp_slope * size),
        }
    }

    /// Rotor speed, rad/s, that gives a thrust, N, at an axial speed, m/s, and density, kg/m^3.
    /// `None` for a negative thrust or one the rotor cannot give.
    pub fn speed_for_thrust(&self, thrust: f64, axial_speed: f64, density: f64) -> Option<f64> {
        if thrust == 0.0 {
            return Some(0.0);
        }
        if !(thrust > 0.0 && thrust.is_finite() && density > 0.0 && self.diameter > 0.0) {
            return None;
        }
        let scale = self.thrust_scale(density);
        if axial_speed == 0.0 {
            match &self.coefficients {
                Coefficients::Constant { ct, .. } => {
                    return Some((thrust / (scale * ct)).sqrt()).filter(|speed| speed.is_finite());
                }
                Coefficients::Table(table) => {
                    if let Some(speed) = table.speed_at_rest(thrust / scale) {
                        return Some(speed);
                    }
                }
            }
        }
        let excess = |speed: f64| self.thrust(speed, axial_speed, density) - thrust;
        let ct = self.coefficients_at(f64::MAX, 0.0).0;
        let mut high = (thrust / (scale * ct)).sqrt();
        if !(high > 0.0 && high.is_finite()) {
            return None;
        }
        let mut low = 0.0;
        for _ in 0..60 {
            if excess(high) >= 0.0 {
                break;
            }
            low = high;
            high *= 1.5;
        }
        if excess(high) < 0.0 {
            return None;
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if middle <= low || middle >= high {
                break;
            }
            if excess(middle) < 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }

    /// Torque over thrust, m, at rest and a rotor speed, rad/s: C_P D / (2 pi C_T). The same at any
    /// density, kg/m^3, in these models.
    pub fn torque_per_thrust(&self, speed: f64, density: f64) -> f64 {
        let _same_at_any_density = density;
        let (ct, cp) = self.coefficients_at(speed, 0.0);
        cp * self.diameter / (TAU * ct)
    }

    /// Area of the disc, m^2.
    pub fn disc_area(&self) -> f64 {
        0.25 * PI * self.diameter * self.diameter
    }

    /// Thrust over disc area, N/m^2.
    pub fn disc_loading(&self, thrust: f64) -> f64 {
        thrust / self.disc_area()
    }

    /// Mach number of the tip at a rotor speed, rad/s, and a speed of sound, m/s.
    pub fn tip_mach(&self, speed: f64, sound_speed: f64) -> f64 {
        0.5 * self.diameter * speed / sound_speed
    }

    /// Blade passage frequency, Hz, at a rotor speed, rad/s.
    pub fn blade_passage(&self, speed: f64) -> f64 {
        f64::from(self.blades) * speed / TAU
    }

    /// Ideal over actual hover power at a rotor speed, rad/s: sqrt(2/pi) C_T^1.5 / C_P
    /// (the same at any density, kg/m^3, in these models).
    pub fn figure_of_merit(&self, speed: f64, density: f64) -> f64 {
        let _same_at_any_density = density;
        let (ct, cp) = self.coefficients_at(speed, 0.0);
        (2.0 / PI).sqrt() * ct.max(0.0).powf(1.5) / cp
    }

    /// Induced speed in hover, m/s, at a thrust, N, and density, kg/m^3: sqrt(T / (2 rho A)).
    pub fn hover_induced_speed(&self, thrust: f64, density: f64) -> f64 {
        (thrust / (2.0 * density * self.disc_area())).sqrt()
    }

    /// T / (C_T omega^2), kg m.
    fn thrust_scale(&self, density: f64) -> f64 {
        density * self.diameter.powi(4) / (TAU * TAU)
    }

    /// Q / (C_P omega^2), kg m^2.
    fn torque_scale(&self, density: f64) -> f64 {
        density * self.diameter.powi(5) / (TAU * TAU * TAU)
    }
}

/// Index of the interval that holds `x`, and the place in it from 0 to 1 (clamped at the ends).
fn locate(grid: &[f64], x: f64) -> (usize, f64) {
    let above = grid.partition_point(|g| *g <= x);
    if above == 0 {
        return (0, 0.0);
    }
    let index = above - 1;
    match (grid.get(index), grid.get(above)) {
        (Some(low), Some(high)) => (index, (x - low) / (high - low)),
        _ => (index, 0.0),
    }
}

/// Value in a row at an interval and place; the end holds. Zero for an empty row.
fn pick(row: &[f64], (index, place): (usize, f64)) -> f64 {
    let low = row.get(index).copied().unwrap_or(0.0);
    let high = row.get(index + 1).copied().unwrap_or(low);
    low + place * (high - low)
}

impl Table {
    /// A table from measured rows in any order.
    ///
    /// Every speed needs a static row (advance ratio 0), and all speeds or none need rows beyond.
    /// Advance ratios may differ between speeds: each speed is interpolated on the union of all,
    /// and holds its own last value beyond its own last advance ratio.
    pub fn from_rows(rows: &[TableRow]) -> Result<Self, TableError> {
        for (index, row) in rows.iter().enumerate() {
            let bad = |what, value, allowed| Err(TableError::Value { row: index + 1, what, value, allowed });
            if !(row.speed.is_finite() && row.speed > 0.0) {
                return bad("speed", row.speed, "above 0");
            }
            if !(row.advance.is_finite() && row.advance >= 0.0) {
                return bad("advance ratio", row.advance, "0 or more");
            }
            if !row.ct.is_finite() || (row.advance == 0.0 && row.ct <= 0.0) {
                return bad("ct", row.ct, "above 0 at advance ratio 0, and a number elsewhere");
            }
            if !row.cp.is_finite() || (row.advance == 0.0 && row.cp <= 0.0) {
                return bad("cp", row.cp, "above 0 at advance ratio 0, and a number elsewhere");
            }
        }
        let mut rows = rows.to_vec();
        rows.sort_by(|a, b| a.speed.total_cmp(&b.speed).then(a.advance.total_cmp(&b.advance)));
        let mut advance: Vec<f64> = rows.iter().map(|row| row.advance).collect();
        advance.sort_by(f64::total_cmp);
        advance.dedup();
        let Some(&last) = advance.last() else { return Err(TableError::Empty) };
        let mut table = Self { speeds: Vec::new(), advance, ct: Vec::new(), cp: Vec::new() };
        for group in rows.chunk_by(|a, b| a.speed == b.speed) {
            let speed = group.first().map_or(0.0, |row| row.speed);
            let own: Vec<f64> = group.iter().map(|row| row.advance).collect();
            if own.first() != Some(&0.0) {
                return Err(TableError::NoStatic { speed });
            }
            if let Some(pair) = own.windows(2).find(|pair| pair[0] == pair[1]) {
                return Err(TableError::Twice { speed, advance: pair[0] });
            }
            if own.len() == 1 && last > 0.0 {
                return Err(TableError::OnlyStatic { speed, advance: last });
            }
            let ct: Vec<f64> = group.iter().map(|row| row.ct).collect();
            let cp: Vec<f64> = group.iter().map(|row| row.cp).collect();
            table.speeds.push(speed);
            table.ct.push(table.advance.iter().map(|j| pick(&ct, locate(&own, *j))).collect());
            table.cp.push(table.advance.iter().map(|j| pick(&cp, locate(&own, *j))).collect());
        }
        Ok(table)
    }

    /// C_T and C_P at a rotor speed, rad/s, and advance ratio; the ends hold, except that the first
    /// slope is carried on to negative advance ratios.
    pub fn at(&self, speed: f64, advance: f64) -> (f64, f64) {
        let row = locate(&self.speeds, speed);
        let column = if advance < 0.0 {
            match (self.advance.first(), self.advance.get(1)) {
                (Some(low), Some(high)) => (0, (advance - low) / (high - low)),
                _ => (0, 0.0),
            }
        } else {
            locate(&self.advance, advance)
        };
        let value = |grid: &[Vec<f64>]| {
            let low = grid.get(row.0).map_or(0.0, |line| pick(line, column));
            let high = grid.get(row.0 + 1).map_or(low, |line| pick(line, column));
            low + row.1 * (high - low)
        };
        (value(&self.ct), value(&self.cp))
    }

    /// Static C_T, its slope over speed (s/rad), C_P and its slope.
    fn at_rest(&self, speed: f64) -> [f64; 4] {
        let (index, place) = locate(&self.speeds, speed);
        let inside = self.speeds.first().is_some_and(|first| speed >= *first);
        let width = match (self.speeds.get(index), self.speeds.get(index + 1)) {
            (Some(low), Some(high)) if inside => high - low,
            _ => f64::INFINITY,
        };
        let value = |grid: &[Vec<f64>]| {
            let low = grid.get(index).and_then(|line| line.first()).copied().unwrap_or(0.0);
            let high = grid.get(index + 1).and_then(|line| line.first()).copied().unwrap_or(low);
            (low + place * (high - low), (high - low) / width)
        };
        let ((ct, ct_slope), (cp, cp_slope)) = (value(&self.ct), value(&self.cp));
        [ct, ct_slope, cp, cp_slope]
    }

    /// Speed, rad/s, at which C_T omega^2 has a value, static, by Newton's method; `None` where it
    /// does not settle (a strongly falling C_T).
    fn speed_at_rest(&self, target: f64) -> Option<f64> {
        let mut speed = (target / self.at_rest(f64::MAX)[0]).sqrt();
        for _ in 0..30 {
            let [ct, ct_slope, ..] = self.at_rest(speed);
            let slope = speed * (2.0 * ct + ct_slope * speed);
            let step = (ct * speed * speed - target) / slope;
            let next = speed - step;
            if !(slope > 0.0 && next > 0.0 && next.is_finite()) {
                return None;
            }
            speed = next;
            if step.abs() <= 1e-14 * speed {
                return Some(speed);
            }
        }
        None
    }
}
