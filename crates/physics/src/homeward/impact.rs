//! What a fall carries: terminal speed, fall and throw with drag, energy against published thresholds, area and distance.
//!
//! The thresholds are quoted; whether one applies, and what it permits, is for the rules of the place to say.

use serde::Serialize;

use crate::STANDARD_GRAVITY as G;

/// Foot-pound, J.
pub const FOOT_POUND: f64 = 1.355_817_948_331_4;

/// A published figure of energy.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Threshold {
    /// Energy, J.
    pub energy: f64,
    /// What it stands for.
    pub meaning: &'static str,
    /// Where it is published.
    pub source: &'static str,
}

/// Published thresholds, ascending.
pub const THRESHOLDS: [Threshold; 6] = [
    Threshold {
        energy: 11.0 * FOOT_POUND,
        meaning: "injury severity limit over people, first tier (rigid object)",
        source: "14 CFR 107.120",
    },
    Threshold {
        energy: 25.0 * FOOT_POUND,
        meaning: "injury severity limit over people, second tier (rigid object)",
        source: "14 CFR 107.130",
    },
    Threshold {
        energy: 28.0 * FOOT_POUND,
        meaning: "10 % fatality, thorax",
        source: "Arterburn et al. 2017, review of ground collision severity",
    },
    Threshold {
        energy: 38.0 * FOOT_POUND,
        meaning: "10 % fatality, head",
        source: "Arterburn et al. 2017, review of ground collision severity",
    },
    Threshold {
        energy: 58.0 * FOOT_POUND,
        meaning: "casualty criterion of ordnance",
        source: "United States ordnance text of 1944, as quoted",
    },
    Threshold {
        energy: 80.0,
        meaning: "energy passed to a head, class C1",
        source: "Regulation (EU) 2019/945, annex, part 2",
    },
];

/// Kinetic energy, J.
pub fn kinetic(mass: f64, speed: f64) -> f64 {
    0.5 * mass * speed * speed
}

/// Terminal speed, m/s, of a mass (kg) on a drag area C_D A (m^2); infinite without drag.
pub fn terminal_speed(mass: f64, drag_area: f64, density: f64) -> f64 {
    (2.0 * mass * G / (density * drag_area)).sqrt()
}

/// Speed, m/s, after a fall from rest through a height, m, with a terminal speed, m/s: v^2 = vt^2 (1 - e^(-2 g h/vt^2)).
pub fn fall_speed(height: f64, terminal: f64) -> f64 {
    if !terminal.is_finite() {
        return (2.0 * G * height.max(0.0)).sqrt();
    }
    terminal * (-(-2.0 * G * height.max(0.0) / terminal.powi(2)).exp_m1()).sqrt()
}

/// End of a throw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Throw {
    /// Distance over the ground, m.
    pub distance: f64,
    /// Speed, m/s.
    pub speed: f64,
    /// Angle below the horizontal, rad.
    pub angle: f64,
    /// Time, s.
    pub time: f64,
}

/// A throw from a height, m, at a level speed, m/s, with a tail wind, m/s, and drag of the square of the airspeed.
/// Runge-Kutta of fourth order, steps of 5 ms.
pub fn throw(height: f64, speed: f64, wind: f64, mass: f64, drag_area: f64, density: f64) -> Throw {
    let c = if mass > 0.0 { 0.5 * density * drag_area / mass } else { 0.0 };
    let slope = |s: [f64; 4]| {
        let air = (s[2] - wind, s[3]);
        let v = air.0.hypot(air.1);
        [s[2], s[3], -c * v * air.0, G - c * v * air.1]
    };
    let step = |s: [f64; 4], h: f64| {
        let add = |k: [f64; 4], f: f64| std::array::from_fn(|i| s[i] + f * k[i]);
        let k1 = slope(s);
        let k2 = slope(add(k1, 0.5 * h));
        let k3 = slope(add(k2, 0.5 * h));
        let k4 = slope(add(k3, h));
        std::array::from_fn(|i| s[i] + h / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]))
    };
    // Along, down, and their rates.
    let (mut s, mut time, h) = ([0.0, 0.0, speed, 0.0], 0.0, 0.005);
    if height > 0.0 && height.is_finite() {
        // At 5 ms a step no fall from 20 km needs more.
        for _ in 0..400_000 {
            let next = step(s, h);
            if next[1] >= height {
                let part = h * (height - s[1]) / (next[1] - s[1]);
                s = step(s, part);
                time += part;
                break;
            }
            s = next;
            time += h;
        }
    }
    Throw { distance: s[0], speed: s[2].hypot(s[3]), angle: s[3].atan2(s[2]), time }
}

/// Critical area, m^2, without obstacles: JARUS guidelines on SORA, annex F (person of 0.3 m radius and 1.8 m height,
/// friction 0.65, restitution 0.8 at 10 deg to 0.6 at 90 deg): glide and slide of an object of a width, m, at a
/// speed, m/s, an angle of impact, rad, and a mass, kg, until its energy is below a lethal one, J.
pub fn critical_area(width: f64, speed: f64, angle: f64, mass: f64, lethal: f64) -> f64 {
    const PERSON: f64 = 0.3;
    const TALL: f64 = 1.8;
    const FRICTION: f64 = 0.65;
    let degrees = angle.to_degrees();
    let restitution = 0.8 - 0.2 * ((degrees - 10.0) / 80.0).clamp(0.0, 1.0);
    let half = PERSON + 0.5 * width;
    let circle = 0.5 * std::f64::consts::PI * half * half;
    let glide = 2.0 * half * TALL / angle.tan();
    let slow = (2.0 * lethal / mass).sqrt();
    let along = restitution * speed * angle.cos();
    let time = ((along - slow) / (FRICTION * G)).max(0.0);
    let slide = along * time - 0.5 * FRICTION * G * time * time;
    // The model lets objects up to 1 m wide not slide.
    glide + circle + if width > 1.0 { slide * 2.0 * half + circle } else { 0.0 }
}

/// Distance, m, to keep people away from below the path: what a fall at once covers, plus the speed over the time that a
/// person needs to cut the power.
pub fn safety_distance(throw: &Throw, speed: f64, react: f64) -> f64 {
    throw.distance.max(0.0) + speed.max(0.0) * react
}
