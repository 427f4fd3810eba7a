//! Figures of gate sizing: thrust and power against command and airspeed, payload, height of the site,
//! the blade.

use std::f64::consts::TAU;

use physics::aircraft::{Aircraft, Body, Shape};
use physics::atmosphere::Air;
use physics::interference::{TIP_MACH_LIMIT, TIP_MACH_WARNING};
use physics::mass::mass_properties;
use physics::powertrain::airspeed::{Envelope, Trimmed, envelope, trim};
use physics::powertrain::{self, LimitKind};
use physics::{STANDARD_GRAVITY, Vec3};

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::gates::context::Context;
use crate::gates::hover_point;
use crate::predict::{AIRSPEED_CHARGE, SiteAir};

/// Steps of airspeed in the figures, m/s.
const STEP: f64 = 1.0;

/// Charts and tables of the gate; what lacks its inputs is left out.
pub(super) fn shown(ctx: &Context<'_>) -> Shown {
    let a = &ctx.subject.resolved().aircraft;
    let air = ctx.subject.air().usual;
    let mut shown = Shown::default();
    let Ok(battery) = a.battery() else { return shown };
    let reserve = battery.reserve;
    let charges = [("full charge", 1.0), ("half charge", 0.5), ("reserve charge", reserve)];
    shown.charts.extend(command(a, &charges, air.density));
    shown.tables.extend(points(a, &charges, &air));
    if a.drag_area > 0.0
        && let Ok(e) = envelope(a, STEP, AIRSPEED_CHARGE, air.density)
    {
        shown.charts.extend(over_airspeed(a, &e));
        shown.tables.extend(airspeeds(a, &e, air.density));
    }
    shown.charts.extend(payload(a, air.density));
    shown.charts.extend(height(ctx, a, reserve));
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
    let note = if fastest > TIP_MACH_LIMIT {
        format!(
            "The tips reach Mach {fastest:.2}: beyond {TIP_MACH_LIMIT} the rotor models do not hold, and drag and noise rise steeply."
        )
    } else if fastest > TIP_MACH_WARNING {
        format!(
            "The tips reach Mach {fastest:.2}; above {TIP_MACH_WARNING} noise and drag rise (common practice, no source)."
        )
    } else {
        String::new()
    };
    let mut head = vec!["with payload".to_owned()];
    head.extend(charges.iter().map(|(name, _)| (*name).to_owned()));
    Some(Table {
        id: "operating-points".to_owned(),
        title: "Operating points by charge".to_owned(),
        head,
        rows,
        note,
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
fn airspeeds(a: &Aircraft, e: &Envelope, density: f64) -> Option<Table> {
    let mut rows = Vec::new();
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
            format!("{:.0}", t.point.battery_power),
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
            "Times are from full charge to the first of reserve, cut-off and control margin, in still air. Highest vertical climb {:.1} m/s.",
            e.climb
        ),
    })
}

/// Hover endurance against payload.
fn payload(a: &Aircraft, density: f64) -> Option<Chart> {
    let bare = a.without_payload();
    let stated = (weight(a) - weight(&bare)) / STANDARD_GRAVITY;
    let most = powertrain::full_thrust(&bare, 1.0, density).ok()?.total / (1.3 * STANDARD_GRAVITY);
    let room = most - weight(&bare) / STANDARD_GRAVITY;
    if room <= 0.0 {
        return None;
    }
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for k in 0..=12 {
        let mass = room * f64::from(k) / 12.0;
        let mut loaded = bare.clone();
        loaded.bodies.push(Body {
            item: "payload".to_owned(),
            mass,
            at: Vec3::zeros(),
            shape: Shape::Point,
            payload: true,
        });
        let thrust = weight(&loaded) / a.stations.len().max(1) as f64;
        let thrusts = vec![thrust; a.stations.len()];
        let Ok(e) = powertrain::endurance(&loaded, &thrusts, density, 1.0) else { break };
        x.push(mass);
        y.push(e.time / 60.0);
    }
    (x.len() > 2).then(|| Chart {
        id: "payload-endurance".to_owned(),
        title: "Hover endurance against payload".to_owned(),
        caption: "Each further kilogram costs less time than the one before, until the control margin is gone at once.".to_owned(),
        x: Axis::linear("payload", "kg"),
        y: Axis::linear("hover endurance", "min"),
        series: vec![Series::new("from full charge", Style::Line, x, y)],
        marks: if stated > 0.0 { vec![Mark::At { x: stated, name: "stated payload".to_owned() }] } else { Vec::new() },
    })
}

/// Thrust margin of the worst corner against the height of the site.
fn height(ctx: &Context<'_>, a: &Aircraft, reserve: f64) -> Option<Chart> {
    let limit = ctx.limits.limit("sizing.worst-corner", a)?.value;
    let site = ctx.subject.site();
    let weight = weight(a);
    let margin = |elevation: f64, hotter: f64| -> Option<f64> {
        let mut there = site.clone();
        there.temperature = site.temperature - 6.5e-3 * (elevation - site.elevation) + hotter;
        there.elevation = elevation;
        let air = SiteAir::of(&there).usual;
        powertrain::full_thrust(a, reserve, air.density).ok().map(|f| f.total / weight)
    };
    let heights: Vec<f64> = (0..=10).map(|k| 500.0 * f64::from(k)).collect();
    let line = |name: &str, style, hotter: f64| {
        let (x, y): (Vec<f64>, Vec<f64>) =
            heights.iter().filter_map(|h| Some((*h, margin(*h, hotter)?))).unzip();
        Series::new(name, style, x, y)
    };
    let mut marks = vec![Mark::Limit { y: limit, name: format!("asked for: {limit:.2}") }];
    let (mut low, mut high) = (0.0, 5000.0);
    let hot = 20.0;
    if margin(low, hot)? >= limit && margin(high, hot)? < limit {
        for _ in 0..20 {
            let middle = 0.5 * (low + high);
            if margin(middle, hot)? >= limit { low = middle } else { high = middle }
        }
        marks.push(Mark::At { x: low, name: format!("highest site on a hot day, {low:.0} m") });
    }
    Some(Chart {
        id: "height-margin".to_owned(),
        title: "Thrust margin against the height of the site".to_owned(),
        caption: "Thin air takes full thrust, heat takes it further; where a line meets the limit is the highest site that keeps the margin, at reserve charge and with payload.".to_owned(),
        x: Axis::linear("elevation", "m"),
        y: Axis::linear("full thrust over weight", ""),
        series: vec![line("usual day", Style::Line, 0.0), line("20 K hotter", Style::Dashed, hot)],
        marks,
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
    let note = if far {
        "What is in use lies outside what the geometry allows: the twist is read off from another line than the chord, the section is of another family, or the measurement is off."
    } else {
        "Where ct and cp are stated or measured they rule, and the geometry only carries them over speed and climb."
    };
    Some(Table {
        id: "blade".to_owned(),
        title: "Rotor from its blade, at rest, at a tip speed of 80 m/s".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows: vec![row("C_T", ct, used_ct, sigma.0), row("C_P", cp, used_cp, sigma.1)],
        note: note.to_owned(),
    })
}
