//! Steps of one drive: dead time, time constants up and down, what they are worth in the loop.

use physics::aircraft::Aircraft;
use physics::powertrain::{BatteryModel, MotorModel};
use signal::drive::combine::Figure;
use signal::drive::response::Quantity;
use signal::drive::step::{Known, Order, Record, Steps, fit};

use super::super::context::Out;
use super::{Bench, drive_chain, step_shown};
use crate::estimate::Estimate;
use crate::record::Stamp;

const DEAD: (&str, &str) = ("step.dead_time", "dead time, from the command to the first change");
const UP: (&str, &str) = ("step.lag_up", "time constant of rotor speed, rising");
const DOWN: (&str, &str) = ("step.lag_down", "time constant of rotor speed, falling");
const TEST: &str = "import a step record with rotor.N.command and rotor.N.speed (or rotor.N.thrust) at 500 Hz or faster: \
                    ten steps up and ten down of 5 to 15 % about the hover command, each held for half a second";
/// Dead time rests on the ESC, lags on what turns and what drives it.
const ON_ESC: &[&str] = &["esc"];
const ON_DRIVE: &[&str] = &["esc", "motor", "rotor"];
/// Standard deviation of the relative rate between two unsynchronised quartz clocks (common practice, no source).
const CLOCKS: f64 = 40e-6;

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let Some(n) = bench.station() else {
        for (key, label) in [DEAD, UP, DOWN] {
            out.cannot_tell(
                key,
                label,
                "which rotor the record is of",
                "enter the value `station` with the record, or name the channels rotor.N.command and rotor.N.speed",
                &[],
            );
        }
        return;
    };
    let name = |what: &str| format!("rotor.{n}.{what}");
    let command = bench.series(&name("command"));
    let speed = bench.series(&name("speed"));
    let thrust = bench.series(&name("thrust"));
    let (quantity, response) = match (speed, thrust) {
        (Some(s), _) => (Quantity::Speed, Some(s)),
        (None, t) => (Quantity::Thrust, t),
    };
    let (Some(command), Some((time, value, stamp))) = (command, response) else {
        let absent = if bench.channel(&name("command")).is_none() {
            format!("the channel rotor.{n}.command")
        } else {
            format!("the channel rotor.{n}.speed or rotor.{n}.thrust")
        };
        for (key, label) in [DEAD, UP, DOWN] {
            out.cannot_tell(key, label, absent.clone(), TEST, &[]);
        }
        return;
    };
    let bus = bench.series("battery.voltage");
    let period = (time.last().copied().unwrap_or(0.0) - time.first().copied().unwrap_or(0.0))
        / (time.len() - 1).max(1) as f64;
    // What the time stamp means shifts the dead time: a value that is logged when it arrives may be a
    // period old.
    let stated = bench.hand("latency");
    let latency = match (stated, stamp) {
        (Some(l), _) => l,
        (None, Some(Stamp::Sampled)) => (0.0, 0.0),
        (None, _) => (0.5 * period, period / 12f64.sqrt()),
    };
    let share = bench.aircraft.and_then(|a| drag_share(a, bench.density.map_or(1.225, |d| d.0)));
    let default = Known::default();
    let known = Known {
        latency,
        clock: bench
            .hand("clock_drift")
            .map_or(if one_clock(bench) { 0.0 } else { CLOCKS }, |c| c.1.max(c.0.abs())),
        agree_at: bench.record.time.first().copied().unwrap_or(0.0),
        drag_share: share.map_or(default.drag_share, |s| (s, 0.25 * s)),
        longest: default.longest,
    };
    let record = Record {
        command_time: &command.0,
        command: &command.1,
        command_is_event: false,
        time: &time,
        value: &value,
        quantity,
        bus: bus.as_ref().map(|b| (b.0.as_slice(), b.1.as_slice())),
    };
    let Some(steps) = fit(&record, &known) else {
        for (key, label) in [DEAD, UP, DOWN] {
            out.cannot_tell(key, label, "a step of the command that the response answers", TEST, &[]);
        }
        return;
    };
    let sag = if bus.is_some() { None } else { bench.aircraft.and_then(|a| stiffness(a, &steps, bench)) };
    let told = Told {
        latency,
        unstated: stamp.is_none() && stated.is_none(),
        command_logged: command.2 != Some(Stamp::Stated),
    };
    figures(bench, out, &steps, &told, sag);
    drive_chain::worth(bench, out, ON_DRIVE);
    words(out, &steps, quantity);
    out.charts.extend(step_shown::charts(&steps, quantity));
    out.tables.push(step_shown::table(&steps, quantity));
    limits(out, &steps, quantity, bus.is_some(), sag);
}

/// Whether command and response are stamped by the same rule: then one clock stamped both.
fn one_clock(bench: &Bench<'_>) -> bool {
    let mut stamps = bench.record.meta.channels.iter().map(|c| c.stamp).filter(|s| *s != Some(Stamp::Stated));
    let first = stamps.next();
    stamps.all(|s| Some(s) == first)
}

/// Share of the rotor's drag in 1/lag at hover: 2 Q/w over Kt^2/R + 2 Q/w.
fn drag_share(a: &Aircraft, density: f64) -> Option<f64> {
    let mass = physics::mass::mass_properties(&a.bodies).mass;
    let thrust = mass * physics::STANDARD_GRAVITY / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(thrust, 0.0, density)?;
    let motor = MotorModel::new(a).ok()?;
    let drag = 2.0 * a.rotor.torque(speed, 0.0, density) / speed;
    let electric = motor.kt * motor.kt / motor.path_resistance();
    (electric + drag > 0.0).then(|| (drag / (electric + drag)).clamp(0.02, 0.9))
}

/// Lag in flight over lag on the bench, where the bus voltage was not measured: a single motor's step sags the bus,
/// a differential step in flight does not. tau is J/(Kt^2/R + D) with a held bus and J/(Kt^2/(R + c^2 Rs) + D) with one
/// that gives by Rs.
fn stiffness(a: &Aircraft, steps: &Steps, bench: &Bench<'_>) -> Option<f64> {
    let battery = BatteryModel::new(a).ok()?;
    let motor = MotorModel::new(a).ok()?;
    let share = drag_share(a, bench.density.map_or(1.225, |d| d.0))?;
    let c = steps.steps.iter().map(|s| 0.5 * (s.from + s.to)).sum::<f64>() / steps.steps.len().max(1) as f64;
    let softer = motor.path_resistance() / (motor.path_resistance() + c * c * battery.ohmic_resistance());
    Some((1.0 - share) * softer + share)
}

/// What the record says of its own timing.
struct Told {
    /// Delay of the response's path and its standard uncertainty, s.
    latency: (f64, f64),
    /// Nothing says what the response's stamps mean.
    unstated: bool,
    /// The command was logged, not only stated in the map.
    command_logged: bool,
}

fn figures(bench: &Bench<'_>, out: &mut Out, steps: &Steps, told: &Told, sag: Option<f64>) {
    let Told { latency, unstated, command_logged } = *told;
    let single = |f: &Figure, what: &str| {
        Estimate::single(f.value, f.uncertainty, "s", bench.origin(), &bench.source(what))
    };
    let count = |rises: bool| steps.steps.iter().filter(|s| s.rises() == rises).count();
    let (ups, downs) = (count(true), count(false));
    match &steps.dead_time {
        _ if !command_logged => out.cannot_tell(
            DEAD.0,
            DEAD.1,
            "the moments of the command: it is stated in the channel map, not logged",
            TEST,
            ON_ESC,
        ),
        Some(d) if d.uncertainty.is_finite() => {
            let mut text = format!(
                "Mean of {} steps. From the command's log on: frame, wait for the ESC and its own dead time are in it. \
                 Rows of the command every {:.2} ms, of the response every {:.2} ms.",
                ups + downs,
                steps.periods.0 * 1e3,
                steps.periods.1 * 1e3
            );
            if latency != (0.0, 0.0) {
                text.push_str(&format!(
                    " {:.2} ± {:.2} ms of the response's own path are taken off{}.",
                    latency.0 * 1e3,
                    1.96 * latency.1 * 1e3,
                    if unstated {
                        ": the time stamp's meaning is not stated, so anything up to one period is allowed"
                    } else {
                        ""
                    }
                ));
            }
            // Every step meets the rows of both channels at the same phase where one clock drives all, so
            // that half a row of each stays open however many steps there are.
            let rows = steps.periods.0.hypot(steps.periods.1) / 12f64.sqrt();
            let d = &Figure { uncertainty: d.uncertainty.hypot(rows), ..*d };
            let dead = single(d, "dead time");
            out.value(DEAD.0, DEAD.1, dead.clone(), text, ON_ESC);
            drive_chain::own_dead_time(bench, out, &dead, ON_ESC);
        }
        _ => out.cannot_tell(DEAD.0, DEAD.1, "steps enough for an interval", TEST, ON_ESC),
    }
    for (k, (key, label), n, input) in
        [(0, UP, ups, "esc.response_up"), (1, DOWN, downs, "esc.response_down")]
    {
        // A lag as unsure as it is long was not seen: a fall to a standstill in a few rows, say.
        let sure = |l: &Figure| 1.96 * l.uncertainty < l.value;
        let Some(l) = steps.lag.get(k).copied().flatten().filter(sure) else {
            let way = if k == 0 { "rising" } else { "falling" };
            out.cannot_tell(key, label, format!("{way} steps that the response answers"), TEST, ON_DRIVE);
            continue;
        };
        // Half of the correction is a fair doubt about it.
        let factor = sag.unwrap_or(1.0);
        let e = Estimate::new(
            l.value * factor,
            "s",
            bench.origin(),
            vec![
                crate::estimate::Contribution {
                    source: bench.source(if k == 0 { "lag up" } else { "lag down" }),
                    sensitivity: factor,
                    uncertainty: l.uncertainty,
                },
                crate::estimate::Contribution {
                    source: bench.source("sag of the bus"),
                    sensitivity: l.value,
                    uncertainty: 0.5 * (1.0 - factor).abs(),
                },
            ],
        );
        let slope = steps.lag_slope.get(k).copied().flatten().filter(|s| s.uncertainty < 1.0);
        let along = slope.map_or(String::new(), |s| {
            format!(" It goes with speed to the power {:.2} ± {:.2}.", s.value, 1.96 * s.uncertainty)
        });
        let coasts = if k == 1 && steps.coasting.is_some_and(|c| c.0) {
            " The falls coast: this is the lag with the same area, for falls of these sizes."
        } else {
            ""
        };
        let text = format!("From {n} steps, at their mean speed.{along}{coasts}");
        out.value(key, label, e, text, ON_DRIVE);
        out.replaces(key, input);
    }
    if let Some(d) = steps.drift.filter(|d| d.uncertainty.is_finite() && d.value.abs() > 1.96 * d.uncertainty)
    {
        out.words(
            "step.drift",
            "clocks",
            "drift",
            format!(
                "The clocks of command and response drift by {:.0} ± {:.0} parts in a million; taken off.",
                d.value * 1e6,
                1.96 * d.uncertainty * 1e6
            ),
            &[],
        );
    }
}

fn words(out: &mut Out, steps: &Steps, quantity: Quantity) {
    let of = |o: Order| steps.criterion.iter().find(|c| c.0 == o).map(|c| c.1);
    let first = of(Order::First).unwrap_or(f64::NAN);
    let chosen = of(steps.order).unwrap_or(f64::NAN);
    let (answer, text) = match steps.order {
        Order::First => {
            let best = steps
                .criterion
                .iter()
                .filter(|c| c.0 != Order::First)
                .map(|c| c.1 - first)
                .filter(|d| d.is_finite())
                .fold(f64::NAN, f64::min);
            let text = if best.is_nan() {
                "One lag leaves nothing that a second one would take up, or too few rows to tell.".to_owned()
            } else {
                format!("By Schwarz's criterion a richer model is worse by {best:.0}.")
            };
            ("first order", text)
        }
        Order::Second => (
            "second order",
            format!(
                "A second lag of {:.1} ms is better by {:.0} in Schwarz's criterion; the dead time is without it.",
                steps.second.map_or(f64::NAN, |s| s.value * 1e3),
                first - chosen
            ),
        ),
        Order::Ringing => {
            let (f, z) = steps.mode.map_or((f64::NAN, f64::NAN), |(f, z)| (f.value, z.value));
            (
                "first order on a ringing stand",
                format!(
                    "The stand rings at {f:.1} Hz with {:.1} % of critical damping (better by {:.0} in Schwarz's criterion); \
                     taken out of dead time and lag.",
                    100.0 * z,
                    first - chosen
                ),
            )
        }
    };
    out.words("step.order", "order of the response", answer, text, ON_DRIVE);
    // A gain without bound is a model that could not be fitted at all: no comparison.
    if let Some((coasts, gain)) = steps.coasting.filter(|c| c.1.is_finite()) {
        let (answer, text) = if coasts {
            (
                "coasts",
                format!(
                    "Falls follow a hyperbola (better by {gain:.0} than an exponential): the ESC does not brake."
                ),
            )
        } else {
            (
                "brakes",
                format!(
                    "Falls follow an exponential (better by {:.0} than a hyperbola): the ESC brakes.",
                    -gain
                ),
            )
        };
        out.words("step.braking", "falling command", answer, text, ON_ESC);
    }
    let _ = quantity;
}

/// What the record's rate and channels cannot answer.
fn limits(out: &mut Out, steps: &Steps, quantity: Quantity, bus: bool, sag: Option<f64>) {
    let shortest = steps.lag.iter().flatten().map(|l| l.value).fold(f64::INFINITY, f64::min);
    if steps.periods.1 > 0.5 * shortest {
        out.cannot.push(format!(
            "One row of the response every {:.1} ms is too few for a lag of {:.1} ms: log faster than {:.0} Hz.",
            steps.periods.1 * 1e3,
            shortest * 1e3,
            4.0 / shortest
        ));
    }
    if steps.unfitted > 0 {
        out.cannot.push(format!("{} steps of the command could not be fitted.", steps.unfitted));
    }
    if quantity == Quantity::Thrust && steps.order != Order::Ringing {
        out.cannot.push(
            "Thrust was measured and the stand does not show its own frequency: a delay of the load cell's own filter \
             cannot be told from dead time. Enter it as the value `latency`."
                .to_owned(),
        );
    }
    if !bus {
        out.cannot.push(match sag {
            Some(f) => format!(
                "Without battery.voltage the sag of the bus under one motor's step is computed, not seen: the lags are \
                 shortened by {:.1} %, with half of that as doubt.",
                100.0 * (1.0 - f)
            ),
            None => "Without battery.voltage the lags hold for this supply: a soft one makes a single motor slower than a \
                     differential step in flight is."
                .to_owned(),
        });
    }
}
