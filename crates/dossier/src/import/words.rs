//! What a column's name says: plain words, textbook symbols, units in brackets or at the end.

use super::vocabulary::{angle_name, quaternion_name, vector_name};
use crate::record::Tap;
use crate::units::{Dimension, parse_unit};

/// A name read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Meaning {
    /// Canonical channel.
    pub channel: String,
    /// Plain words say so; a symbol alone does not.
    pub sure: bool,
    /// Tap point that the words name.
    pub tap: Option<Tap>,
}

/// Words of a name in lower case, and the unit in it.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Name {
    /// Words; digits are words of their own.
    pub words: Vec<String>,
    /// Unit as parse_unit reads it.
    pub unit: Option<String>,
}

/// Dimensions that a column may have.
pub(super) const DIMENSIONS: &[Dimension] = &[
    Dimension::Time,
    Dimension::AngularSpeed,
    Dimension::Angle,
    Dimension::Acceleration,
    Dimension::Speed,
    Dimension::Length,
    Dimension::Voltage,
    Dimension::Current,
    Dimension::Force,
    Dimension::Pressure,
    Dimension::Temperature,
    Dimension::MagneticFluxDensity,
    Dimension::Ratio,
];

fn known_unit(text: &str) -> Option<String> {
    let text = text.trim().replace(['µ', 'μ'], "u").replace('°', "deg").replace('²', "^2");
    let text = match text.as_str() {
        "degC" | "C" | "degc" => "degC".to_owned(),
        "RPM" => "rpm".to_owned(),
        "m/s2" | "m/s/s" | "m/s^2" => "m/s^2".to_owned(),
        _ => text,
    };
    let known = text != "1" && !text.is_empty() && DIMENSIONS.iter().any(|d| parse_unit(&text, *d).is_ok());
    known.then_some(text)
}

/// Reads a name.
pub(super) fn read(name: &str) -> Name {
    let mut plain = name.to_owned();
    let mut unit = None;
    for (open, close) in [('(', ')'), ('[', ']')] {
        if let Some(from) = plain.rfind(open)
            && let Some(length) = plain.get(from..).and_then(|t| t.find(close))
            && let Some(found) = plain.get(from + 1..from + length).and_then(known_unit)
        {
            unit = Some(found);
            plain.truncate(from);
        }
    }
    let mut words: Vec<String> = Vec::new();
    let mut last = ' ';
    for c in plain.chars() {
        let kind = |c: char| {
            if c.is_ascii_digit() {
                1
            } else if c.is_alphabetic() {
                2
            } else {
                0
            }
        };
        let starts = kind(c) != kind(last) || (c.is_uppercase() && last.is_lowercase());
        if kind(c) != 0 {
            if starts || words.is_empty() {
                words.push(String::new());
            }
            if let Some(w) = words.last_mut() {
                w.extend(c.to_lowercase());
            }
        }
        last = c;
    }
    if unit.is_none() {
        let ends: [(&[&str], &str); 14] = [
            (&["rad", "s"], "rad/s"),
            (&["deg", "s"], "deg/s"),
            (&["rad", "per", "s"], "rad/s"),
            (&["deg", "per", "s"], "deg/s"),
            (&["m", "s", "2"], "m/s^2"),
            (&["m", "s"], "m/s"),
            (&["rpm"], "rpm"),
            (&["ms"], "ms"),
            (&["us"], "us"),
            (&["ns"], "ns"),
            (&["deg"], "deg"),
            (&["rad"], "rad"),
            (&["volts"], "V"),
            (&["amps"], "A"),
        ];
        if let Some((end, text)) =
            ends.iter().find(|(e, _)| words.len() > e.len() && words.ends_with(&owned(e)))
        {
            unit = Some((*text).to_owned());
            words.truncate(words.len() - end.len());
        } else if words.len() == 2 && words[1] == "s" && matches!(words[0].as_str(), "t" | "time") {
            unit = Some("s".to_owned());
            words.pop();
        } else if words.len() == 1 && words[0] == "rpm" {
            unit = Some("rpm".to_owned());
        }
    }
    if unit.as_deref() == Some("rpm") && !words.iter().any(|w| w == "rpm" || w == "speed") {
        words.push("speed".to_owned());
    }
    Name { words, unit }
}

fn owned(words: &[&str]) -> Vec<String> {
    words.iter().map(|w| (*w).to_owned()).collect()
}

impl Name {
    fn has(&self, any: &[&str]) -> bool {
        self.words.iter().any(|w| any.contains(&w.as_str()))
    }
    fn is(&self, words: &[&str]) -> bool {
        self.words.len() == words.len() && self.words.iter().zip(words).all(|(a, b)| a == b)
    }
    fn number(&self) -> Option<usize> {
        self.words.iter().rev().find_map(|w| w.parse().ok())
    }
    /// Axis by its word.
    fn axis(&self) -> Option<usize> {
        let last = |set: [&str; 3]| set.iter().position(|a| self.words.iter().any(|w| w == a));
        last(["x", "y", "z"]).or_else(|| last(["roll", "pitch", "yaw"]))
    }
    /// Axis in a word such as `gx`, with the given first letters.
    fn joined(&self, first: &[&str]) -> Option<usize> {
        self.words.iter().find_map(|w| {
            let axis = ["x", "y", "z"].iter().position(|a| w.ends_with(a))?;
            let stem = w.get(..w.len() - 1)?;
            first.contains(&stem).then_some(axis)
        })
    }
    /// Whether the name is that of time.
    pub(super) fn is_time(&self) -> bool {
        self.is(&["t"]) || self.has(&["time", "timestamp", "elapsed"]) || self.is(&["seconds"])
    }
}

fn tap(name: &Name) -> Option<Tap> {
    if name.has(&["raw", "unfiltered"]) {
        Some(Tap::Raw)
    } else if name.has(&["filtered", "filt", "smoothed"]) {
        Some(Tap::Filtered)
    } else if name.has(&["estimated", "estimate", "est", "estim"]) {
        Some(Tap::Estimated)
    } else {
        None
    }
}

/// What a name stands for.
pub(super) fn meaning(name: &Name) -> Option<Meaning> {
    let tap = tap(name);
    let found = |channel: String, sure: bool| Some(Meaning { channel, sure, tap });
    let demand = name.has(&[
        "setpoint",
        "demand",
        "demanded",
        "desired",
        "reference",
        "target",
        "commanded",
        "command",
        "ref",
        "set",
        "des",
    ]);
    let with = |stem: &str| if demand { format!("{stem}_demand") } else { stem.to_owned() };
    if let Some(rotor) = rotor(name) {
        return found(rotor.0, rotor.1);
    }
    if name.has(&["accuracy", "variance", "error", "integral", "gain", "bias", "count", "derivative"]) {
        return None;
    }
    let angular = name.has(&["angular", "ang"]);
    let force = name.has(&["acc", "accel", "acceleration", "accelerometer", "force"]);
    if angular && force {
        return None;
    }
    let turning = name.has(&["gyro", "gyroscope", "rate", "rates", "omega"])
        || (angular && name.has(&["velocity", "vel", "rate", "speed"]));
    if turning && let Some(axis) = name.axis() {
        return found(vector_name(&with("rate"), axis), true);
    }
    // A gyro's axis by its textbook symbol: roll rate p, pitch rate q, yaw rate r.
    let symbol =
        ["p", "q", "r"].iter().position(|s| name.words.iter().any(|w| w.strip_prefix("gyro") == Some(s)));
    if let Some(axis) = symbol.or_else(|| name.joined(&["g", "w", "omega", "gyro"])) {
        return found(vector_name(&with("rate"), axis), false);
    }
    if force && let Some(axis) = name.axis() {
        return found(vector_name("accel", axis), !name.has(&["force"]) || name.has(&["specific"]));
    }
    if let Some(axis) = name.joined(&["a", "f", "acc"]) {
        return found(vector_name("accel", axis), false);
    }
    if name.has(&["mag", "magnetometer", "magnetic"])
        && let Some(axis) = name.axis()
    {
        return found(vector_name("mag", axis), true);
    }
    attitude(name, demand)
        .or_else(|| translation(name, demand))
        .or_else(|| supply(name))
        .or_else(|| symbols(name))
        .and_then(|(channel, sure)| found(channel, sure))
}

fn rotor(name: &Name) -> Option<(String, bool)> {
    if name.is(&["rpm"]) || name.is(&["rotor", "speed"]) || name.is(&["motor", "speed"]) {
        return Some(("rotor.1.speed".to_owned(), false));
    }
    let n = name.number().filter(|n| (1..=64).contains(n))?;
    let speed = name.has(&["rpm", "speed", "omega", "revolutions"]);
    let part = name.has(&["motor", "mot", "rotor", "propeller", "prop", "esc"]);
    let command = name.has(&["command", "cmd", "throttle", "duty", "demand", "signal", "pulse"])
        || name.unit.as_deref() == Some("us");
    let what = if speed && (part || name.has(&["rpm"])) {
        "speed"
    } else if part && command {
        "command"
    } else if part && name.has(&["current"]) {
        "current"
    } else if part && name.has(&["thrust"]) {
        "thrust"
    } else if part && name.words.len() <= 2 {
        return Some((format!("rotor.{n}.?"), false));
    } else if name.words.len() == 2 && name.words[0] == "u" {
        return Some((format!("rotor.{n}.command"), false));
    } else {
        return None;
    };
    Some((format!("rotor.{n}.{what}"), true))
}

fn attitude(name: &Name, demand: bool) -> Option<(String, bool)> {
    let stem = if demand { "attitude_demand" } else { "attitude" };
    let quaternion = name.has(&["quaternion", "quat", "q", "attitude"]);
    if quaternion && name.words.len() >= 2 {
        if let Some(p) = ["w", "x", "y", "z"].iter().position(|a| name.words.last().is_some_and(|w| w == a)) {
            return Some((quaternion_name(stem, p), true));
        }
        if let Some(n) = name.number().filter(|n| *n < 4 && !name.has(&["attitude"])) {
            return Some((quaternion_name(stem, n), false));
        }
    }
    if name.words.len() == 1
        && let Some(p) = ["qw", "qx", "qy", "qz"].iter().position(|a| name.words[0] == *a)
    {
        return Some((quaternion_name(stem, p), true));
    }
    let greek = ["phi", "theta", "psi"].iter().position(|a| name.has(&[a]));
    let plain = ["roll", "pitch", "yaw"].iter().position(|a| name.has(&[a]));
    match (plain, greek) {
        (Some(axis), _) => Some((angle_name(stem, axis), true)),
        (None, Some(axis)) if !name.has(&["dot"]) => Some((angle_name(stem, axis), name.words.len() == 1)),
        _ => None,
    }
}

fn translation(name: &Name, demand: bool) -> Option<(String, bool)> {
    let with = |stem: &str| if demand { format!("{stem}_demand") } else { stem.to_owned() };
    let velocity = name.has(&["velocity", "vel"]);
    let place = name.has(&["position", "pos"]);
    let compass = ["north", "east", "down"].iter().position(|a| name.has(&[a]));
    // v with its direction.
    let joined = |a: &&str| name.words.iter().any(|w| w.strip_prefix('v') == Some(*a));
    if let Some(axis) = ["north", "east", "down"].iter().position(joined) {
        return Some((vector_name(&with("velocity"), axis), true));
    }
    if let Some(axis) = compass {
        if velocity || place {
            return Some((vector_name(&with(if velocity { "velocity" } else { "position" }), axis), true));
        }
        return None;
    }
    let body = velocity && name.has(&["body"]);
    if body && let Some(axis) = name.axis() {
        return Some((vector_name("velocity_body", axis), true));
    }
    if velocity && let Some(axis) = name.axis() {
        return Some((vector_name(&with("velocity"), axis), false));
    }
    if let Some(axis) = name.joined(&["v"]) {
        return Some((vector_name("velocity", axis), false));
    }
    if place && let Some(axis) = name.axis() {
        return Some((vector_name(&with("position"), axis), false));
    }
    None
}

fn supply(name: &Name) -> Option<(String, bool)> {
    let battery = name.has(&["battery", "batt", "bat", "pack", "supply", "vbat", "vbatt"]);
    let unit = name.unit.as_deref();
    let sure = |channel: &str, sure: bool| Some((channel.to_owned(), sure));
    if name.has(&["voltage", "volt"])
        || (battery && matches!(unit, Some("V" | "mV")))
        || name.has(&["vbat", "vbatt"])
    {
        return sure("battery.voltage", battery || name.words.len() == 1);
    }
    if name.has(&["current"]) && (battery || name.words.len() == 1) {
        return sure("battery.current", true);
    }
    if battery && (name.has(&["charge", "percent", "remaining"]) || unit == Some("%")) {
        return sure("battery.charge", true);
    }
    if name.has(&["airspeed"]) {
        return sure("airspeed", true);
    }
    if name.has(&["pressure", "baro", "barometer"]) {
        return sure("pressure", name.has(&["pressure"]));
    }
    if name.has(&["height", "altitude"]) {
        return sure("height", name.has(&["height"]));
    }
    if name.has(&["temperature"]) && name.words.len() <= 2 {
        return sure("temperature", name.has(&["air", "ambient"]));
    }
    let index = name.number().is_some();
    if !index && name.has(&["throttle", "thrust", "collective"]) {
        return sure(
            "thrust_demand",
            name.has(&["demand", "command", "commanded", "throttle"]) && unit != Some("N"),
        );
    }
    None
}

/// Textbook symbols that stand alone.
fn symbols(name: &Name) -> Option<(String, bool)> {
    let [only] = name.words.as_slice() else { return None };
    let channel = match only.as_str() {
        "p" => "rate.x",
        "q" => "rate.y",
        "r" => "rate.z",
        "u" => "velocity_body.x",
        "v" if name.unit.as_deref() == Some("V") => "battery.voltage",
        "v" => "velocity_body.y",
        "w" => "velocity_body.z",
        "i" => "battery.current",
        _ => return None,
    };
    Some((channel.to_owned(), false))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(name: &str) -> Option<(String, bool)> {
        meaning(&read(name)).map(|m| (m.channel, m.sure))
    }

    #[test]
    fn plain_words_are_sure_and_symbols_are_not() {
        let sure = |c: &str| Some((c.to_owned(), true));
        let unsure = |c: &str| Some((c.to_owned(), false));
        assert_eq!(of("Body rate x [deg/s]"), sure("rate.x"));
        assert_eq!(of("roll rate (rad/s)"), sure("rate.x"));
        assert_eq!(of("rate demand yaw"), sure("rate_demand.z"));
        assert_eq!(of("p"), unsure("rate.x"));
        assert_eq!(of("theta"), sure("attitude.pitch"));
        assert_eq!(of("specific force z"), sure("accel.z"));
        assert_eq!(of("rotor 3 speed (rpm)"), sure("rotor.3.speed"));
        assert_eq!(of("rpm2"), sure("rotor.2.speed"));
        assert_eq!(of("motor 1"), unsure("rotor.1.?"));
        assert_eq!(of("battery voltage"), sure("battery.voltage"));
        assert_eq!(of("angular acceleration x"), None);
        assert_eq!(of("mast colour"), None);
        assert_eq!(read("gyro_z_rad_s").unit.as_deref(), Some("rad/s"));
        assert_eq!(read("Time (ms)").unit.as_deref(), Some("ms"));
        assert_eq!(meaning(&read("gyro x raw")).unwrap().tap, Some(Tap::Raw));
    }
}
