//! Figures of the loops outside the rate loop: attitude and velocity, for one axis.

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::loops::Complex;
use physics::loops::chain::{self, RateChain};
use physics::loops::damping::{RotorAir, climb_damping, drift_damping, lift_by_wind};
use physics::loops::effect::{Effect, Lift};
use physics::loops::handling::attitude_bandwidth;
use physics::loops::hold::{Vertical, gusts, hold, lean};
use physics::loops::margins::margins;
use physics::loops::outer::{Outer, drag_decay};
use physics::loops::response::step_seen;
use physics::mass::mass_properties;
use physics::powertrain::operating_point;

use super::compass;
use super::nominal::{AXES, Case, Nominal, SiteAir, loop_lag, required_crossover};
use super::slopes::Slopes;

/// Names of the figures: id, words, unit, and whether a larger one is worse.
const FIGURES: [(&str, &str, &str, bool); 7] = [
    ("gain_ratio", "attitude gain over the rate crossover", "1", true),
    ("overshoot", "overshoot of an attitude step", "1", true),
    ("bandwidth", "attitude bandwidth", "rad/s", false),
    ("phase_delay", "phase delay of the attitude response", "s", true),
    ("motor_phase_margin", "phase margin at the motor command, outer loops closed", "rad", false),
    ("velocity_margin", "phase margin of the velocity loop before any heading error", "rad", false),
    ("velocity_overshoot", "overshoot of a velocity step", "1", true),
];
const COUNT: usize = FIGURES.len();
const VELOCITY_MARGIN: usize = 5;

/// Speed of the velocity step that is predicted, m/s: that of the gate's card.
const STEP: f64 = 3.0;

/// The gains of one axis as the aircraft file states them, with the drag of a velocity step in air of `density`, kg/m^3 (the
/// body's and the rotors' in-plane force); no attitude loop, no gains.
pub(crate) fn outer(aircraft: &Aircraft, axis: usize, density: f64) -> Option<Outer> {
    let attitude = *aircraft.attitude_loop.as_ref()?.gain.get(axis)?;
    let velocity = aircraft.velocity_loop.as_ref();
    let mass = mass_properties(&aircraft.bodies).mass;
    let thrust = mass * STANDARD_GRAVITY / aircraft.stations.len().max(1) as f64;
    Some(Outer {
        attitude,
        velocity: velocity.map_or(0.0, |v| v.gain),
        integral: velocity.map_or(0.0, |v| v.integral),
        delay: velocity.map_or(0.0, |v| v.delay),
        position: velocity.and(aircraft.position_loop.as_ref()).map_or(0.0, |p| p.gain),
        drag: drag_decay(density, aircraft.drag_area, STEP, mass)
            + drift_damping(aircraft, thrust, density, STEP)[1],
    })
}

/// Figures of one axis; NaN where there is none.
fn figures(chain: &RateChain, outer: &Outer, required: f64) -> [f64; COUNT] {
    let mut out = [f64::NAN; COUNT];
    let near = required.max(outer.attitude);
    let rate = margins(&|w| chain.loop_gain(w), near / 100.0, near * 60.0, chain.integrators());
    if outer.attitude <= 0.0 || !rate.stable || rate.crossover <= 0.0 {
        return out;
    }
    let on_axis = |w: f64| Complex::new(0.0, w);
    out[0] = outer.attitude / rate.crossover;
    let span = 14.0 / outer.attitude;
    let attitude_gain = |w: f64| chain.attitude_gain_at(outer.attitude, on_axis(w));
    if !margins(&attitude_gain, near / 100.0, near * 60.0, 1).stable {
        return out;
    }
    let turned = |s: Complex<f64>| chain.attitude_closed_at(outer.attitude, s);
    let Ok(step) = step_seen(&turned, span, span / 350.0) else { return out };
    out[1] = step.figures().overshoot;
    let closed = |w: f64| chain.attitude_closed_at(outer.attitude, on_axis(w));
    if let Some(b) = attitude_bandwidth(&closed, near / 100.0, near * 20.0) {
        (out[2], out[3]) = (b.attitude_response(), b.phase_delay);
    }
    let closed_loops =
        [outer.attitude, outer.velocity, outer.position].iter().take_while(|g| **g > 0.0).count();
    let poles =
        chain.integrators() + closed_loops as u32 + u32::from(closed_loops > 1 && outer.integral > 0.0);
    let motor = margins(&|w| chain.motor_gain_at(outer, on_axis(w)), near / 2000.0, near * 60.0, poles);
    if motor.stable {
        out[4] = motor.phase_margin;
    }
    if outer.velocity > 0.0 {
        let v = outer.velocity;
        let poles = 1 + u32::from(outer.integral > 0.0);
        let m = margins(&|w| chain.velocity_gain_at(outer, on_axis(w)), v / 50.0, near * 20.0, poles);
        if m.stable {
            out[VELOCITY_MARGIN] = m.phase_margin;
            let span = 12.0 / v;
            if let Ok(step) = step_seen(&|s| chain.velocity_closed_at(outer, s), span, span / 300.0) {
                out[6] = step.figures().overshoot;
            }
        } else {
            // No margin at all, and a step that does not settle has no overshoot.
            out[VELOCITY_MARGIN] = m.phase_margin.min(0.0);
        }
    }
    out
}

/// One axis of the central aircraft.
struct Central {
    outer: Outer,
    slopes: Slopes<[f64; COUNT]>,
}

/// Figures of the central aircraft, to take small changes of lag and delay from.
pub(super) struct OuterBase(Vec<Central>);

impl OuterBase {
    /// Of the central aircraft, without payload.
    pub(super) fn new(aircraft: &Aircraft, lag: f64, rotors: RotorAir, density: f64) -> Self {
        let required = required_crossover(aircraft);
        let mut all: Vec<Central> = Vec::new();
        for axis in 0..2 {
            let Some(outer) = outer(aircraft, axis, density) else { continue };
            let known = all.iter().filter(|c| c.outer == outer).map(|c| &c.slopes);
            let of = |chain: &RateChain| figures(chain, &outer, required);
            let Some(slopes) = Slopes::new(aircraft, axis, lag, rotors, known, &of) else { continue };
            all.push(Central { outer, slopes });
        }
        Self(all)
    }

    fn at(&self, aircraft: &Aircraft, axis: usize, lag: f64, rotors: &RotorAir) -> Option<[f64; COUNT]> {
        let central = self.0.iter().find(|c| c.slopes.axis == axis)?;
        // The decay by drag is kept: its own uncertainty matters little.
        let drag = central.outer.drag;
        if (Outer { drag, ..outer(aircraft, axis, 0.0)? }) != central.outer {
            return None;
        }
        let Slopes { low, high, early, late, .. } = &central.slopes;
        let place = central.slopes.place(aircraft, lag, rotors)?;
        Some(std::array::from_fn(|k| place.figure(low[k], high[k], early[k], late[k])))
    }
}

/// The vertical loops of an aircraft on a full battery, each rotor at `share` of its weight (N), in still air, and what its
/// rotors make of a demand; none without a velocity loop.
pub(crate) fn vertical(aircraft: &Aircraft, share: f64, density: f64) -> Option<(Vertical, Lift)> {
    let velocity = aircraft.velocity_loop.as_ref()?;
    let thrusts = vec![share; aircraft.stations.len()];
    let full = operating_point(aircraft, &thrusts, 1.0, density).ok()?.bus_voltage;
    let lift = Effect::new(aircraft, (share, full), density)?.lift(&thrusts, 1.0)?;
    let vertical = Vertical {
        climb: (velocity.climb_gain, velocity.climb_integral),
        height: aircraft.position_loop.as_ref().map_or(0.0, |p| p.height_gain),
        lift: lift.gain,
        slower: lift.slower,
        decay: climb_damping(aircraft, share, density, [0.0; 2]),
        body: 0.0,
        lifted: 0.0,
    };
    Some((vertical, lift))
}

/// Delay, s, that takes as much phase at `omega` (rad/s) as a response does there.
fn delay_of(response: Complex<f64>, omega: f64) -> f64 {
    -response.arg() / omega
}

/// What velocity makes of tilt and climb of thrust, at the crossover of their loops about.
fn responses(out: &mut Nominal, a: &Aircraft, chain: &RateChain, outer: &Outer, heave: &(Vertical, Lift)) {
    let head = "Velocity and heave, without payload, full charge";
    let at = |w: f64| Complex::new(0.0, w);
    if outer.velocity > 0.0 {
        let delay = delay_of(chain.attitude_closed_at(outer.attitude, at(outer.velocity)), outer.velocity);
        out.put("outer.velocity_delay", head, "velocity response, total delay", "s", delay);
    }
    if a.drag_area > 0.0 {
        let name = format!("decay of the velocity by drag at {STEP:.0} m/s");
        out.put("outer.velocity_decay", head, &name, "1/s", outer.drag);
    }
    let (vertical, lift) = heave;
    let name = "vertical acceleration per share of the hover's thrust demand";
    out.put("heave.gain", head, name, "m/s^2", STANDARD_GRAVITY * lift.relative);
    out.put("heave.decay", head, "vertical damping", "1/s", vertical.decay);
    if vertical.climb.0 > 0.0 {
        let delay = delay_of(vertical.thrust_at(chain, at(vertical.climb.0)), vertical.climb.0);
        out.put("heave.delay", head, "heave response, total delay", "s", delay);
    }
}

/// Height above ground that gusts are taken at, m (our choice: that of a test flight; lower down they are shorter and weaker).
const HEIGHT: f64 = 20.0;

/// How place and height are held in the wind that the requirement states.
fn held(out: &mut Nominal, bare: &Case<'_>, chain: &RateChain, vertical: Option<&Vertical>, air: &SiteAir) {
    let head = "Place and height held, without payload";
    let a = bare.aircraft;
    if a.position_loop.is_none() {
        out.wait(head, &"waits for `loop.position` in the aircraft file");
        return;
    }
    let Some(wind) = air.wind.filter(|w| *w > 0.0) else {
        out.wait(head, &"waits for `requirement.wind` in dossier.toml");
        return;
    };
    if a.drag_area <= 0.0 {
        out.wait(head, &"waits for `aircraft.drag_area` in the aircraft file");
        return;
    }
    let density = air.usual.density;
    // Twice the slope of the step's secant, at the mean wind: the square law.
    let body = drag_decay(density, a.drag_area, wind, mass_properties(&a.bodies).mass);
    let plane = drift_damping(a, bare.share(), density, wind);
    let drag = [2.0 * body + plane[0], body + plane[1]];
    let found = gusts(wind, HEIGHT).zip(outer(a, 0, density)).and_then(|(gusts, outer)| {
        let axial = wind * lean(drag[1], wind).sin();
        let decay = climb_damping(a, bare.share(), density, [wind, axial]);
        let lifted = lift_by_wind(a, bare.share(), density, [wind, axial]);
        let vertical = Vertical { decay, body, lifted, ..*vertical? };
        Some((vertical.decay, hold(chain, &outer, &vertical, drag, wind, &gusts)?))
    });
    let Some((decay, found)) = found else { return };
    let name = format!("95 % of the distance from the place held in {wind:.0} m/s");
    out.put("outer.hold_position", head, &name, "m", found.plane_95());
    if decay > 0.0 && found.height > 0.0 {
        let name = format!("95 % of the error of height in {wind:.0} m/s");
        out.put("outer.hold_height", head, &name, "m", found.height_95());
    }
}

/// All outputs of the outer loops.
pub(super) fn outputs(
    out: &mut Nominal,
    bare: &Case<'_>,
    loaded: &Case<'_>,
    air: &SiteAir,
    rotors: &RotorAir,
    base: Option<&OuterBase>,
) {
    let head = "Outer loops, the worse of roll and pitch";
    let a = bare.aircraft;
    let Some(attitude) = &a.attitude_loop else {
        out.wait(head, &"waits for `loop.attitude` in the aircraft file");
        return;
    };
    let lag = match loop_lag(a, bare.share(), air.usual.density) {
        Ok((lag, _)) => lag,
        Err(e) => {
            out.wait(head, &e);
            return;
        }
    };
    let required = required_crossover(a);
    let mut worst = [f64::NAN; COUNT];
    let mut seen: Vec<(RateChain, Outer, [f64; COUNT])> = Vec::new();
    for axis in 0..2 {
        let Some(gains) = outer(a, axis, air.usual.density) else { continue };
        let values = match base.and_then(|b| b.at(a, axis, lag, rotors)) {
            Some(v) => v,
            None => {
                let chain = match chain::rate_chain(a, axis, lag, 0.0) {
                    Ok(c) => c.with_rotors(rotors),
                    Err(e) => {
                        out.wait(head, &e);
                        return;
                    }
                };
                let same = seen.iter().find(|(c, g, _)| c.stages == chain.stages && *g == gains).map(|s| s.2);
                let values = same.unwrap_or_else(|| figures(&chain, &gains, required));
                seen.push((chain, gains, values));
                values
            }
        };
        for (k, (w, v)) in worst.iter_mut().zip(values).enumerate() {
            // `min` and `max` pass over NaN.
            *w = if FIGURES[k].3 { w.max(v) } else { w.min(v) };
        }
        if values[0].is_nan() {
            out.facts.push((
                format!("Attitude loop, {}", AXES[axis]),
                "no figures: the rate loop is unstable".to_owned(),
            ));
        }
    }
    for ((id, name, unit, _), value) in FIGURES.iter().zip(worst) {
        out.put(format!("outer.{id}"), head, name, unit, value);
    }
    let Some(velocity) = &a.velocity_loop else {
        out.wait("Velocity loop", &"waits for `loop.velocity` in the aircraft file");
        return;
    };
    let most = attitude.gain[0].min(attitude.gain[1]);
    if most > 0.0 {
        out.put(
            "outer.velocity_ratio",
            head,
            "velocity gain over the attitude gain",
            "1",
            velocity.gain / most,
        );
    }
    if let Ok(chain) = chain::rate_chain(a, 0, lag, 0.0) {
        let chain = chain.with_rotors(rotors);
        let density = air.usual.density;
        let heave = vertical(a, bare.share(), density);
        held(out, bare, &chain, heave.as_ref().map(|h| &h.0), air);
        if let Some((outer, heave)) = outer(a, 0, density).zip(heave) {
            responses(out, a, &chain, &outer, &heave);
        }
    }
    match compass::heading_at_hover(loaded, air) {
        Ok(error) => {
            let name = "phase margin of the velocity loop after the heading error at hover current";
            out.put("outer.velocity_margin_turned", head, name, "rad", worst[VELOCITY_MARGIN] - error);
        }
        Err(why) => out.wait("Velocity loop, margin after the heading error", &why),
    }
}
