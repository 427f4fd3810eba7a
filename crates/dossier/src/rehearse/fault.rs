//! Faults as people write them: `rotor:2@3s`.

use physics::Vec3;
use physics::flight::{Fault, FaultKind};

use crate::units::{Dimension, parse_quantity};

/// How every fault is written.
pub const EXAMPLES: &str = "rotor:2@3s (stops), rotor:2:60%@3s (60 % of its thrust left), esc:1:8ms@3s (later by 8 ms), sensor:roll@3s (gyro stuck), sensor:accelerometer@3s (stuck), sensor:magnetometer@3s, sensor:barometer@3s, link:10s@5s (lost for 10 s), cell:4@3s (one cell with four times the resistance), satellites:10s@5s, payload-shift:40mm@3s (to the right), payload-drop@3s";

/// Reads a fault.
///
/// # Errors
/// What is wrong, in words.
pub fn fault(text: &str) -> Result<Fault, String> {
    let wrong = |why: &str| format!("`{text}`: {why}");
    let (what, at) = text.rsplit_once('@').ok_or_else(|| wrong("a fault says when, after an @"))?;
    let number =
        |t: &str, d: Dimension| parse_quantity(t, d).map(|q| q.value).map_err(|e| wrong(&e.to_string()));
    let at = number(at, Dimension::Time)?;
    if at < 0.0 {
        return Err(wrong("the time is below zero"));
    }
    let mut parts = what.split(':');
    let (name, first, second) = (parts.next().unwrap_or_default().trim(), parts.next(), parts.next());
    if parts.next().is_some() {
        return Err(wrong("there are too many parts"));
    }
    let rotor = || -> Result<usize, String> {
        let n = first.and_then(|f| f.trim().parse::<usize>().ok()).filter(|n| *n > 0);
        n.map(|n| n - 1).ok_or_else(|| wrong("rotors are numbered from 1"))
    };
    let lasts = || first.map_or(Ok(f64::INFINITY), |t| number(t, Dimension::Time));
    let kind = match (name, second) {
        ("rotor", None) => FaultKind::RotorStop { rotor: rotor()? },
        ("rotor", Some(left)) => {
            FaultKind::RotorPartial { rotor: rotor()?, left: number(left, Dimension::Ratio)? }
        }
        ("esc", Some(by)) => FaultKind::EscSlow { rotor: rotor()?, by: number(by, Dimension::Time)? },
        ("esc", None) => return Err(wrong("say by how much later it answers: esc:1:8ms@3s")),
        (_, Some(_)) => return Err(wrong("there is a part too many")),
        ("sensor", None) => match first.map(str::trim) {
            Some("roll") => FaultKind::StuckSensor { axis: 0 },
            Some("pitch") => FaultKind::StuckSensor { axis: 1 },
            Some("yaw") => FaultKind::StuckSensor { axis: 2 },
            Some("accelerometer") => FaultKind::StuckAccelerometer,
            Some("magnetometer") => FaultKind::StuckMagnetometer,
            Some("barometer") => FaultKind::StuckBarometer,
            _ => {
                let all =
                    "a sensor is roll, pitch or yaw (of the gyro), accelerometer, magnetometer or barometer";
                return Err(wrong(all));
            }
        },
        ("link", None) => FaultKind::LinkLoss { lasts: lasts()? },
        ("satellites", None) => FaultKind::SatelliteLoss { lasts: lasts()? },
        ("cell", None) => {
            let factor = first.ok_or_else(|| wrong("say how many times its resistance: cell:4@3s"))?;
            FaultKind::WeakCell { factor: number(factor, Dimension::Ratio)? }
        }
        ("payload-shift", None) => {
            let by = first.ok_or_else(|| wrong("say how far: payload-shift:40mm@3s"))?;
            FaultKind::PayloadShift { by: Vec3::new(0.0, number(by, Dimension::Length)?, 0.0) }
        }
        ("payload-drop", None) if first.is_none() => FaultKind::PayloadDrop,
        _ => return Err(wrong("there is no such fault")),
    };
    Ok(Fault { at, kind })
}

/// A fault in words.
pub fn words(fault: &Fault) -> String {
    let lasts = |t: f64| if t.is_finite() { format!("for {t:.1} s") } else { "for good".to_owned() };
    let what = match fault.kind {
        FaultKind::RotorStop { rotor } => format!("rotor {} stops", rotor + 1),
        FaultKind::RotorPartial { rotor, left } => {
            format!("rotor {} keeps {:.0} % of its thrust", rotor + 1, 100.0 * left)
        }
        FaultKind::EscSlow { rotor, by } => format!("ESC {} answers {:.1} ms later", rotor + 1, 1e3 * by),
        FaultKind::StuckSensor { axis } => {
            format!("{} gyro sticks", ["roll", "pitch", "yaw"].get(axis).copied().unwrap_or("no"))
        }
        FaultKind::StuckAccelerometer => "accelerometer sticks".to_owned(),
        FaultKind::StuckMagnetometer => "magnetometer sticks".to_owned(),
        FaultKind::StuckBarometer => "barometer sticks".to_owned(),
        FaultKind::LinkLoss { lasts: t } => format!("link lost {}", lasts(t)),
        FaultKind::WeakCell { factor } => format!("one cell has {factor:.1} times its resistance"),
        FaultKind::SatelliteLoss { lasts: t } => format!("satellites lost {}", lasts(t)),
        FaultKind::PayloadShift { by } => format!("payload shifts by {:.0} mm to the right", 1e3 * by.y),
        FaultKind::PayloadDrop => "payload drops".to_owned(),
    };
    format!("{what} at {:.1} s", fault.at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prop_faults_are_read_as_written() {
        for part in EXAMPLES.split(", ") {
            let text = part.split(" (").next().unwrap();
            let f = fault(text).unwrap_or_else(|e| panic!("{e}"));
            assert!(f.at >= 3.0 && !words(&f).is_empty());
        }
        assert_eq!(fault("rotor:2@3s").unwrap().kind, FaultKind::RotorStop { rotor: 1 });
        assert_eq!(fault("rotor:2:60 %@3 s").unwrap().kind, FaultKind::RotorPartial { rotor: 1, left: 0.6 });
        for bad in [
            "",
            "rotor:2",
            "rotor:0@3s",
            "rotor@3s",
            "rotor:2@3",
            "esc:1@3s",
            "sensor:z@3s",
            "cell@3s",
            "rotor:1:2:3@3s",
            "payload-drop:1@2s",
            "moon@1s",
            "link:-@1s",
            "rotor:2@-1s",
        ] {
            assert!(fault(bad).is_err(), "{bad}");
        }
    }
}
