//! From the keys of a file and the values of its numbers to the aircraft that the models take.

use physics::Vec3;
use physics::aircraft::{
    Aircraft, AttitudeLoop, Battery, Body, Chemistry, Esc, Filter, Imu, Motor, PositionLoop, RateLoop, Shape,
    Spin, Station, VelocityLoop, WindingHeat,
};
use physics::homeward::Safety;
use physics::layout;
use physics::magnetic::Magnetic;
use physics::mass::{Whole, agree_with};
use physics::powertrain::thermal::cell_resistance_factor;
use physics::rotor::{Coefficients, Rotor, Table};
use physics::sensors::{Barometer, Bias, Magnetometer, Satellite, Sensors};
use physics::structure::Structure;

use super::blade::{Solved, scaled};
use super::fields::{Fields, Input};
use super::place::{lower_of_pairs, place_names};
use super::{bearing, leads, safety};

/// The parsed form of a file: keys with indices into the list of numbers.
#[derive(Debug, Clone)]
pub(crate) struct Draft {
    pub(crate) sections: Vec<Fields>,
    pub(crate) inputs: Vec<Input>,
    pub(crate) table: Option<Table>,
    /// The rotor by its blade, where the file gives one.
    pub(crate) blade: Option<Solved>,
}

impl Draft {
    /// The section, where it stands.
    pub(crate) fn one(&self, name: &str) -> Option<&Fields> {
        self.sections.iter().find(|f| f.section == name)
    }
    /// The items of a repeated section.
    pub(crate) fn many<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Fields> + 'a {
        self.sections.iter().filter(move |f| f.section == name)
    }
    /// Values as they stand in the file.
    pub(crate) fn values(&self) -> Vec<f64> {
        self.inputs.iter().map(|i| i.line.value).collect()
    }
}

pub(crate) fn spin(word: &str) -> Spin {
    if word == "cw" { Spin::Cw } else { Spin::Ccw }
}

pub(super) fn vector(a: [f64; 3]) -> Vec3 {
    Vec3::new(a[0], a[1], a[2])
}

/// Stations from layout and arm, or from the list. `None` while a needed key is missing.
pub(crate) fn stations(draft: &Draft, v: &[f64]) -> Option<Vec<Station>> {
    let aircraft = draft.one("aircraft")?;
    if let Some(name) = aircraft.word("layout") {
        let cant = aircraft.number("cant", v).unwrap_or(0.0);
        let with = aircraft.word("cant_sense") != Some("against-reaction");
        let mut all = layout::stations(name, aircraft.number("arm", v)?, cant, with)?;
        if let Some(words) = aircraft.words("spins") {
            for (s, word) in all.iter_mut().zip(words) {
                s.spin = spin(word);
                s.axis = layout::canted_axis(s.at, s.spin, cant, with);
            }
        }
        return Some(all);
    }
    let mut all = Vec::new();
    for s in draft.many("station") {
        let at = vector(s.triple("at", v)?);
        let spin = spin(s.word("spin")?);
        let axis = if s.stated("axis") {
            let axis = vector(s.triple("axis", v)?);
            let length = axis.norm();
            if length > 0.0 { axis / length } else { Vec3::new(0.0, 0.0, -1.0) }
        } else {
            let with = s.word("cant_sense") != Some("against-reaction");
            layout::canted_axis(at, spin, s.number("cant", v).unwrap_or(0.0), with)
        };
        all.push(Station { place: s.text("place").unwrap_or("").to_owned(), at, axis, spin, below: None });
    }
    let diameter = draft.one("rotor").and_then(|r| r.number("diameter", v)).unwrap_or(0.0);
    let below = lower_of_pairs(&all, 0.05 * diameter);
    let names = place_names(&all, &below);
    for ((s, below), name) in all.iter_mut().zip(below).zip(names) {
        s.below = below;
        if s.place.is_empty() {
            s.place = name;
        }
    }
    Some(all)
}

fn shape(item: &Fields, v: &[f64]) -> Option<Shape> {
    if item.stated("box") {
        Some(Shape::Box { sides: item.triple("box", v)? })
    } else if item.stated("rod") {
        Some(Shape::Rod { span: vector(item.triple("rod", v)?) })
    } else if item.stated("cylinder") {
        let c = item.nested("cylinder")?;
        let axis = match c.word("axis")? {
            "x" => Vec3::x(),
            "y" => Vec3::y(),
            _ => Vec3::z(),
        };
        Some(Shape::Cylinder { radius: c.number("radius", v)?, length: c.number("length", v)?, axis })
    } else {
        Some(Shape::Point)
    }
}

fn bodies(draft: &Draft, stations: &[Station], v: &[f64]) -> Option<Vec<Body>> {
    let mut all = Vec::new();
    for item in draft.many("mass") {
        let name = item.text("item")?;
        let mass = item.number("mass", v)?;
        let payload = item.flag("payload")?;
        let shape = shape(item, v)?;
        if item.flag("per_rotor")? {
            let offset = if item.stated("at") { vector(item.triple("at", v)?) } else { Vec3::zeros() };
            all.extend(stations.iter().map(|s| Body {
                item: format!("{name}, {}", s.place),
                mass,
                at: s.at + offset,
                shape,
                payload,
            }));
        } else {
            all.push(Body { item: name.to_owned(), mass, at: vector(item.triple("at", v)?), shape, payload });
        }
    }
    Some(all)
}

fn rotor(draft: &Draft, v: &[f64]) -> Option<Rotor> {
    let r = draft.one("rotor")?;
    let coefficients = match (&draft.table, &draft.blade) {
        (Some(table), _) => {
            let mut table = table.clone();
            let (ct, cp) = (r.number("ct_scale", v)?, r.number("cp_scale", v)?);
            table.ct.iter_mut().flatten().for_each(|x| *x *= ct);
            table.cp.iter_mut().flatten().for_each(|x| *x *= cp);
            Coefficients::Table(table)
        }
        (None, Some(blade)) => Coefficients::Table(scaled(blade, r, v)?),
        (None, None) => Coefficients::Constant { ct: r.number("ct", v)?, cp: r.number("cp", v)? },
    };
    let (diameter, pitch) = (r.number("diameter", v)?, r.number("pitch", v));
    let off = |key: &str| r.number(key, v).unwrap_or(0.0);
    let coefficients =
        coefficients.off_in_advance(pitch.map(|p| p / diameter), off("ct_advance"), off("cp_advance"));
    Some(Rotor {
        diameter,
        pitch,
        blades: count(r, "blades", v)?,
        inertia: r.number("inertia", v)?,
        unbalance: r.number("unbalance", v)?,
        download: draft.one("aircraft").and_then(|a| a.number("download", v)).unwrap_or(0.0),
        coefficients,
    })
}

/// A count; its range has been checked, so the conversion is exact.
fn count(f: &Fields, name: &str, v: &[f64]) -> Option<u32> {
    let x = f.number(name, v)?;
    (x >= 0.0 && x <= f64::from(u32::MAX)).then_some(x as u32)
}

fn motor(m: &Fields, v: &[f64]) -> Option<Motor> {
    Some(Motor {
        kv: m.number("kv", v)?,
        resistance: m.number("resistance", v)?,
        no_load_current: m.number("no_load_current", v)?,
        no_load_voltage: m.number("no_load_voltage", v)?,
        no_load_growth: m.number("no_load_growth", v).unwrap_or(0.0),
        inertia: m.number("inertia", v)?,
        max_current: m.number("max_current", v),
        winding_temperature: m.number("winding_temperature", v)?,
        thermal: winding_heat(m, v),
    })
}

/// How long a burst of full thrust lasts where it is not stated, s (common practice, no source).
const USUAL_BURST: f64 = 10.0;

/// All three numbers, or nothing is known.
fn winding_heat(m: &Fields, v: &[f64]) -> Option<WindingHeat> {
    Some(WindingHeat {
        rise: m.number("winding_rise", v)?,
        current: m.number("winding_rise_current", v)?,
        time: m.number("winding_time", v)?,
        limit: m.number("winding_limit", v),
        burst: m.number("winding_burst", v).unwrap_or(USUAL_BURST),
        air: physics::powertrain::thermal::STANDARD_ROOM,
    })
}

fn esc(e: &Fields, v: &[f64]) -> Option<Esc> {
    Some(Esc {
        resistance: e.number("resistance", v)?,
        dead_time: e.number("dead_time", v)?,
        update_period: e.number("update_period", v)?,
        protocol_period: e.number("protocol_period", v)?,
        switching_frequency: e.number("switching_frequency", v).unwrap_or(0.0),
        edge_time: e.number("edge_time", v).unwrap_or(0.0),
        braking: e.flag("braking")?,
        response_up: e.number("response_up", v),
        response_down: e.number("response_down", v),
        usable_minimum: e.number("usable_minimum", v)?,
        max_current: e.number("max_current", v),
    })
}

fn battery(b: &Fields, v: &[f64]) -> Option<Battery> {
    let cold = b.number("temperature", v).map_or(1.0, cell_resistance_factor);
    let left = b.number("capacity_left", v).unwrap_or(1.0);
    Some(Battery {
        chemistry: match b.word("chemistry")? {
            "lipo-hv" => Chemistry::LipoHv,
            "li-ion-nmc" => Chemistry::LiIonNmc,
            _ => Chemistry::Lipo,
        },
        series: count(b, "series", v)?,
        parallel: count(b, "parallel", v)?,
        capacity: left * b.number("capacity", v)?,
        cell_resistance: cold * b.number("cell_resistance", v)?,
        lead_resistance: b.number("lead_resistance", v)?,
        polarisation_resistance: cold * b.number("polarisation_resistance", v)?,
        polarisation_time: b.number("polarisation_time", v)?,
        cutoff: b.number("cutoff", v)?,
        reserve: b.number("reserve", v)?,
        max_current: b.number("max_current", v),
    })
}

fn imu(i: &Fields, v: &[f64]) -> Option<Imu> {
    Some(Imu {
        sample_period: 1.0 / i.number("sample_rate", v)?,
        delay: i.number("delay", v)?,
        rate_range: i.number("rate_range", v)?,
        rate_noise: i.number("rate_noise", v)?,
        accel_range: i.number("accel_range", v)?,
        accel_noise: i.number("accel_noise", v)?,
        at: vector(i.triple("at", v)?),
    })
}

/// Sensors beside the inertial unit, and its bias.
fn sensors(draft: &Draft, v: &[f64]) -> Option<Sensors> {
    let bias = draft.one("imu").map_or_else(Bias::default, |i| {
        let number = |name: &str| i.number(name, v).unwrap_or(0.0);
        Bias {
            rate: number("rate_bias"),
            rate_drift: number("rate_drift"),
            accel: number("accel_bias"),
            accel_drift: number("accel_drift"),
        }
    });
    let magnetometer = draft.one("magnetometer").and_then(|m| {
        Some(Magnetometer {
            period: 1.0 / m.number("rate", v)?,
            delay: m.number("delay", v).unwrap_or(0.0),
            noise: m.number("noise", v)?,
            bias: m.number("bias", v).unwrap_or(0.0),
        })
    });
    Some(Sensors {
        bias,
        magnetometer,
        barometer: section(draft, "barometer", v, |b, v| {
            Some(Barometer {
                period: 1.0 / b.number("rate", v)?,
                lag: b.number("lag", v)?,
                noise: b.number("noise", v)?,
                drift: b.number("drift", v)?,
                wash: b.number("wash", v)?,
                ram: b.number("ram", v)?,
            })
        })?,
        satellite: section(draft, "satellite", v, |s, v| {
            Some(Satellite {
                period: 1.0 / s.number("rate", v)?,
                delay: s.number("delay", v)?,
                position_noise: s.number("position_noise", v)?,
                correlation: s.number("correlation", v)?,
                velocity_noise: s.number("velocity_noise", v)?,
                dropout_every: s.number("dropout_every", v),
                dropout_time: s.number("dropout_time", v).unwrap_or(0.0),
            })
        })?,
    })
}

fn filter(f: &Fields, v: &[f64]) -> Option<Filter> {
    Some(match f.word("kind")? {
        "low-pass" => Filter::LowPass { order: count(f, "order", v)?, cutoff: f.number("cutoff", v)? },
        _ => Filter::Notch {
            centre: f.number("centre", v)?,
            width: f.number("width", v)?,
            floor: f.number("floor", v)?,
        },
    })
}

fn rate_loop(l: &Fields, v: &[f64]) -> Option<RateLoop> {
    Some(RateLoop {
        period: 1.0 / l.number("rate", v)?,
        delay: l.number("delay", v)?,
        p: l.triple("p", v)?,
        i: l.triple("i", v)?,
        d: l.triple("d", v)?,
        d_lag: l.number("d_lag", v)?,
        linearised: l.flag("linearised")?,
        voltage_corrected: l.flag("voltage_corrected")?,
        set_up_at: l.number("set_up_at", v),
    })
}

/// An optional section: absent is `Some(None)`, incomplete is `None`.
pub(super) fn section<T>(
    draft: &Draft,
    name: &str,
    v: &[f64],
    make: fn(&Fields, &[f64]) -> Option<T>,
) -> Option<Option<T>> {
    match draft.one(name) {
        None => Some(None),
        Some(fields) => make(fields, v).map(Some),
    }
}

/// The aircraft with the values given. `None` only for a draft with errors.
pub(crate) fn aircraft(draft: &Draft, v: &[f64]) -> Option<Aircraft> {
    let a = draft.one("aircraft")?;
    let stations = stations(draft, v)?;
    let mut bodies = bodies(draft, &stations, v)?;
    if let Some(w) = draft.one("weighed") {
        let number = |name: &str| w.number(name, v);
        let whole = Whole {
            mass: number("mass"),
            centre: ["centre_x", "centre_y"].map(number),
            inertia: ["inertia_x", "inertia_y", "inertia_z"].map(number),
        };
        agree_with(&mut bodies, &whole);
    }
    Some(Aircraft {
        name: a.text("name")?.to_owned(),
        stations,
        bodies,
        rotor: rotor(draft, v)?,
        motor: section(draft, "motor", v, motor)?,
        esc: section(draft, "esc", v, esc)?,
        battery: section(draft, "battery", v, battery)?,
        avionics_power: a.number("avionics_power", v)?,
        imu: section(draft, "imu", v, imu)?,
        filters: draft.many("filter").map(|f| filter(f, v)).collect::<Option<_>>()?,
        rate_loop: section(draft, "loop.rate", v, rate_loop)?,
        attitude_loop: section(draft, "loop.attitude", v, |l, v| {
            Some(AttitudeLoop {
                gain: l.triple("gain", v)?,
                rate_limit: l.number("rate_limit", v)?,
                full_tilt: l.number("full_tilt", v),
            })
        })?,
        velocity_loop: section(draft, "loop.velocity", v, |l, v| {
            Some(VelocityLoop {
                gain: l.number("gain", v)?,
                integral: l.number("integral", v)?,
                climb_gain: l.number("climb_gain", v)?,
                climb_integral: l.number("climb_integral", v)?,
                tilt_limit: l.number("tilt_limit", v)?,
                delay: l.number("delay", v)?,
            })
        })?,
        position_loop: section(draft, "loop.position", v, |l, v| {
            Some(PositionLoop {
                gain: l.number("gain", v)?,
                height_gain: l.number("height_gain", v)?,
                speed_limit: l.number("speed_limit", v)?,
                climb_limit: l.number("climb_limit", v)?,
            })
        })?,
        drag_area: a.number("drag_area", v)?,
        structure: Structure {
            arm: section(draft, "structure.arm", v, bearing::arm)?,
            mast: section(draft, "structure.mast", v, bearing::mast)?,
            plate: section(draft, "structure.plate", v, bearing::plate)?,
            mount: section(draft, "structure.mount", v, bearing::mount)?,
        },
        magnetic: Magnetic {
            magnetometer: section(draft, "magnetometer", v, |m, v| Some(vector(m.triple("at", v)?)))?,
            leads: draft.many("lead").map(|f| leads::lead(f, v)).collect::<Option<_>>()?,
            siting: section(draft, "siting", v, leads::room)?,
        },
        sensors: sensors(draft, v)?,
        safety: Safety {
            failsafe: section(draft, "failsafe", v, safety::failsafe)?,
            link: section(draft, "link", v, safety::link)?,
            parachute: section(draft, "parachute", v, safety::parachute)?,
        },
    })
}
