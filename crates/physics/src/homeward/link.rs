//! Radio link: path loss, antenna over bank, fading, clearance of the path.
//!
//! - Free space: ITU-R P.525-4, eq. (4): L = 20 log(4 pi d/lambda).
//! - Two rays: the direct one and the one reflected by flat ground (Rappaport, *Wireless Communications*, 2nd ed. 2002,
//!   sections 4.5 and 4.6; from memory): upright polarisation on dry, smooth ground of relative permittivity 15.
//! - Fresnel zone: ITU-R P.530: r_n = sqrt(n lambda d1 d2/(d1 + d2)); six tenths of the first are wanted clear.
//! - Horizon over an earth of 4/3 radius: sqrt(2 k a h) for each end (ITU-R P.834, k = 4/3; from memory).
//! - Antenna: the half-wave dipole's pattern cos(pi/2 cos t)/sin t (Balanis, *Antenna Theory*, section 4.6; from memory),
//!   its null filled to -20 dB by frame and surroundings (common practice, no source).
//! - Fading: loss normal in decibels about its mean (log-normal shadowing), share of the time below the receiver's
//!   threshold = erfc(margin/(sigma sqrt 2))/2.

use std::f64::consts::{FRAC_PI_2, PI};

use serde::Serialize;

/// Speed of light, m/s (SI).
pub const LIGHT: f64 = 299_792_458.0;
/// Effective radius of the earth for radio, m: 4/3 of 6371 km.
pub const EARTH: f64 = 4.0 / 3.0 * 6_371_000.0;
/// Share of the first Fresnel zone that is wanted clear.
pub const CLEAR: f64 = 0.6;
/// Depth of an antenna's null below its peak, dB.
const NULL: f64 = 20.0;
/// Gain of a half-wave dipole, dBi.
pub const DIPOLE: f64 = 2.15;

/// Both ends of a link.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Link {
    /// Frequency, Hz.
    pub frequency: f64,
    /// Power of the sender, dBm.
    pub power: f64,
    /// Gain of the ground's antenna at its peak less cables, dBi.
    pub ground_gain: f64,
    /// Gain of the aircraft's antenna at its peak less cables, dBi.
    pub air_gain: f64,
    /// Least power that the receiver works with, dBm.
    pub sensitivity: f64,
    /// Height of the ground's antenna, m.
    pub ground_height: f64,
    /// Loss over free space at distance, as exponent: 2 is free space.
    pub exponent: f64,
    /// Standard deviation of fading, dB.
    pub fading: f64,
}

/// What arrives at a distance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Budget {
    /// Distance along the ground, m.
    pub distance: f64,
    /// Loss over free space, dB.
    pub free_space: f64,
    /// What the reflected ray adds to the loss, dB; negative where it helps.
    pub two_ray: f64,
    /// What the exponent adds, dB.
    pub excess: f64,
    /// What bank and elevation cost at both antennas, dB.
    pub antenna: f64,
    /// Received power, dBm.
    pub received: f64,
    /// Received power over the receiver's threshold, dB.
    pub margin: f64,
    /// Share of the time below the threshold by fading.
    pub outage: f64,
    /// Least clearance of the path over the first Fresnel zone's radius, over flat ground.
    pub fresnel: f64,
}

/// Loss between isotropic antennas in free space, dB.
pub fn free_space_loss(frequency: f64, distance: f64) -> f64 {
    20.0 * (4.0 * PI * distance * frequency / LIGHT).log10()
}

/// Relative permittivity of ground that is neither wet nor dry.
const GROUND: f64 = 15.0;

/// Reflection coefficient of flat ground for upright polarisation at a grazing angle, rad; -1 at none.
pub fn ground_reflection(grazing: f64) -> f64 {
    let (sin, cos) = grazing.sin_cos();
    let (a, b) = (GROUND * sin, (GROUND - cos * cos).sqrt());
    (a - b) / (a + b)
}

/// What a ray reflected by flat ground with a coefficient adds to the free-space loss, dB, for antennas at two heights, m.
pub fn two_ray_loss(frequency: f64, distance: f64, (low, high): (f64, f64), reflection: f64) -> f64 {
    let direct = distance.hypot(high - low);
    let reflected = distance.hypot(high + low);
    let phase = 2.0 * PI * frequency / LIGHT * (reflected - direct);
    let ratio = reflection * direct / reflected;
    // |1 + ratio e^(-j phase)|^2
    let sum = 1.0 + ratio * ratio + 2.0 * ratio * phase.cos();
    -10.0 * sum.max(1e-9).log10()
}

/// Loss of a half-wave dipole, dB below its peak, at an angle from its axis, rad.
pub fn dipole_loss(from_axis: f64) -> f64 {
    let (sin, cos) = from_axis.sin_cos();
    if sin.abs() < 1e-9 {
        return NULL;
    }
    let field = ((FRAC_PI_2 * cos).cos() / sin).abs();
    (-20.0 * field.max(1e-9).log10()).min(NULL)
}

/// Loss, dB, of two upright dipoles when the aircraft, an angle of elevation above the ground's antenna, banks in the plane
/// of the path towards (+) or away from it (-): pattern of both.
pub fn bank_loss(elevation: f64, bank: f64) -> f64 {
    dipole_loss(FRAC_PI_2 - elevation) + dipole_loss(FRAC_PI_2 - elevation - bank)
}

/// Loss, dB, of two antennas whose polarisations are turned against each other by an angle, rad.
pub fn polarisation_loss(turn: f64) -> f64 {
    (-20.0 * turn.cos().abs().max(1e-9).log10()).min(NULL)
}

/// The worst of banking in the plane of the path either way and across it, dB.
pub fn worst_bank_loss(elevation: f64, bank: f64) -> f64 {
    let upright = bank_loss(elevation, 0.0);
    bank_loss(elevation, bank).max(bank_loss(elevation, -bank)).max(upright + polarisation_loss(bank))
}

/// Radius of the n-th Fresnel zone, m, at distances, m, from both ends.
pub fn fresnel_radius(zone: f64, frequency: f64, to_one: f64, to_other: f64) -> f64 {
    (zone * LIGHT / frequency * to_one * to_other / (to_one + to_other)).max(0.0).sqrt()
}

/// Least clearance over the first zone's radius along a path over flat ground, the earth's bulge taken off.
pub fn fresnel_clearance(frequency: f64, distance: f64, low: f64, high: f64) -> f64 {
    let n = 200;
    (1..n)
        .map(|k| {
            let one = distance * f64::from(k) / f64::from(n);
            let other = distance - one;
            let path = low + (high - low) * one / distance;
            (path - one * other / (2.0 * EARTH)) / fresnel_radius(1.0, frequency, one, other)
        })
        .fold(f64::INFINITY, f64::min)
}

/// Farthest that two heights see each other over a smooth earth, m.
pub fn horizon(low: f64, high: f64) -> f64 {
    (2.0 * EARTH * low.max(0.0)).sqrt() + (2.0 * EARTH * high.max(0.0)).sqrt()
}

/// Complementary error function (Numerical Recipes in C, 2nd ed., section 6.2: fractional error below 1.2e-7).
pub fn erfc(x: f64) -> f64 {
    let z = x.abs();
    let t = 1.0 / (1.0 + 0.5 * z);
    let series = [
        -1.265_512_23,
        1.000_023_68,
        0.374_091_96,
        0.096_784_18,
        -0.186_288_06,
        0.278_868_07,
        -1.135_203_98,
        1.488_515_87,
        -0.822_152_23,
        0.170_872_77,
    ];
    let sum = series.iter().rev().fold(0.0, |sum, c| sum * t + c);
    let value = t * (-z * z + sum).exp();
    if x >= 0.0 { value } else { 2.0 - value }
}

/// Share of the time below the threshold with a margin and a standard deviation of fading, dB.
pub fn outage(margin: f64, sigma: f64) -> f64 {
    if sigma > 0.0 {
        0.5 * erfc(margin / (sigma * std::f64::consts::SQRT_2))
    } else if margin >= 0.0 {
        0.0
    } else {
        1.0
    }
}

impl Link {
    /// What arrives at a distance along the ground and a height, m, with the aircraft banked, rad.
    pub fn budget(&self, distance: f64, height: f64, bank: f64) -> Budget {
        let distance = distance.max(1.0);
        let direct = distance.hypot(height - self.ground_height);
        let free_space = free_space_loss(self.frequency, direct);
        let grazing = ((height + self.ground_height) / distance).atan();
        let heights = (self.ground_height, height);
        let two_ray = two_ray_loss(self.frequency, distance, heights, ground_reflection(grazing));
        // Beyond 100 m, where a range record usually begins.
        let excess = 10.0 * (self.exponent - 2.0) * (direct / 100.0).max(1.0).log10();
        let elevation = ((height - self.ground_height) / distance).atan();
        let antenna = worst_bank_loss(elevation, bank);
        let received =
            self.power + self.ground_gain + self.air_gain - free_space - two_ray - excess - antenna;
        let margin = received - self.sensitivity;
        Budget {
            distance,
            free_space,
            two_ray,
            excess,
            antenna,
            received,
            margin,
            outage: outage(margin, self.fading),
            fresnel: fresnel_clearance(self.frequency, distance, self.ground_height, height),
        }
    }

    /// Nearest distance, m, beyond the null overhead at which the margin falls below what is wanted, dB; `None` where it
    /// holds to the horizon. Steps of half a per cent, so that no lobe of the two rays is passed over.
    pub fn reach(&self, wanted: f64, height: f64, bank: f64) -> Option<f64> {
        let end = horizon(self.ground_height, height).min(1e6);
        // Overhead the antennas point past each other: that near, power is not what fails.
        let mut distance = (2.0 * height).max(20.0);
        while distance < end {
            if self.budget(distance, height, bank).margin < wanted {
                return Some(distance);
            }
            distance *= 1.005;
        }
        None
    }
}
