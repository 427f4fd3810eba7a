//! What acts of the stated gains, by closed forms for a rotor whose thrust goes with the square of an ideal motor's voltage.

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::loops::chain::rate_chain;
use physics::loops::effect::{Effect, on_full_battery};
use physics::mass::mass_properties;
use physics::powertrain::operating_point;

use crate::flight::{quad, sea_level};

fn check(what: &str, source: &str, want: f64, got: f64) {
    println!("VALIDATION|loops|{what}|{source}|{want:.6}|{got:.6}|1e-4 relative");
    assert!((got / want - 1.0).abs() < 1e-4, "{what}: {got}, {want}");
}

/// No losses in motor and ESC: U = K w.
fn ideal() -> (Aircraft, f64) {
    let mut a = quad();
    a.avionics_power = 0.0;
    let motor = a.motor.as_mut().unwrap();
    (motor.resistance, motor.no_load_current) = (1e-9, 0.0);
    a.esc.as_mut().unwrap().resistance = 0.0;
    let thrust = mass_properties(&a.bodies).mass * STANDARD_GRAVITY / 4.0;
    (a, thrust)
}

#[test]
fn val_gain_of_a_square_law() {
    let (mut a, hover) = ideal();
    let density = sea_level().density;
    let (full, low, loaded) = (24.0, 20.4, 1.3 * hover);
    // Thrust k (c V)^2: dT/dc = 2 k c V^2 = 2 V sqrt(k T).
    let ratio: f64 = low / full;
    let root = (loaded / hover).sqrt();
    for (linearised, corrected, want) in
        [(true, false, ratio * ratio), (true, true, 1.0), (false, false, ratio * root), (false, true, root)]
    {
        let l = a.rate_loop.as_mut().unwrap();
        (l.linearised, l.voltage_corrected, l.set_up_at) = (linearised, corrected, None);
        let e = Effect::new(&a, (hover, full), density).unwrap();
        let what =
            format!("loop gain on a low bus with payload, linearised {linearised}, corrected {corrected}");
        check(&what, "dT/dc of thrust k (c V)^2", want, e.gain(loaded, low).unwrap());
        // The same output at another nominal voltage: all of the change is in the stated gains' own place.
        let mut b = a.clone();
        b.rate_loop.as_mut().unwrap().set_up_at = Some(22.0);
        let e = Effect::new(&b, (hover, full), density).unwrap();
        check(
            &format!("{what}, over the full battery's, set up at 22 V"),
            "the same",
            want,
            e.over_full(loaded, low).unwrap(),
        );
    }
    // A chain is that of the full battery, whatever voltage its gains were set up at.
    let bus = operating_point(&a, &[hover; 4], 1.0, 1.225).unwrap().bus_voltage;
    let l = a.rate_loop.as_mut().unwrap();
    (l.linearised, l.voltage_corrected, l.set_up_at) = (true, false, Some(22.0));
    check(
        "loop gain on a full battery, gains set up at 22 V",
        "(V/22 V)^2",
        (bus / 22.0).powi(2),
        on_full_battery(&a),
    );
    let chain = rate_chain(&a, 0, 0.012, 0.0).unwrap();
    check("proportional gain as it acts", "14 (V/22 V)^2", 14.0 * (bus / 22.0).powi(2), chain.acting());
    a.rate_loop.as_mut().unwrap().voltage_corrected = true;
    check("loop gain on a full battery, corrected", "no voltage in it", 1.0, on_full_battery(&a));
}

#[test]
fn val_lift_on_a_bus_that_sags() {
    let (mut a, hover) = ideal();
    let density = sea_level().density;
    let battery = a.battery.as_mut().unwrap();
    battery.polarisation_resistance = 0.0;
    battery.cell_resistance = 8e-3;
    let point = operating_point(&a, &[hover; 4], 1.0, density).unwrap();
    let (v, e) = (point.bus_voltage, point.open_circuit_voltage);
    // V^2 - E V + R P = 0 with P going with U^3: dlnV/dlnU = -3 (E - V)/(2 V - E); c = U/V.
    let sag = -3.0 * (e - v) / (2.0 * v - e);
    let lift = |a: &Aircraft| Effect::new(a, (hover, v), density).unwrap().lift(&[hover; 4], 1.0).unwrap();
    let stiff = |mut a: Aircraft| {
        let b = a.battery.as_mut().unwrap();
        (b.cell_resistance, b.lead_resistance) = (0.0, 0.0);
        lift(&a).relative
    };
    let source = "dT/dT asked of thrust k (c V)^2 on V^2 - E V + R P = 0";
    check("lift gained per lift asked, linearised", source, 1.0 / (1.0 - sag), lift(&a).gain);
    check(
        "share of lift per share asked, stiff bus, linearised",
        "thrust asked is thrust",
        1.0,
        stiff(a.clone()),
    );
    let l = a.rate_loop.as_mut().unwrap();
    l.linearised = false;
    check("lift gained per lift asked, not linearised", source, 1.0 / (1.0 - sag), lift(&a).gain);
    check("share of lift per share asked, not linearised", source, 2.0 / (1.0 - sag), lift(&a).relative);
    check("share of lift per share asked, stiff bus, not linearised", "square law", 2.0, stiff(a.clone()));
    a.rate_loop.as_mut().unwrap().voltage_corrected = true;
    check("lift gained per lift asked, corrected for voltage", "no voltage in it", 1.0, lift(&a).gain);
}
