//! The names that channels may have, with their SI units and frames.

use crate::units::Dimension;

/// Frame that a vector channel is given in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Frame {
    /// Body axes.
    Body,
    /// Earth axes.
    Earth,
}

/// What a channel name stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Canonical {
    /// Dimension; its SI unit is the channel's.
    pub dimension: Dimension,
    /// For vectors: stem (`rate`), axis 0..3 and frame.
    pub vector: Option<(&'static str, usize, Frame)>,
    /// For attitudes: stem and part.
    pub attitude: Option<(&'static str, AttitudePart)>,
    /// For rotor channels: rotor from 1 and quantity.
    pub rotor: Option<(usize, &'static str)>,
}

/// One part of an attitude.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AttitudePart {
    /// Quaternion part: 0 scalar, 1 to 3 vector.
    Quaternion(usize),
    /// Angle about the axis 0 roll, 1 pitch, 2 yaw (turned yaw first, then pitch, then roll).
    Angle(usize),
}

/// Vector stems with unit and frame.
pub(super) const VECTORS: &[(&str, Dimension, Frame)] = &[
    ("rate", Dimension::AngularSpeed, Frame::Body),
    ("rate_raw", Dimension::AngularSpeed, Frame::Body),
    ("rate_demand", Dimension::AngularSpeed, Frame::Body),
    ("accel", Dimension::Acceleration, Frame::Body),
    ("accel_raw", Dimension::Acceleration, Frame::Body),
    ("mag", Dimension::MagneticFluxDensity, Frame::Body),
    ("velocity_body", Dimension::Speed, Frame::Body),
    ("velocity", Dimension::Speed, Frame::Earth),
    ("velocity_demand", Dimension::Speed, Frame::Earth),
    ("position", Dimension::Length, Frame::Earth),
    ("position_demand", Dimension::Length, Frame::Earth),
];

/// Attitude stems.
pub(super) const ATTITUDES: &[&str] = &["attitude", "attitude_demand"];

/// Single channels with unit.
pub(super) const SCALARS: &[(&str, Dimension)] = &[
    ("thrust_demand", Dimension::Ratio),
    ("battery.voltage", Dimension::Voltage),
    ("battery.current", Dimension::Current),
    ("battery.charge", Dimension::Ratio),
    ("battery.temperature", Dimension::Temperature),
    ("pressure", Dimension::Pressure),
    ("temperature", Dimension::Temperature),
    ("airspeed", Dimension::Speed),
    ("height", Dimension::Length),
    ("satellite.signal", Dimension::Ratio),
    ("radio.on", Dimension::Ratio),
    ("link.on", Dimension::Ratio),
    ("link.signal", Dimension::Ratio),
    ("link.loss", Dimension::Ratio),
    ("mode", Dimension::Ratio),
    ("pilot.override", Dimension::Ratio),
    ("distance", Dimension::Length),
    ("point.1.x", Dimension::Length),
    ("point.1.y", Dimension::Length),
    ("point.2.x", Dimension::Length),
    ("point.2.y", Dimension::Length),
];

/// Rotor quantities with unit.
pub(super) const ROTOR: &[(&str, Dimension)] = &[
    ("command", Dimension::Ratio),
    ("speed", Dimension::AngularSpeed),
    ("current", Dimension::Current),
    ("thrust", Dimension::Force),
    ("thrust_demand", Dimension::Force),
    ("torque", Dimension::Torque),
    ("temperature", Dimension::Temperature),
];

const AXES: [&str; 3] = ["x", "y", "z"];
const PARTS: [&str; 4] = ["w", "i", "j", "k"];
const ANGLES: [&str; 3] = ["roll", "pitch", "yaw"];

/// Looks a channel name up.
pub(super) fn canonical(name: &str) -> Option<Canonical> {
    let plain = Canonical { dimension: Dimension::Ratio, vector: None, attitude: None, rotor: None };
    if let Some((_, dimension)) = SCALARS.iter().find(|(n, _)| *n == name) {
        return Some(Canonical { dimension: *dimension, ..plain });
    }
    let (stem, last) = name.rsplit_once('.')?;
    if let Some(rest) = stem.strip_prefix("rotor.") {
        let number = rest.parse::<usize>().ok().filter(|n| (1..=64).contains(n))?;
        if number.to_string() != rest {
            return None;
        }
        let (what, dimension) = ROTOR.iter().find(|(n, _)| *n == last)?;
        return Some(Canonical { dimension: *dimension, rotor: Some((number, what)), ..plain });
    }
    if let Some((stem, dimension, frame)) = VECTORS.iter().find(|(n, _, _)| *n == stem) {
        let axis = AXES.iter().position(|a| *a == last)?;
        return Some(Canonical { dimension: *dimension, vector: Some((stem, axis, *frame)), ..plain });
    }
    let stem = ATTITUDES.iter().find(|n| **n == stem)?;
    if let Some(p) = PARTS.iter().position(|a| *a == last) {
        return Some(Canonical { attitude: Some((stem, AttitudePart::Quaternion(p))), ..plain });
    }
    let a = ANGLES.iter().position(|a| *a == last)?;
    Some(Canonical { dimension: Dimension::Angle, attitude: Some((stem, AttitudePart::Angle(a))), ..plain })
}

/// Name of part `axis` of a vector.
pub(super) fn vector_name(stem: &str, axis: usize) -> String {
    format!("{stem}.{}", AXES.get(axis).copied().unwrap_or("x"))
}

/// Name of part `part` of a quaternion.
pub(super) fn quaternion_name(stem: &str, part: usize) -> String {
    format!("{stem}.{}", PARTS.get(part).copied().unwrap_or("w"))
}

/// Name of angle `axis` of an attitude.
pub(super) fn angle_name(stem: &str, axis: usize) -> String {
    format!("{stem}.{}", ANGLES.get(axis).copied().unwrap_or("roll"))
}

/// One sentence that lists the names.
pub(super) fn all_names() -> String {
    let vectors: Vec<_> = VECTORS.iter().map(|(n, _, _)| format!("{n}.x/.y/.z")).collect();
    let scalars: Vec<_> = SCALARS.iter().map(|(n, _)| *n).collect();
    let rotor: Vec<_> = ROTOR.iter().map(|(n, _)| *n).collect();
    format!(
        "{}; attitude.w/.i/.j/.k or attitude.roll/.pitch/.yaw; rotor.N.{}; {}",
        vectors.join(", "),
        rotor.join("/."),
        scalars.join(", ")
    )
}

/// Edit distance of two short words (Levenshtein 1966).
pub(super) fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().take(80).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().take(80).enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        if let Some(first) = row.first_mut() {
            *first = left;
        }
        for (cell, cb) in row.iter_mut().skip(1).zip(&b) {
            let cost = diagonal + usize::from(ca != *cb);
            diagonal = *cell;
            left = cost.min(left + 1).min(diagonal + 1);
            *cell = left;
        }
    }
    row.last().copied().unwrap_or(0)
}

/// The nearest of some words, when it is near enough to be a slip of the pen.
pub(super) fn nearest<'a>(word: &str, among: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    among
        .into_iter()
        .map(|w| (distance(&lower, &w.to_lowercase()), w))
        .min_by_key(|(d, _)| *d)
        .filter(|(d, w)| *d <= (w.len().max(lower.len()) / 3).max(1))
        .map(|(_, w)| w)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_with_their_units() {
        assert_eq!(canonical("rate.x").unwrap().dimension, Dimension::AngularSpeed);
        assert_eq!(canonical("rotor.12.speed").unwrap().rotor, Some((12, "speed")));
        assert_eq!(
            canonical("attitude.k").unwrap().attitude,
            Some(("attitude", AttitudePart::Quaternion(3)))
        );
        assert!(canonical("rotor.0.speed").is_none() && canonical("rotor.01.speed").is_none());
        assert!(canonical("rate.w").is_none() && canonical("").is_none());
        assert_eq!(distance("kitten", "sitting"), 3);
    }
}
