//! Names of places from positions: "front right", "rear", "left", "front left, lower".

use std::f64::consts::FRAC_PI_8;

use physics::aircraft::Station;

/// For every station the one right above it, when two stand over each other within `reach`, m.
pub(crate) fn lower_of_pairs(stations: &[Station], reach: f64) -> Vec<Option<usize>> {
    stations
        .iter()
        .map(|lower| {
            stations
                .iter()
                .enumerate()
                .filter(|(_, upper)| {
                    upper.at.z < lower.at.z && (upper.at.xy() - lower.at.xy()).norm() <= reach.max(1e-3)
                })
                .max_by(|(_, a), (_, b)| a.at.z.total_cmp(&b.at.z))
                .map(|(i, _)| i)
        })
        .collect()
}

fn sector(x: f64, y: f64, fine: bool) -> String {
    let (fore, side) = (if x >= 0.0 { "front" } else { "rear" }, if y >= 0.0 { "right" } else { "left" });
    let r = x.hypot(y);
    if r < 1e-3 {
        return "centre".to_owned();
    }
    if y.abs() < r * FRAC_PI_8.sin() - 1e-9 {
        fore.to_owned()
    } else if x.abs() < r * FRAC_PI_8.sin() - 1e-9 {
        side.to_owned()
    } else if fine && y.abs() > x.abs() {
        format!("{side} {fore}")
    } else {
        format!("{fore} {side}")
    }
}

/// Names for stations, each different from the others. Where two share an eighth of the circle,
/// the one nearer to the side is named by the side first ("right front"); what is still the same
/// is numbered.
pub(crate) fn place_names(stations: &[Station], below: &[Option<usize>]) -> Vec<String> {
    let pair = |i: usize| -> &'static str {
        if below.get(i).copied().flatten().is_some() {
            ", lower"
        } else if below.contains(&Some(i)) {
            ", upper"
        } else {
            ""
        }
    };
    let name = |fine: bool| -> Vec<String> {
        stations
            .iter()
            .enumerate()
            .map(|(i, s)| format!("{}{}", sector(s.at.x, s.at.y, fine), pair(i)))
            .collect()
    };
    let coarse = name(false);
    let fine = name(true);
    let twice = |all: &[String], n: &String| all.iter().filter(|m| *m == n).count() > 1;
    let mut names: Vec<String> = coarse
        .iter()
        .zip(&fine)
        .map(|(c, f)| if twice(&coarse, c) { f.clone() } else { c.clone() })
        .collect();
    let before = names.clone();
    for (i, n) in names.iter_mut().enumerate() {
        if twice(&before, n) {
            *n = format!("{n}, {}", i + 1);
        }
    }
    names
}
