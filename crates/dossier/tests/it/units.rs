//! Quantities with units and tolerances.

use dossier::units::{Dimension, UNITS, UnitError, format, parse_quantity, parse_unit};
use proptest::prelude::*;

fn si(text: &str, d: Dimension) -> f64 {
    parse_quantity(text, d).unwrap_or_else(|e| panic!("{text}: {e}")).value
}

/// Sizes of units against scipy.constants (see reference/make_units.py), which takes them from
/// NIST SP 811 and CODATA.
#[test]
fn val_units_against_scipy() {
    let table = include_str!("../../../../reference/units.csv");
    let mut checked = 0;
    for row in table.lines().filter(|l| !l.starts_with('#') && !l.starts_with("unit,")) {
        let [unit, dimension, value] = row.split(',').collect::<Vec<_>>()[..] else { panic!("{row}") };
        let d = *Dimension::ALL
            .iter()
            .find(|d| serde_json::to_value(d).unwrap() == dimension)
            .unwrap_or_else(|| panic!("{dimension}"));
        let expected: f64 = value.parse().unwrap();
        let computed = si(&format!("1 {unit}"), d);
        println!(
            "VALIDATION|units|1 {unit} in {}|scipy.constants (NIST SP 811, CODATA)|{expected}|{computed}|1e-15 relative",
            d.si()
        );
        assert!((computed - expected).abs() <= 1e-15 * expected.abs(), "{unit}: {computed} {expected}");
        checked += 1;
    }
    assert!(checked >= 30, "{checked}");
}

/// JCGM 100:2008, 4.3.7: a rectangular distribution of half-width a has standard uncertainty
/// a/sqrt(3).
#[test]
fn val_tolerance_is_a_half_width() {
    for (text, d, value, half) in [
        ("0.105 +- 3 %", Dimension::Ratio, 0.105, 0.00315),
        ("1.32 kg +- 10 g", Dimension::Mass, 1.32, 0.01),
        ("1e-4 kg m^2 +- 5 %", Dimension::Inertia, 1e-4, 5e-6),
        ("25 degC \u{b1} 2 K", Dimension::Temperature, 298.15, 2.0),
        ("77 degF +/- 1.8 degF", Dimension::Temperature, 298.15, 1.0),
        ("25 degC +- 1 degC", Dimension::Temperature, 298.15, 1.0),
        ("0.05 +- 0.01", Dimension::Ratio, 0.05, 0.01),
        ("-20 mm +- 2 mm", Dimension::Length, -0.02, 2e-3),
        ("62 mohm +- 0 %", Dimension::Resistance, 0.062, 0.0),
    ] {
        let q = parse_quantity(text, d).unwrap_or_else(|e| panic!("{text}: {e}"));
        let expected = half / 3.0_f64.sqrt();
        let got = q.uncertainty.unwrap();
        println!(
            "VALIDATION|units|standard uncertainty of {text}|JCGM 100:2008, 4.3.7|{expected}|{got}|1e-12 relative"
        );
        assert!((q.value - value).abs() <= 1e-12 * value.abs(), "{text}: {}", q.value);
        assert!((got - expected).abs() <= 1e-12 * expected, "{text}: {got}");
    }
}

/// The same quantity written in several ways, by hand from the definitions.
#[test]
fn val_compound_units_by_hand() {
    for (text, d, expected) in [
        ("400 rpm/V", Dimension::VelocityConstant, 400.0 * std::f64::consts::TAU / 60.0),
        ("0.4 krpm/V", Dimension::VelocityConstant, 400.0 * std::f64::consts::TAU / 60.0),
        ("8 Ah", Dimension::Charge, 28_800.0),
        ("8 A h", Dimension::Charge, 28_800.0),
        ("28800 A s", Dimension::Charge, 28_800.0),
        ("950 g cm^2", Dimension::Inertia, 9.5e-5),
        ("950 g\u{b7}cm\u{b2}", Dimension::Inertia, 9.5e-5),
        ("9.5e-5 N m s^2", Dimension::Inertia, 9.5e-5),
        ("40 g mm", Dimension::Unbalance, 4e-5),
        ("80 ug/sqrt(Hz)", Dimension::AccelNoise, 80e-6 * 9.806_65),
        ("80 \u{b5}g/sqrt(Hz)", Dimension::AccelNoise, 80e-6 * 9.806_65),
        ("0.3 (deg/s)/sqrt(Hz)", Dimension::GyroNoise, 0.3_f64.to_radians()),
        ("16 g", Dimension::Acceleration, 156.9064),
        ("16 g", Dimension::Mass, 0.016),
        ("22 1/s", Dimension::Rate, 22.0),
        ("22/s", Dimension::Rate, 22.0),
        ("60 s^-2", Dimension::RateSquared, 60.0),
        ("36 km/h", Dimension::Speed, 10.0),
        ("1.225 kg/m\u{b3}", Dimension::Density, 1.225),
        ("5 %", Dimension::Ratio, 0.05),
        ("18 min", Dimension::Time, 1080.0),
        ("15in", Dimension::Length, 0.381),
        ("+.5 m", Dimension::Length, 0.5),
    ] {
        let got = si(text, d);
        assert!((got - expected).abs() <= 4e-16 * expected.abs(), "{text}: {got} {expected}");
    }
    // Decimal sizes give the nearest number, not its neighbour.
    assert_eq!(si("35 mm", Dimension::Length), 0.035);
    assert_eq!(si("310 mm", Dimension::Length), 0.31);
    assert_eq!(si("15 in", Dimension::Length), 0.381);
    assert_eq!(si("0.3 ms", Dimension::Time), 0.3e-3);
}

#[test]
fn regress_what_is_refused_says_what_would_be_right() {
    use Dimension as D;
    for (text, d, message, help) in [
        ("", D::Length, "nothing", "15 in"),
        ("15", D::Length, "no unit", "15 in"),
        ("15 kg", D::Length, "a mass; expected a length", "15 in"),
        ("15 inches", D::Length, "not known", "did you mean `in`"),
        ("15 furlong", D::Length, "not known", "units: mm, cm, m, in, ft"),
        ("1,320 g", D::Mass, "comma", "`1320`"),
        ("1,32 kg", D::Mass, "comma", "`1.32`"),
        ("1 320 g", D::Mass, "space", "`1320`"),
        ("1'320 g", D::Mass, "apostrophe", "`1320`"),
        ("1_320 g", D::Mass, "underscore", "`1320`"),
        ("1.320.000 g", D::Mass, "second point", "1320"),
        ("nan kg", D::Mass, "finite", "1.2 kg"),
        ("-inf", D::Ratio, "finite", "0.105"),
        ("1e999 kg", D::Mass, "finite", "1.2 kg"),
        ("heavy", D::Mass, "begin with a number", "1.2 kg"),
        ("1 kg +- 2", D::Mass, "no unit", "3 %"),
        ("1 kg +-", D::Mass, "not a number", "3 %"),
        ("1 kg +- 2 mm", D::Mass, "a length", "3 %"),
        ("1 kg +- -2 %", D::Mass, "negative", "half-width"),
        ("5 % +- 1 %", D::Ratio, "two ways", "0.05 +- 0.01"),
        ("25 degC +- 5 %", D::Temperature, "arbitrary zero", "2 K"),
        ("0 m +- 5 %", D::Length, "zero", "0 m +- 2 m"),
        ("1 +- 0.1 kg", D::Mass, "no unit", "1.2 kg"),
        ("3 kg/m s", D::Density, "two ways", "brackets"),
        ("3 m^2", D::Length, "an area", "15 in"),
        ("3 m^", D::Length, "not known", "15 in"),
        ("3 m2", D::Area, "not known", "`m^2`"),
        ("3 ()", D::Length, "not known", "15 in"),
        ("3 sqrt(m)", D::Length, "another quantity", "15 in"),
        ("25 degC", D::TemperatureDifference, "", ""),
    ] {
        match parse_quantity(text, d) {
            Ok(q) => {
                // A difference in degrees Celsius is the same in kelvin.
                assert!(message.is_empty() && q.value == 25.0, "{text} was read as {q:?}");
            }
            Err(e) => {
                assert!(e.to_string().contains(message), "{text}: {e}");
                assert!(e.help().contains(help), "{text}: {}", e.help());
            }
        }
    }
    assert!(parse_unit("N m", Dimension::Energy).is_ok());
    assert!(matches!(parse_unit("%", Dimension::Length), Err(UnitError::WrongDimension { .. })));
}

#[test]
fn prop_examples_and_offers_are_units() {
    for d in Dimension::ALL {
        assert!(parse_quantity(d.example(), *d).is_ok(), "{}", d.example());
        for unit in d.offers().split(", ").filter(|u| !u.starts_with("none") && *u != "or %") {
            assert!(parse_unit(unit, *d).is_ok(), "{unit} for {d}");
        }
        assert_eq!(
            parse_unit(if *d == Dimension::Ratio { "" } else { d.si() }, *d).unwrap().to_si(1.0),
            1.0,
            "{d}"
        );
    }
    assert!(UNITS.iter().all(|u| !u.source.is_empty() && u.factor() > 0.0));
}

proptest! {
    /// What is printed is read back: the value exactly, the uncertainty to rounding.
    #[test]
    fn prop_round_trip(
        mantissa in -1.0_f64..1.0,
        exponent in -12_i32..12,
        relative in proptest::option::of(0.0_f64..0.5),
        which in 0..Dimension::ALL.len(),
    ) {
        let d = Dimension::ALL[which];
        let value = mantissa * 10.0_f64.powi(exponent);
        let uncertainty = relative.map(|r| r * value.abs());
        let text = format(value, uncertainty, d);
        let q = parse_quantity(&text, d).unwrap_or_else(|e| panic!("{text}: {e}"));
        prop_assert_eq!(q.value, value, "{}", text);
        match (q.uncertainty, uncertainty) {
            (None, None) => {}
            (Some(a), Some(b)) => prop_assert!((a - b).abs() <= 1e-15 * b, "{} {} {}", text, a, b),
            other => prop_assert!(false, "{} {:?}", text, other),
        }
    }

    /// Any text is read or refused, without panic; a refusal has a message and a remedy.
    #[test]
    fn prop_any_text(text in "\\PC{0,40}", which in 0..Dimension::ALL.len()) {
        match parse_quantity(&text, Dimension::ALL[which]) {
            Ok(q) => prop_assert!(q.value.is_finite() && q.uncertainty.is_none_or(|u| u.is_finite() && u >= 0.0)),
            Err(e) => prop_assert!(!e.to_string().is_empty() && !e.help().is_empty()),
        }
    }

    /// Near-quantities: numbers, marks and units thrown together.
    #[test]
    fn prop_near_quantities(
        parts in proptest::collection::vec(
            proptest::sample::select(vec!["1", "2.5", "-", "+-", "\u{b1}", "%", " ", "kg", "m", "/", "^", "2", "(", ")", "sqrt(", "g", "degC", ",", ".", "e", "1e5", "\u{b2}", "*"]),
            0..10,
        ),
        which in 0..Dimension::ALL.len(),
    ) {
        let text = parts.concat();
        if let Ok(q) = parse_quantity(&text, Dimension::ALL[which]) {
            prop_assert!(q.value.is_finite());
        }
    }
}
