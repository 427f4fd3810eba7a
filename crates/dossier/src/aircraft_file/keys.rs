//! The keys of `aircraft.toml`: every key, its form, range, assumed tolerance and example.
//!
//! The assumed tolerances are common practice, no source: what a careful data sheet or a bench
//! with a kitchen scale and a multimeter usually gives. They are half-widths of rectangular
//! distributions (see [`crate::units`]). Counts, rates, filter settings, gains and ratings are
//! exact: they are settings, not measurements.

use super::spec::{Key, Kind, Section, Spec};
use crate::units::Dimension as D;

/// The description of `aircraft.toml`.
pub const SPEC: Spec = Spec { sections: SECTIONS, keys: KEYS, what: "aircraft file", least: LEAST };

const LEAST: &str = "begin with [aircraft] name, layout and arm; one [[mass]]; and a [rotor]";

/// Sections of `aircraft.toml`.
pub const SECTIONS: &[Section] = &[
    Section::one("aircraft", true, "Name, layout and what belongs to the whole aircraft."),
    Section::many(
        "station",
        false,
        "One rotor station; all of them replace layout and arm. Order is the numbering of rotors.",
    ),
    Section::many("mass", true, "One item with mass."),
    Section::inner("mass.cylinder", "A solid cylinder."),
    Section::one(
        "weighed",
        false,
        "What the whole aircraft without payload was found to weigh and how it turns; it goes before the sum of the items. Records of weighings, swings and falling weights fill it of themselves.",
    ),
    Section::one("rotor", true, "The rotor, the same at every station."),
    Section::one("motor", false, "The motor, the same at every station."),
    Section::one("esc", false, "The electronic speed controller, the same at every station."),
    Section::one("battery", false, "The battery."),
    Section::one("imu", false, "Inertial measurement unit."),
    Section::one(
        "structure.arm",
        false,
        "The arm, the same at every station; what stands at the hub is its tip mass.",
    ),
    Section::one("structure.mast", false, "The mast that carries a sensor above the body."),
    Section::one("structure.plate", false, "The plate that carries the electronics."),
    Section::one("structure.mount", false, "How the inertial measurement unit is held."),
    Section::one(
        "magnetometer",
        false,
        "The magnetometer. With rate and noise rehearsals estimate the heading by it.",
    ),
    Section::one("barometer", false, "The barometer that rehearsals estimate height and climb by."),
    Section::one(
        "satellite",
        false,
        "The satellite receiver that rehearsals estimate place and velocity by.",
    ),
    Section::many("lead", false, "One pair of conductors that carries motor current, there and back."),
    Section::one("siting", false, "Where the magnetometer may go."),
    Section::many("filter", false, "One filter in the gyro path, in the order of the signal."),
    Section::one("loop.rate", false, "Rate loop: demanded angular acceleration from rate error."),
    Section::one("loop.attitude", false, "Attitude loop: rate demand from attitude error."),
    Section::one(
        "loop.velocity",
        false,
        "Velocity loop: acceleration asked for from velocity error, horizontally as a tilt, vertically as thrust.",
    ),
    Section::one("loop.position", false, "Position loop: velocity demand from position error."),
    Section::one(
        "failsafe",
        false,
        "What it does by itself on low battery and lost link, and how it comes home.",
    ),
    Section::one("link", false, "The radio link that a lost link is about, at both ends."),
    Section::one("parachute", false, "A parachute, carried or thought of."),
];

const SPINS: &[&str] = &["ccw", "cw"];
const SENSES: &[&str] = &["with-reaction", "against-reaction"];

const fn quantity(
    section: &'static str,
    name: &'static str,
    dimension: D,
    example: &'static str,
    label: &'static str,
    doc: &'static str,
) -> Key {
    Key::new(section, name, Kind::Quantity(dimension), example, label, doc)
}

// Keys that arm and mast share.
const fn shape(section: &'static str) -> Key {
    let doc = "A round tube, or a solid rectangle.";
    Key::new(section, "section", Kind::Choice(SHAPES), "\"tube\"", "shape of the section", doc).required()
}

const fn side(key: Key, shape: &'static str, half_width: &'static str) -> Key {
    key.required().when("section", shape).above("0 mm", "0.5 m", THICK_WHY).give(half_width, CALLIPER)
}

const fn outer(section: &'static str, label: &'static str) -> Key {
    side(quantity(section, "outer", D::Length, "\"20 mm\"", label, "Of the tube."), "tube", "0.1 mm")
}

const fn wall(section: &'static str, label: &'static str) -> Key {
    side(quantity(section, "wall", D::Length, "\"1.5 mm\"", label, "Of the tube."), "tube", "0.05 mm")
}

const fn width(section: &'static str, label: &'static str) -> Key {
    let doc = "Horizontal side of the rectangle.";
    side(quantity(section, "width", D::Length, "\"25 mm\"", label, doc), "rectangle", "0.1 mm")
}

const fn height(section: &'static str, label: &'static str) -> Key {
    let doc = "Upright side of the rectangle.";
    side(quantity(section, "height", D::Length, "\"8 mm\"", label, doc), "rectangle", "0.1 mm")
}

const fn material(section: &'static str) -> Key {
    let (names, doc) =
        (physics::structure::material::NAMES, "Gives typical moduli and density where they are not stated.");
    Key::new(section, "material", Kind::Choice(names), "\"carbon-woven\"", "material", doc).required()
}

const fn modulus(section: &'static str, label: &'static str, doc: &'static str) -> Key {
    quantity(section, "youngs_modulus", D::Pressure, "\"70 GPa\"", label, doc)
        .within("0.1 GPa", "1000 GPa", MODULUS_WHY)
        .percent(15.0, LAYUP)
}

const fn density(section: &'static str, label: &'static str) -> Key {
    quantity(
        section,
        "density",
        D::Density,
        "\"1600 kg/m^3\"",
        label,
        "Typical of the material where not stated.",
    )
    .within("50 kg/m^3", "20000 kg/m^3", DENSITY_WHY)
    .percent(3.0, LAYUP)
}

const CANT_WHY: &str = "beyond 30 deg more than 13 % of the lift is lost, and the models assume small tilt";
const PLACE_WHY: &str = "positions are within 10 m of the reference point";
const SIZE_WHY: &str = "an item is at most 5 m long";
const TURNS: &str = "a moment of inertia is above zero and at most 10,000 kg m^2";
const RULE: &str = "a tape measure or a drawing";
const CALLIPER: &str = "a calliper";
const LAYUP: &str = "typical of the material; the part's own differs by lay-up and batch";
const SHAPES: &[&str] = &["tube", "rectangle"];
const THICK_WHY: &str = "sections and thicknesses are above zero and at most 0.5 m";
const MODULUS_WHY: &str = "moduli of solids lie between 0.1 and 1000 GPa";
const DENSITY_WHY: &str = "structural materials weigh 50 to 20000 kg/m^3";
const ROOT_WHY: &str = "a root is stiffer than 0.1 N m/rad and softer than 100 MN m/rad";
const SHEET: &str = "common spread between data sheet and part";

/// Keys of `aircraft.toml`.
pub const KEYS: &[Key] = &[
    Key::new("aircraft", "name", Kind::Text, "\"Tarn b1\"", "name", "Name, for people.").required(),
    Key::new(
        "aircraft",
        "layout",
        Kind::Choice(physics::layout::NAMES),
        "\"quad-x\"",
        "layout",
        "Named layout with equal arms; rotors are numbered clockwise seen from above, from the front right one (x) or the front one (plus). Give layout and arm, or [[station]], not both.",
    ),
    quantity("aircraft", "arm", D::Length, "\"310 mm\"", "arm, centre to hub", "Distance of every hub from the centre of the layout.")
        .within("2 cm", "5 m", "hubs closer than 2 cm or farther than 5 m from the centre are not what the models are made for")
        .give("2 mm", RULE),
    quantity("aircraft", "cant", D::Angle, "\"4 deg\"", "cant of every rotor", "Sideways tilt of every thrust axis about its arm; needs cant_sense.")
        .below("0 deg", "30 deg", CANT_WHY)
        .give("0.5 deg", "what a printed or clamped mount holds"),
    Key::new(
        "aircraft",
        "cant_sense",
        Kind::Choice(SENSES),
        "\"with-reaction\"",
        "sense of the cant",
        "Whether the tilted thrust turns the aircraft the way the rotor's own reaction does, or against it.",
    ),
    Key::new(
        "aircraft",
        "spins",
        Kind::Words(SPINS),
        "[\"ccw\", \"cw\", \"ccw\", \"cw\"]",
        "senses of rotation",
        "Sense of rotation seen from above, rotor by rotor, in place of the layout's.",
    ),
    quantity("aircraft", "drag_area", D::Area, "\"0.02 m^2\"", "drag area", "Equivalent flat-plate drag area C_D A of the airframe; zero where not stated.")
        .or("\"0 m^2\"")
        .within("0 m^2", "5 m^2", "a drag area is zero to 5 m^2")
        .percent(20.0, "estimates of drag area are rough"),
    quantity("aircraft", "download", D::Ratio, "\"2 %\"", "download on arms and body", "Share of every rotor's thrust lost as drag of what stands in its wake, about k^2 C_D S/(4 A) with S the area in the wake, A that of the disc, C_D 1.2 of a tube and 2 of a box, and k the speed of the wake over the induced speed, 1 at the disc and 2 far below; zero where not stated. ct and cp are those of the rotor alone, as on a stand.")
        .below("0", "0.3", "more than 30 % of the thrust is not lost on arms")
        .percent(30.0, "an estimate from areas"),
    quantity("aircraft", "avionics_power", D::Power, "\"9 W\"", "avionics power", "Power drawn by everything but the motors; zero where not stated.")
        .or("\"0 W\"")
        .within("0 W", "2000 W", "avionics draw 0 to 2 kW")
        .percent(10.0, SHEET),
    // Stations.
    Key::new("station", "place", Kind::Text, "\"front right\"", "place in words", "Place in words; worked out from the position where not stated."),
    Key::new("station", "at", Kind::Vector(D::Length), "[\"219 mm\", \"219 mm\", \"0 mm\"]", "hub position", "Hub from the reference point: forward, right, down.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY)
        .give("2 mm", RULE),
    quantity("station", "cant", D::Angle, "\"4 deg\"", "cant", "Sideways tilt of the thrust axis about the arm; needs cant_sense.")
        .below("0 deg", "30 deg", CANT_WHY)
        .give("0.5 deg", "what a printed or clamped mount holds"),
    Key::new(
        "station",
        "cant_sense",
        Kind::Choice(SENSES),
        "\"with-reaction\"",
        "sense of the cant",
        "Whether the tilted thrust turns the aircraft the way the rotor's own reaction does, or against it.",
    ),
    Key::new(
        "station",
        "axis",
        Kind::Direction,
        "[0.0, 0.07, -0.99755]",
        "thrust axis",
        "Unit vector of the thrust along forward, right, down, in place of cant. Rounding of its length up to half a percent is taken out.",
    )
    .within("-1.005", "1.005", "a unit vector has components from -1 to 1")
    .give("0.005", "half a degree, what a mount holds"),
    Key::new("station", "spin", Kind::Choice(SPINS), "\"ccw\"", "sense of rotation", "Sense of rotation seen from above.").required(),
    // Masses.
    Key::new("mass", "item", Kind::Text, "\"battery\"", "name of the item", "Name of the item, for people.").required(),
    quantity("mass", "mass", D::Mass, "\"1.32 kg\"", "mass", "Mass of the item, or of one of them with per_rotor.")
        .required()
        .above("0 kg", "500 kg", "an item with mass weighs more than nothing and at most 500 kg")
        .percent(1.0, "a kitchen or parcel scale"),
    Key::new("mass", "at", Kind::Vector(D::Length), "[\"0 mm\", \"0 mm\", \"35 mm\"]", "position", "Centre of mass from the reference point: forward, right, down. With per_rotor an offset from the hub, which may be left out.")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("2 mm", RULE),
    Key::new("mass", "box", Kind::Vector(D::Length), "[\"160 mm\", \"60 mm\", \"50 mm\"]", "sides", "Shape: sides along forward, right, down.")
        .within("0 m", "5 m", SIZE_WHY)
        .percent(5.0, "few items fill their box evenly"),
    Key::new(
        "mass",
        "cylinder",
        Kind::Nested("mass.cylinder"),
        "{ radius = \"14 mm\", length = \"30 mm\", axis = \"z\" }",
        "cylinder",
        "Shape: a solid cylinder.",
    ),
    Key::new("mass", "rod", Kind::Vector(D::Length), "[\"300 mm\", \"0 mm\", \"0 mm\"]", "rod from end to end", "Shape: a thin rod, the vector from one end to the other.")
        .within("-5 m", "5 m", SIZE_WHY)
        .percent(5.0, "few items are even along their length"),
    Key::new("mass", "payload", Kind::Flag, "true", "payload", "Left out in the predictions without payload.").or("false"),
    Key::new("mass", "per_rotor", Kind::Flag, "true", "one at each rotor", "The item stands once at every hub, each with this mass.").or("false"),
    quantity("mass.cylinder", "radius", D::Length, "\"14 mm\"", "radius", "Radius.")
        .required()
        .above("0 m", "5 m", SIZE_WHY)
        .percent(5.0, "few items fill their outline evenly"),
    quantity("mass.cylinder", "length", D::Length, "\"30 mm\"", "length", "Length along its axis.")
        .required()
        .above("0 m", "5 m", SIZE_WHY)
        .percent(5.0, "few items fill their outline evenly"),
    Key::new("mass.cylinder", "axis", Kind::Choice(&["x", "y", "z"]), "\"z\"", "axis", "Body axis that its own axis is parallel to.").required(),
    // The whole aircraft, measured.
    quantity("weighed", "mass", D::Mass, "\"2.41 kg\"", "mass, weighed", "Mass without payload.")
        .above("0 kg", "500 kg", "an aircraft weighs more than nothing and at most 500 kg")
        .percent(0.2, "a parcel scale"),
    quantity("weighed", "centre_x", D::Length, "\"2 mm\"", "centre of gravity x, weighed", "Forward of the reference point, without payload.")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("1 mm", "three scales and a tape measure"),
    quantity("weighed", "centre_y", D::Length, "\"0 mm\"", "centre of gravity y, weighed", "Right of the reference point, without payload.")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("1 mm", "three scales and a tape measure"),
    quantity("weighed", "inertia_x", D::Inertia, "\"0.031 kg m^2\"", "moment of inertia about x, swung", "About the body axis through the centre of gravity, without payload.")
        .above("0 kg m^2", "1e4 kg m^2", TURNS)
        .percent(3.0, "a pendulum on two wires, timed by hand"),
    quantity("weighed", "inertia_y", D::Inertia, "\"0.033 kg m^2\"", "moment of inertia about y, swung", "About the body axis through the centre of gravity, without payload.")
        .above("0 kg m^2", "1e4 kg m^2", TURNS)
        .percent(3.0, "a pendulum on two wires, timed by hand"),
    quantity("weighed", "inertia_z", D::Inertia, "\"0.054 kg m^2\"", "moment of inertia about z, swung", "About the body axis through the centre of gravity, without payload.")
        .above("0 kg m^2", "1e4 kg m^2", TURNS)
        .percent(3.0, "a pendulum on two wires, timed by hand"),
    // Rotor.
    quantity("rotor", "diameter", D::Length, "\"15 in\"", "rotor diameter", "Tip-to-tip diameter.")
        .required()
        .within("2 cm", "3 m", "rotors from 2 cm to 3 m are covered")
        .percent(0.5, "moulding and tip finish"),
    quantity("rotor", "pitch", D::Length, "\"5 in\"", "geometric pitch", "Geometric pitch.")
        .above("0 in", "3 m", "pitch is above zero and at most 3 m")
        .percent(5.0, "printed pitch is nominal"),
    Key::new("rotor", "blades", Kind::Count, "2", "number of blades", "Number of blades.")
        .required()
        .within("1", "8", "rotors have 1 to 8 blades"),
    quantity("rotor", "ct", D::Ratio, "\"0.105 +- 3 %\"", "thrust coefficient", "Static thrust coefficient, T = C_T rho n^2 D^4 with n in rev/s. Give ct and cp, or table, not both.")
        .within("0.01", "0.4", "static C_T of a propeller lies between 0.01 and 0.4; the rotorcraft coefficient on tip speed and disc area is another quantity")
        .percent(5.0, "spread between propellers of one type and between test stands"),
    quantity("rotor", "cp", D::Ratio, "\"0.040 +- 4 %\"", "power coefficient", "Static power coefficient, P = C_P rho n^3 D^5.")
        .within("0.001", "0.4", "static C_P of a propeller lies between 0.001 and 0.4")
        .percent(6.0, "spread between propellers of one type and between test stands"),
    Key::new(
        "rotor",
        "table",
        Kind::File,
        "\"rotor.csv\"",
        "coefficient table",
        "CSV file beside this one with columns `speed rpm,advance,ct,cp`: measured coefficients by rotor speed and advance ratio, in place of ct and cp.",
    ),
    Key::new(
        "rotor",
        "geometry",
        Kind::File,
        "\"blade.csv\"",
        "blade geometry",
        "CSV file beside this one with columns `radius,chord,twist deg` (radius and chord over the tip radius): the rotor is computed from its blade. ct and cp, stated or measured, rule over it.",
    ),
    Key::new(
        "rotor",
        "section",
        Kind::Choice(super::blade::SECTIONS),
        "\"thin\"",
        "family of blade sections",
        "With geometry: thin-cambered (wide, curved like a sheet), thin (flat underside, for electric drive), thick-cambered and thick-flat (sport propellers), symmetric; unknown where not stated, with a wider uncertainty.",
    ),
    Key::new(
        "rotor",
        "polar",
        Kind::File,
        "\"polar.csv\"",
        "polar table of the section",
        "With geometry, in place of section: CSV file with columns `reynolds,alpha deg,cl,cd`.",
    ),
    quantity("rotor", "ct_scale", D::Ratio, "\"1.00 +- 3 %\"", "factor on the table's C_T", "Factor on every C_T of the table or of the blade's geometry; its tolerance is theirs.")
        .within("0.5", "2", "a factor outside 0.5 to 2 says that the table is of another rotor")
        .percent(5.0, "spread between propellers of one type and between test stands"),
    quantity("rotor", "cp_scale", D::Ratio, "\"1.00 +- 4 %\"", "factor on the table's C_P", "Factor on every C_P of the table or of the blade's geometry; its tolerance is theirs.")
        .within("0.5", "2", "a factor outside 0.5 to 2 says that the table is of another rotor")
        .percent(6.0, "spread between propellers of one type and between test stands"),
    quantity("rotor", "ct_advance", D::Ratio, "\"0 +- 0.1\"", "C_T off in advancing flow", "What to add to C_T where the rotor advances along its axis, as a share of C_T at rest: nothing at rest, growing to all of it at the advance ratio of no thrust. Not stated it is zero with the interval that goes with what the rotor is given by: geometry, ct and cp with a pitch, or without; a table with advance ratios carries its own.")
        .within("-0.5", "0.5", "more than half of the value at rest says that the rotor is another one")
        .give("0.1", "a part of a wind tunnel's and a blade's error"),
    quantity("rotor", "cp_advance", D::Ratio, "\"0 +- 0.1\"", "C_P off in advancing flow", "The same for C_P, as a share of C_P at rest.")
        .within("-0.5", "0.5", "more than half of the value at rest says that the rotor is another one")
        .give("0.1", "a part of a wind tunnel's and a blade's error"),
    quantity("rotor", "inertia", D::Inertia, "\"9.5e-5 kg m^2\"", "rotor inertia about the shaft", "Blades and adapter, without the motor.")
        .required()
        .above("0 kg m^2", "1 kg m^2", "a rotor's inertia is above zero and at most 1 kg m^2")
        .percent(10.0, "computed from mass and length, or swung by hand"),
    quantity("rotor", "unbalance", D::Unbalance, "\"40 g mm\"", "residual static unbalance", "Residual static unbalance; zero where not stated.")
        .or("\"0 g mm\"")
        .within("0 kg m", "0.1 kg m", "an unbalance is zero to 0.1 kg m")
        .percent(30.0, "rarely measured well"),
    // Motor.
    quantity("motor", "kv", D::VelocityConstant, "\"400 rpm/V\"", "velocity constant", "Speed per back-EMF.")
        .required()
        .within("10 rpm/V", "40000 rpm/V", "motors from 10 to 40000 rpm/V are covered")
        .percent(3.0, SHEET),
    quantity("motor", "resistance", D::Resistance, "\"62 mohm\"", "winding resistance at 25 degC", "As the equivalent direct-current machine sees it, terminal to terminal.")
        .required()
        .above("0 ohm", "20 ohm", "a winding has more than 0 and at most 20 ohm")
        .percent(10.0, SHEET),
    quantity("motor", "no_load_current", D::Current, "\"0.9 A\"", "no-load current", "Current without load at no_load_voltage.")
        .required()
        .within("0 A", "50 A", "a no-load current is 0 to 50 A")
        .percent(15.0, SHEET),
    quantity("motor", "no_load_voltage", D::Voltage, "\"10 V\"", "voltage of the no-load current", "Voltage at which the no-load current was stated.")
        .required()
        .above("0 V", "120 V", "the no-load voltage is above 0 and at most 120 V")
        .percent(2.0, "a bench supply's display"),
    quantity("motor", "no_load_growth", D::Ratio, "\"60 %\"", "share of the no-load current that grows with speed", "Eddy currents: at another speed than that of the no-load test this share goes in proportion to speed, the rest stays; from no-load currents at two voltages. Zero where not stated.")
        .within("0", "1", "a share is 0 to 1")
        .give("0.1", "two readings of a small current"),
    quantity("motor", "inertia", D::Inertia, "\"2.5e-5 kg m^2\"", "inertia of the motor's turning part", "Motor alone, about the shaft.")
        .required()
        .within("0 kg m^2", "0.1 kg m^2", "a motor's inertia is 0 to 0.1 kg m^2")
        .percent(10.0, "computed from the bell's mass and radius"),
    quantity("motor", "max_current", D::Current, "\"35 A\"", "largest continuous motor current", "Rating, where stated.")
        .above("0 A", "1000 A", "a rating is above 0 and at most 1000 A"),
    quantity("motor", "winding_temperature", D::Temperature, "\"60 degC\"", "winding temperature in the predictions", "60 degC where not stated (common practice, no source).")
        .or("\"60 degC\"")
        .within("-40 degC", "180 degC", "windings live between -40 and 180 degC")
        .give("20 K", "depends on load and cooling"),
    quantity("motor", "winding_rise", D::TemperatureDifference, "\"45 K\"", "settled rise of the winding", "Above air of 25 degC, settled at winding_rise_current; with winding_time it gives the winding's temperature in hover and at full thrust.")
        .above("0 K", "200 K", "a rise is above 0 and at most 200 K")
        .percent(15.0, "depends on the air over the motor"),
    quantity("motor", "winding_rise_current", D::Current, "\"18 A\"", "motor current of the rise", "Steady current at which winding_rise was measured.")
        .above("0 A", "1000 A", "a current is above 0 and at most 1000 A")
        .percent(3.0, SHEET),
    quantity("motor", "winding_time", D::Time, "\"70 s\"", "time constant of the winding", "Of its warming at a steady current.")
        .above("0 s", "3600 s", "a time constant is above 0 and at most an hour")
        .percent(20.0, "read off a warming curve"),
    quantity("motor", "winding_limit", D::Temperature, "\"120 degC\"", "highest winding temperature", "What magnets and insulation stand, where stated.")
        .within("40 degC", "250 degC", "limits are 40 to 250 degC"),
    quantity("motor", "winding_burst", D::Time, "\"10 s\"", "burst that the winding must stand", "How long full thrust out of the predictions' winding temperature is to stay below winding_limit, which with winding_rise then limits full thrust; 10 s where not stated (common practice, no source).")
        .above("0 s", "3600 s", "a burst is above 0 and at most an hour"),
    // ESC.
    quantity("esc", "resistance", D::Resistance, "\"3 mohm\"", "ESC on-resistance", "On-resistance in the current path.")
        .required()
        .within("0 ohm", "1 ohm", "an on-resistance is 0 to 1 ohm")
        .percent(20.0, SHEET),
    quantity("esc", "switching_frequency", D::Frequency, "\"24 kHz\"", "switching frequency of the ESC", "With edge_time it gives the loss by chopping, V I f t/2 below full command; none where not stated.")
        .within("0 Hz", "1 MHz", "ESCs chop at 0 to 1 MHz"),
    quantity("esc", "edge_time", D::Time, "\"0.4 us\"", "rise and fall of one pulse together", "Of the voltage at the motor; with switching_frequency it gives the loss by chopping.")
        .within("0 s", "0.01 ms", "edges take less than 10 us")
        .percent(50.0, "read off an oscilloscope"),
    quantity("esc", "dead_time", D::Time, "\"1.5 ms\"", "ESC dead time", "From a command's arrival to the first change of voltage.")
        .required()
        .within("0 s", "0.2 s", "a dead time is 0 to 200 ms")
        .percent(30.0, "rarely stated, firmware dependent"),
    quantity("esc", "update_period", D::Time, "\"0.5 ms\"", "ESC update period", "Period at which the ESC takes up a new command.")
        .required()
        .within("0 s", "0.1 s", "an update period is 0 to 100 ms")
        .percent(30.0, "rarely stated, firmware dependent"),
    quantity("esc", "protocol_period", D::Time, "\"0.1 ms\"", "period of the input protocol", "One frame on the wire.")
        .required()
        .within("0 s", "0.1 s", "a protocol's frame takes 0 to 100 ms")
        .percent(30.0, "rarely stated, firmware dependent"),
    Key::new("esc", "braking", Kind::Flag, "true", "active braking", "Whether it brakes actively when the command falls.").required(),
    quantity("esc", "response_up", D::Time, "\"32 ms\"", "rotor's time constant, rising", "Of rotor speed near hover, from a step record; takes the place of the computed one.")
        .above("0 s", "2 s", "a time constant is above 0 and at most 2 s")
        .percent(10.0, "from a step record"),
    quantity("esc", "response_down", D::Time, "\"36 ms\"", "rotor's time constant, falling", "Of rotor speed near hover, from a step record; takes the place of the computed one.")
        .above("0 s", "2 s", "a time constant is above 0 and at most 2 s")
        .percent(10.0, "from a step record"),
    quantity("esc", "usable_minimum", D::Ratio, "\"4 %\"", "least usable command", "Command below which the motor does not turn steadily, 0 to 1.")
        .required()
        .below("0", "1", "a command lies between 0 and 1, and something must be left above the least")
        .give("0.01", "read off a slow ramp"),
    quantity("esc", "max_current", D::Current, "\"45 A\"", "largest continuous ESC current", "Rating, where stated.")
        .above("0 A", "1000 A", "a rating is above 0 and at most 1000 A"),
    // Battery.
    Key::new("battery", "chemistry", Kind::Choice(&["lipo", "lipo-hv", "li-ion-nmc"]), "\"lipo\"", "chemistry", "For the open-circuit voltage by charge.").required(),
    Key::new("battery", "series", Kind::Count, "6", "cells in series", "Cells in series.")
        .required()
        .within("1", "30", "packs have 1 to 30 cells in series"),
    Key::new("battery", "parallel", Kind::Count, "1", "cells in parallel", "Cells in parallel; one where not stated.")
        .or("1")
        .within("1", "50", "packs have 1 to 50 cells in parallel"),
    quantity("battery", "capacity", D::Charge, "\"8 Ah\"", "capacity of the pack", "Capacity of the pack.")
        .required()
        .above("0 Ah", "1000 Ah", "a capacity is above 0 and at most 1000 Ah")
        .percent(3.0, SHEET),
    quantity("battery", "cell_resistance", D::Resistance, "\"2.4 mohm\"", "resistance of one cell at 25 degC", "Leads and connectors not included.")
        .required()
        .within("0 ohm", "2 ohm", "a cell has 0 to 2 ohm")
        .percent(15.0, "ages, and depends on how it is measured"),
    quantity("battery", "lead_resistance", D::Resistance, "\"4 mohm\"", "resistance of leads and connectors", "Of the whole pack; zero where not stated.")
        .or("\"0 mohm\"")
        .within("0 ohm", "1 ohm", "leads have 0 to 1 ohm")
        .percent(20.0, "computed from length and section"),
    quantity("battery", "polarisation_resistance", D::Resistance, "\"1.5 mohm\"", "polarisation resistance of one cell", "Of the RC pair; zero where not stated.")
        .or("\"0 mohm\"")
        .within("0 ohm", "2 ohm", "a cell has 0 to 2 ohm")
        .percent(30.0, "fitted to relaxation, depends on charge"),
    quantity("battery", "polarisation_time", D::Time, "\"30 s\"", "time constant of the polarisation", "Of the RC pair; 30 s where not stated (common practice, no source).")
        .or("\"30 s\"")
        .above("0 s", "3600 s", "a time constant is above 0 and at most an hour")
        .percent(30.0, "fitted to relaxation, depends on charge"),
    quantity("battery", "temperature", D::Temperature, "\"10 degC\"", "temperature of the cells", "Their resistances grow in the cold, Arrhenius with 25 kJ/mol (common practice, no source); 25 degC where not stated.")
        .within("-20 degC", "60 degC", "lithium cells work between -20 and 60 degC")
        .give("5 K", "cells warm as they give"),
    quantity("battery", "capacity_left", D::Ratio, "\"92 %\"", "capacity left by age", "Share of the stated capacity that an aged pack still has; all of it where not stated.")
        .above("0", "1.05", "an aged pack has more than nothing and little more than new")
        .percent(3.0, "from a charge on a good charger"),
    quantity("battery", "cutoff", D::Voltage, "\"3.3 V\"", "least cell voltage under load", "Of one cell, under load.")
        .required()
        .within("2 V", "4.4 V", "it is the voltage of one cell, and lithium cells live between 2 and 4.4 V"),
    quantity("battery", "reserve", D::Ratio, "\"20 %\"", "reserve", "Fraction of the capacity kept as reserve.")
        .required()
        .below("0", "1", "a reserve of all the capacity leaves nothing to fly on"),
    quantity("battery", "max_current", D::Current, "\"160 A\"", "largest continuous battery current", "Rating of the pack, where stated.")
        .above("0 A", "10000 A", "a rating is above 0 and at most 10000 A"),
    // IMU.
    quantity("imu", "sample_rate", D::Frequency, "\"1 kHz\"", "IMU sample rate", "Samples per second that reach the filters.")
        .required()
        .within("20 Hz", "64 kHz", "sample rates are 20 Hz to 64 kHz"),
    quantity("imu", "delay", D::Time, "\"0.3 ms\"", "delay of the sensor", "Of the sensor's own filtering and transfer.")
        .required()
        .within("0 s", "0.1 s", "a sensor's delay is 0 to 100 ms")
        .percent(20.0, "from the data sheet's filter table"),
    quantity("imu", "rate_range", D::AngularSpeed, "\"2000 deg/s\"", "gyro range", "Largest rate that is measured.")
        .required()
        .within("50 deg/s", "20000 deg/s", "gyro ranges are 50 to 20000 deg/s"),
    quantity("imu", "rate_noise", D::GyroNoise, "\"0.005 deg/s/sqrt(Hz)\"", "gyro noise density", "Noise density of the rate.")
        .required()
        .within("0 rad/s/sqrt(Hz)", "0.1 rad/s/sqrt(Hz)", "gyro noise is below 0.1 rad/s/sqrt(Hz)")
        .percent(20.0, SHEET),
    quantity("imu", "accel_range", D::Acceleration, "\"16 g\"", "accelerometer range", "Largest specific force that is measured.")
        .required()
        .within("1 g", "1000 g", "accelerometer ranges are 1 to 1000 g"),
    quantity("imu", "accel_noise", D::AccelNoise, "\"80 ug/sqrt(Hz)\"", "accelerometer noise density", "Noise density of the specific force.")
        .required()
        .within("0 ug/sqrt(Hz)", "1 m/s^2/sqrt(Hz)", "accelerometer noise is below 1 m/s^2/sqrt(Hz)")
        .percent(20.0, SHEET),
    Key::new("imu", "at", Kind::Vector(D::Length), "[\"0 mm\", \"0 mm\", \"0 mm\"]", "IMU position", "From the reference point: forward, right, down; the reference point itself where not stated.")
        .or("[\"0 mm\", \"0 mm\", \"0 mm\"]")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("2 mm", RULE),
    quantity("imu", "rate_bias", D::AngularSpeed, "\"0.05 deg/s\"", "bias of the gyro", "Left after its zero was taken at rest, one standard deviation per axis; felt by rehearsals alone; none where not stated.")
        .within("0 deg/s", "20 deg/s", "a gyro whose zero was taken is off by at most 20 deg/s"),
    quantity("imu", "rate_drift", D::AngularSpeed, "\"0.02 deg/s\"", "drift of the gyro", "How far its bias walks at random in 60 s, one standard deviation per axis; none where not stated.")
        .within("0 deg/s", "20 deg/s", "a gyro drifts by at most 20 deg/s in a minute"),
    quantity("imu", "accel_bias", D::Acceleration, "\"0.03 m/s^2\"", "bias of the accelerometer", "Left after calibration, one standard deviation per axis; felt by rehearsals alone; none where not stated.")
        .within("0 m/s^2", "5 m/s^2", "a calibrated accelerometer is off by at most 5 m/s^2"),
    quantity("imu", "accel_drift", D::Acceleration, "\"0.01 m/s^2\"", "drift of the accelerometer", "How far its bias walks at random in 60 s, one standard deviation per axis; none where not stated.")
        .within("0 m/s^2", "5 m/s^2", "an accelerometer drifts by at most 5 m/s^2 in a minute"),
    // Barometer and satellites.
    quantity("barometer", "rate", D::Frequency, "\"50 Hz\"", "rate of the barometer", "Samples per second.")
        .required()
        .within("0.2 Hz", "2 kHz", "barometers give 0.2 to 2000 samples a second"),
    quantity("barometer", "noise", D::Pressure, "\"2 Pa\"", "noise of the barometer", "Standard deviation of one sample.")
        .required()
        .within("0 Pa", "500 Pa", "a barometer's noise is 0 to 500 Pa"),
    quantity("barometer", "lag", D::Time, "\"30 ms\"", "lag of the barometer", "Time constant of port and filter; none where not stated.")
        .or("\"0 ms\"")
        .within("0 s", "10 s", "a lag is 0 to 10 s"),
    quantity("barometer", "drift", D::Pressure, "\"3 Pa\"", "drift of the pressure", "How far weather and warming walk it at random in 60 s, one standard deviation; none where not stated.")
        .or("\"0 Pa\"")
        .within("0 Pa", "1000 Pa", "pressure drifts by at most 1000 Pa in a minute"),
    quantity("barometer", "wash", D::Ratio, "\"10 %\"", "prop-wash at the port", "Pressure error over thrust per disc area: -25 % just above a disc to 75 % just below (momentum theory), little between the discs; none where not stated.")
        .or("0.0")
        .within("-1", "1", "the rotors change the pressure by at most their disc loading"),
    quantity("barometer", "ram", D::Ratio, "\"20 %\"", "airspeed at the port", "Pressure error over the dynamic pressure of the airspeed; negative where it sucks; none where not stated.")
        .or("0.0")
        .within("-3", "1", "a pressure coefficient is -3 to 1"),
    quantity("satellite", "rate", D::Frequency, "\"10 Hz\"", "rate of fixes", "Fixes per second.")
        .required()
        .within("0.1 Hz", "100 Hz", "receivers give 0.1 to 100 fixes a second"),
    quantity("satellite", "delay", D::Time, "\"120 ms\"", "delay of a fix", "From the motion to the arrival of its fix.")
        .required()
        .within("0 s", "5 s", "a fix is 0 to 5 s late"),
    quantity("satellite", "position_noise", D::Length, "\"0.8 m\"", "error of the place", "Standard deviation per horizontal axis, one that wanders.")
        .required()
        .within("0 m", "100 m", "a place is known to 100 m or better"),
    quantity("satellite", "correlation", D::Time, "\"120 s\"", "correlation time of that error", "Time in which two errors of the place become strangers (1/e).")
        .required()
        .within("0 s", "7200 s", "a correlation time is 0 to 7200 s"),
    quantity("satellite", "velocity_noise", D::Speed, "\"0.06 m/s\"", "noise of the velocity", "Standard deviation of one fix per horizontal axis.")
        .required()
        .within("0 m/s", "10 m/s", "a velocity is known to 10 m/s or better"),
    quantity("satellite", "dropout_every", D::Time, "\"300 s\"", "time between dropouts", "In the mean, exponentially distributed; needs dropout_time; no dropouts where not stated.")
        .within("1 s", "7200 s", "dropouts come every 1 to 7200 s"),
    quantity("satellite", "dropout_time", D::Time, "\"1.5 s\"", "length of a dropout", "In the mean, exponentially distributed.")
        .within("0 s", "600 s", "a dropout lasts 0 to 600 s"),
    // Structure.
    shape("structure.arm"),
    outer("structure.arm", "outer diameter of the arm"),
    wall("structure.arm", "wall of the arm"),
    width("structure.arm", "width of the arm"),
    height("structure.arm", "height of the arm"),
    quantity("structure.arm", "length", D::Length, "\"180 mm\"", "free length of the arm", "From where the body holds it to the hub.")
        .required()
        .within("1 cm", "5 m", "free lengths are 1 cm to 5 m")
        .give("1 mm", RULE),
    material("structure.arm"),
    modulus("structure.arm", "Young's modulus of the arm", "Along the arm; typical of the material where not stated."),
    density("structure.arm", "density of the arm"),
    quantity("structure.arm", "root_stiffness", D::TurningStiffness, "\"8 kN m/rad +- 50 %\"", "rotational stiffness of the arm's root", "About the axis of bending. A tap tells it; before one, 3 E I/length (the root gives as much as the arm bends) is a fair guess for a clamped joint.")
        .required()
        .within("0.1 N m/rad", "100000 kN m/rad", ROOT_WHY)
        .percent(50.0, "not known before a tap"),
    quantity("structure.arm", "hub_height", D::Length, "\"30 mm\"", "height of the propeller over the arm", "From the arm's axis to the propeller; 30 mm where not stated (common practice, no source).")
        .or("\"30 mm\"")
        .within("-0.5 m", "0.5 m", "a propeller stands within 0.5 m of its arm")
        .give("2 mm", RULE),
    quantity("structure.arm", "damping", D::Ratio, "0.01", "damping ratio of the arm", "Of its lowest mode; 1 % where not stated (common practice, no source).")
        .or("0.01")
        .within("0", "1", "a damping ratio is 0 to 1")
        .percent(50.0, "not known before a tap"),
    shape("structure.mast"),
    outer("structure.mast", "outer diameter of the mast"),
    wall("structure.mast", "wall of the mast"),
    width("structure.mast", "width of the mast"),
    height("structure.mast", "height of the mast"),
    quantity("structure.mast", "length", D::Length, "\"90 mm\"", "length of the mast", "From its foot to the sensor.")
        .required()
        .within("5 mm", "2 m", "masts are 5 mm to 2 m long")
        .give("1 mm", RULE),
    material("structure.mast"),
    modulus("structure.mast", "Young's modulus of the mast", "Along the mast; typical of the material where not stated."),
    density("structure.mast", "density of the mast"),
    quantity("structure.mast", "root_stiffness", D::TurningStiffness, "\"400 N m/rad +- 50 %\"", "rotational stiffness of the mast's foot", "About the axis of bending.")
        .required()
        .within("0.1 N m/rad", "100000 kN m/rad", ROOT_WHY)
        .percent(50.0, "not known before a tap"),
    quantity("structure.mast", "tip_mass", D::Mass, "\"18 g\"", "mass on the mast", "Sensor and holder.")
        .required()
        .within("0 g", "20 kg", "a mast carries 0 to 20 kg")
        .percent(3.0, "a kitchen or parcel scale"),
    Key::new("structure.plate", "sides", Kind::Vector(D::Length), "[\"120 mm\", \"90 mm\", \"2 mm\"]", "sides and thickness of the plate", "Two sides, then the thickness.")
        .required()
        .within("0.1 mm", "3 m", "plates are 0.1 mm to 3 m")
        .percent(1.0, CALLIPER),
    Key::new("structure.plate", "material", Kind::Choice(physics::structure::material::NAMES), "\"carbon-woven\"", "material", "Gives typical moduli and density where they are not stated.").required(),
    quantity("structure.plate", "youngs_modulus", D::Pressure, "\"70 GPa\"", "Young's modulus of the plate", "Along the plate; typical of the material where not stated.")
        .within("0.1 GPa", "1000 GPa", MODULUS_WHY)
        .percent(15.0, LAYUP),
    quantity("structure.plate", "density", D::Density, "\"1600 kg/m^3\"", "density of the plate", "Typical of the material where not stated.")
        .within("50 kg/m^3", "20000 kg/m^3", DENSITY_WHY)
        .percent(3.0, LAYUP),
    Key::new("structure.plate", "edges", Kind::Choice(&["clamped", "supported", "one-edge"]), "\"supported\"", "edges of the plate", "All four clamped, all four supported but free to turn, or one edge of the second side clamped.").required(),
    quantity("structure.plate", "carried", D::Mass, "\"60 g\"", "mass on the plate", "Taken as standing at its middle; none where not stated.")
        .or("\"0 g\"")
        .within("0 g", "100 kg", "a plate carries 0 to 100 kg")
        .percent(3.0, "a kitchen or parcel scale"),
    Key::new("structure.mount", "kind", Kind::Choice(&["hard", "soft"]), "\"hard\"", "kind of mount", "Screwed or glued, or on an isolator.").required(),
    quantity("structure.mount", "frequency", D::Frequency, "\"45 Hz\"", "natural frequency of the mount", "Of the sensor on its isolator.")
        .required()
        .when("kind", "soft")
        .within("1 Hz", "2 kHz", "isolators lie between 1 Hz and 2 kHz")
        .percent(15.0, "isolators age, and stiffen when cold"),
    quantity("structure.mount", "damping", D::Ratio, "0.15", "damping ratio of the mount", "10 % where not stated (common practice, no source).")
        .or("0.1")
        .when("kind", "soft")
        .within("0", "1", "a damping ratio is 0 to 1")
        .percent(30.0, "rarely stated"),
    // Magnetic.
    Key::new("magnetometer", "at", Kind::Vector(D::Length), "[\"-40 mm\", \"0 mm\", \"-110 mm\"]", "place of the magnetometer", "From the reference point: forward, right, down.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY)
        .give("3 mm", RULE),
    quantity("magnetometer", "rate", D::Frequency, "\"50 Hz\"", "rate of the magnetometer", "Samples per second; needs noise.")
        .within("0.2 Hz", "2 kHz", "magnetometers give 0.2 to 2000 samples a second"),
    quantity("magnetometer", "noise", D::MagneticFluxDensity, "\"0.3 uT\"", "noise of the magnetometer", "Standard deviation of one sample per axis.")
        .within("0 uT", "100 uT", "a magnetometer's noise is 0 to 100 uT"),
    quantity("magnetometer", "bias", D::MagneticFluxDensity, "\"0.4 uT\"", "bias of the magnetometer", "Left after calibration, one standard deviation per axis; none where not stated.")
        .within("0 uT", "100 uT", "a calibrated magnetometer is off by at most 100 uT"),
    quantity("magnetometer", "delay", D::Time, "\"10 ms\"", "delay of the magnetometer", "From the field to its sample; none where not stated.")
        .within("0 s", "5 s", "a sample is 0 to 5 s late"),
    Key::new("lead", "item", Kind::Text, "\"battery to distribution\"", "name of the lead", "Name of the lead, for people.").required(),
    Key::new("lead", "from", Kind::Vector(D::Length), "[\"60 mm\", \"0 mm\", \"-20 mm\"]", "start of the lead", "Middle of the pair where it begins.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY)
        .give("3 mm", RULE),
    Key::new("lead", "via", Kind::Vector(D::Length), "[\"60 mm\", \"0 mm\", \"10 mm\"]", "first bend of the lead", "Where it bends first.")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("3 mm", RULE),
    Key::new("lead", "then", Kind::Vector(D::Length), "[\"0 mm\", \"0 mm\", \"10 mm\"]", "second bend of the lead", "Where it bends next; needs via.")
        .within("-10 m", "10 m", PLACE_WHY)
        .give("3 mm", RULE),
    Key::new("lead", "to", Kind::Vector(D::Length), "[\"0 mm\", \"0 mm\", \"0 mm\"]", "end of the lead", "Middle of the pair where it ends.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY)
        .give("3 mm", RULE),
    quantity("lead", "share", D::Ratio, "\"25 %\"", "share of the battery current", "All of it where not stated.")
        .or("1.0")
        .within("0", "1", "a lead carries none to all of the battery current")
        .percent(5.0, "rotors draw unevenly"),
    quantity("lead", "spacing", D::Length, "\"6 mm\"", "distance of the two conductors", "Between their middles.")
        .required()
        .within("0 mm", "1 m", "conductors are 0 to 1 m apart")
        .percent(15.0, "loose leads do not stay where they were measured"),
    Key::new("lead", "side", Kind::Choice(&["x", "y", "z"]), "\"y\"", "side of the return", "Body axis along which the two conductors stand side by side.").required(),
    quantity("lead", "twist", D::Length, "\"40 mm\"", "length of one turn", "Of a twisted pair; side by side where not stated.")
        .within("5 mm", "1 m", "one turn takes 5 mm to 1 m")
        .percent(10.0, RULE),
    Key::new("siting", "from", Kind::Vector(D::Length), "[\"-60 mm\", \"-40 mm\", \"-20 mm\"]", "corner of the bay", "One corner of the room where electronics can stand.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY),
    Key::new("siting", "to", Kind::Vector(D::Length), "[\"60 mm\", \"40 mm\", \"0 mm\"]", "opposite corner of the bay", "The opposite corner.")
        .required()
        .within("-10 m", "10 m", PLACE_WHY),
    Key::new("siting", "mast_foot", Kind::Vector(D::Length), "[\"-60 mm\", \"0 mm\", \"-30 mm\"]", "foot of a mast", "Where a mast could stand; none where not stated.")
        .within("-10 m", "10 m", PLACE_WHY),
    quantity("siting", "mast_height", D::Length, "\"200 mm\"", "highest mast", "200 mm where not stated (common practice, no source).")
        .or("\"200 mm\"")
        .within("0 mm", "2 m", "masts are up to 2 m high"),
    Key::new("siting", "radio", Kind::Vector(D::Length), "[\"-90 mm\", \"0 mm\", \"40 mm\"]", "antenna of the radio", "Where there is one.")
        .within("-10 m", "10 m", PLACE_WHY),
    quantity("siting", "clearance", D::Length, "\"100 mm\"", "least distance from the radio", "Between the sensor and the radio's antenna; 100 mm where not stated (common practice, no source).")
        .or("\"100 mm\"")
        .within("0 mm", "5 m", "a clearance is 0 to 5 m"),
    // Filters.
    Key::new("filter", "kind", Kind::Choice(&["low-pass", "notch"]), "\"low-pass\"", "kind of filter", "Butterworth low-pass, or second-order notch.").required(),
    Key::new("filter", "order", Kind::Count, "2", "order", "Order of the low-pass, 1 to 4.")
        .required()
        .when("kind", "low-pass")
        .within("1", "4", "low-pass filters of order 1 to 4 are modelled"),
    quantity("filter", "cutoff", D::Frequency, "\"40 Hz\"", "cut-off", "Frequency of -3 dB.")
        .required()
        .when("kind", "low-pass")
        .above("0 Hz", "32 kHz", "a cut-off is above 0 and at most 32 kHz"),
    quantity("filter", "centre", D::Frequency, "\"95 Hz\"", "centre", "Centre of the notch.")
        .required()
        .when("kind", "notch")
        .above("0 Hz", "32 kHz", "a centre is above 0 and at most 32 kHz"),
    quantity("filter", "width", D::Frequency, "\"30 Hz\"", "width", "Between the -3 dB points of a full-depth notch.")
        .required()
        .when("kind", "notch")
        .above("0 Hz", "32 kHz", "a width is above 0 and at most 32 kHz"),
    quantity("filter", "floor", D::Ratio, "\"5 %\"", "gain left at the centre", "0 (full depth, where not stated) to 1.")
        .or("0.0")
        .when("kind", "notch")
        .below("0", "1", "a notch that leaves all of the signal is none"),
    // Loops.
    quantity("loop.rate", "rate", D::Frequency, "\"1 kHz\"", "rate of the rate loop", "Runs per second.")
        .required()
        .within("20 Hz", "64 kHz", "loop rates are 20 Hz to 64 kHz"),
    quantity("loop.rate", "delay", D::Time, "\"0.4 ms\"", "computation delay", "From sample to command.")
        .required()
        .within("0 s", "0.2 s", "a computation delay is 0 to 200 ms")
        .percent(20.0, "rarely measured"),
    Key::new("loop.rate", "p", Kind::Axes(D::Rate), "[\"22 1/s\", \"22 1/s\", \"8 1/s\"]", "proportional rate gain", "rad/s^2 of demanded acceleration per rad/s of error, at the bus voltage of `set_up_at`.")
        .required()
        .within("0 1/s", "2000 1/s", "rate gains are 0 to 2000 1/s"),
    Key::new("loop.rate", "i", Kind::Axes(D::RateSquared), "[\"60 1/s^2\", \"60 1/s^2\", \"10 1/s^2\"]", "integral rate gain", "rad/s^2 per rad of accumulated error.")
        .required()
        .within("0 1/s^2", "1e6 1/s^2", "integral gains are 0 to 1e6 1/s^2"),
    Key::new("loop.rate", "d", Kind::Axes(D::Ratio), "[0.1, 0.1, 0.0]", "derivative rate gain", "rad/s^2 per rad/s^2; zero where not stated.")
        .or("0.0")
        .within("0", "50", "derivative gains are 0 to 50"),
    quantity("loop.rate", "d_lag", D::Time, "\"2 ms\"", "lag of the derivative", "Time constant of its own first-order filter; none where not stated.")
        .or("\"0 ms\"")
        .within("0 s", "1 s", "the lag is 0 to 1 s"),
    Key::new("loop.rate", "linearised", Kind::Flag, "true", "thrust curve inverted", "Whether the controller's output is proportional to thrust; else to the command, and the gains hold at hover.").or("false"),
    Key::new("loop.rate", "voltage_corrected", Kind::Flag, "true", "command corrected for the bus voltage", "Whether the controller multiplies its command by `set_up_at` over the bus voltage, so that thrust and loop gain keep as the battery empties; not where not stated.").or("false"),
    quantity("loop.rate", "set_up_at", D::Voltage, "\"22.8 V\"", "bus voltage that the gains hold at", "Bus voltage at which the stated gains are those that act: at another, the loop gain goes with its square, unless the command is corrected. That of a hover on a full battery without payload where not stated.")
        .above("0 V", "1000 V", "a bus voltage is above 0 and at most 1000 V"),
    Key::new("loop.attitude", "gain", Kind::Axes(D::Rate), "[\"5 1/s\", \"5 1/s\", \"2 1/s\"]", "attitude gain", "rad/s of demanded rate per rad of error.")
        .required()
        .within("0 1/s", "200 1/s", "attitude gains are 0 to 200 1/s"),
    quantity("loop.attitude", "rate_limit", D::AngularSpeed, "\"220 deg/s\"", "limit of the rate demand", "Limit of the rate demand.")
        .required()
        .above("0 deg/s", "5000 deg/s", "a rate limit is above 0 and at most 5000 deg/s"),
    quantity("loop.attitude", "full_tilt", D::Angle, "\"35 deg\"", "tilt at full stick", "Tilt that full stick asks for in attitude command, in any direction.")
        .above("0 deg", "80 deg", "beyond 80 deg thrust no longer carries the weight"),
    quantity("loop.velocity", "gain", D::Rate, "\"1.2 1/s\"", "velocity gain", "m/s^2 of demanded horizontal acceleration per m/s of error.")
        .required()
        .within("0 1/s", "50 1/s", "velocity gains are 0 to 50 1/s"),
    quantity("loop.velocity", "integral", D::RateSquared, "\"0.2 1/s^2\"", "integral velocity gain", "m/s^2 per m of accumulated error; zero where not stated.")
        .or("\"0 1/s^2\"")
        .within("0 1/s^2", "500 1/s^2", "integral velocity gains are 0 to 500 1/s^2"),
    quantity("loop.velocity", "climb_gain", D::Rate, "\"2.5 1/s\"", "climb gain", "m/s^2 of demanded vertical acceleration per m/s of error.")
        .required()
        .within("0 1/s", "50 1/s", "climb gains are 0 to 50 1/s"),
    quantity("loop.velocity", "climb_integral", D::RateSquared, "\"1 1/s^2\"", "integral climb gain", "m/s^2 per m of accumulated error; zero where not stated.")
        .or("\"0 1/s^2\"")
        .within("0 1/s^2", "500 1/s^2", "integral climb gains are 0 to 500 1/s^2"),
    quantity("loop.velocity", "tilt_limit", D::Angle, "\"25 deg\"", "largest tilt", "Largest tilt that the velocity loop asks for.")
        .required()
        .above("0 deg", "80 deg", "beyond 80 deg thrust no longer carries the weight"),
    quantity("loop.velocity", "delay", D::Time, "\"120 ms\"", "delay of the velocity estimate", "From the motion to the velocity and position that the loops work on.")
        .required()
        .within("0 s", "5 s", "a delay of the estimate is 0 to 5 s")
        .percent(20.0, "rarely measured"),
    quantity("loop.position", "gain", D::Rate, "\"0.4 1/s\"", "position gain", "m/s of demanded horizontal velocity per m of error.")
        .required()
        .within("0 1/s", "50 1/s", "position gains are 0 to 50 1/s"),
    quantity("loop.position", "height_gain", D::Rate, "\"0.8 1/s\"", "height gain", "m/s of demanded vertical velocity per m of error.")
        .required()
        .within("0 1/s", "50 1/s", "height gains are 0 to 50 1/s"),
    quantity("loop.position", "speed_limit", D::Speed, "\"5 m/s\"", "speed limit", "Largest horizontal speed that the position loop asks for.")
        .required()
        .above("0 m/s", "100 m/s", "a speed limit is above 0 and at most 100 m/s"),
    quantity("loop.position", "climb_limit", D::Speed, "\"2 m/s\"", "climb limit", "Largest vertical speed that the position loop asks for.")
        .required()
        .above("0 m/s", "50 m/s", "a climb limit is above 0 and at most 50 m/s"),
    // Fail-safe.
    Key::new("failsafe", "on_lost_link", Kind::Choice(&["come-home", "land"]), "\"come-home\"", "on a lost link", "What it does when the link is lost; comes home where not stated.").or("\"come-home\""),
    quantity("failsafe", "come_home_at", D::Ratio, "\"35 %\"", "charge at which it turns home", "Share of the capacity.")
        .required()
        .within("0", "1", "a charge lies between 0 and 1"),
    quantity("failsafe", "land_now_at", D::Ratio, "\"12 %\"", "charge at which it lands where it is", "Share of the capacity.")
        .required()
        .within("0", "1", "a charge lies between 0 and 1"),
    quantity("failsafe", "lost_link_time", D::Time, "\"1.5 s\"", "lost link until it acts", "From the last good frame to the change of what it does.")
        .required()
        .within("0 s", "60 s", "a time is 0 to 60 s"),
    quantity("failsafe", "low_battery_time", D::Time, "\"5 s\"", "low charge until it acts", "From the estimate's passing of come_home_at to the change of what it does; 5 s where not stated (common practice, no source).")
        .or("\"5 s\"")
        .within("0 s", "120 s", "a time is 0 to 120 s"),
    quantity("failsafe", "farthest", D::Length, "\"400 m\"", "farthest from home", "Largest distance over the ground that it is flown from home.")
        .required()
        .within("0 m", "50 km", "a distance is 0 to 50 km"),
    quantity("failsafe", "home_speed", D::Speed, "\"7 m/s\"", "speed home", "Over ground.")
        .required()
        .above("0 m/s", "60 m/s", "a speed is above 0 and at most 60 m/s"),
    quantity("failsafe", "home_height", D::Length, "\"30 m\"", "height of the way home", "Above home; lower beginnings climb to it first.")
        .required()
        .within("0 m", "1000 m", "a height is 0 to 1000 m"),
    quantity("failsafe", "climb", D::Speed, "\"2 m/s\"", "climb", "To the height of the way home; 2 m/s where not stated.")
        .or("\"2 m/s\"")
        .above("0 m/s", "20 m/s", "a climb is above 0 and at most 20 m/s"),
    quantity("failsafe", "descent", D::Speed, "\"1.5 m/s\"", "descent", "At home; 1.5 m/s where not stated.")
        .or("\"1.5 m/s\"")
        .above("0 m/s", "10 m/s", "a descent is above 0 and at most 10 m/s: faster ones meet the own wake"),
    quantity("failsafe", "landing", D::Time, "\"15 s\"", "hover before touch-down", "Time for the last metres; 15 s where not stated (common practice, no source).")
        .or("\"15 s\"")
        .within("0 s", "600 s", "a time is 0 to 600 s"),
    // Link.
    quantity("link", "frequency", D::Frequency, "\"868 MHz\"", "frequency of the link", "Carrier.")
        .required()
        .within("1 MHz", "100 GHz", "a carrier is 1 MHz to 100 GHz"),
    quantity("link", "power", D::Level, "\"14 dBm\"", "power of the sender", "At its antenna connector.")
        .required()
        .within("-60 dBm", "60 dBm", "a sender gives -60 to 60 dBm; the rules of the place limit it")
        .give("1 dB", SHEET),
    quantity("link", "sensitivity", D::Level, "\"-104 dBm\"", "least power received", "That the receiver works with.")
        .required()
        .within("-160 dBm", "0 dBm", "a receiver works with -160 to 0 dBm")
        .give("2 dB", SHEET),
    quantity("link", "ground_gain", D::Level, "\"2 dBi\"", "gain of the ground's antenna", "At its peak, cables taken off; a half-wave dipole's 2.15 dBi where not stated.")
        .or("\"2.15 dBi\"")
        .within("-20 dBi", "40 dBi", "a gain is -20 to 40 dBi")
        .give("1 dB", SHEET),
    quantity("link", "air_gain", D::Level, "\"2 dBi\"", "gain of the aircraft's antenna", "At its peak, cables taken off; a half-wave dipole's 2.15 dBi where not stated.")
        .or("\"2.15 dBi\"")
        .within("-20 dBi", "40 dBi", "a gain is -20 to 40 dBi")
        .give("1 dB", SHEET),
    quantity("link", "ground_height", D::Length, "\"1.8 m\"", "height of the ground's antenna", "Above ground; 1.5 m, in the hand, where not stated.")
        .or("\"1.5 m\"")
        .above("0 m", "1000 m", "a height is above 0 and at most 1000 m"),
    quantity("link", "exponent", D::Ratio, "2.3", "path-loss exponent", "2 in free space, which holds where not stated; from a range record elsewhere.")
        .or("2.0")
        .within("1.5", "6", "exponents are 1.5 to 6"),
    quantity("link", "fading", D::Level, "\"6 dB\"", "spread of fading", "Standard deviation about the mean; 6 dB where not stated (common practice, no source).")
        .or("\"6 dB\"")
        .within("0 dB", "30 dB", "a spread is 0 to 30 dB"),
    // Parachute.
    quantity("parachute", "drag_area", D::Area, "\"2.6 m^2\"", "drag area of the canopy", "C_D A: 1.5 x the flat area for a round canopy.")
        .required()
        .above("0 m^2", "1000 m^2", "a canopy is above 0 and at most 1000 m^2")
        .percent(15.0, "canopies swing and breathe"),
    quantity("parachute", "mass", D::Mass, "\"240 g\"", "mass of the parachute", "With its release. Where it is carried list it among the masses as well.")
        .required()
        .above("0 kg", "50 kg", "a parachute weighs more than nothing and at most 50 kg")
        .percent(2.0, SHEET),
    quantity("parachute", "opens", D::Time, "\"1.2 s\"", "failure until it carries", "Noticed, released, filled.")
        .required()
        .within("0 s", "30 s", "a time is 0 to 30 s")
        .percent(30.0, "canopies open as they like"),
];
