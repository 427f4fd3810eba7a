//! The gyro's noise as the filters see it, and what of it arrives at the motors: by source and by band.

use std::f64::consts::TAU;

use nalgebra::Complex;
use physics::aircraft::Aircraft;
use physics::control;
use physics::loops::filter_search::{self, NoiseLine};
use physics::loops::noise;
use physics::mass::mass_properties;
use physics::powertrain::{BatteryModel, MotorModel};
use signal::peaks;

use super::percent;
use crate::chart::{Shown, Table};
use crate::findings::{Findings, Source, SourceKind, Spectrum};

/// A tracking notch and its line wander by so much in a steady hover, as a fraction (common practice, no source).
const WANDER: f64 = 0.03;
/// State of charge at which a volt of the bus is counted.
const CHARGE: f64 = 0.5;
/// Most lines of the ledger by source.
const MOST_ROWS: usize = 12;

/// One line of an axis.
pub(super) struct Line {
    /// As the filter search takes it.
    pub noise: NoiseLine,
    /// Kind of its source; none where no source covers it.
    pub kind: Option<SourceKind>,
    /// R.m.s. at the command through today's filters.
    pub at_command: f64,
}

impl Line {
    /// Middle of its band, Hz.
    pub(super) fn middle(&self) -> f64 {
        0.5 * (self.noise.band.0 + self.noise.band.1)
    }
}

/// The noise of one axis and its way to the motors.
pub(super) struct Axis {
    /// 0 roll, 1 pitch, 2 yaw.
    pub axis: usize,
    frequency: Vec<f64>,
    /// Density without the lines, (rad/s)^2/Hz.
    broad_density: Vec<f64>,
    pub lines: Vec<Line>,
    /// Motor command per demanded angular acceleration, s^2/rad.
    pub command: f64,
    /// Gyro to demanded angular acceleration.
    transfer: Box<dyn Fn(f64) -> Complex<f64>>,
    /// R.m.s. of the broad part at the command.
    pub broad: f64,
    /// Relative random errors of the mean squares of a line and of the broad part.
    pub line_error: f64,
    pub broad_error: f64,
}

impl Axis {
    pub(super) fn name(&self) -> &'static str {
        ["roll", "pitch", "yaw"].get(self.axis).copied().unwrap_or("")
    }

    /// Density of the broad part. Above what the record shows it stays at the mean level of the last third.
    pub(super) fn density(&self, f: f64) -> f64 {
        let k = self.frequency.partition_point(|v| *v < f);
        match self.broad_density.get(k) {
            Some(v) => *v,
            None => {
                let tail = &self.broad_density[self.broad_density.len() * 2 / 3..];
                tail.iter().sum::<f64>() / tail.len().max(1) as f64
            }
        }
    }

    /// Middle level of the broad part in the upper half of what the record shows, (rad/s)^2/Hz.
    pub(super) fn high_level(&self) -> f64 {
        let upper = &self.broad_density[self.broad_density.len() / 2..];
        signal::robust::median(upper).unwrap_or(0.0)
    }

    /// Highest frequency that the record shows, Hz.
    pub(super) fn seen_to(&self) -> f64 {
        self.frequency.last().copied().unwrap_or(0.0)
    }

    /// Mean square at the command of a line of this mean square, (rad/s)^2, at this frequency, Hz.
    pub(super) fn of_line(&self, power: f64, frequency: f64) -> f64 {
        power * (self.transfer)(TAU * frequency).norm_sqr() * self.command * self.command
    }

    /// R.m.s. at the command of a density over a band.
    pub(super) fn of_density(&self, density: &dyn Fn(f64) -> f64, band: (f64, f64)) -> f64 {
        noise::rms(&self.transfer, density, band.0, band.1) * self.command
    }

    /// Mean square of all of it at the command.
    pub(super) fn square(&self) -> f64 {
        self.broad * self.broad + self.lines.iter().map(|l| l.at_command * l.at_command).sum::<f64>()
    }

    pub(super) fn noise_lines(&self) -> Vec<NoiseLine> {
        self.lines.iter().map(|l| l.noise.clone()).collect()
    }
}

/// What one newton more on a rotor asks of the command in hover, 1/N: the voltage that the motor needs at a speed,
/// over the bus voltage of hover and the slope of thrust. Without payload, at half charge.
fn command_per_newton(bare: &Aircraft, density: f64) -> Option<f64> {
    let motor = MotorModel::new(bare).ok()?;
    let battery = BatteryModel::new(bare).ok()?;
    let n = bare.stations.len().max(1) as f64;
    let thrust = mass_properties(&bare.bodies).mass * physics::STANDARD_GRAVITY / n;
    let speed = bare.rotor.speed_for_thrust(thrust, 0.0, density)?;
    let torque = |w: f64| bare.rotor.torque(w, 0.0, density);
    let needed = |w: f64| motor.voltage_for_torque(torque(w), w);
    let current = motor.current_for_torque(torque(speed), speed);
    let open = battery.open_circuit(CHARGE);
    let mut bus = open;
    for _ in 0..30 {
        let drawn = n * needed(speed) / bus * current + bare.avionics_power / bus;
        bus = open - battery.ohmic_resistance() * drawn;
        if !(bus > 0.3 * open) {
            return None;
        }
    }
    let h = 1e-4 * speed;
    let slope = |f: &dyn Fn(f64) -> f64| (f(speed + h) - f(speed - h)) / (2.0 * h);
    let per_newton = slope(&needed) / (bus * slope(&|w| bare.rotor.thrust(w, 0.0, density)));
    (per_newton.is_finite() && per_newton > 0.0).then_some(per_newton)
}

/// Motor command per demanded angular acceleration by axis, s^2/rad: the most of any rotor.
pub(super) fn command_factors(a: &Aircraft, density: f64) -> Option<[f64; 3]> {
    let bare = a.without_payload();
    let mass = mass_properties(&bare.bodies);
    let per_newton = command_per_newton(&bare, density)?;
    let thrust = mass.mass * physics::STANDARD_GRAVITY / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(thrust, 0.0, density)?;
    let reaction = a.rotor.torque_per_thrust(speed, density);
    let mixer = control::mixer(&control::effectiveness(&bare, &mass.centre, reaction)).ok()?;
    let factor = |axis: usize| {
        let most = (0..mixer.nrows()).map(|r| mixer[(r, axis + 1)].abs()).fold(0.0, f64::max);
        mass.inertia[(axis, axis)] * most * per_newton
    };
    let out = [factor(0), factor(1), factor(2)];
    out.iter().all(|v| v.is_finite() && *v > 0.0).then_some(out)
}

/// All axes whose raw gyro has a spectrum. `rate` is the gyro's own sample rate, Hz, and `band` what counts, Hz.
pub(super) fn axes(
    a: &Aircraft,
    findings: &Findings,
    factors: &[f64; 3],
    rate: f64,
    band: (f64, f64),
) -> Vec<Axis> {
    ["x", "y", "z"]
        .iter()
        .zip(factors)
        .enumerate()
        .filter_map(|(axis, (letter, command))| {
            let s = findings.spectra.iter().find(|s| s.channel == format!("rate_raw.{letter}"))?;
            one(a, s, &findings.sources, axis, *command, rate, band)
        })
        .collect()
}

fn one(
    a: &Aircraft,
    spectrum: &Spectrum,
    sources: &[Source],
    axis: usize,
    command: f64,
    rate: f64,
    band: (f64, f64),
) -> Option<Axis> {
    let resolution = spectrum.frequency.get(1).copied().unwrap_or(1.0);
    let floor = peaks::floor(&spectrum.density, 24);
    let transfer = Box::new(noise::gyro_to_command(a, axis).ok()?);
    let mut out = Axis {
        axis,
        frequency: spectrum.frequency.clone(),
        broad_density: spectrum.density.clone(),
        lines: Vec::new(),
        command,
        transfer,
        broad: 0.0,
        line_error: spectrum.averages.max(1.0).sqrt().recip(),
        broad_error: 0.0,
    };
    let seen_to = out.seen_to();
    for p in spectrum.peaks.iter().filter(|p| p.frequency > band.0) {
        let source = sources.iter().find(|s| s.name == p.attribution);
        // The peak's own bins fall to the floor around it.
        let reach = (6.0 * resolution).max(0.04 * p.frequency);
        for ((f, v), base) in spectrum.frequency.iter().zip(&mut out.broad_density).zip(&floor) {
            if (f - p.frequency).abs() <= reach {
                *v = v.min(*base);
            }
        }
        // A line that only the logging folds passes the gyro's filters at its true frequency.
        let true_at = source
            .and_then(|s| s.true_frequency)
            .filter(|f| rate > 2.2 * seen_to && *f < 0.5 * rate)
            .unwrap_or(p.frequency);
        let folded_in_the_log = (true_at - p.frequency).abs() > 1e-9;
        let label = if folded_in_the_log {
            format!("{true_at:.0} Hz (logged folded, at {:.0} Hz), {}", p.frequency, p.attribution)
        } else {
            format!("{:.0} Hz, {}", p.frequency, p.attribution)
        };
        let power = p.rms * p.rms;
        let at_command = out.of_line(power, true_at).sqrt();
        out.lines.push(Line {
            noise: NoiseLine {
                name: label,
                band: (true_at * (1.0 - WANDER), true_at * (1.0 + WANDER)),
                power,
                order: source
                    .filter(|s| (!s.folded || folded_in_the_log) && s.kind != SourceKind::CannotTell)
                    .and_then(|s| s.order),
            },
            kind: source.map(|s| s.kind),
            at_command,
        });
    }
    out.broad = out.of_density(&|f| out.density(f), band);
    // Bins of a Hann window hold two thirds of an independent value each.
    let bins = ((band.1.min(seen_to) - band.0) / resolution / 1.5).max(1.0);
    out.broad_error = out.line_error / bins.sqrt();
    Some(out)
}

/// Copper loss of a command noise in each motor, W, with what it is computed from; none without motor or battery.
fn copper(a: &Aircraft) -> Option<(f64, f64)> {
    let motor = MotorModel::new(a).ok()?;
    let battery = BatteryModel::new(a).ok()?;
    Some((battery.open_circuit(CHARGE), motor.path_resistance()))
}

/// The ledger at the command by source, and the same by band.
pub(super) fn tables(
    a: &Aircraft,
    axes: &[Axis],
    findings: &Findings,
    record: &str,
    band: (f64, f64),
    out: &mut Shown,
) {
    by_source(a, axes, record, band, out);
    by_band(a, axes, findings, record, band, out);
}

fn share(part: f64, total: f64) -> String {
    format!("{:.1} %", 100.0 * part / total.max(1e-300))
}

fn by_source(a: &Aircraft, axes: &[Axis], record: &str, band: (f64, f64), out: &mut Shown) {
    let total: f64 = axes.iter().map(Axis::square).sum();
    let mut rows: Vec<(String, f64)> = Vec::new();
    for n in axes {
        rows.push((format!("{}: broad noise", n.name()), n.broad * n.broad));
        for l in &n.lines {
            rows.push((format!("{}: {}", n.name(), l.noise.name), l.at_command * l.at_command));
        }
    }
    rows.sort_by(|x, y| y.1.total_cmp(&x.1));
    let small: f64 = rows.iter().skip(MOST_ROWS).map(|r| r.1).sum();
    rows.truncate(MOST_ROWS);
    if small > 0.0 {
        rows.push(("smaller ones together".to_owned(), small));
    }
    let mut table: Vec<Vec<String>> =
        rows.iter().map(|(name, p)| vec![name.clone(), percent(p.sqrt()), share(*p, total)]).collect();
    table.push(vec!["sum".to_owned(), percent(total.sqrt()), "100.0 %".to_owned()]);
    let loss = copper(a).map_or_else(String::new, |(voltage, resistance)| {
        format!(
            " On a winding of {:.0} mohm at {voltage:.1} V it makes at most {} of copper loss in each motor.",
            1e3 * resistance,
            watts(filter_search::copper_loss(total.sqrt(), voltage, resistance))
        )
    });
    let seen_to = axes.iter().map(Axis::seen_to).fold(0.0, f64::max);
    let unseen = if seen_to < 0.98 * band.1 {
        format!(
            " The record shows up to {seen_to:.0} Hz; above, to the gyro's {:.0} Hz, the broad part is continued at its last level and lines are not seen.",
            band.1
        )
    } else {
        String::new()
    };
    out.tables.push(Table {
        id: "command-noise".to_owned(),
        title: "Noise at the motor command, by source".to_owned(),
        head: vec![
            "source".to_owned(),
            "r.m.s. of full command".to_owned(),
            "share of the mean square".to_owned(),
        ],
        rows: table,
        note: format!(
            "Raw gyro of record {record} through today's filters and gains, {:.0} Hz and up. Mean squares add up.{loss}{unseen}",
            band.0
        ),
    });
}

fn watts(w: f64) -> String {
    if w >= 0.1 { format!("{w:.2} W") } else { format!("{:.2} mW", 1e3 * w) }
}

/// Bands that the rotors make: below, around and between 1/rev and blade passage; octaves where the record shows neither.
pub(super) fn bands(sources: &[Source], band: (f64, f64)) -> Vec<(String, f64, f64)> {
    let range = |wanted: &dyn Fn(&Source) -> bool| {
        sources
            .iter()
            .filter(|s| wanted(s) && !s.folded)
            .map(|s| s.seen)
            .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    };
    let once = range(&|s: &Source| s.order == Some(1));
    let passage = range(&|s: &Source| s.kind == SourceKind::BladePassage && s.order.is_some_and(|o| o > 1));
    let mut out: Vec<(String, f64, f64)> = Vec::new();
    let mut from = band.0;
    for (name, below, r) in [
        ("around 1/rev", "below 1/rev", once),
        ("around blade passage", "from there to blade passage", passage),
    ] {
        let Some((low, high)) = r else { continue };
        let (low, high) = (((1.0 - WANDER) * low - 2.0).max(from), ((1.0 + WANDER) * high + 2.0).min(band.1));
        if low > from {
            out.push((below.to_owned(), from, low));
        }
        if high > low {
            out.push((name.to_owned(), low, high));
            from = high;
        }
    }
    if out.is_empty() {
        while from < band.1 {
            let to = (2.0 * from).min(band.1);
            out.push(("octave".to_owned(), from, to));
            from = to;
        }
    } else if from < band.1 {
        out.push(("above".to_owned(), from, band.1));
    }
    out
}

fn by_band(
    a: &Aircraft,
    axes: &[Axis],
    findings: &Findings,
    record: &str,
    band: (f64, f64),
    out: &mut Shown,
) {
    let bands = bands(&findings.sources, band);
    let last = bands.len().saturating_sub(1);
    let mut parts: Vec<(f64, f64)> = Vec::new();
    let loss = |square: f64| {
        copper(a).map_or_else(
            || "-".to_owned(),
            |(voltage, resistance)| watts(filter_search::copper_loss(square.sqrt(), voltage, resistance)),
        )
    };
    for (k, (_, low, high)) in bands.iter().enumerate() {
        let (mut gyro, mut command) = (0.0, 0.0);
        for n in axes {
            let unity = |_: f64| Complex::new(1.0, 0.0);
            gyro += noise::rms(&unity, &|f| n.density(f), *low, *high).powi(2);
            command += n.of_density(&|f| n.density(f), (*low, *high)).powi(2);
            // The last band holds its upper end.
            let inside = |f: f64| f >= *low && (f < *high || k == last);
            for l in n.lines.iter().filter(|l| inside(l.middle())) {
                gyro += l.noise.power;
                command += l.at_command * l.at_command;
            }
        }
        parts.push((gyro, command));
    }
    let (gyro_all, total) = parts.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    let row = |name: &str, low: f64, high: f64, gyro: f64, command: f64| {
        vec![
            name.to_owned(),
            format!("{low:.0} to {high:.0}"),
            format!("{:.3}", gyro.sqrt().to_degrees()),
            percent(command.sqrt()),
            share(command, total),
            loss(command),
        ]
    };
    let mut rows: Vec<Vec<String>> =
        bands.iter().zip(&parts).map(|((name, low, high), (g, c))| row(name, *low, *high, *g, *c)).collect();
    rows.push(row("sum", band.0, band.1, gyro_all, total));
    let beside = match findings.get("vibration.command_noise") {
        Some(item) => match &item.outcome {
            crate::findings::Outcome::Value { estimate } => format!(
                " The commands themselves show {} ± {} on the worst rotor: {}",
                percent(estimate.value),
                percent(estimate.uncertainty),
                item.text
            ),
            _ => " The commands themselves are not seen in this record.".to_owned(),
        },
        None => String::new(),
    };
    out.tables.push(Table {
        id: "command-noise-bands".to_owned(),
        title: "Noise from gyro to motor command, by band".to_owned(),
        head: [
            "band",
            "Hz",
            "raw gyro, deg/s",
            "at the command",
            "share",
            "copper loss",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
        note: format!(
            "Record {record}, each band through the exact response of today's filters and gains and the slope of command over thrust in hover; r.m.s. over three axes, which add in mean square on the rotor that they move most; copper loss in each motor at most.{beside}"
        ),
    });
}
