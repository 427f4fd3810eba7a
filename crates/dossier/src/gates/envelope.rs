//! Figures of gate sizing: thrust and power against command and airspeed, where the energy goes, the blade;
//! what moves the margin is in [`super::margins`].

use std::f64::consts::TAU;

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::atmosphere::Air;
use physics::interference::{TIP_MACH_LIMIT, TIP_MACH_WARNING, download_share};
use physics::mass::mass_properties;
use physics::powertrain::airspeed::{Envelope, Trimmed, envelope, trim};
use physics::powertrain::{self, LimitKind, ledger};
use physics::structure::Section;

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::gates::context::Context;
use crate::gates::{hover_point, hover_point_near_ground, margins, ways};
use crate::predict::{AIRSPEED_CHARGE, Group, SiteAir};

/// Steps of airspeed in the figures, m/s.
const STEP: f64 = 1.0;
/// Speed of the wake at an arm close below the disc over the induced speed: between 1 at the disc and 2 far
/// below (our assumption).
const WAKE_AT_ARM: f64 = 1.4;

/// Charts and tables of the gate; what lacks its inputs is left out.
pub(super) fn shown(ctx: &Context<'_>) -> Shown {
    let a = &ctx.subject.resolved().aircraft;
    let air = ctx.subject.air().usual;
    let mut shown = Shown::default();
    shown.tables.extend(ways::table(ctx));
    let Ok(battery) = a.battery() else { return shown };
    let reserve = battery.reserve;
    let charges = [("full charge", 1.0), ("half charge", 0.5), ("reserve charge", reserve)];
    shown.charts.extend(command(a, &charges, air.density));
    shown.tables.extend(points(a, &charges, &air));
    if a.drag_area > 0.0
        && let Ok(e) = envelope(a, STEP, AIRSPEED_CHARGE, air.density)
    {
        shown.charts.extend(over_airspeed(a, &e));
        shown.tables.extend(airspeeds(ctx, a, &e, air.density));
        shown.tables.extend(energies(a, &e, air.density));
    }
    let margins = margins::shown(ctx, reserve);
    shown.charts.extend(margins.charts);
    shown.tables.extend(margins.tables);
    shown.charts.extend(radial(ctx, a, &air));
    shown.tables.extend(blade(ctx, a));
    shown
}

fn weight(a: &Aircraft) -> f64 {
    mass_properties(&a.bodies).mass * STANDARD_GRAVITY
}

/// Thrust of all rotors and battery power against the command.
fn command(a: &Aircraft, charges: &[(&str, f64)], density: f64) -> Vec<Chart> {
    let (mut thrust, mut power) = (Vec::new(), Vec::new());
    for (name, charge) in charges {
        let (mut x, mut t, mut p) = (Vec::new(), Vec::new(), Vec::new());
        for k in 1..=25 {
            let u = f64::from(k) / 25.0;
            let Ok(point) = powertrain::point_at_command(a, u, *charge, density) else { continue };
            x.push(100.0 * u);
            t.push(point.rotors.iter().map(|r| r.thrust).sum());
            p.push(point.battery_power);
        }
        if x.len() > 1 {
            thrust.push(Series::new(name, Style::Line, x.clone(), t));
            power.push(Series::new(name, Style::Line, x, p));
        }
    }
    if thrust.is_empty() {
        return Vec::new();
    }
    let bare = weight(&a.without_payload());
    let loaded = weight(a);
    let mut marks = vec![Mark::Limit { y: loaded, name: "weight with payload".to_owned() }];
    if loaded > bare {
        marks.push(Mark::Limit { y: bare, name: "weight without payload".to_owned() });
    }
    let x = || Axis::linear("command", "%");
    vec![
        Chart {
            id: "thrust-command".to_owned(),
            title: "Thrust against command".to_owned(),
            caption: "Where a line crosses the weight it hovers; what is left above is the margin, and it shrinks as the charge does. Stated limits of current are not drawn.".to_owned(),
            x: x(),
            y: Axis::linear("thrust of all rotors", "N"),
            series: thrust,
            marks,
        },
        Chart {
            id: "power-command".to_owned(),
            title: "Battery power against command".to_owned(),
            caption: "Power grows about with the cube of the command: the last tenth of command is the dearest.".to_owned(),
            x: x(),
            y: Axis::linear("battery power", "W"),
            series: power,
            marks: Vec::new(),
        },
    ]
}

/// Operating points in columns by charge.
fn points(a: &Aircraft, charges: &[(&str, f64)], air: &Air) -> Option<Table> {
    let hovers: Vec<_> = charges.iter().map(|(_, c)| hover_point(a, air.density, *c)).collect();
    let fulls: Vec<_> =
        charges.iter().map(|(_, c)| powertrain::full_thrust(a, *c, air.density).ok()).collect();
    if fulls.iter().all(Option::is_none) {
        return None;
    }
    let model = powertrain::BatteryModel::new(a).ok()?;
    let n = a.stations.len().max(1) as f64;
    let weight = weight(a);
    let mut rows: Vec<Vec<String>> = Vec::new();
    let cell =
        |v: Option<f64>, digits: usize| v.map_or("beyond a limit".to_owned(), |v| format!("{v:.digits$}"));
    let mut row = |name: &str, values: Vec<String>| {
        let mut all = vec![name.to_owned()];
        all.extend(values);
        rows.push(all);
    };
    let hover = |f: &dyn Fn(&powertrain::OperatingPoint) -> f64, digits: usize| -> Vec<String> {
        hovers.iter().map(|h| cell(h.as_ref().map(f), digits)).collect()
    };
    let full = |f: &dyn Fn(&powertrain::FullThrust) -> f64, digits: usize| -> Vec<String> {
        fulls.iter().map(|h| cell(h.as_ref().map(f), digits)).collect()
    };
    let rpm = |p: &powertrain::OperatingPoint| p.rotors.iter().map(|r| r.speed).sum::<f64>() / n * 60.0 / TAU;
    let motor = |p: &powertrain::OperatingPoint| p.rotors.iter().map(|r| r.motor_current).sum::<f64>() / n;
    let cells = |p: &powertrain::OperatingPoint| model.cell_voltage(p.bus_voltage, p.battery_current);
    let mach = |p: &powertrain::OperatingPoint| {
        p.rotors.iter().map(|r| a.rotor.tip_mach(r.speed, air.sound_speed)).fold(0.0, f64::max)
    };
    row("hover command, %", hover(&|p| 100.0 * p.rotors.iter().map(|r| r.command).sum::<f64>() / n, 1));
    let near_ground = |c: f64| hover_point_near_ground(a, air.density, c, 0.5 * a.rotor.diameter);
    row(
        "the same, discs one radius above ground, %",
        charges
            .iter()
            .map(|(_, c)| {
                cell(near_ground(*c).map(|p| 100.0 * p.rotors.iter().map(|r| r.command).sum::<f64>() / n), 1)
            })
            .collect(),
    );
    let pairs: Vec<(usize, usize)> =
        a.stations.iter().enumerate().filter_map(|(k, s)| Some((s.below?, k))).collect();
    if !pairs.is_empty() {
        // Of all pairs together: a trim shares unevenly where the mass is off the centre.
        let (upper, lower): (Vec<usize>, Vec<usize>) = pairs.into_iter().unzip();
        let over = |p: &powertrain::OperatingPoint,
                    of: fn(&powertrain::RotorPoint) -> f64,
                    above: &[usize],
                    below: &[usize]| {
            let sum = |list: &[usize]| list.iter().filter_map(|k| p.rotors.get(*k)).map(of).sum::<f64>();
            sum(above) / sum(below)
        };
        row("hover thrust, upper over lower", hover(&|p| over(p, |r| r.thrust, &upper, &lower), 2));
        row("hover shaft power, lower over upper", hover(&|p| over(p, |r| r.shaft_power, &lower, &upper), 2));
    }
    row("hover rotor speed, rpm", hover(&rpm, 0));
    row("hover motor current, A", hover(&motor, 1));
    row("hover battery current, A", hover(&|p| p.battery_current, 1));
    row("hover battery power, W", hover(&|p| p.battery_power, 0));
    row("hover cell voltage, V", hover(&cells, 2));
    row("full thrust, N", full(&|f| f.total, 1));
    row("full thrust over weight", full(&|f| f.total / weight, 2));
    row("full rotor speed, rpm", full(&|f| rpm(&f.point), 0));
    row("full motor current, A", full(&|f| motor(&f.point), 1));
    row("full battery current, A", full(&|f| f.point.battery_current, 1));
    row("full cell voltage, V", full(&|f| cells(&f.point), 2));
    row("full tip Mach number", full(&|f| mach(&f.point), 2));
    row(
        "what limits",
        fulls.iter().map(|f| f.as_ref().map_or("no solution", |f| f.binding.words()).to_owned()).collect(),
    );
    let fastest = fulls.iter().flatten().map(|f| mach(&f.point)).fold(0.0, f64::max);
    let mut note = vec![
        "Near the ground a rotor speed gives more thrust (Cheeseman and Bennett 1955, for one rotor; several feel it from higher up).".to_owned(),
    ];
    note.extend(mach_words(fastest));
    note.extend(download_words(a));
    let mut head = vec!["with payload".to_owned()];
    head.extend(charges.iter().map(|(name, _)| (*name).to_owned()));
    Some(Table {
        id: "operating-points".to_owned(),
        title: "Operating points by charge".to_owned(),
        head,
        rows,
        note: note.join(" "),
    })
}

/// A warning where the tips are fast.
fn mach_words(fastest: f64) -> Option<String> {
    if fastest > TIP_MACH_LIMIT {
        Some(format!(
            "The tips reach Mach {fastest:.2}: beyond {TIP_MACH_LIMIT} the rotor models do not hold, and drag and noise rise steeply."
        ))
    } else if fastest > TIP_MACH_WARNING {
        Some(format!(
            "The tips reach Mach {fastest:.2}; above {TIP_MACH_WARNING} noise and drag rise (common practice, no source)."
        ))
    } else {
        None
    }
}

/// What the arm in the wake takes: as stated, or what would be worth stating.
fn download_words(a: &Aircraft) -> Option<String> {
    if a.rotor.download > 0.0 {
        return Some(format!(
            "Of every thrust {:.1} % is lost as download, as stated.",
            100.0 * a.rotor.download
        ));
    }
    let (width, drag) = match a.structure.arm.as_ref()?.section {
        Section::Tube { outer, .. } => (outer, 1.2),
        Section::Rectangle { width, .. } => (width, 2.0),
    };
    let share = download_share(drag, width * 0.5 * a.rotor.diameter, a.rotor.disc_area(), WAKE_AT_ARM);
    (share > 0.002).then(|| {
        format!(
            "Download is not stated: the arm below each disc would take some {:.1} % of the thrust (drag coefficient {drag}, wake at {WAKE_AT_ARM} times the induced speed); state aircraft.download to count it.",
            100.0 * share
        )
    })
}

fn marks(e: &Envelope) -> Vec<Mark> {
    let mut marks = vec![
        Mark::At { x: e.endurance_speed, name: "longest flight".to_owned() },
        Mark::At { x: e.range_speed, name: "farthest flight".to_owned() },
    ];
    if let Some(held) = e.held {
        marks.push(Mark::At { x: held, name: "wind held with 30 % to spare".to_owned() });
    }
    if let Some((top, limit)) = e.top {
        marks.push(Mark::At { x: top, name: format!("limit: {limit}") });
    }
    marks
}

fn most_command(t: &Trimmed) -> f64 {
    100.0 * t.point.rotors.iter().map(|r| r.command).fold(0.0, f64::max)
}

/// Power, command and tilt over airspeed.
fn over_airspeed(a: &Aircraft, e: &Envelope) -> Vec<Chart> {
    if e.points.len() < 3 {
        return Vec::new();
    }
    let x: Vec<f64> = e.points.iter().map(|p| p.airspeed).collect();
    let of = |f: &dyn Fn(&Trimmed) -> f64| -> Vec<f64> { e.points.iter().map(f).collect() };
    let line = |name: &str, style, f: &dyn Fn(&Trimmed) -> f64| Series::new(name, style, x.clone(), of(f));
    let axis = || Axis::linear("airspeed", "m/s");
    let rest = |t: &Trimmed| t.point.battery_power - t.point.shaft_power;
    let avionics = a.avionics_power;
    vec![
        Chart {
            id: "airspeed-power".to_owned(),
            title: "Power over airspeed".to_owned(),
            caption: "Battery power falls from hover as the induced part shrinks, and rises again with the drag of the airframe; its least is the longest flight, the tangent from the origin the farthest.".to_owned(),
            x: axis(),
            y: Axis::linear("power", "W"),
            series: vec![
                line("battery", Style::Line, &|t| t.point.battery_power),
                line("induced", Style::Dashed, &|t| t.induced_power),
                line("blade drag", Style::Thin, &|t| t.profile_power),
                line("airframe drag", Style::Dashed, &|t| t.parasite_power),
                line("motors and ESCs", Style::Thin, &|t| rest(t) - avionics),
            ],
            marks: marks(e),
        },
        Chart {
            id: "airspeed-command".to_owned(),
            title: "Tilt and command over airspeed".to_owned(),
            caption: "The tilt holds against drag; the command says how much thrust is left to steer with.".to_owned(),
            x: axis(),
            y: Axis::linear("tilt, deg, and command, %", ""),
            series: vec![
                line("command, %", Style::Line, &most_command),
                line("tilt, deg", Style::Dashed, &|t| t.tilt.to_degrees()),
            ],
            marks: marks(e),
        },
    ]
}

/// The named airspeeds.
fn airspeeds(ctx: &Context<'_>, a: &Aircraft, e: &Envelope, density: f64) -> Option<Table> {
    let mut rows = Vec::new();
    // What the uncertain inputs do to the power, the advancing rotor's own among them.
    let spread = |speed: f64| -> Option<f64> {
        let power = |a: &Aircraft, air: &SiteAir| {
            let t = trim(a, speed, 0.0, AIRSPEED_CHARGE, air.usual.density).ok()??;
            Some(t.point.battery_power)
        };
        Some(1.96 * ctx.subject.estimate("W", Some(Group::Airspeed), &power)?.uncertainty)
    };
    let mut add = |name: &str, speed: f64, what: &str| {
        let Ok(Some(t)) = trim(a, speed, 0.0, AIRSPEED_CHARGE, density) else { return };
        let time = powertrain::endurance_at_power(a, t.bus_power, density, 1.0).ok();
        let minutes = time.as_ref().map_or(String::new(), |e| format!("{:.1}", e.time / 60.0));
        let far = time.as_ref().map_or(String::new(), |e| format!("{:.1}", e.time * speed / 1e3));
        rows.push(vec![
            name.to_owned(),
            format!("{speed:.1}"),
            format!("{:.1}", t.tilt.to_degrees()),
            format!("{:.0}", most_command(&t)),
            match spread(speed) {
                Some(half) => format!("{:.0} ± {half:.0}", t.point.battery_power),
                None => format!("{:.0}", t.point.battery_power),
            },
            minutes,
            far,
            what.to_owned(),
        ]);
    };
    add("hover", 0.0, "");
    add("longest flight", e.endurance_speed, "least power");
    add("farthest flight", e.range_speed, "least energy per distance");
    if let Some(held) = e.held {
        add("wind held", held, "30 % of thrust to spare");
    }
    if let Some((top, limit)) = e.top {
        add("highest", top, LimitKind::words(limit));
    }
    let head =
        ["", "airspeed, m/s", "tilt, deg", "command, %", "battery, W", "time, min", "distance, km", "set by"];
    (!rows.is_empty()).then(|| Table {
        id: "airspeeds".to_owned(),
        title: "Flight over airspeed, half charge, with payload".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows,
        note: format!(
            "Times are from full charge to the first of reserve, cut-off and control margin, in still air. Highest vertical climb {:.1} m/s. Power with its 95 % interval; {}",
            e.climb,
            advancing_words(ctx)
        ),
    })
}

/// What the interval says of the rotor that advances.
fn advancing_words(ctx: &Context<'_>) -> String {
    let inputs = ctx.subject.inputs();
    let half = |key: &str| inputs.iter().find(|i| i.key == key).map(|i| 196.0 * i.uncertainty);
    let edgewise = "what air along the disc adds (Glauert, Bennett) has no measured interval.";
    match (half("rotor.ct_advance"), half("rotor.cp_advance")) {
        (Some(t), Some(p)) => format!(
            "the rotor's C_T and C_P are uncertain by up to {t:.0} and {p:.0} % of their values at rest where it advances along its axis, beside what they are at rest (rotor.ct_advance, rotor.cp_advance); {edgewise}"
        ),
        _ => format!("the rotor's table is taken as measured where it advances; {edgewise}"),
    }
}

/// Where the power goes at the named airspeeds: columns that add up to what the cells give.
fn energies(a: &Aircraft, e: &Envelope, density: f64) -> Option<Table> {
    let mut speeds =
        vec![("hover", 0.0), ("longest flight", e.endurance_speed), ("farthest flight", e.range_speed)];
    speeds.extend(e.top.map(|t| ("highest", t.0)));
    let mut head = vec!["power, W".to_owned()];
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut total = vec!["given by the cells".to_owned()];
    for (name, speed) in speeds {
        let Ok(Some(t)) = trim(a, speed, 0.0, AIRSPEED_CHARGE, density) else { continue };
        let lines = ledger::energy(a, &t).ok()?;
        if rows.is_empty() {
            rows = lines.iter().map(|l| vec![l.name.to_owned()]).collect();
        }
        for (row, line) in rows.iter_mut().zip(&lines) {
            row.push(format!("{:.1}", line.power + 0.0));
        }
        head.push(format!("{name}, {speed:.1} m/s"));
        total.push(format!("{:.1}", ledger::cell_power(&t)));
    }
    rows.push(total);
    (head.len() > 2).then(|| Table {
        id: "energies".to_owned(),
        title: "Where the power goes, half charge, with payload".to_owned(),
        head,
        rows,
        note: String::new(),
    })
}

/// Along the blade in hover.
fn radial(ctx: &Context<'_>, a: &Aircraft, air: &Air) -> Vec<Chart> {
    let Some(rotor) = ctx.subject.file().blade_rotor() else { return Vec::new() };
    let thrust = weight(a) / a.stations.len().max(1) as f64;
    let Some(speed) = a.rotor.speed_for_thrust(thrust, 0.0, air.density) else { return Vec::new() };
    let Ok(s) = rotor.solve(speed, 0.0, air) else { return Vec::new() };
    let x: Vec<f64> = s.radial.iter().map(|r| r.radius).collect();
    let of = |f: &dyn Fn(&physics::bem::Radial) -> f64| -> Vec<f64> { s.radial.iter().map(f).collect() };
    let axis = || Axis::linear("radius over tip radius", "");
    let stalled = 100.0 * s.stalled;
    vec![
        Chart {
            id: "blade-angle".to_owned(),
            title: "Along the blade in hover: angles".to_owned(),
            caption: format!(
                "The angle of attack is what twist leaves above the inflow; {stalled:.0} % of the blade, weighted with its dynamic pressure, is separated."
            ),
            x: axis(),
            y: Axis::linear("angle", "deg"),
            series: vec![
                Series::new("angle of attack", Style::Line, x.clone(), of(&|r| r.alpha.to_degrees())),
                Series::new("inflow angle", Style::Dashed, x.clone(), of(&|r| r.inflow_angle.to_degrees())),
            ],
            marks: Vec::new(),
        },
        Chart {
            id: "blade-thrust".to_owned(),
            title: "Along the blade in hover: thrust and induced speed".to_owned(),
            caption: "An even induced speed would cost least; the load falls to nothing at tip and root."
                .to_owned(),
            x: axis(),
            y: Axis::linear("thrust, N/m, and induced speed, m/s", ""),
            series: vec![
                Series::new(
                    "thrust per length of radius",
                    Style::Line,
                    x.clone(),
                    of(&|r| r.thrust_per_length),
                ),
                Series::new("induced speed", Style::Dashed, x, of(&|r| r.induced)),
            ],
            marks: Vec::new(),
        },
    ]
}

/// The rotor in use beside what its blade alone gives.
fn blade(ctx: &Context<'_>, a: &Aircraft) -> Option<Table> {
    let rotor = ctx.subject.file().blade_rotor()?;
    let (ct, cp) = ctx.subject.file().blade_coefficients()?;
    let (used_ct, used_cp) = a.rotor.coefficients_at(2.0 * 80.0 / a.rotor.diameter, 0.0);
    let sigma = rotor.section.static_uncertainty();
    let row = |name: &str, geometry: f64, used: f64, sigma: f64| {
        let off = used / geometry - 1.0;
        vec![
            name.to_owned(),
            format!("{geometry:.4}"),
            format!("±{:.0} %", 196.0 * sigma),
            format!("{used:.4}"),
            format!("{:+.1} %", 100.0 * off),
            format!("{:+.1}", off / sigma),
        ]
    };
    let head = ["", "from the blade", "95 % within", "in use", "difference", "in standard uncertainties"];
    let far = (used_ct / ct - 1.0).abs() > 2.0 * sigma.0 || (used_cp / cp - 1.0).abs() > 2.0 * sigma.1;
    let inputs = ctx.subject.inputs();
    let records: Vec<String> = inputs
        .iter()
        .filter(|i| i.key == "rotor.ct" || i.key == "rotor.cp")
        .filter_map(|i| Some(i.replaced.as_ref()?.records.join(", ")))
        .collect();
    let rules = match records.first() {
        Some(record) => format!("The sweep rules (record {record}); the geometry only carries it over speed and climb."),
        None => "Where ct and cp are stated or measured they rule, and the geometry only carries them over speed and climb.".to_owned(),
    };
    let note = if far {
        format!(
            "{rules} What is in use lies outside what the geometry allows: the twist is read off from another line than the chord, the section is of another family, or the measurement is off."
        )
    } else {
        rules
    };
    Some(Table {
        id: "blade".to_owned(),
        title: "Rotor from its blade, at rest, at a tip speed of 80 m/s".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows: vec![row("C_T", ct, used_ct, sigma.0), row("C_P", cp, used_cp, sigma.1)],
        note,
    })
}
