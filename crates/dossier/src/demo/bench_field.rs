//! Simulated run-up and reception records: the models' own field and vibration with noise, quantisation and
//! an error of a few per cent on the field, so that the record is not the prediction.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::{STANDARD_GRAVITY, Vec3, powertrain};

use super::{SEED, meta, tap_of, unit_of};
use crate::predict::SiteAir;
use crate::programme::Site;
use crate::record::{ChannelMeta, Kind, Record, RecordMeta, Stamp};

const DATE: &str = "2026-03-03";

/// The run-up and the reception record of an aircraft at its site; none without a magnetometer.
pub(super) fn records(
    aircraft: &Aircraft,
    site: &Site,
    fingerprint: &BTreeMap<String, String>,
) -> Vec<Record> {
    let mut random = Noise(SEED + 3);
    let mut all: Vec<Record> = run_up(aircraft, site, fingerprint, &mut random).into_iter().collect();
    all.push(reception(site, fingerprint, &mut random));
    all.extend(mast_tap(aircraft, fingerprint, &mut random));
    all.extend(range(aircraft, fingerprint));
    all
}

/// A walk away from the sender, turned down by 20 dB, with the aircraft on a pole: a line over the logarithm of distance, with
/// fading that changes over a few metres.
fn range(aircraft: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Option<Record> {
    const RATE: f64 = 2.0;
    const TURNED_DOWN: f64 = 20.0;
    let link = aircraft.safety.link?;
    let mut random = Noise(SEED + 6);
    let mut time = Vec::new();
    let mut channels: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut put = |name: &str, v: f64| channels.entry(name.to_owned()).or_default().push(v);
    let mut fade = 0.0;
    for k in 0..(240.0 * RATE) as u32 {
        let t = f64::from(k) / RATE;
        let distance = 4.0 + 1.2 * t;
        fade = 0.8 * fade + 0.6 * 5.0 * normal(&mut random);
        let b = link.budget(100.0, 3.0, 0.0);
        let level = link.power + link.ground_gain + link.air_gain - b.free_space - TURNED_DOWN;
        let signal = level - 10.0 * 2.3 * (distance / 100.0).log10() + fade;
        put("distance", distance + 0.3 * normal(&mut random));
        put("link.signal", signal.round());
        time.push(t);
    }
    let mut meta = meta(
        "2026-03-03-range",
        Kind::Range,
        DATE,
        "Sender turned down by 20 dB, aircraft on a pole of 3 m, walked away from along the lake. Made by the models.",
        fingerprint,
    );
    meta.values.insert("power_reduction".to_owned(), super::hand(TURNED_DOWN, 0.5, "dB"));
    Some(with_channels(meta, time, channels, RATE))
}

/// Four blows on the mast with its sensor on: a decaying swing a little below the computed frequency.
fn mast_tap(
    aircraft: &Aircraft,
    fingerprint: &BTreeMap<String, String>,
    random: &mut Noise,
) -> Option<Record> {
    const RATE: f64 = 2_000.0;
    let frequency = 0.97 * aircraft.structure.mast.as_ref()?.frequency()?;
    let (w, damping) = (TAU * frequency, 0.018);
    let mut time = Vec::new();
    let mut values = Vec::new();
    for blow in 0..4 {
        let size = 40.0 + 6.0 * normal(random);
        for k in 0..RATE as u32 {
            let t = f64::from(k) / RATE - 0.1;
            let ring = if t > 0.0 {
                let damped = w * (1.0_f64 - damping * damping).sqrt();
                size * (-damping * w * t).exp() * (damped * t).sin()
            } else {
                0.0
            };
            values.push(ring + 0.05 * normal(random));
            time.push(f64::from(blow) + f64::from(k) / RATE);
        }
    }
    let mut meta = meta(
        "2026-03-03-tap-mast",
        Kind::Tap,
        DATE,
        "Mast with the magnetometer on it struck four times, accelerometer at its top, motors off. Made by the models.",
        fingerprint,
    );
    meta.values.insert("mast".to_owned(), super::hand(1.0, 0.0, "1"));
    Some(with_channels(meta, time, BTreeMap::from([("accel.x".to_owned(), values)]), RATE))
}

/// Normal numbers that are the same everywhere: splitmix64 (Steele, Lea, Flood 2014) and Box and Muller.
pub(super) struct Noise(pub(super) u64);

impl Noise {
    pub(super) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

pub(super) fn normal(random: &mut Noise) -> f64 {
    let (a, b) = (random.uniform().max(1e-300), random.uniform());
    (-2.0 * a.ln()).sqrt() * (TAU * b).cos()
}

fn with_channels(
    mut meta: RecordMeta,
    time: Vec<f64>,
    channels: BTreeMap<String, Vec<f64>>,
    rate: f64,
) -> Record {
    meta.rate = rate;
    meta.report.rows = time.len() as u64;
    meta.channels = channels
        .keys()
        .map(|name| ChannelMeta {
            name: name.clone(),
            unit: unit_of(name).to_owned(),
            column: "bench model".to_owned(),
            tap: Some(tap_of(name)),
            stamp: Some(Stamp::Sampled),
        })
        .collect();
    Record { meta, time, channels }
}

/// Five seconds at rest, then the command in steps up to 95 % and down again, on a restrained rig.
fn run_up(
    aircraft: &Aircraft,
    site: &Site,
    fingerprint: &BTreeMap<String, String>,
    random: &mut Noise,
) -> Option<Record> {
    const RATE: f64 = 100.0;
    let air = SiteAir::of(site).usual;
    let earth = site.earth_on(DATE)?;
    let at = aircraft.magnetic.magnetometer?;
    // What the leads really do: a little more than computed, and turned, since they do not lie where drawn.
    let computed = aircraft.magnetic.per_ampere(&at);
    let real = computed * 1.06 + Vec3::new(computed.y, -computed.x, 0.0) * 0.08;
    let heading = 0.7_f64;
    let field = Vec3::new(earth.horizontal * heading.cos(), -earth.horizontal * heading.sin(), earth.down);
    let mass: f64 = aircraft.bodies.iter().map(|b| b.mass).sum();
    let mut time = Vec::new();
    let mut channels: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut put = |name: &str, v: f64| channels.entry(name.to_owned()).or_default().push(v);
    let steps = [0.0, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 0.8, 0.65, 0.5, 0.35, 0.2, 0.0];
    let mut phase = 0.0;
    let mut k = 0_u32;
    for command in steps {
        let (current, voltage, speed) =
            match powertrain::point_at_command(aircraft, command, 0.9, air.density) {
                Ok(p) => {
                    let n = p.rotors.len().max(1) as f64;
                    (p.battery_current, p.bus_voltage, p.rotors.iter().map(|r| r.speed).sum::<f64>() / n)
                }
                Err(_) => continue,
            };
        let shake = aircraft.rotor.unbalance * speed * speed / mass.max(1e-6)
            * (aircraft.stations.len() as f64).sqrt();
        for _ in 0..(3.0 * RATE) as u32 {
            let drawn = (current + 0.15 * normal(random)).max(0.0);
            let b = field + real * current;
            for (axis, v) in ["x", "y", "z"].into_iter().zip([b.x, b.y, b.z]) {
                // A magnetometer of 0.1 uT resolution with about 0.2 uT of noise.
                let noisy = v + 0.2e-6 * normal(random);
                put(&format!("mag.{axis}"), (noisy / 0.1e-6).round() * 0.1e-6);
            }
            phase += speed / RATE;
            let turning: f64 = phase % TAU;
            put("accel_raw.x", shake * turning.cos() + 0.2 * normal(random));
            put("accel_raw.y", shake * turning.sin() + 0.2 * normal(random));
            put(
                "accel_raw.z",
                -STANDARD_GRAVITY + 0.3 * shake * (2.0 * turning).cos() + 0.2 * normal(random),
            );
            put("battery.current", (drawn / 0.05).round() * 0.05);
            put("battery.voltage", voltage + 0.01 * normal(random));
            time.push(f64::from(k) / RATE);
            k += 1;
        }
    }
    let meta = meta(
        "2026-03-03-run-up",
        Kind::Magnetic,
        DATE,
        "Restrained on the rig out of doors, sampler off; command in steps up to 95 % and down. Made by the models.",
        fingerprint,
    );
    Some(with_channels(meta, time, channels, RATE))
}

/// A minute each with everything off, with the radio, with motors and radio.
fn reception(site: &Site, fingerprint: &BTreeMap<String, String>, random: &mut Noise) -> Record {
    const RATE: f64 = 5.0;
    let air = SiteAir::of(site).usual;
    let mut time = Vec::new();
    let mut channels: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut put = |name: &str, v: f64| channels.entry(name.to_owned()).or_default().push(v);
    let (mut slow, mut weather) = (0.0, 0.0);
    for k in 0..(180.0 * RATE) as u32 {
        let t = f64::from(k) / RATE;
        let (radio, motors) = (t >= 60.0, t >= 120.0);
        // Satellites come and go: a slow wander beside the receiver's own noise.
        slow = 0.98 * slow + 0.06 * normal(random);
        weather = 0.999 * weather + 0.05 * normal(random);
        let lost = if radio { 0.5 } else { 0.0 } + if motors { 0.9 } else { 0.0 };
        put("satellite.signal", 43.2 - lost + slow + 0.4 * normal(random));
        put("pressure", air.pressure + weather + if motors { 5.5 } else { 0.0 } + 1.5 * normal(random));
        put(
            "battery.current",
            if motors { 38.0 + 0.5 * normal(random) } else { 0.6 + 0.02 * normal(random) },
        );
        put("radio.on", f64::from(u8::from(radio)));
        time.push(t);
    }
    let meta = meta(
        "2026-03-03-reception",
        Kind::Reception,
        DATE,
        "Restrained on the rig under open sky, sampler off: all off, radio on, motors and radio on. Made by the models.",
        fingerprint,
    );
    with_channels(meta, time, channels, RATE)
}
