//! Checks that need more than one key: errors that no aircraft may have, and warnings with numbers.

use std::f64::consts::TAU;
use std::ops::Range;

use physics::Vec3;
use physics::aircraft::{Aircraft, Chemistry};
use physics::layout;
use physics::rotor::Coefficients;

use super::build::Draft;
use super::fields::Fields;
use super::source::Source;
use crate::diagnostic::{Diagnostic, Severity};

/// Hubs closer than this are one station, m.
const SAME_PLACE: f64 = 1e-3;
/// Cosine of the largest tilt that the models cover.
const LARGEST_TILT_DEG: f64 = 30.0;

struct Checker<'a> {
    source: &'a Source,
    found: Vec<Diagnostic>,
}

impl Checker<'_> {
    fn error(&mut self, span: Option<&Range<usize>>, key: &str, message: String, help: &str) {
        self.found.push(self.source.error(span, key, message).help(help));
    }
    fn warning(&mut self, span: Option<&Range<usize>>, key: &str, message: String, help: &str) {
        let mut d = self.source.error(span, key, message).help(help);
        d.severity = Severity::Warning;
        self.found.push(d);
    }
}

/// Errors between keys. Works on an incomplete draft, so that all errors of a file come at once.
pub(crate) fn errors(draft: &Draft, v: &[f64], source: &Source) -> Vec<Diagnostic> {
    let mut c = Checker { source, found: Vec::new() };
    geometry(&mut c, draft, v);
    masses(&mut c, draft, v);
    rotor(&mut c, draft);
    winding(&mut c, draft, v);
    chopping(&mut c, draft);
    battery(&mut c, draft, v);
    set_up_at(&mut c, draft, v);
    filters(&mut c, draft, v);
    structure(&mut c, draft, v);
    leads(&mut c, draft, v);
    sensors(&mut c, draft);
    failsafe(&mut c, draft, v);
    c.found
}

/// Turning home comes before landing where it is.
fn failsafe(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let Some(f) = draft.one("failsafe") else { return };
    if let Some((home, land)) = f.number("come_home_at", v).zip(f.number("land_now_at", v))
        && land >= home
    {
        c.error(
            f.place("land_now_at"),
            "failsafe.land_now_at",
            format!(
                "it lands at {:.0} % of the charge, before it would turn home at {:.0} %",
                100.0 * land,
                100.0 * home
            ),
            "land_now_at is below come_home_at: come_home_at = \"35 %\", land_now_at = \"12 %\"",
        );
    }
}

fn geometry(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let stations: Vec<&Fields> = draft.many("station").collect();
    if let Some(a) = draft.one("aircraft") {
        let by_layout = a.stated("layout");
        match (by_layout, stations.first()) {
            (true, Some(first)) => c.error(
                first.span.as_ref(),
                "station",
                "both a layout and [[station]] are given".to_owned(),
                "keep layout and arm in [aircraft], or keep the [[station]] list and take layout and arm out",
            ),
            (false, None) => c.error(
                a.span.as_ref(),
                "aircraft.layout",
                "neither a layout nor any [[station]] is given".to_owned(),
                "write layout = \"quad-x\" and arm = \"310 mm\", or list each rotor as [[station]]",
            ),
            _ => {}
        }
        if by_layout && !a.stated("arm") {
            c.error(
                a.place("layout"),
                "aircraft.arm",
                "a layout needs an arm".to_owned(),
                "write arm = \"310 mm\": the distance from the centre to a hub",
            );
        }
        if !by_layout && !stations.is_empty() {
            for key in ["arm", "cant", "cant_sense", "spins"] {
                if a.stated(key) {
                    c.error(
                        a.place(key),
                        &format!("aircraft.{key}"),
                        format!("`{key}` goes with a layout; here the stations are listed"),
                        "take it out and state at, spin and cant in each [[station]]",
                    );
                }
            }
        }
        cant_sense(c, a, v);
        if let (Some(name), Some(spins)) = (a.word("layout"), a.words("spins"))
            && let Some(count) = layout::stations(name, 1.0, 0.0, true).map(|s| s.len())
            && count != spins.len()
        {
            c.error(
                a.place("spins"),
                "aircraft.spins",
                format!("{} senses of rotation for the {count} rotors of {name}", spins.len()),
                "give one sense for each rotor: spins = [\"ccw\", \"cw\", \"ccw\", \"cw\"]",
            );
        }
    }
    for s in &stations {
        cant_sense(c, s, v);
        if s.stated("axis") && (s.stated("cant") || s.stated("cant_sense")) {
            c.error(
                s.place("cant"),
                &format!("{}.cant", s.path),
                "both axis and cant are given".to_owned(),
                "keep cant and cant_sense, or keep axis",
            );
        }
        if let Some([x, y, z]) = s.triple("axis", v) {
            let axis = Vec3::new(x, y, z);
            let length = axis.norm();
            let key = format!("{}.axis", s.path);
            if (length - 1.0).abs() > 0.005 {
                c.error(
                    s.place("axis"),
                    &key,
                    format!("the thrust axis has length {length:.4}; it is a unit vector"),
                    "divide by its length: axis = [0.0, 0.07, -0.99755]",
                );
            } else if z >= 0.0 {
                c.error(
                    s.place("axis"),
                    &key,
                    "the thrust points down: z is down, so lift has a negative third component".to_owned(),
                    "write axis = [0.0, 0.0, -1.0] for a rotor that lifts straight up",
                );
            } else {
                let tilt = (-z / length).clamp(-1.0, 1.0).acos().to_degrees();
                if tilt >= LARGEST_TILT_DEG {
                    c.error(
                        s.place("axis"),
                        &key,
                        format!("the thrust axis is tilted by {tilt:.1} deg"),
                        "tilt is below 30 deg: more loses lift, and the models assume small tilt",
                    );
                }
            }
        }
    }
    for (i, s) in stations.iter().enumerate() {
        for earlier in stations.iter().take(i) {
            if let (Some(a), Some(b)) = (s.triple("at", v), earlier.triple("at", v)) {
                let d = (Vec3::from(a) - Vec3::from(b)).norm();
                if d < SAME_PLACE {
                    c.error(
                        s.place("at"),
                        &format!("{}.at", s.path),
                        format!("{} and {} stand at the same place", earlier.path, s.path),
                        "give each rotor its own position; the lower rotor of a coaxial pair has a larger third component",
                    );
                }
            }
        }
    }
}

fn cant_sense(c: &mut Checker<'_>, f: &Fields, v: &[f64]) {
    let path = &f.path;
    if f.number("cant", v).is_some_and(|x| x > 0.0) && !f.stated("cant_sense") {
        c.error(
            f.place("cant"),
            &format!("{path}.cant_sense"),
            "a cant needs its sense".to_owned(),
            "add cant_sense = \"with-reaction\" (the tilt helps yaw) or \"against-reaction\"",
        );
    }
    if f.stated("cant_sense") && !f.stated("cant") {
        c.error(
            f.place("cant_sense"),
            &format!("{path}.cant"),
            "a sense of the cant, but no cant".to_owned(),
            "add cant = \"4 deg\", or take cant_sense out",
        );
    }
}

fn masses(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    for m in draft.many("mass") {
        let path = &m.path;
        let per_rotor = m.flag("per_rotor") == Some(true);
        if !per_rotor && m.flag("per_rotor").is_some() && !m.stated("at") {
            c.error(
                m.span.as_ref(),
                &format!("{path}.at"),
                "`at` is missing in [[mass]]: where the item is".to_owned(),
                "write at = [\"0 mm\", \"0 mm\", \"35 mm\"]: forward, right, down from the reference point",
            );
        }
        let shapes: Vec<&str> = ["box", "cylinder", "rod"].into_iter().filter(|k| m.stated(k)).collect();
        if let [_, second, ..] = shapes.as_slice() {
            c.error(
                m.place(second),
                &format!("{path}.{second}"),
                format!("an item has one shape; found {}", shapes.join(" and ")),
                "keep one of box, cylinder and rod; with none it is a point",
            );
        }
        for key in ["box", "rod"] {
            if m.triple(key, v).is_some_and(|t| t.iter().all(|x| *x == 0.0)) {
                c.error(
                    m.place(key),
                    &format!("{path}.{key}"),
                    format!("a {key} of no size"),
                    "state its size, or take it out: without a shape the item is a point",
                );
            }
        }
    }
}

fn rotor(c: &mut Checker<'_>, draft: &Draft) {
    let Some(r) = draft.one("rotor") else { return };
    let table = r.stated("table");
    let geometry = r.stated("geometry");
    if table && geometry {
        c.error(
            r.place("geometry"),
            "rotor.geometry",
            "both `table` and `geometry` are given".to_owned(),
            "keep the measured table; the geometry only computes what the table has measured",
        );
    }
    for key in ["section", "polar"] {
        if r.stated(key) && !geometry {
            c.error(
                r.place(key),
                &format!("rotor.{key}"),
                format!("`{key}` goes with the geometry of a blade"),
                "take it out, or give geometry = \"blade.csv\"",
            );
        }
    }
    if r.stated("section") && r.stated("polar") {
        c.error(
            r.place("section"),
            "rotor.section",
            "both `section` and `polar` are given".to_owned(),
            "keep the polar where it is of this blade's section, else the family",
        );
    }
    for (key, scale) in [("ct", "ct_scale"), ("cp", "cp_scale")] {
        if table && r.stated(key) {
            c.error(
                r.place(key),
                &format!("rotor.{key}"),
                format!("both `table` and `{key}` are given"),
                "keep the table, or keep ct and cp; a table's tolerance is stated by ct_scale and cp_scale",
            );
        }
        if geometry && r.stated(key) && r.stated(scale) {
            c.error(
                r.place(scale),
                &format!("rotor.{scale}"),
                format!("both `{key}` and `{scale}` are given"),
                "a stated ct or cp rules over the geometry: keep it, or keep the scale",
            );
        }
        if !table && !geometry && !r.stated(key) {
            c.error(
                r.span.as_ref(),
                &format!("rotor.{key}"),
                format!("`{key}` is missing in [rotor], and there is no table"),
                "write ct = \"0.105 +- 3 %\" and cp = \"0.040 +- 4 %\", or table = \"rotor.csv\"",
            );
        }
        if !table && !geometry && r.stated(scale) {
            c.error(
                r.place(scale),
                &format!("rotor.{scale}"),
                format!("`{scale}` goes with a table"),
                "take it out, or give table = \"rotor.csv\"",
            );
        }
    }
}

fn winding(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let Some(m) = draft.one("motor") else { return };
    if m.stated("winding_burst") && !m.stated("winding_limit") {
        c.error(
            m.place("winding_burst"),
            "motor.winding_limit",
            "`winding_burst` is given, `winding_limit` is not".to_owned(),
            "write winding_limit = \"120 degC\" with the rise of the winding, or take winding_burst out",
        );
    }
    if let (Some(limit), Some(warm)) = (m.number("winding_limit", v), m.number("winding_temperature", v))
        && limit <= warm
    {
        c.error(
            m.place("winding_limit"),
            "motor.winding_limit",
            format!(
                "the winding is at {:.0} degC in the predictions and may not pass {:.0} degC: nothing is left",
                warm - 273.15,
                limit - 273.15
            ),
            "state a winding_temperature below winding_limit",
        );
    }
    let keys = ["winding_rise", "winding_rise_current", "winding_time"];
    let Some(stated) = ["winding_limit"].iter().chain(&keys).find(|k| m.stated(k)) else { return };
    for missing in keys.iter().filter(|k| !m.stated(k)) {
        c.error(
            m.place(stated),
            &format!("motor.{missing}"),
            format!("`{stated}` is given, `{missing}` is not"),
            "write winding_rise = \"45 K\", winding_rise_current = \"18 A\" and winding_time = \"70 s\", or none of them",
        );
    }
}

/// The loss by chopping is made of both, or is not there.
fn chopping(c: &mut Checker<'_>, draft: &Draft) {
    let remedy = "write switching_frequency = \"24 kHz\" and edge_time = \"0.4 us\", or neither";
    pairs(
        c,
        draft,
        "esc",
        &[("switching_frequency", "edge_time"), ("edge_time", "switching_frequency")],
        remedy,
    );
}

/// What a sensor's keys need of each other.
fn sensors(c: &mut Checker<'_>, draft: &Draft) {
    let needs = [("rate", "noise"), ("noise", "rate"), ("bias", "noise"), ("delay", "noise")];
    pairs(c, draft, "magnetometer", &needs, "write rate = \"50 Hz\" and noise = \"0.3 uT\", or at alone");
    let both = [("dropout_every", "dropout_time"), ("dropout_time", "dropout_every")];
    let remedy = "write dropout_every = \"300 s\" and dropout_time = \"1.5 s\", or neither";
    pairs(c, draft, "satellite", &both, remedy);
}

/// Keys of a section of which the first needs the second.
fn pairs(c: &mut Checker<'_>, draft: &Draft, section: &str, needs: &[(&str, &str)], remedy: &str) {
    let Some(f) = draft.one(section) else { return };
    for (there, missing) in needs {
        if f.stated(there) && !f.stated(missing) {
            let message = format!("`{there}` is given, `{missing}` is not");
            c.error(f.place(there), &format!("{section}.{missing}"), message, remedy);
        }
    }
}

fn battery(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let Some(b) = draft.one("battery") else { return };
    let full = match b.word("chemistry") {
        Some("lipo-hv") => 4.35,
        Some(_) => 4.2,
        None => return,
    };
    if let Some(cutoff) = b.number("cutoff", v)
        && cutoff >= full
        && cutoff <= 4.4
    {
        c.error(
            b.place("cutoff"),
            "battery.cutoff",
            format!("the cut-off of {cutoff} V is not below the full cell of {full} V"),
            "write cutoff = \"3.3 V\": the least voltage of one cell under load",
        );
    }
}

/// Voltage of a cell, V, that a bus can be at: beyond it the pack is another one or the voltage that of a cell.
const CELL: (f64, f64) = (2.0, 4.5);

/// The voltage that the gains hold at is one that the bus can have.
fn set_up_at(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let (Some(l), Some(b)) = (draft.one("loop.rate"), draft.one("battery")) else { return };
    let Some((volts, series)) = l.number("set_up_at", v).zip(b.number("series", v)) else { return };
    if !(CELL.0 * series..=CELL.1 * series).contains(&volts) {
        c.error(
            l.place("set_up_at"),
            "loop.rate.set_up_at",
            format!("{volts:.1} V is no voltage of a pack of {series:.0} cells in series"),
            &format!("it is the voltage of the whole bus: set_up_at = \"{:.1} V\"", 3.8 * series),
        );
    }
}

fn filters(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    let Some(rate) = draft.one("imu").and_then(|i| i.number("sample_rate", v)) else { return };
    let half = rate / 2.0;
    for f in draft.many("filter") {
        let key = if f.word("kind") == Some("low-pass") { "cutoff" } else { "centre" };
        if let Some(x) = f.number(key, v)
            && x >= half
        {
            c.error(
                f.place(key),
                &format!("{}.{key}", f.path),
                format!("{x} Hz is not below half the sample rate, {half} Hz"),
                "a filter acts below half of imu.sample_rate; lower it, or correct the sample rate",
            );
        }
    }
}

fn structure(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    for name in ["structure.arm", "structure.mast"] {
        let Some(f) = draft.one(name) else { continue };
        if let (Some(outer), Some(wall)) = (f.number("outer", v), f.number("wall", v))
            && wall > 0.5 * outer
        {
            c.error(
                f.place("wall"),
                &format!("{name}.wall"),
                format!("a wall of {:.2} mm does not fit a tube of {:.2} mm", wall * 1e3, outer * 1e3),
                "the wall is at most half of the outer diameter; half of it is a solid rod",
            );
        }
    }
}

fn leads(c: &mut Checker<'_>, draft: &Draft, v: &[f64]) {
    for f in draft.many("lead") {
        if f.stated("then") && !f.stated("via") {
            c.error(
                f.place("then"),
                &format!("{}.via", f.path),
                "a second bend, but no first".to_owned(),
                "rename `then` to `via`, or add via",
            );
        }
        if let (Some(a), Some(b)) = (f.triple("from", v), f.triple("to", v))
            && !f.stated("via")
            && (Vec3::from(a) - Vec3::from(b)).norm() < SAME_PLACE
        {
            c.error(
                f.place("to"),
                &format!("{}.to", f.path),
                "the lead ends where it begins".to_owned(),
                "state where the pair of conductors begins and ends",
            );
        }
    }
}

/// Warnings about an aircraft that can be computed.
pub(crate) fn warnings(draft: &Draft, v: &[f64], aircraft: &Aircraft, source: &Source) -> Vec<Diagnostic> {
    let mut c = Checker { source, found: Vec::new() };
    few_rotors(&mut c, draft);
    spins(&mut c, draft, aircraft);
    discs(&mut c, draft, aircraft);
    yaw(&mut c, draft, aircraft);
    arm_length(&mut c, draft, aircraft);
    if let (Some(b), Some(cell)) = (draft.one("battery"), aircraft.battery.as_ref()) {
        let usual = match cell.chemistry {
            Chemistry::LiIonNmc => 2.5,
            Chemistry::Lipo | Chemistry::LipoHv => 3.0,
        };
        if cell.cutoff < usual {
            c.warning(
                b.place("cutoff"),
                "battery.cutoff",
                format!(
                    "a cut-off of {} V under load is below the {usual} V that such cells usually stand",
                    cell.cutoff
                ),
                "check the cell's data sheet (common practice, no source)",
            );
        }
    }
    for f in draft.many("filter") {
        if let (Some(w), Some(centre)) = (f.number("width", v), f.number("centre", v))
            && w > centre
        {
            c.warning(
                f.place("width"),
                &format!("{}.width", f.path),
                format!("the notch is wider ({w} Hz) than its centre is high ({centre} Hz): it delays all lower frequencies"),
                "a notch is usually narrower than half its centre frequency",
            );
        }
    }
    if let (Some(l), Some(imu), Some(rate)) =
        (draft.one("loop.rate"), aircraft.imu.as_ref(), aircraft.rate_loop.as_ref())
        && rate.period < imu.sample_period * 0.999
    {
        c.warning(
            l.place("rate"),
            "loop.rate.rate",
            format!(
                "the rate loop runs at {:.0} Hz on samples that come at {:.0} Hz",
                1.0 / rate.period,
                1.0 / imu.sample_period
            ),
            "check imu.sample_rate: a loop faster than its sensor works on old samples",
        );
    }
    c.found
}

/// A free length beyond the hub's distance from the centre cannot be.
fn arm_length(c: &mut Checker<'_>, draft: &Draft, aircraft: &Aircraft) {
    let (Some(f), Some(arm)) = (draft.one("structure.arm"), &aircraft.structure.arm) else { return };
    let n = aircraft.stations.len().max(1) as f64;
    let centre = aircraft.stations.iter().map(|s| s.at).sum::<Vec3>() / n;
    let radius = aircraft.stations.iter().map(|s| (s.at - centre).xy().norm()).fold(0.0, f64::max);
    if arm.length > radius + SAME_PLACE && aircraft.stations.len() > 1 {
        c.warning(
            f.place("length"),
            "structure.arm.length",
            format!(
                "the arm is free over {:.0} mm, but its hub stands {:.0} mm from the centre",
                arm.length * 1e3,
                radius * 1e3
            ),
            "state the length from where the body holds the arm to the hub",
        );
    }
}

fn station_place<'a>(draft: &'a Draft, index: usize, key: &str) -> (Option<&'a Range<usize>>, String) {
    match draft.many("station").nth(index) {
        Some(s) => (s.place(key), format!("{}.{key}", s.path)),
        None => {
            let key = match key {
                "at" => "arm",
                "spin" => "spins",
                other => other,
            };
            let a = draft.one("aircraft");
            let span = a.and_then(|a| if a.stated(key) { a.place(key) } else { a.place("layout") });
            (span, format!("aircraft.{key}"))
        }
    }
}

fn few_rotors(c: &mut Checker<'_>, draft: &Draft) {
    let stations: Vec<&Fields> = draft.many("station").collect();
    if (1..3).contains(&stations.len()) {
        let (count, name) = match stations.len() {
            1 => (1, "rotor station"),
            n => (n, "rotor stations"),
        };
        c.warning(
            stations.first().and_then(|s| s.span.as_ref()),
            "station",
            format!(
                "{count} {name}: fewer than 3 rotors cannot hold attitude, so hover and control stay open"
            ),
            "add a [[station]] for every rotor; leave it so for a single drive, as on a test stand",
        );
    }
}

fn spins(c: &mut Checker<'_>, draft: &Draft, aircraft: &Aircraft) {
    let sum: f64 = aircraft.stations.iter().map(|s| s.spin.reaction_sign()).sum();
    if sum.abs() > 0.5 && aircraft.stations.len() > 1 {
        let n = aircraft.stations.len();
        let ccw = ((n as f64 + sum) / 2.0).round();
        let (span, key) = station_place(draft, 0, "spin");
        c.warning(
            span,
            &key,
            format!("{ccw:.0} of {n} rotors turn ccw: their torques do not cancel, and hover needs uneven thrust or tilt"),
            "as many rotors turn cw as ccw, unless a tilted rotor holds the rest",
        );
    }
    for s in &aircraft.stations {
        if let Some(upper) = s.below.and_then(|u| aircraft.stations.get(u))
            && upper.spin == s.spin
        {
            let index = aircraft.stations.iter().position(|t| t == s).unwrap_or(0);
            let (span, key) = station_place(draft, index, "spin");
            c.warning(
                span,
                &key,
                format!("{} and {} turn the same way", upper.place, s.place),
                "the rotors of a coaxial pair usually turn against each other",
            );
        }
    }
}

fn discs(c: &mut Checker<'_>, draft: &Draft, aircraft: &Aircraft) {
    let d = aircraft.rotor.diameter;
    let mut worst: Option<(f64, usize, usize)> = None;
    for (i, a) in aircraft.stations.iter().enumerate() {
        for (j, b) in aircraft.stations.iter().enumerate().skip(i + 1) {
            if a.below == Some(j) || b.below == Some(i) {
                continue;
            }
            let gap = (a.at.xy() - b.at.xy()).norm();
            if gap < d && worst.is_none_or(|(g, _, _)| gap < g) {
                worst = Some((gap, i, j));
            }
        }
    }
    let Some((gap, i, j)) = worst else { return };
    let (Some(a), Some(b)) = (aircraft.stations.get(i), aircraft.stations.get(j)) else { return };
    let (span, key) = station_place(draft, j, "at");
    let dz = (a.at.z - b.at.z).abs();
    let same_plane = if dz < 0.02 * d { " in one plane: the blades can meet" } else { "" };
    c.warning(
        span,
        &key,
        format!(
            "the discs of {} and {} overlap by {:.0} mm (hubs {:.0} mm apart, diameter {:.0} mm){same_plane}",
            a.place,
            b.place,
            (d - gap) * 1e3,
            gap * 1e3,
            d * 1e3
        ),
        "lengthen the arm or take a smaller rotor; overlap is modelled as none",
    );
}

/// Torque per thrust in hover, m: Q/T = C_P D / (2 pi C_T), since P = Q omega.
fn torque_per_thrust(aircraft: &Aircraft) -> Option<f64> {
    let mean = |rows: &[Vec<f64>]| {
        let statics: Vec<f64> = rows.iter().filter_map(|r| r.first().copied()).collect();
        statics.iter().sum::<f64>() / statics.len().max(1) as f64
    };
    let (ct, cp) = match &aircraft.rotor.coefficients {
        Coefficients::Constant { ct, cp } => (*ct, *cp),
        Coefficients::Table(t) => (mean(&t.ct), mean(&t.cp)),
    };
    let lifts = ct * (1.0 - aircraft.rotor.download);
    (ct > 0.0).then(|| cp * aircraft.rotor.diameter / (TAU * lifts))
}

/// A tilt against the reaction whose moment exceeds the reaction turns the sign of yaw.
fn yaw(c: &mut Checker<'_>, draft: &Draft, aircraft: &Aircraft) {
    let Some(q) = torque_per_thrust(aircraft) else { return };
    let mut reversed = Vec::new();
    let mut weak = Vec::new();
    for (i, s) in aircraft.stations.iter().enumerate() {
        let tilt = s.at.cross(&s.axis).z;
        let reaction = s.spin.reaction_sign() * q * -s.axis.z;
        // Only a moment against the reaction matters here.
        let left = (tilt + reaction) * s.spin.reaction_sign();
        if left < 0.0 {
            reversed.push((i, tilt.abs(), reaction.abs()));
        } else if left < 0.3 * reaction.abs() {
            weak.push((i, tilt.abs(), reaction.abs()));
        }
    }
    let places = |list: &[(usize, f64, f64)]| {
        list.iter()
            .filter_map(|(i, _, _)| aircraft.stations.get(*i))
            .map(|s| s.place.as_str())
            .collect::<Vec<_>>()
            .join("; ")
    };
    let place = |i: usize| {
        let key =
            if draft.many("station").nth(i).is_some_and(|s| s.stated("axis")) { "axis" } else { "cant" };
        station_place(draft, i, key)
    };
    if let Some((i, tilt, reaction)) = reversed.first() {
        let (span, key) = place(*i);
        let message = format!(
            "the cant reverses yaw at {}: sin(cant) x arm = {:.1} mm against a torque per thrust of {:.1} mm",
            places(&reversed),
            tilt * 1e3,
            reaction * 1e3
        );
        c.warning(span, &key, message, "tilt with the reaction, or tell the controller that yaw is reversed");
    }
    if let Some((i, tilt, reaction)) = weak.first() {
        let (span, key) = place(*i);
        let message = format!(
            "the cant takes most of the yaw away at {}: sin(cant) x arm = {:.1} mm against a torque per thrust of {:.1} mm",
            places(&weak),
            tilt * 1e3,
            reaction * 1e3
        );
        c.warning(span, &key, message, "tilt with the reaction: cant_sense = \"with-reaction\"");
    }
}
