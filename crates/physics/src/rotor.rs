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
//! UIUC Propeller Data Site (Brandt & Selig, AIAA 2011-1255), whose J0 is 1.06 to 1.44 pitch/D. Over
//! all their axial rows it errs by up to 0.22 of C_T0 and 0.35 of C_P0, worst for one that stalls at
//! rest (pitch/D 0.86): good enough for damping, too coarse for climb, which wants a table. Without
//! a stated pitch axial flow changes nothing. What interval goes with which is in [`advance`].
//!
//! *Descent.* The slope at J = 0 is carried on to J = -0.1 and the value there held beyond. At
//! C_T = 0.1 that is a descent at 0.4 of the hover induced speed, about where the flow through the
//! disc turns into the vortex-ring state (Leishman, Principles of Helicopter Aerodynamics, ch. 2),
//! which these models do not know.

pub mod advance;
mod table;

use std::f64::consts::{PI, TAU};

use serde::Serialize;

pub use table::{Table, TableError, TableRow};

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
    /// Share of the thrust lost as drag of what stands in the wake (arms, body), 0 to below 1: every
    /// thrust below is what is left, the coefficients are those of the rotor alone.
    pub download: f64,
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

/// Zero-thrust advance ratio over pitch/diameter in the constant model.
const ZERO_THRUST_ADVANCE: f64 = 1.25;
/// Pitch over diameter taken where none is stated and flow along the axis matters.
pub(crate) const USUAL_PITCH: f64 = 0.5;
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
/// The upper rotor is left as it is apart and the lower one carries the whole interference; how fast it turns for its
/// thrust is in [`crate::interference::lower`]. Momentum theory gives a pair
/// the same total at equal thrusts and at equal torques (1.281, [`crate::interference::coaxial`]), so the
/// factor serves a pair that the trim balances by torque as well.
pub fn coaxial_lower_power_factor(figure_of_merit: f64) -> f64 {
    1.0 + (2.0 * COAXIAL_INTERFERENCE - 2.0) * INDUCED_FACTOR * figure_of_merit
}

/// C_T and C_P by the law of the constant model from their values at rest, at an advance ratio over that of no thrust.
fn law((ct, cp): (f64, f64), share: f64) -> (f64, f64) {
    let share = share.min(1.0);
    if share < 0.0 {
        return (ct * (1.0 - 0.5 * share), cp);
    }
    (ct * (1.0 - 0.5 * share - 0.5 * share * share), cp * (1.0 - 0.6 * share * share))
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
                law((*ct, *cp), advance * self.diameter / (ZERO_THRUST_ADVANCE * pitch))
            }
            Coefficients::Table(table) => table.at(speed, advance),
        }
    }

    /// C_T and C_P at a rotor speed, rad/s, and an advance ratio of zero or more; where nothing is known of them along
    /// the axis by the law for the stated pitch, or a usual one.
    pub(crate) fn along_axis(&self, speed: f64, advance: f64) -> (f64, f64) {
        let known = match &self.coefficients {
            Coefficients::Constant { .. } => self.pitch.is_some_and(|pitch| pitch > 0.0),
            Coefficients::Table(table) => table.advance.len() > 1,
        };
        if known {
            return self.coefficients_at(speed, advance * speed * self.diameter / TAU);
        }
        let pitch = self.pitch.filter(|p| *p > 0.0).map_or(USUAL_PITCH, |p| p / self.diameter);
        law(self.coefficients_at(speed, 0.0), advance / (ZERO_THRUST_ADVANCE * pitch))
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

    /// Torque over thrust, m, at rest and a rotor speed, rad/s: C_P D / (2 pi C_T (1 - download)). The same at any
    /// density, kg/m^3, in these models.
    pub fn torque_per_thrust(&self, speed: f64, density: f64) -> f64 {
        let _same_at_any_density = density;
        let (ct, cp) = self.coefficients_at(speed, 0.0);
        cp * self.diameter / (TAU * ct * (1.0 - self.download))
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

    /// Torque of the lower rotor of a coaxial pair over that of a plain one at the same thrust, from torque over thrust,
    /// m: [`coaxial_lower_power_factor`] with the figure of merit sqrt(2 C_T/pi) D / (2 pi Q/T), over how much
    /// faster it turns ([`crate::interference::lower`]); C_T that of a usual hover (tip speed 80 m/s).
    pub fn lower_torque_factor(&self, torque_per_thrust: f64) -> f64 {
        let alone = torque_per_thrust * (1.0 - self.download);
        let speed = 160.0 / self.diameter;
        let (ct, _) = self.coefficients_at(speed, 0.0);
        let merit = (2.0 * ct.max(0.0) / PI).sqrt() * self.diameter / (TAU * alone);
        if merit.is_finite() && merit > 0.0 {
            coaxial_lower_power_factor(merit.min(1.0)) * crate::interference::lower(self, speed).thrust.sqrt()
        } else {
            1.0
        }
    }

    /// T / (C_T omega^2), kg m.
    fn thrust_scale(&self, density: f64) -> f64 {
        (1.0 - self.download) * density * self.diameter.powi(4) / (TAU * TAU)
    }

    /// Q / (C_P omega^2), kg m^2.
    fn torque_scale(&self, density: f64) -> f64 {
        density * self.diameter.powi(5) / (TAU * TAU * TAU)
    }
}
