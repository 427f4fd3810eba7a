//! Energies that hurt and how far they reach.
//!
//! Thresholds. 11 ft-lb (14.9 J), a blow that a person just survives without critical injury:
//! FAA ASSURE A4, Arterburn et al. 2017, read in a review, and the limit of 14 CFR 107.120.
//! 290 J, a sliding or gliding body that is taken as lethal: JARUS SORA, Annex F, model of the
//! critical area, with friction 0.65 and a coefficient of restitution that falls from 0.8 at 10 deg to
//! 0.6 at 90 deg of impact angle, linear between.

use physics::STANDARD_GRAVITY;

/// Energy of a blow below which critical injury is unlikely, J: 11 ft-lb.
pub const CRITICAL_INJURY: f64 = 11.0 * FOOT_POUND;
/// Energy of a sliding aircraft above which it is taken as lethal, J.
pub const FATAL_FLYING_BODY: f64 = 290.0;
/// 1 ft lbf in J: 0.3048 m x 0.453 592 37 kg x 9.806 65 m/s^2, exact by definition.
const FOOT_POUND: f64 = 1.355_817_948_331_400_4;
/// Friction of a sliding aircraft on the ground.
const FRICTION: f64 = 0.65;

/// Coefficient of restitution at an impact angle above the horizon, rad.
fn restitution(angle: f64) -> f64 {
    let deg = angle.to_degrees().clamp(10.0, 90.0);
    0.8 - 0.2 * (deg - 10.0) / 80.0
}

/// Way that an aircraft of `mass`, kg, slides after it hits the ground at `speed`, m/s, under
/// `angle`, rad above the horizon, until less than `energy`, J, is left in it: the horizontal speed
/// falls to e v cos(angle) at the impact and then by friction.
pub fn slide_distance(speed: f64, angle: f64, mass: f64, energy: f64) -> f64 {
    let v = restitution(angle) * speed * angle.cos();
    let safe = (2.0 * energy / mass.max(1e-9)).sqrt();
    let t = ((v - safe) / (FRICTION * STANDARD_GRAVITY)).max(0.0);
    v * t - 0.5 * FRICTION * STANDARD_GRAVITY * t * t
}

/// Distance over which air takes the energy of a blade of `mass`, kg, and planform `area`, m^2, from
/// `energy`, J, down to `limit`, J: v = v0 exp(-x/L), L = 2 m/(rho C_D A). A tumbling blade shows
/// half its planform on average and has C_D = 1 (assumptions, no source).
pub fn fragment_distance(mass: f64, area: f64, energy: f64, limit: f64, density: f64) -> f64 {
    let reach = 2.0 * mass / (density * 0.5 * area).max(1e-12);
    if energy <= limit || !reach.is_finite() { 0.0 } else { 0.5 * reach * (energy / limit).ln() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(what: &str, source: &str, expected: f64, computed: f64, tolerance: &str) {
        println!("VALIDATION|cards|{what}|{source}|{expected}|{computed}|{tolerance}");
    }

    #[test]
    fn val_critical_injury_energy() {
        // 11 ft-lb of 14 CFR 107.120 in joule, by the definitions of foot and pound-force.
        line(
            "11 ft-lb, J",
            "14 CFR 107.120; definition of the units",
            14.9140,
            CRITICAL_INJURY,
            "0.0001 absolute",
        );
        assert!((CRITICAL_INJURY - 14.9140).abs() < 1e-4);
    }

    #[test]
    fn val_slide_of_the_critical_area_model() {
        // JARUS SORA Annex F critical area, computed with PyPI `casex` (Aalborg University): rows
        // 3 m / 35 m/s / 50 kg, 8 m / 75 m/s / 400 kg, 20 m / 150 m/s / 5000 kg, impact at 35 deg.
        for (v, m, slide) in [(35.0, 50.0, 34.1476), (75.0, 400.0, 160.8631), (150.0, 5000.0, 643.8981)] {
            // The library takes 9.81 m/s^2; a slide goes with 1/g.
            let slide = slide * 9.81 / STANDARD_GRAVITY;
            let got = slide_distance(v, 35_f64.to_radians(), m, FATAL_FLYING_BODY);
            let what = format!("slide of {m} kg at {v} m/s, m");
            line(&what, "JARUS SORA Annex F by casex 1.1", slide, got, "0.01 %");
            assert!((got / slide - 1.0).abs() < 1e-4, "{got} {slide}");
        }
        // The 1 m row has no slide: it hits below the lethal energy of its class.
        assert_eq!(slide_distance(25.0, 35_f64.to_radians(), 3.0, 580.0), 0.0);
    }

    #[test]
    fn prop_fragments_lose_energy_as_the_drag_law_says() {
        // dE/dx = -rho C_D A v^2/2 integrated in small steps (Euler) against the closed form.
        let (m, area, rho) = (0.045, 0.02, 1.2);
        let (mut e, mut x) = (110.0, 0.0);
        while e > CRITICAL_INJURY {
            let v2 = 2.0 * e / m;
            e -= 0.5 * rho * 0.5 * area * v2 * 1e-4;
            x += 1e-4;
        }
        let got = fragment_distance(m, area, 110.0, CRITICAL_INJURY, rho);
        assert!((got - x).abs() < 0.01, "{got} {x}");
        assert_eq!(fragment_distance(m, area, 10.0, CRITICAL_INJURY, rho), 0.0);
    }
}
