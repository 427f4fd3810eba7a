use nalgebra::{DMatrix, DVector};
use signal::{derivative, lsq, robust};

use crate::series::{check, pair, table, uniform};

/// numpy.linalg.lstsq with weights.
#[test]
fn val_weighted_least_squares() {
    let want: std::collections::BTreeMap<String, f64> =
        table(include_str!("../../../../reference/signal_least_squares.csv"))
            .iter()
            .map(|r| (r["quantity"].clone(), r["value"].parse().unwrap()))
            .collect();
    let u = uniform(3, 80);
    let x = DMatrix::from_fn(80, 3, |i, j| (i as f64 / 40.0 - 1.0).powi(j as i32));
    let y = &x * DVector::from_vec(vec![2.0, -3.0, 0.5]) + DVector::from_vec(u);
    let w: Vec<f64> = (0..80).map(|k| 1.0 + f64::from(k) / 40.0).collect();
    let f = lsq::fit(&x, &y, Some(&w)).unwrap();
    for j in 0..3 {
        check(
            "signal",
            &format!("weighted least squares: coefficient {j}"),
            "numpy.linalg.lstsq",
            want[&format!("b{j}")],
            f.value(j),
            1e-12,
        );
    }
    for i in 0..3 {
        for j in i..3 {
            check(
                "signal",
                &format!("weighted least squares: covariance {i}{j}"),
                "numpy.linalg",
                want[&format!("c{i}{j}")],
                f.covariance[(i, j)],
                1e-14,
            );
        }
    }
    check(
        "signal",
        "weighted least squares: residual variance",
        "numpy.linalg.lstsq",
        want["s2"],
        f.variance,
        1e-13,
    );
}

/// JCGM 100:2008, H.3: calibration of a thermometer, straight line by least squares. Data and
/// results as printed there, quoted from memory: readings t_k and corrections b_k, reference 20 degC.
#[test]
fn val_gum_h3() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let d: Vec<f64> = t.iter().map(|v| v - 20.0).collect();
    let (f, _) = lsq::fit_columns(&[&d], &b, true).unwrap();
    let source = "JCGM 100:2008 H.3 (from memory)";
    check("signal", "thermometer: intercept, degC", source, -0.1712, f.value(1), 5e-5);
    check("signal", "thermometer: its uncertainty, degC", source, 0.0029, f.error(1), 5e-5);
    check("signal", "thermometer: slope", source, 0.002_18, f.value(0), 5e-6);
    check("signal", "thermometer: its uncertainty", source, 0.000_67, f.error(0), 5e-6);
    let r = f.covariance[(0, 1)] / (f.error(0) * f.error(1));
    check("signal", "thermometer: correlation", source, -0.930, r, 5e-4);
}

/// Residuals that follow a first-order process: the plain error is too small by
/// sqrt((1 + a)/(1 - a)) for a mean; the correlated one is not.
#[test]
fn val_correlated_errors() {
    let a: f64 = 0.9;
    let n = 4000;
    let (mut plain, mut allowed, mut mean_errors, mut means) = (0.0, 0.0, 0.0, Vec::new());
    let runs = 200;
    for seed in 0..runs {
        let u = uniform(1000 + seed, n);
        let mut s = 0.0;
        let y: Vec<f64> = u
            .iter()
            .map(|v| {
                s = a * s + v;
                s
            })
            .collect();
        let (f, x) = lsq::fit_columns(&[], &y, true).unwrap();
        plain += f.error(0) / runs as f64;
        allowed += f.correlated(&x, None).error(0) / runs as f64;
        let m = robust::mean_error(&y).unwrap();
        mean_errors += m.error / runs as f64;
        means.push(m.mean);
    }
    // Spread of the mean: sigma_u/(1 - a)/sqrt(n).
    let truth = (1.0_f64 / 12.0).sqrt() / (1.0 - a) / (n as f64).sqrt();
    let spread = robust::variance(&means).unwrap().sqrt();
    check(
        "signal",
        "first-order process: spread of means over theory",
        "closed form",
        1.0,
        spread / truth,
        0.15,
    );
    check(
        "signal",
        "first-order process: stated error of the mean over theory",
        "closed form",
        1.0,
        mean_errors / truth,
        0.1,
    );
    check(
        "signal",
        "first-order process: Newey-West error over theory",
        "closed form",
        1.0,
        allowed / truth,
        0.2,
    );
    check(
        "signal",
        "first-order process: plain error over theory",
        "sqrt((1-a)/(1+a))",
        (0.1_f64 / 1.9).sqrt(),
        plain / truth,
        0.02,
    );
}

/// scipy.signal.savgol_filter(mode = "interp").
#[test]
fn val_sliding_polynomial() {
    let (x, _) = pair(200);
    let mut worst: f64 = 0.0;
    let rows = table(include_str!("../../../../reference/signal_smoothing.csv"));
    for r in &rows {
        let get = |c: &str| r[c].parse::<usize>().unwrap();
        let period: f64 = r["period"].parse().unwrap();
        let want: f64 = r["value"].parse().unwrap();
        let y =
            derivative::savitzky_golay(&x, period, get("half"), get("degree"), get("derivative")).unwrap();
        worst = worst.max((y[get("index")] - want).abs() / want.abs().max(1.0));
    }
    assert_eq!(rows.len(), 32);
    check(
        "signal",
        "sliding polynomial, largest relative difference",
        "scipy 1.17.1 savgol_filter",
        0.0,
        worst,
        1e-10,
    );
}

#[test]
fn regress_bad_input_is_an_error() {
    let x = DMatrix::from_fn(10, 2, |i, j| (i * (j + 1)) as f64);
    let y = DVector::from_element(10, 1.0);
    assert!(matches!(lsq::fit(&x, &y, None), Err(signal::SignalError::Singular { rank: 1, columns: 2 })));
    assert!(lsq::fit(&x, &DVector::from_element(9, 1.0), None).is_err());
    assert!(lsq::fit(&x, &DVector::from_element(10, f64::NAN), None).is_err());
    assert!(robust::median(&[]).is_none() && robust::mean_error(&[1.0]).is_none());
}
