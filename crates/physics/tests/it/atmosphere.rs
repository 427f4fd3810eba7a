//! Air against ISO 2533 and CIPM-2007.

use physics::atmosphere::{Air, AtmosphereError, air, air_at_pressure, air_at_temperature};

use crate::table::{close, number, report, rows};

const TABLE: &str = include_str!("../../reference/atmosphere.csv");

#[test]
fn val_iso2533_rows_by_geometric_height() {
    let source = "ISO 2533:1975, by ambiance 1.3.1";
    for row in rows(TABLE).iter().filter(|row| row[0] == "iso") {
        let height = number(&row[1]);
        let found = air(height, 0.0, 0.0).unwrap();
        // From 0 to 11 km the reference starts from exact sea level: its printed digits, 1e-7. Elsewhere
        // it starts from base pressures that it rounds to six digits: half a digit of 1.13e4, 4e-6.
        let exact = (0.0..=11_000.0).contains(&height);
        let (tolerance, words) = if exact { (1e-7, "1e-7 relative") } else { (4e-6, "4e-6 relative") };
        let pairs = [
            ("pressure, Pa", number(&row[2]), found.pressure),
            ("temperature, K", number(&row[3]), found.temperature),
            ("density, kg/m^3", number(&row[5]), found.density),
            ("speed of sound, m/s", number(&row[6]), found.sound_speed),
            ("viscosity, Pa s", number(&row[7]), found.viscosity),
        ];
        for (what, expected, computed) in pairs {
            assert!(close(expected, computed, tolerance), "{what} at {height} m: {expected} {computed}");
            if [2000.0, 15_000.0, 32_000.0].contains(&height) && what.contains(", Pa") {
                report("atmosphere", &format!("{what}, at {height} m"), source, expected, computed, words);
            }
            if height == 2000.0 && what.starts_with("density") {
                report("atmosphere", &format!("{what}, at {height} m"), source, expected, computed, words);
            }
        }
    }
}

#[test]
fn val_moist_air_against_cipm_2007() {
    for row in rows(TABLE).iter().filter(|row| row[0] == "cipm") {
        let (pressure, temperature, humidity) = (number(&row[2]), number(&row[3]), number(&row[4]));
        let found = air_at_pressure(pressure, temperature, humidity).unwrap().density;
        let expected = number(&row[5]);
        // An ideal gas leaves out the compressibility, 0.03 to 0.06 %.
        assert!(close(expected, found, 7e-4), "{pressure} {temperature} {humidity}: {expected} {found}");
        let what = format!("density, kg/m^3, {pressure} Pa, {temperature} K, humidity {humidity}");
        report("atmosphere", &what, "CIPM-2007 (Picard et al. 2008)", expected, found, "7e-4 relative");
    }
}

#[test]
fn prop_warm_and_moist_air_is_thinner_at_the_same_pressure() {
    let cold = air(640.0, -10.0, 0.0).unwrap();
    let warm = air(640.0, 20.0, 0.0).unwrap();
    assert!((cold.pressure - warm.pressure).abs() < 1e-9);
    // Ideal gas at one pressure: density goes as 1/T.
    assert!(close(cold.density * cold.temperature, warm.density * warm.temperature, 1e-14));
    let moist = air(640.0, 20.0, 1.0).unwrap();
    assert!(moist.density < warm.density && moist.sound_speed > warm.sound_speed);
    let again = air_at_temperature(640.0, warm.temperature, 0.0).unwrap();
    assert!(close(warm.density, again.density, 1e-14));
}

#[test]
fn prop_the_layers_join() {
    for edge in [11_019.07, 20_063.12] {
        let (below, above) = (air(edge - 0.05, 0.0, 0.0).unwrap(), air(edge + 0.05, 0.0, 0.0).unwrap());
        assert!(close(below.pressure, above.pressure, 3e-5));
        assert!((below.temperature - above.temperature).abs() < 1e-3);
    }
}

#[test]
fn regress_outside_the_model_is_an_error() {
    let error = |result: Result<Air, AtmosphereError>| result.unwrap_err().to_string();
    assert_eq!(error(air(40_000.0, 0.0, 0.0)), "altitude 40000 m is outside -2000 m to 32000 m");
    assert_eq!(
        error(air_at_temperature(0.0, 12.0, 0.0)),
        "air temperature 12 K is outside 173.15 K to 343.15 K"
    );
    assert_eq!(error(air(0.0, 0.0, 60.0)), "relative humidity 60 is outside 0 to 1");
    assert!(matches!(air(31_000.0, 100.0, 1.0), Err(AtmosphereError::VapourPressure { .. })));
    assert!(
        air(f64::NAN, 0.0, 0.0).is_err()
            && air(0.0, f64::NAN, 0.0).is_err()
            && air(0.0, 0.0, f64::NAN).is_err()
    );
}
