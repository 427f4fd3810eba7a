//! A static sweep of one drive: coefficients, motor constants, the command's curve and its ends.

use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::powertrain;
use signal::drive::combine::Figure;
use signal::drive::levels::{Columns, Point, points};
use signal::drive::motor::motor;
use signal::drive::sweep::{Coefficient, Curve, Ends, Load, coefficient, curve, ends};

use super::super::context::Out;
use super::{Bench, sweep_shown};
use crate::estimate::{Contribution, Estimate};

const TEST: &str = "import a sweep record: command up in fifteen levels and down again, two seconds each, with voltage, \
                    current, speed, thrust and torque";

/// Standard deviation of a propeller's coefficient from one mounting to another, as a share: 46 open five-inch sweeps,
/// eight propellers on six motors each, at one speed. A single sweep cannot see it.
const MOUNTING: f64 = 0.025;
/// What it is called among the contributions of an estimate.
pub(crate) const MOUNTED: &str = "mounting and copy of the propeller";

/// What a sweep came to.
pub(super) struct Swept {
    pub points: Vec<Point>,
    pub thrust: Option<Coefficient>,
    pub torque: Option<Coefficient>,
    pub curve: Option<Curve>,
    pub ends: Ends,
    /// Command at hover, where the aircraft is known.
    pub hover: Option<f64>,
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let Some(n) = bench.station() else {
        out.cannot_tell(
            "sweep.ct",
            "thrust coefficient",
            "which rotor the record is of",
            "enter the value `station` with the record",
            &[],
        );
        return;
    };
    let rotor = |what: &str| bench.channel(&format!("rotor.{n}.{what}"));
    let columns = Columns {
        time: &bench.record.time,
        command: rotor("command"),
        voltage: bench.channel("battery.voltage"),
        current: rotor("current").or_else(|| bench.channel("battery.current")),
        speed: rotor("speed"),
        thrust: rotor("thrust"),
        torque: rotor("torque"),
    };
    let list = points(&columns);
    if list.len() < 4 {
        out.cannot_tell("sweep.ct", "thrust coefficient", "at least four steady states", TEST, &[]);
        return;
    }
    missing(out, &columns, n);
    let hover = bench.aircraft.and_then(|a| hover_thrust(a).map(|t| (a, t)));
    let density = bench.hand("density").or(bench.density);
    let reference = hover
        .zip(density)
        .and_then(|((a, t), d)| a.rotor.speed_for_thrust(t, 0.0, d.0))
        .filter(|w| columns.speed.is_some_and(|s| s.iter().any(|v| *v > 0.8 * w)));
    // Stands are compared at one speed.
    let reference = bench.hand("reference_speed").map(|w| w.0).filter(|w| *w > 0.0).or(reference);
    let thrust = coefficient(&list, Load::Thrust, reference);
    let torque = coefficient(&list, Load::Torque, reference);
    coefficients(bench, out, thrust.as_ref(), torque.as_ref(), density);
    constants(bench, out, &list, torque.as_ref().and_then(|t| t.zero));
    let zero = thrust.as_ref().and_then(|t| t.zero).map_or(0.0, |z| z.value);
    let ends = ends(&list, zero);
    let nominal = nominal(bench, &list);
    let curve = curve(&list, nominal, zero, ends.saturation.map_or(1.0, |s| s.value));
    let at_hover = curve.as_ref().zip(hover).and_then(|(c, (_, t))| c.command_for(t));
    let swept = Swept { points: list, thrust, torque, curve, ends, hover: at_hover };
    command(bench, out, &swept);
    slopes(bench, out, &swept);
    out.charts.extend(sweep_shown::charts(&swept));
    out.tables.push(sweep_shown::table(&swept));
}

fn hover_thrust(a: &Aircraft) -> Option<f64> {
    let mass = physics::mass::mass_properties(&a.bodies).mass;
    (mass > 0.0).then(|| mass * physics::STANDARD_GRAVITY / a.stations.len().max(1) as f64)
}

/// Voltage that the curve is stated at: the pack's rest voltage at half charge, else the highest seen.
fn nominal(bench: &Bench<'_>, list: &[Point]) -> Option<f64> {
    if let Some((v, _)) = bench.hand("nominal_voltage") {
        return Some(v);
    }
    let seen = list.iter().filter_map(|p| p.voltage).map(|v| v.value).fold(f64::NAN, f64::max);
    let pack = bench
        .aircraft
        .and_then(|a| a.battery.as_ref())
        .map(|b| f64::from(b.series) * powertrain::open_circuit_voltage(b.chemistry, 0.5))
        // A bench supply of another voltage says nothing about this pack.
        .filter(|v| (0.7..1.4).contains(&(seen / v)));
    seen.is_finite().then(|| pack.unwrap_or(seen))
}

/// What each missing column costs.
fn missing(out: &mut Out, c: &Columns<'_>, n: usize) {
    let lost = [
        (
            c.command.is_none(),
            "command",
            "the command's curve, its ends, the motor constants and levels that are sure",
        ),
        (
            c.voltage.is_none(),
            "voltage",
            "the motor constants and the curve at nominal voltage: what is found holds for this supply's sag",
        ),
        (
            c.current.is_none(),
            "current",
            "resistance and velocity constant by current (with torque they come from the shape, less surely), the no-load current, efficiency",
        ),
        (c.speed.is_none(), "speed", "both coefficients and the motor constants"),
        (c.thrust.is_none(), "thrust", "C_T, the command's curve, idle and saturation by thrust"),
        (c.torque.is_none(), "torque", "C_P and the no-load current"),
    ];
    for (gone, column, what) in lost {
        if gone {
            let name = match column {
                "voltage" => "battery.voltage".to_owned(),
                other => format!("rotor.{n}.{other}"),
            };
            out.cannot.push(format!("Without {name} the sweep cannot tell {what}."));
        }
    }
}

fn single(bench: &Bench<'_>, f: &Figure, factor: f64, unit: &str, what: &str) -> Estimate {
    Estimate::single(
        f.value * factor,
        (f.uncertainty * factor).abs(),
        unit,
        bench.origin(),
        &bench.source(what),
    )
}

fn coefficients(
    bench: &Bench<'_>,
    out: &mut Out,
    thrust: Option<&Coefficient>,
    torque: Option<&Coefficient>,
    density: Option<(f64, f64)>,
) {
    let on: &[&str] = &["rotor"];
    let diameter = bench.hand("diameter").map(|d| d.0).or(bench.aircraft.map(|a| a.rotor.diameter));
    for (found, load, key, label, plain, input) in [
        (thrust, Load::Thrust, "sweep.ct", "thrust coefficient C_T", "sweep.thrust_per_speed2", "rotor.ct"),
        (torque, Load::Torque, "sweep.cp", "power coefficient C_P", "sweep.torque_per_speed2", "rotor.cp"),
    ] {
        let Some(c) = found else {
            let column = if load == Load::Thrust { "thrust" } else { "torque" };
            out.cannot_tell(key, label, format!("three steady states with speed and {column}"), TEST, on);
            continue;
        };
        let unit = if load == Load::Thrust { "N/(rad/s)^2" } else { "N m/(rad/s)^2" };
        let words =
            if load == Load::Thrust { "thrust per speed squared" } else { "torque per speed squared" };
        let zero = c.zero.map_or(String::new(), |z| {
            let unit = if load == Load::Thrust { "N" } else { "N m" };
            format!(
                " A zero of {:.3} ± {:.3} {unit} of the load cell is taken off.",
                z.value,
                1.96 * z.uncertainty
            )
        });
        let slope = c.slope.map_or(String::new(), |s| {
            format!(" It goes with speed to the power {:.3} ± {:.3}.", s.value, 1.96 * s.uncertainty)
        });
        let text = format!(
            "At {:.0} rpm, static.{slope}{zero} ± {:.0} % of it is what one mounting or copy of a propeller differs from \
             another; the fit alone gives ± {:.2} %.",
            c.reference * 60.0 / TAU,
            196.0 * MOUNTING,
            196.0 * c.value.uncertainty / c.value.value
        );
        // The scale of the load cell is the same in every state.
        let scale = bench.hand(if load == Load::Thrust { "thrust_scale" } else { "torque_scale" });
        let mut contributions = single(bench, &c.value, 1.0, unit, words).contributions;
        let mut share = |source: String, uncertainty: f64| {
            contributions.push(Contribution { source, sensitivity: c.value.value, uncertainty });
        };
        share(bench.source(MOUNTED), MOUNTING);
        if let Some((_, u)) = scale {
            share(format!("{words}: scale of the load cell"), u);
        }
        let plain_estimate = Estimate::new(c.value.value, unit, bench.origin(), contributions);
        out.value(plain, words, plain_estimate.clone(), text.clone(), on);
        let (Some(d), Some((rho, rho_error))) = (diameter, density) else {
            out.cannot_tell(
                key,
                label,
                "the air density or the diameter",
                "state the site in dossier.toml, or enter the values `density` and `diameter`",
                on,
            );
            continue;
        };
        let factor = match load {
            Load::Thrust => TAU.powi(2) / (rho * d.powi(4)),
            Load::Torque => TAU.powi(3) / (rho * d.powi(5)),
        };
        let mut e = plain_estimate.scaled(factor, "1");
        e.contributions.push(Contribution {
            source: "site: air density".to_owned(),
            sensitivity: -e.value / rho,
            uncertainty: rho_error,
        });
        let e = Estimate::new(e.value, "1", e.origin, e.contributions);
        out.value(key, label, e, text, on);
        out.replaces(key, input);
    }
}

fn constants(bench: &Bench<'_>, out: &mut Out, list: &[Point], zero: Option<Figure>) {
    let none = Figure { value: 0.0, uncertainty: 0.0, degrees: 0.0 };
    let m = motor(list, &|c| c, zero.unwrap_or(none));
    let on: &[&str] = &["motor"];
    let basis = "First-order machine, the command taken as the share of the bus voltage that the ESC applies";
    match m.kv {
        Some(f) if f.uncertainty.is_finite() => {
            let other = m.kv_by_torque.map_or(String::new(), |k| {
                format!(
                    " Torque over current alone gives {:.0} ± {:.0} rpm/V.",
                    k.value * 60.0 / TAU,
                    1.96 * k.uncertainty * 60.0 / TAU
                )
            });
            let text = format!(
                "{:.0} ± {:.0} rpm/V. {basis}.{other}",
                f.value * 60.0 / TAU,
                1.96 * f.uncertainty * 60.0 / TAU
            );
            out.value("sweep.kv", "velocity constant", single(bench, &f, 1.0, "rad/s/V", "kv"), text, on);
            out.replaces("sweep.kv", "motor.kv");
        }
        _ => {
            out.cannot_tell("sweep.kv", "velocity constant", "command, voltage, current and speed", TEST, on);
        }
    }
    match m.resistance {
        Some(f) if f.uncertainty.is_finite() && f.value > 0.0 => {
            let e = single(bench, &f, 1.0, "ohm", "resistance");
            let text = format!("{basis}. Winding and ESC together, as warm as they were.");
            out.value(
                "sweep.resistance",
                "resistance of winding and ESC",
                e.clone(),
                text,
                &["motor", "esc"],
            );
            winding(bench, out, &e);
        }
        _ => out.cannot_tell(
            "sweep.resistance",
            "resistance of winding and ESC",
            "command, voltage, current and speed",
            TEST,
            on,
        ),
    }
    match m.no_load {
        Some(f) if f.uncertainty.is_finite() => {
            let e = single(bench, &f, 1.0, "A", "no-load current");
            let text = "Motor current at no torque, from current against torque; iron and bearings near the speeds swept.";
            out.value("sweep.no_load_current", "no-load current", e, text, on);
            // A stated growth with speed belongs to the speed of the no-load test, not to those swept.
            let grows = bench.aircraft.and_then(|a| a.motor.as_ref()).is_some_and(|m| m.no_load_growth > 0.0);
            if f.value > 0.0 && !grows {
                out.replaces("sweep.no_load_current", "motor.no_load_current");
            }
        }
        _ => out.cannot_tell(
            "sweep.no_load_current",
            "no-load current",
            "torque beside current",
            "add torque to the sweep, or run the motor without propeller at two voltages",
            on,
        ),
    }
}

/// Winding resistance at 25 degC from that of the path, with the ESC's and the winding temperature of the file.
fn winding(bench: &Bench<'_>, out: &mut Out, path: &Estimate) {
    let Some((motor, esc)) = bench.aircraft.and_then(|a| Some((a.motor.as_ref()?, a.esc.as_ref()?))) else {
        return;
    };
    let temperature = bench.hand("winding_temperature").unwrap_or((motor.winding_temperature, 15.0));
    let warm = |t: f64| motor.resistance_at(t) / motor.resistance;
    let factor = warm(temperature.0);
    let value = (path.value - esc.resistance) / factor;
    if !(value > 0.0) {
        return;
    }
    let mut contributions = path.scaled(1.0 / factor, "ohm").contributions;
    contributions.push(Contribution {
        source: bench.source("winding temperature"),
        sensitivity: -value / factor * (warm(temperature.0 + 1.0) - factor),
        uncertainty: temperature.1,
    });
    let e = Estimate::new(value, "ohm", bench.origin(), contributions);
    let text = format!(
        "At 25 degC: that of the path less the ESC's {:.1} mohm, with the winding taken at {:.0} ± {:.0} degC.",
        esc.resistance * 1e3,
        temperature.0 - 273.15,
        2.0 * temperature.1
    );
    out.value("sweep.winding_resistance", "winding resistance", e, text, &["motor", "esc"]);
    out.replaces("sweep.winding_resistance", "motor.resistance");
}

fn command(bench: &Bench<'_>, out: &mut Out, s: &Swept) {
    let on: &[&str] = &["esc", "motor"];
    let figure = |f: &Figure, what: &str| single(bench, f, 1.0, "1", what);
    match &s.ends.dead_band {
        Some(f) => out.value(
            "sweep.dead_band",
            "dead band of the command",
            figure(f, "dead band"),
            "Below it the rotor stands still; between two neighbouring levels.",
            on,
        ),
        None => out.cannot_tell(
            "sweep.dead_band",
            "dead band of the command",
            "a level at which the rotor stands still",
            "begin the sweep at zero command, in small levels",
            on,
        ),
    }
    match &s.ends.usable_minimum {
        Some(f) => {
            let text = "The least level from which the rotor turns steadily at every level above.";
            out.value("sweep.usable_minimum", "usable minimum", figure(f, "usable minimum"), text, on);
            out.replaces("sweep.usable_minimum", "esc.usable_minimum");
        }
        None => out.cannot_tell("sweep.usable_minimum", "usable minimum", "command and speed", TEST, on),
    }
    match &s.ends.idle_share {
        Some(f) => out.value(
            "sweep.idle_share",
            "thrust at the usable minimum over full thrust",
            figure(f, "idle thrust"),
            "What cannot be taken away from a rotor that must keep turning.",
            &["esc", "motor", "rotor"],
        ),
        None => out.cannot_tell(
            "sweep.idle_share",
            "thrust at the usable minimum over full thrust",
            "command, speed and thrust down to the idle",
            TEST,
            on,
        ),
    }
    match &s.ends.saturation {
        Some(f) => {
            let e = Estimate::single(
                1.0 - f.value,
                f.uncertainty,
                "1",
                bench.origin(),
                &bench.source("saturation"),
            );
            let text =
                "Command left above the point from which thrust, corrected for voltage, stops growing.";
            out.value("sweep.dead_top", "command without effect at the top", e, text, on);
        }
        None => out.cannot_tell(
            "sweep.dead_top",
            "command without effect at the top",
            "six levels or more between 30 % and full command with thrust",
            "carry the sweep to full command, in small levels near the top",
            on,
        ),
    }
    let Some(c) = &s.curve else {
        let missing = "five steady states with command and thrust";
        out.cannot_tell("sweep.full_thrust", "full thrust at nominal voltage", missing, TEST, on);
        return;
    };
    let at = if c.nominal.is_finite() {
        format!("{:.1} V", c.nominal)
    } else {
        "this supply's voltage".to_owned()
    };
    let scale = bench.hand("thrust_scale").map_or(0.0, |s| s.1);
    let mut e = single(bench, &c.full, 1.0, "N", "full thrust");
    e.contributions.push(Contribution {
        source: "thrust per speed squared: scale of the load cell".to_owned(),
        sensitivity: c.full.value,
        uncertainty: scale,
    });
    let e = Estimate::new(e.value, "N", e.origin, e.contributions);
    let reach = if c.range.1 < 0.95 {
        format!(" The sweep reached {:.0} % of it: the rest is carried on by the curve.", 100.0 * c.range.1)
    } else {
        String::new()
    };
    let text = format!(
        "One rotor at full command and {at}, by T = b0 + b1 x + b2 x² over x = command x voltage/nominal.{reach}"
    );
    out.value("sweep.full_thrust", "full thrust at nominal voltage", e, text, &["esc", "motor", "rotor"]);
    match &c.hysteresis {
        Some(h) => {
            let full = c.full.value.abs().max(1e-9);
            let e = Estimate::single(
                h.value / full,
                h.uncertainty / full,
                "1",
                bench.origin(),
                &bench.source("hysteresis"),
            );
            let text = "Thrust on the way down less on the way up at half the range, over full thrust; voltage corrected, so \
                        that warming of motor and propeller is what is left.";
            out.value("sweep.hysteresis", "hysteresis", e, text, &["esc", "motor", "rotor"]);
        }
        None => out.cannot_tell(
            "sweep.hysteresis",
            "hysteresis",
            "levels on the way down as well as up",
            "sweep up and down again",
            on,
        ),
    }
}

/// How much the thrust slope, and with it the loop's gain, changes over command and charge, and what linearising
/// the command or correcting for voltage buys.
fn slopes(bench: &Bench<'_>, out: &mut Out, s: &Swept) {
    let Some(c) = &s.curve else { return };
    let on: &[&str] = &["esc", "motor", "rotor", "battery"];
    let idle = s.ends.usable_minimum.map_or(c.range.0, |u| u.value).max(c.range.0);
    let full = c.range.1.min(1.0);
    let hover = s.hover.unwrap_or(0.5 * (idle + full));
    let decibel = |a: &Figure, b: &Figure, what: &str| {
        let value = 20.0 * (a.value / b.value).log10();
        let relative = (a.uncertainty / a.value).hypot(b.uncertainty / b.value);
        Estimate::single(
            value,
            20.0 / std::f64::consts::LN_10 * relative,
            "dB",
            bench.origin(),
            &bench.source(what),
        )
    };
    let (low, mid, high) = (c.slope(idle), c.slope(hover), c.slope(full));
    let text = format!(
        "At {} ({:.0} % command), N for the whole of the command.",
        if s.hover.is_some() { "hover" } else { "half the range" },
        100.0 * hover
    );
    let slope = single(bench, &mid, 1.0, "N", "slope of thrust over command");
    out.value("sweep.slope", "thrust slope over command", slope, text, on);
    if low.value > 0.0 && mid.value > 0.0 {
        let text = format!(
            "Slope of thrust over command at full command against that near idle ({:.1} against {:.1} N): this much the \
             loop's gain changes over the command, and linearising the command takes it away.",
            high.value, low.value
        );
        out.value(
            "sweep.slope_range",
            "loop gain, idle to full command",
            decibel(&high, &low, "slopes"),
            text,
            on,
        );
        let text = format!(
            "Slope at full command against that at {} ({:.0} % command): what pulls of thrust add to the gain that is set there.",
            if s.hover.is_some() { "hover" } else { "half the range" },
            100.0 * hover
        );
        out.value(
            "sweep.slope_up",
            "loop gain, hover to full command",
            decibel(&high, &mid, "slopes"),
            text,
            on,
        );
    }
    // Full to empty: the same command gives x lower by the voltage's ratio; the hover thrust stays.
    let volts = bench.aircraft.and_then(|a| a.battery.as_ref()).map(|b| {
        let at = |charge: f64| f64::from(b.series) * powertrain::open_circuit_voltage(b.chemistry, charge);
        (at(1.0), at(b.reserve))
    });
    if let Some((top, empty)) = volts.filter(|_| c.nominal.is_finite()) {
        // dT/dcommand at constant thrust: slope(x) V/nominal.
        let change = 20.0 * (top / empty).log10();
        let e = Estimate::exact(change, "dB", bench.origin());
        let text = format!(
            "At the same thrust the slope over command goes with the voltage: {top:.1} V full to {empty:.1} V at reserve. \
             Correcting the command for voltage takes this away; linearising does not."
        );
        out.value("sweep.slope_charge", "loop gain, empty to full battery", e, text, on);
        let both = 20.0 * (high.value / low.value).log10() + change;
        if both.is_finite() {
            out.words(
                "sweep.loop_gain",
                "what it buys the loop",
                &format!("{both:.1} dB in all"),
                format!(
                    "As it is, the loop's gain moves by {both:.1} dB over command and charge: with 6 dB of gain margin set at \
                     the highest, the lowest runs at {:.0} % of the crossover it could have. Linearised it moves by {change:.1} dB, \
                     with voltage correction as well hardly at all.",
                    100.0 * 10f64.powf(-both / 20.0)
                ),
                on,
            );
        }
    }
}
