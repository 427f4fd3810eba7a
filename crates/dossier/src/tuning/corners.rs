//! Margins of the rate loop as the file has it, over what the loop meets: battery, command, payload.

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::loops::chain::{RateChain, rate_chain};
use physics::loops::damping::rotor_air;
use physics::loops::margins::Margins;
use physics::mass::mass_properties;
use physics::powertrain::{MotorModel, full_thrust};

use super::plants::{gain_at, remainder, slower};
use crate::chart::Table;
use crate::gates::Context;
use crate::predict::loop_lag;

/// One condition: thrust of each rotor, N, and loop gain over that of a hover on a full battery without payload.
struct Corner {
    name: &'static str,
    loaded: bool,
    thrust: f64,
    gain: f64,
}

/// Command at which a rotor gives `thrust`, N, from a bus at `voltage`, V.
fn command_for(
    aircraft: &Aircraft,
    motor: &MotorModel,
    thrust: f64,
    voltage: f64,
    density: f64,
) -> Option<f64> {
    let speed = aircraft.rotor.speed_for_thrust(thrust, 0.0, density)?;
    Some(motor.voltage_for_torque(aircraft.rotor.torque(speed, 0.0, density), speed) / voltage)
}

/// Thrust at a command from a bus at `voltage`, by bisection.
fn thrust_at(
    aircraft: &Aircraft,
    motor: &MotorModel,
    command: f64,
    voltage: f64,
    most: f64,
    density: f64,
) -> Option<f64> {
    let of = |t: f64| command_for(aircraft, motor, t, voltage, density);
    let (mut low, mut high) = (1e-4 * most, most);
    if of(low)? > command {
        return None;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if of(middle)? < command { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}

fn conditions(ctx: &Context<'_>) -> Option<Vec<Corner>> {
    let whole = &ctx.subject.resolved().aircraft;
    let bare = whole.without_payload();
    let density = ctx.subject.air().usual.density;
    let n = whole.stations.len().max(1) as f64;
    let share = |a: &Aircraft| mass_properties(&a.bodies).mass * STANDARD_GRAVITY / n;
    let (light, heavy) = (share(&bare), share(whole));
    let motor = MotorModel::new(whole).ok()?;
    let bus = |charge: &str, load: &str| {
        Some(ctx.prediction.get(&format!("hover.{charge}.{load}.bus_voltage"))?.value)
    };
    let volts = bus("full", "bare")?;
    let turned = slower(whole);
    let mut out = Vec::new();
    let mut corner = |name, loaded: bool, thrust: f64, voltage: Option<f64>| {
        if let Some(gain) = voltage.and_then(|v| gain_at(ctx, Some(thrust), v)) {
            out.push(Corner { name, loaded, thrust, gain: if loaded { turned * gain } else { gain } });
        }
    };
    corner("full battery, hover", false, light, Some(volts));
    corner("half charge, hover", false, light, bus("half", "bare"));
    corner("reserve charge, hover", false, light, bus("reserve", "bare"));
    if whole.bodies.len() > bare.bodies.len() {
        corner("full battery, payload", true, heavy, bus("full", "payload"));
        corner("reserve charge, payload", true, heavy, bus("reserve", "payload"));
    }
    let full = full_thrust(&bare, 1.0, density).ok()?;
    let top = full.point.rotors.iter().map(|r| r.thrust).fold(f64::INFINITY, f64::min);
    let least = whole.esc.as_ref().map_or(0.05, |e| e.usable_minimum.max(0.02));
    if let Some(idle) = thrust_at(&bare, &motor, 1.5 * least, volts, top, density) {
        corner("full battery, near idle", false, idle, Some(volts));
    }
    // A rotor at full command lets the bus sag: its own bus voltage.
    corner("full battery, full command", false, 0.97 * top, Some(full.point.bus_voltage));
    Some(out)
}

fn decibel(ratio: f64) -> String {
    if ratio.is_finite() { format!("{:.1}", 20.0 * ratio.log10()) } else { "none".to_owned() }
}

/// The worse of two axes by phase margin and gain margin.
struct Worst {
    crossover: f64,
    phase: f64,
    up: f64,
    down: f64,
    sensitivity: f64,
    stable: bool,
}

impl Worst {
    fn of(chains: &[RateChain]) -> Self {
        let all: Vec<Margins> = chains.iter().map(RateChain::margins).collect();
        let least = |f: fn(&Margins) -> f64| all.iter().map(f).fold(f64::INFINITY, f64::min);
        Self {
            crossover: least(|m| m.crossover),
            phase: least(|m| m.phase_margin),
            up: least(|m| m.gain_margin_up),
            down: least(|m| m.gain_margin_down),
            sensitivity: all.iter().map(|m| m.peak_sensitivity).fold(0.0, f64::max),
            stable: all.iter().all(|m| m.stable),
        }
    }

    fn cells(&self) -> Vec<String> {
        if !self.stable {
            return ["unstable", "-", "-", "-", "-"].map(str::to_owned).to_vec();
        }
        vec![
            format!("{:.1}", self.crossover),
            format!("{:.0}", self.phase.to_degrees()),
            decibel(self.up),
            decibel(self.down),
            format!("{:.2}", self.sensitivity),
        ]
    }
}

/// The table; none where the powertrain or the loop cannot be computed.
pub(super) fn corners(ctx: &Context<'_>) -> Option<Table> {
    let whole = &ctx.subject.resolved().aircraft;
    let bare = whole.without_payload();
    let density = ctx.subject.air().usual.density;
    let seen: Vec<Option<(f64, f64)>> = (0..2).map(|axis| remainder(ctx, axis, &bare)).collect();
    let flown = seen.iter().any(Option::is_some);
    let mut rows = Vec::new();
    for c in conditions(ctx)? {
        let aircraft = if c.loaded { whole } else { &bare };
        let Ok((lag, _)) = loop_lag(aircraft, c.thrust, density) else { continue };
        let rotors = rotor_air(aircraft, c.thrust, density);
        let chains: Vec<RateChain> = (0..2)
            .filter_map(|axis| {
                Some(rate_chain(aircraft, axis, lag, 0.0).ok()?.with_rotors(&rotors).with_gain_factor(c.gain))
            })
            .collect();
        if chains.len() < 2 {
            return None;
        }
        let mut row =
            vec![c.name.replace(' ', "\u{a0}"), format!("{:.2}", c.gain), format!("{:.1}", 1e3 * lag)];
        row.extend(Worst::of(&chains).cells());
        if flown {
            let found: Vec<RateChain> = chains
                .iter()
                .zip(&seen)
                .map(|(chain, s)| {
                    let (gain, more) = s.unwrap_or((1.0, 0.0));
                    chain.clone().with_gain_factor(gain).with_delay_at("motor", more)
                })
                .collect();
            row.extend(Worst::of(&found).cells().into_iter().take(3));
        }
        rows.push(row);
    }
    let mut head = vec![
        "rate loop at",
        "loop gain",
        "lag, ms",
        "crossover, rad/s",
        "phase, deg",
        "up, dB",
        "down, dB",
        "peak",
    ];
    if flown {
        head.extend(["as flown: crossover", "phase, deg", "up, dB"]);
    }
    // Where no condition has a lower limit of gain the column says nothing.
    const DOWN: usize = 6;
    let unlimited = rows.iter().all(|r: &Vec<String>| r.get(DOWN).is_some_and(|c| c == "none"));
    if unlimited {
        head.remove(DOWN);
        rows.iter_mut().for_each(|r| drop(r.remove(DOWN)));
    }
    let loops = whole.rate_loop.as_ref();
    let note = format!(
        "Phase margin, gain margins, peak sensitivity: the worse of roll and pitch at today's gains{}. Loop gain over that of a hover on a full battery without payload: {}; inertia grows with the payload; {}.{}",
        if unlimited { "; no gain is too low for any of them" } else { "" },
        if loops.is_some_and(|l| l.voltage_corrected) {
            "the command is corrected for the bus voltage"
        } else {
            "thrust at a command goes with the square of the voltage"
        },
        if loops.is_some_and(|l| l.linearised) {
            "the command is corrected for the curve of thrust"
        } else {
            "nothing corrects for the slope of thrust with the command"
        },
        if flown {
            " As flown: gain and delay of the plant in the flight, carried to each condition."
        } else {
            ""
        }
    );
    Some(Table {
        id: "corners".to_owned(),
        title: "Rate loop over battery, command and payload".to_owned(),
        head: head.into_iter().map(str::to_owned).collect(),
        rows,
        note,
    })
}
