//! Content of each section as a hash: the same for the same aircraft, however it is written.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use sha2::{Digest, Sha256};

use super::advance;
use super::build::{Draft, stations};
use super::fields::{Fields, Held};

/// Keys that are names for people and change nothing.
const NAMES: &[&str] = &["name", "item", "place"];

/// Keys of a section that rehearsals alone feel: no record rests on them.
fn flown_alone(section: &str) -> &'static [&'static str] {
    match section {
        "imu" => &["rate_bias", "rate_drift", "accel_bias", "accel_drift"],
        "magnetometer" => &["rate", "noise", "bias", "delay"],
        _ => &[],
    }
}

/// A number as it goes into the hash: eleven digits, so that "15 in" and "381 mm" agree, and
/// rounding of a sine at zero does not count.
fn number(x: f64) -> String {
    if x.abs() < 1e-13 { "0".to_owned() } else { format!("{x:.10e}") }
}

fn fields(f: &Fields, v: &[f64], skip: &[&str]) -> String {
    let value = |i: usize| number(v.get(i).copied().unwrap_or(f64::NAN));
    let mut parts: Vec<String> = f
        .list
        .iter()
        .filter(|x| !NAMES.contains(&x.spec.name) && !skip.contains(&x.spec.name))
        // Nothing to add is the same as not stated.
        .filter(|x| {
            !(advance::KEYS.contains(&x.spec.name) && f.number(x.spec.name, v).is_none_or(|n| n == 0.0))
        })
        .map(|x| {
            let held = match &x.held {
                Held::Number(i) => value(*i),
                Held::Triple(t) => t.map(value).join(" "),
                Held::Flag(b) => b.to_string(),
                Held::Text(t) => t.clone(),
                Held::Word(w) => (*w).to_owned(),
                Held::Words(w) => w.join(" "),
                Held::Nested(n) => fields(n, v, &[]),
                Held::Broken => String::new(),
            };
            format!("{}={held}", x.spec.name)
        })
        .collect();
    parts.sort();
    parts.join("\n")
}

/// Section to SHA-256 of its content in SI units. Tolerances do not count: they say how well a
/// part is known, not which part it is.
pub(crate) fn fingerprint(draft: &Draft, v: &[f64]) -> BTreeMap<String, String> {
    let mut content: BTreeMap<&str, String> = BTreeMap::new();
    let mut geometry = String::new();
    for s in stations(draft, v).unwrap_or_default() {
        let xyz = |a: physics::Vec3| [a.x, a.y, a.z].map(number).join(" ");
        let _ = writeln!(geometry, "at={} axis={} spin={}", xyz(s.at), xyz(s.axis), s.spin.word());
    }
    if let Some(a) = draft.one("aircraft") {
        geometry.push_str(&fields(a, v, &["layout", "arm", "cant", "cant_sense", "spins"]));
    }
    content.insert("geometry", geometry);
    let mut masses: Vec<String> = draft
        .many("mass")
        .map(|m| {
            let mut text = fields(m, v, &[]);
            // An offset that is not stated is none.
            if !m.stated("at") {
                let _ = write!(text, "\nat=0 0 0");
                let mut lines: Vec<&str> = text.lines().collect();
                lines.sort_unstable();
                text = lines.join("\n");
            }
            text
        })
        .collect();
    masses.sort();
    content.insert("mass", masses.join("\n--\n"));
    if let Some(r) = draft.one("rotor") {
        let mut text = fields(r, v, &["table", "geometry", "polar"]);
        if let Some(t) = &draft.table {
            let row = |r: &[f64]| r.iter().map(|x| number(*x)).collect::<Vec<_>>().join(" ");
            let _ = write!(text, "\ntable\n{}\n{}", row(&t.speeds), row(&t.advance));
            for r in t.ct.iter().chain(&t.cp) {
                let _ = write!(text, "\n{}", row(r));
            }
        }
        if let Some(b) = &draft.blade {
            for s in b.rotor.blade.stations() {
                let _ = write!(text, "\nblade {} {} {}", number(s.radius), number(s.chord), number(s.twist));
            }
            if let physics::polar::Section::Table(t) = &b.rotor.section {
                let _ = write!(text, "\npolar {t:?}");
            }
        }
        content.insert("rotor", text);
    }
    for name in [
        "weighed",
        "motor",
        "esc",
        "battery",
        "imu",
        "structure.arm",
        "structure.mast",
        "structure.plate",
        "structure.mount",
        "magnetometer",
        "barometer",
        "satellite",
        "siting",
        "loop.rate",
        "loop.attitude",
        "loop.velocity",
        "loop.position",
        "failsafe",
        "link",
        "parachute",
    ] {
        if let Some(f) = draft.one(name) {
            content.insert(name, fields(f, v, flown_alone(name)));
        }
    }
    let filters: Vec<String> = draft.many("filter").map(|f| fields(f, v, &[])).collect();
    if !filters.is_empty() {
        content.insert("filter", filters.join("\n--\n"));
    }
    let leads: Vec<String> = draft.many("lead").map(|f| fields(f, v, &[])).collect();
    if !leads.is_empty() {
        content.insert("lead", leads.join("\n--\n"));
    }
    content.into_iter().map(|(k, text)| (k.to_owned(), hex(&Sha256::digest(text.as_bytes())))).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut s, b| {
        let _ = write!(s, "{b:02x}");
        s
    })
}
