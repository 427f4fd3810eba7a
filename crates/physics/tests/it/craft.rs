//! An aircraft of invented parts for the checks of flight, of forward flight and of the way home.

use physics::Vec3;
use physics::aircraft::{Aircraft, Battery, Body, Chemistry, Esc, Motor, Shape, Station};
use physics::rotor::{Coefficients, Rotor};

/// A mass at a point.
pub(crate) fn point(item: &str, mass: f64, at: Vec3) -> Body {
    Body { item: item.to_owned(), mass, at, shape: Shape::Point, payload: false }
}

/// Six cells, 15 in rotors, no loops.
pub(crate) fn craft(stations: Vec<Station>, bodies: Vec<Body>) -> Aircraft {
    Aircraft {
        name: "craft".to_owned(),
        stations,
        bodies,
        rotor: Rotor {
            diameter: 0.381,
            pitch: Some(0.127),
            blades: 2,
            inertia: 9.5e-5,
            unbalance: 0.0,
            download: 0.0,
            coefficients: Coefficients::Constant { ct: 0.105, cp: 0.040 },
        },
        motor: Some(Motor {
            kv: 41.9,
            resistance: 0.062,
            no_load_current: 0.9,
            no_load_voltage: 10.0,
            no_load_growth: 0.0,
            inertia: 2.5e-5,
            max_current: Some(40.0),
            winding_temperature: 298.15,
            thermal: None,
        }),
        esc: Some(Esc {
            resistance: 0.003,
            dead_time: 1.5e-3,
            update_period: 0.5e-3,
            protocol_period: 0.1e-3,
            braking: true,
            response_up: None,
            response_down: None,
            usable_minimum: 0.04,
            max_current: None,
            switching_frequency: 0.0,
            edge_time: 0.0,
        }),
        battery: Some(Battery {
            chemistry: Chemistry::Lipo,
            series: 6,
            parallel: 1,
            capacity: 8.0 * 3600.0,
            cell_resistance: 2.4e-3,
            lead_resistance: 4.0e-3,
            polarisation_resistance: 1.5e-3,
            polarisation_time: 30.0,
            cutoff: 3.3,
            reserve: 0.2,
            max_current: None,
        }),
        avionics_power: 9.0,
        imu: None,
        filters: Vec::new(),
        rate_loop: None,
        attitude_loop: None,
        velocity_loop: None,
        position_loop: None,
        drag_area: 0.03,
        structure: Default::default(),
        magnetic: Default::default(),
        sensors: Default::default(),
        safety: Default::default(),
    }
}
