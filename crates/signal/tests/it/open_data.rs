//! Plants fitted to open measured data, against what their authors publish.
//!
//! The data are not part of the project: ROTORWRIGHT_REALDATA names their folder, else it is looked for beside the
//! workspace. Where it is missing the tests say that they skip.

use std::path::{Path, PathBuf};

use signal::drive::levels::{Columns, points};
use signal::drive::sweep::{Load, coefficient};
use signal::response::model::{Parameter, Plant};
use signal::response::{Stretch, fit, spectra};

fn file(set: &str, name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("ROTORWRIGHT_REALDATA")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/realdata"), PathBuf::from)
        .join(set)
        .join(name);
    if path.is_file() {
        return Some(path);
    }
    println!("SKIPPED: real data not found ({})", path.display());
    eprintln!("SKIPPED: real data not found ({})", path.display());
    None
}

/// Numbers of a text table with separators of any kind; lines without numbers are left out.
fn rows(path: &Path) -> Vec<Vec<f64>> {
    std::fs::read_to_string(path)
        .unwrap()
        .lines()
        .map(|l| {
            l.split([',', ' ', '\t'])
                .filter(|w| !w.is_empty())
                .map_while(|w| w.parse().ok())
                .collect::<Vec<f64>>()
        })
        .filter(|r| !r.is_empty())
        .collect()
}

/// Command to rotor speed of four motors in flight: plain least-squares fits give a lag of 30 to 35 ms, a delay of one
/// sample (10 ms) and 21 to 24 rpm per microsecond (reference fits on the Blackbird data set, Antonini et al., ISER 2018).
#[test]
fn val_command_to_speed_in_flight() {
    let set = "bench_command_speed_100hz";
    let (Some(command), Some(speed)) = (
        file(set, "ampersand_yawConstant_maxSpeed3p0_pwm.txt"),
        file(set, "ampersand_yawConstant_maxSpeed3p0_rpm.txt"),
    ) else {
        return;
    };
    let (u, y) = (rows(&command), rows(&speed));
    assert!((u[0][0] - y[0][0]).abs() < 1e-3, "both start together");
    let n = y.len().min(u.len());
    let range = 1500..n - 1500;
    for motor in 1..=4 {
        let column = |v: &[Vec<f64>]| -> Vec<f64> { v[range.clone()].iter().map(|r| r[motor]).collect() };
        let (u, y) = (column(&u), column(&y));
        let stretch = [Stretch { reference: &u, input: &u, output: &y }];
        let options = spectra::Options { rate: 100.0, low: 0.3, high: 12.0, taper: 0.5 };
        let bins = spectra::bins(&stretch, &options).unwrap();
        let start = Plant { gain: 700.0, delay: 0.01, lag: 0.0, zero: 0.0, damping: 30.0 };
        let free = [Parameter::Gain, Parameter::Delay, Parameter::Damping];
        let found = fit::fit(&bins, &start, &free, &[]).unwrap();
        let lag = 1e3 / found.plant.damping;
        let delay = 1e3 * found.plant.delay;
        let slope = found.plant.gain / found.plant.damping;
        println!(
            "VALIDATION|identify|motor {motor}: lag, ms|fits on the Blackbird data set (Antonini et al. 2018)|32.5|{lag:.2}|5 absolute"
        );
        println!(
            "VALIDATION|identify|motor {motor}: delay, ms|fits on the Blackbird data set (Antonini et al. 2018)|10|{delay:.2}|5 absolute"
        );
        println!(
            "VALIDATION|identify|motor {motor}: speed per command, rpm/us|fits on the Blackbird data set (Antonini et al. 2018)|22.5|{slope:.2}|2.5 absolute"
        );
        assert!(
            (lag - 32.5).abs() <= 5.0 && (delay - 10.0).abs() <= 5.0 && (slope - 22.5).abs() <= 2.5,
            "{found:?}"
        );
    }
}

/// Attitude of a rig under a binary sequence in open loop: the published discrete model (Russo and Savaia, Politecnico di
/// Milano 2015) leaves 38.85 % of the signal and has a delay of 2 to 3 samples. A plant of gain, lag, dead time and damping,
/// fitted in the band where the input speaks, must follow the measured response there at least as well as that model does.
#[test]
fn val_rig_attitude() {
    for experiment in [1, 3] {
        let Some(path) = file("rig_attitude_prbs", &format!("exp{experiment}_openloop_prbs_converted.csv"))
        else {
            return;
        };
        let all = rows(&path);
        let u: Vec<f64> = all.iter().map(|r| r[0]).collect();
        let y: Vec<f64> = all.iter().map(|r| r[1]).collect();
        let stretch = [Stretch { reference: &u, input: &u, output: &y }];
        // The sample time that is stated is doubtful: one unit of time is one sample here.
        let points =
            signal::response::composite::response(&stretch, 1.0, &[64.0, 128.0, 256.0], 0.025, 0.19, 24)
                .unwrap();
        // A = 1 - 2.6222 z^-1 + 2.2976 z^-2 - 0.67315 z^-3, B = 0.11213 z^-2 - 0.10996 z^-3.
        let published = |f: f64| {
            let z = signal::spectrum::Complex64::from_polar(1.0, -std::f64::consts::TAU * f);
            (z * z * 0.11213 - z * z * z * 0.10996)
                / (signal::spectrum::Complex64::new(1.0, 0.0) - z * 2.6222 + z * z * 2.2976
                    - z * z * z * 0.67315)
        };
        let options = spectra::Options { rate: 1.0, low: 0.02, high: 0.2, taper: 5.0 };
        let bins = spectra::bins(&stretch, &options).unwrap();
        let misfit = |g: &dyn Fn(f64) -> signal::spectrum::Complex64| -> f64 {
            let used: Vec<_> = points
                .iter()
                .filter(|p| p.direct_coherence > 0.6)
                .map(|p| (p.joint, p.direct_coherence, g(p.frequency)))
                .collect();
            signal::response::misfit::cost(&used)
        };
        let start = Plant { gain: 0.4, delay: 2.0, lag: 0.0, zero: 0.0, damping: 0.1 };
        let free = [Parameter::Gain, Parameter::Damping];
        // Dead time by search: whole and half samples.
        let best = (0..=12)
            .filter_map(|k| {
                let delay = 0.5 * f64::from(k);
                let found = fit::fit(&bins, &Plant { delay, ..start }, &free, &[]).ok()?;
                Some((misfit(&|f| found.plant.at(std::f64::consts::TAU * f)), delay))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap();
        let theirs = misfit(&published);
        println!(
            "VALIDATION|identify|rig, experiment {experiment}: misfit of the fitted plant over that of the published model|Russo and Savaia 2015|1|{:.3}|at most",
            best.0 / theirs
        );
        println!(
            "VALIDATION|identify|rig, experiment {experiment}: delay, samples|Russo and Savaia 2015: 2 to 3|2.5|{}|1.5 absolute",
            best.1
        );
        assert!(best.0 <= theirs, "{} {theirs}", best.0);
        assert!((best.1 - 2.5).abs() <= 1.5, "{}", best.1);
    }
}

/// Three open sweeps of one seven-inch propeller, four to one in speed, telemetry with gaps, a load cell that follows
/// slowly: the coefficient is that of the levels within a tenth of the reference speed, within the stated interval.
#[test]
fn val_seven_inch_sweeps_stand_on_their_levels() {
    for name in ["2019-11-05_171350", "2019-11-07_175456", "2019-11-09_181347"] {
        let Some(path) = file("bench_motor_7in", &format!("Log_{name}.csv")) else { return };
        let mut columns: [Vec<f64>; 4] = Default::default();
        let mut reader = csv::ReaderBuilder::new().flexible(true).from_path(path).unwrap();
        for row in reader.records().map(Result::unwrap) {
            for (list, k) in columns.iter_mut().zip([0, 8, 9, 12]) {
                list.push(row.get(k).and_then(|v| v.parse().ok()).unwrap_or(f64::NAN));
            }
        }
        let [time, torque, thrust, speed] = columns;
        let thrust: Vec<f64> = thrust.iter().map(|g| g * 9.80665e-3).collect();
        let speed: Vec<f64> = speed.iter().map(|rpm| rpm * std::f64::consts::PI / 30.0).collect();
        let list = points(&Columns {
            time: &time,
            speed: Some(&speed),
            thrust: Some(&thrust),
            torque: Some(&torque),
            ..Columns::default()
        });
        for (load, what) in [(Load::Thrust, "thrust"), (Load::Torque, "torque")] {
            let found = coefficient(&list, load, None).unwrap();
            let zero = found.zero.unwrap();
            let mut near: Vec<f64> = list
                .iter()
                .filter_map(|p| {
                    let y = if load == Load::Thrust { p.thrust? } else { p.torque? };
                    Some((p.speed?.value, y)).filter(|l| p.steady && l.1.steady)
                })
                .filter(|(w, _)| (w / found.reference - 1.0).abs() < 0.1)
                .map(|(w, y)| (y.value.abs() - zero.value) / (w * w))
                .collect();
            near.sort_by(f64::total_cmp);
            let middle = signal::robust::median(&near).unwrap();
            let (off, half) = (found.value.value / middle - 1.0, 1.96 * found.value.uncertainty / middle);
            println!(
                "VALIDATION|drive sweeps|seven-inch propeller, {name}: {what} coefficient over the median of the levels within 10 % of {:.0} rad/s, less one, against its own interval|open stand logs, alspitz/esc_test|{half:.4}|{:.4}|at most",
                found.reference,
                off.abs()
            );
            assert!(off.abs() <= half && half < 0.06, "{name} {what}: {off} of {half}");
        }
    }
}
