//! The plants that gains must suit: roll and pitch at the corners of what is not known.

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::loops::chain::{RateChain, rate_chain};
use physics::loops::damping::rotor_air;
use physics::loops::effect::Effect;
use physics::loops::ledger::{self, total_delay};
use physics::loops::noise;
use physics::loops::search::{Gains, Noise};
use physics::mass::mass_properties;

use crate::check::payload_fitted;
use crate::findings::Spectrum;
use crate::gates::Context;
use crate::predict::{loop_lag, required_crossover};

/// Plants, the nominal one first.
pub(super) struct Family {
    pub(super) chains: Vec<RateChain>,
    pub(super) today: Gains,
    pub(super) basis: String,
    pub(super) measured: bool,
    /// Stages by delay, largest first.
    pub(super) spent: Vec<(String, f64)>,
}

/// The predicted chain of an axis, without payload, in hover.
pub(crate) fn chain_of(aircraft: &Aircraft, axis: usize, density: f64) -> Option<RateChain> {
    let mass = mass_properties(&aircraft.bodies).mass;
    let thrust = mass * STANDARD_GRAVITY / aircraft.stations.len().max(1) as f64;
    let (lag, _) = loop_lag(aircraft, thrust, density).ok()?;
    Some(rate_chain(aircraft, axis, lag, 0.0).ok()?.with_rotors(&rotor_air(aircraft, thrust, density)))
}

/// Loop gain over that of a hover on a full battery without payload, the inertia left out, with rotors at a thrust (N, none: that
/// hover's) on a bus at a voltage, V; none where the powertrain cannot be computed.
pub(super) fn gain_at(ctx: &Context<'_>, thrust: Option<f64>, voltage: f64) -> Option<f64> {
    let whole = &ctx.subject.resolved().aircraft;
    let bare = mass_properties(&whole.without_payload().bodies).mass;
    let hover = bare * STANDARD_GRAVITY / whole.stations.len().max(1) as f64;
    let full = ctx.prediction.get("hover.full.bare.bus_voltage")?.value;
    let effect = Effect::new(whole, (hover, full), ctx.subject.air().usual.density)?;
    effect.over_full(thrust.unwrap_or(hover), voltage)
}

/// Loop gain of an axis at the bus voltage flown over that of a hover on a full battery; none where the voltage was not logged.
pub(crate) fn voltage_factor(ctx: &Context<'_>, axis: usize) -> Option<f64> {
    let letter = ['x', 'y', 'z'].get(axis)?;
    let flown = ctx.flight(&format!("loop.{letter}.voltage")).found().filter(|f| f.stale.is_none())?;
    let meta = &ctx.evidence.flights.iter().find(|f| f.meta.id == flown.record)?.meta;
    let whole = &ctx.subject.resolved().aircraft;
    let mass = mass_properties(&whole.bodies).mass;
    let heavy = mass * STANDARD_GRAVITY / whole.stations.len().max(1) as f64;
    gain_at(ctx, payload_fitted(meta).then_some(heavy), flown.estimate.value)
}

/// Loop gain as measured over the stated one, with its relative standard uncertainty, and delay as measured less the
/// predicted one, with its standard uncertainty, s.
struct Seen {
    gain: (f64, f64),
    delay: (f64, f64),
    record: String,
}

fn seen(ctx: &Context<'_>, axis: usize, chain: &RateChain) -> Option<Seen> {
    let letter = ['x', 'y', 'z'].get(axis)?;
    let get = |what: &str| ctx.flight(&format!("loop.{letter}.{what}")).found().filter(|f| f.stale.is_none());
    let (gain, delay, crossover) = (get("gain")?, get("delay")?, get("crossover")?);
    if delay.record != gain.record || crossover.record != gain.record {
        return None;
    }
    let stated = chain.acting();
    let wc = crossover.estimate.value;
    // Of the prediction without the derivative, which is the controller's and not the plant's.
    let (p, i, _) = chain.gains();
    let predicted = total_delay(&ledger::ledger(&chain.clone().with_gains(p, i, 0.0), wc));
    (stated > 0.0 && wc > 0.0).then(|| Seen {
        // On a full battery; where the voltage was not logged, as if flown at half charge.
        gain: (
            gain.estimate.value
                / stated
                / voltage_factor(ctx, axis).unwrap_or_else(|| charge_factor(ctx, "half")),
            gain.estimate.uncertainty / gain.estimate.value.abs().max(1e-12),
        ),
        delay: (delay.estimate.value - predicted, delay.estimate.uncertainty),
        record: gain.record.clone(),
    })
}

/// Loop gain on a full battery over the stated one, and delay beyond the predicted one, s, as a flight has shown them.
pub(super) fn remainder(ctx: &Context<'_>, axis: usize, bare: &Aircraft) -> Option<(f64, f64)> {
    let chain = chain_of(bare, axis, ctx.subject.air().usual.density)?;
    let found = seen(ctx, axis, &chain)?;
    Some((found.gain.0, found.delay.0))
}

impl Family {
    pub(super) fn new(ctx: &Context<'_>, aircraft: &Aircraft) -> Result<Self, String> {
        let density = ctx.subject.air().usual.density;
        let loops = aircraft.rate_loop().map_err(|e| e.to_string())?;
        let today = Gains {
            p: 0.5 * (loops.p[0] + loops.p[1]),
            i: 0.5 * (loops.i[0] + loops.i[1]),
            d: 0.5 * (loops.d[0] + loops.d[1]),
        };
        if today.p <= 0.0 {
            return Err("a proportional rate gain in the aircraft file".to_owned());
        }
        let range = gain_range(ctx);
        let (mut chains, mut corners) = (Vec::new(), Vec::new());
        let mut spent = Vec::new();
        let mut record = None;
        for axis in 0..2 {
            let chain = chain_of(aircraft, axis, density)
                .ok_or_else(|| "ESC, IMU, motor and rate loop in the aircraft file".to_owned())?;
            let found = seen(ctx, axis, &chain);
            let (factor, relative, more, delay) = match &found {
                Some(s) => (s.gain.0, s.gain.1, s.delay.0, s.delay.1),
                None => {
                    let of = |id: &str| {
                        ctx.prediction.get(id).map_or(0.0, |e| e.uncertainty / e.value.abs().max(1e-12))
                    };
                    let inertia = of(if axis == 0 { "mass.inertia.xx" } else { "mass.inertia.yy" });
                    let total = ctx.prediction.get("latency.total").map_or(1e-3, |e| e.uncertainty);
                    // Thrust slope and inertia are stated; what the file does not know of them is a tenth at least.
                    (1.0, inertia.max(0.05), 0.0, total)
                }
            };
            if axis == 0 {
                spent = ledger::ledger(&chain, chain.margins().crossover.max(1.0))
                    .into_iter()
                    .filter(|l| l.delay > 0.0)
                    .map(|l| (l.name, l.delay))
                    .collect();
                if more > 1e-4 {
                    spent.push(("Unexplained remainder, as flown".to_owned(), more));
                }
                spent.sort_by(|a, b| b.1.total_cmp(&a.1));
            }
            record = found.as_ref().map(|s| s.record.clone()).or(record);
            let base = chain.with_delay_at("motor", more);
            chains.push(base.clone().with_gain_factor(factor));
            for gain in [range.0 * (1.0 - 2.0 * relative), range.1 * (1.0 + 2.0 * relative)] {
                for late in [-2.0 * delay, 2.0 * delay] {
                    corners.push(base.clone().with_gain_factor(factor * gain).with_delay_at("motor", late));
                }
            }
        }
        chains.extend(corners);
        let (measured, basis) = match record {
            Some(r) => (
                true,
                format!(
                    "the plant as flown ({r}), loop gain from {:.2} to {:.2} of that over charge and payload",
                    range.0, range.1
                ),
            ),
            None => (
                false,
                format!(
                    "the predicted plant, loop gain from {:.2} to {:.2} over charge and payload; no flight has shown it yet",
                    range.0, range.1
                ),
            ),
        };
        Ok(Self { chains, today, basis, measured, spent })
    }
}

/// Loop gain at a charge over that on a full battery, without payload.
fn charge_factor(ctx: &Context<'_>, charge: &str) -> f64 {
    let volts = ctx.prediction.get(&format!("hover.{charge}.bare.bus_voltage"));
    volts.and_then(|v| gain_at(ctx, None, v.value)).unwrap_or(1.0)
}

/// Inertia without payload over that with it, the less of roll and pitch.
pub(super) fn slower(whole: &Aircraft) -> f64 {
    let (all, part) =
        (mass_properties(&whole.bodies).inertia, mass_properties(&whole.without_payload().bodies).inertia);
    let ratio = |k: usize| if all[(k, k)] > 0.0 { part[(k, k)] / all[(k, k)] } else { 1.0 };
    ratio(0).min(ratio(1))
}

/// Range of the loop gain against that without payload on a full battery: an emptier one pushes less where nothing
/// corrects for voltage, a payload turns slower.
fn gain_range(ctx: &Context<'_>) -> (f64, f64) {
    let low = charge_factor(ctx, "reserve").min(1.0) * slower(&ctx.subject.resolved().aircraft).min(1.0);
    (low, 1.0)
}

/// Noise of the command for unit gains: as flown where a flight has shown it, else from the gyro's own noise; and in
/// words what it rests on. Its spectrum is that of the raw gyro in the flight, so that a derivative is charged with the
/// rotors' lines too; without one it is taken as white.
pub(super) fn noise(ctx: &Context<'_>, aircraft: &Aircraft, today: &Gains) -> (Noise, &'static str) {
    let flown = ctx.flight("vibration.command_noise").found().filter(|f| f.stale.is_none());
    let seen = flown.as_ref().and_then(|f| raw_gyro(ctx, &f.record));
    let density = |f: f64| seen.as_ref().map_or(1.0, |s| s.at(f));
    let own = |p: f64, d: f64| -> f64 {
        let mut a = aircraft.clone();
        if let Some(l) = &mut a.rate_loop {
            (l.p, l.i, l.d) = ([p; 3], [0.0; 3], [d; 3]);
        }
        let (Ok(transfer), Some(imu)) = (noise::gyro_to_command(&a, 0), &a.imu) else { return 0.0 };
        let to = seen.as_ref().map_or(f64::INFINITY, Gyro::highest).min(0.5 / imu.sample_period);
        // The band that command noise is measured in: above the loop's own.
        let from = (3.0 * required_crossover(aircraft) / std::f64::consts::TAU).min(0.5 * to);
        noise::rms(&transfer, &density, from, to).powi(2)
    };
    let (pp, dd) = (own(1.0, 0.0), own(0.0, 1.0));
    let pd = 0.5 * (own(1.0, 1.0) - pp - dd);
    let shape = Noise { pp, dd, pd };
    let words = match (&flown, &seen) {
        (Some(_), Some(_)) => "command noise as flown, its spectrum that of the raw gyro",
        (Some(_), None) => {
            "command noise as flown, its spectrum taken as white: no raw gyro is logged, and a derivative may be noisier"
        }
        (None, _) => "command noise of the sensor alone: no flight has shown the vibration yet",
    };
    let level = flown
        .map(|f| f.estimate.value)
        .or_else(|| ctx.prediction.get("vibration.command_noise").map(|e| e.value));
    let now = shape.rms(today);
    match level {
        Some(level) if now > 0.0 => {
            let scale = (level / now).powi(2);
            (Noise { pp: pp * scale, dd: dd * scale, pd: pd * scale }, words)
        }
        _ => (Noise::default(), words),
    }
}

/// Density of the raw gyro over frequency, of roll and pitch together.
struct Gyro<'a> {
    axes: Vec<&'a Spectrum>,
}

impl Gyro<'_> {
    fn highest(&self) -> f64 {
        self.axes.iter().filter_map(|s| s.frequency.last().copied()).fold(f64::INFINITY, f64::min)
    }

    /// Nearest line of each axis: a peak is as wide as the spectrum's own resolution.
    fn at(&self, frequency: f64) -> f64 {
        self.axes
            .iter()
            .filter_map(|s| {
                let next = s.frequency.partition_point(|f| *f < frequency);
                let last = next.saturating_sub(1);
                let nearer = |k: &usize| s.frequency.get(*k).map_or(f64::INFINITY, |f| (f - frequency).abs());
                let place = if nearer(&last) < nearer(&next) { last } else { next };
                s.density.get(place)
            })
            .sum()
    }
}

/// Spectra of the raw gyro of a flight, roll and pitch.
fn raw_gyro<'a>(ctx: &'a Context<'_>, record: &str) -> Option<Gyro<'a>> {
    let flight = ctx.evidence.flights.iter().find(|f| f.meta.id == record)?;
    let axes: Vec<&Spectrum> = flight
        .findings
        .spectra
        .iter()
        .filter(|s| matches!(s.channel.as_str(), "rate_raw.x" | "rate_raw.y"))
        .collect();
    (axes.len() == 2).then_some(Gyro { axes })
}
