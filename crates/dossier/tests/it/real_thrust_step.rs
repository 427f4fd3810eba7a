//! Thrust steps, a ramp and a falling weight of one open set whose command stands in no file: the channel map states it.

use std::collections::BTreeMap;
use std::path::Path;

use dossier::findings::Outcome;
use dossier::import::ChannelMap;
use dossier::record::{HandValue, Kind};

use crate::real_bench::{row, seen, seen_with, value};
use crate::realdata::data;

const SOURCE: &str = "open bench set, peterkrull/quad; its authors' own figures";

/// Lag 50 ms published, one round figure for all. Rows are 20 ms apart. A plain first-order fit of scipy (curve_fit:
/// two levels, start, lag of thrust) gives 44.6, 37.5 and 37.5 ms.
#[test]
fn val_thrust_steps_with_a_stated_command() {
    let Some(folder) = data("bench_thrust_step_50hz") else { return };
    for (size, plain) in [("0500", 0.0446), ("1200", 0.0375), ("1500", 0.0375)] {
        let map = format!("thrust_step/step-{}.toml", size.trim_start_matches('0'));
        let f = seen(&[folder.join(format!("{size}_thrust_response.csv"))], &map, Kind::Step, &[]);
        let (lag, error) = value(&f, "step.lag_up");
        println!("{size}: {lag} +- {error}; {:?}", f.get("step.lag_down").unwrap().outcome);
        row(
            &format!("thrust step 100 to {size}: lag upward, ms (published 50)"),
            SOURCE,
            "50",
            &format!("{:.1}", 1e3 * lag),
            "12 absolute",
        );
        assert!((lag - 0.05).abs() < 0.012, "{size}: {lag}");
        assert!((lag - plain).abs() < 1.96 * error, "{size}: {lag} {error} {plain}");
        // A command whose moments nobody logged has no dead time.
        let dead = &f.get("step.dead_time").unwrap().outcome;
        assert!(
            matches!(dead, Outcome::CannotTell { missing, .. } if missing.contains("stated")),
            "{dead:?}"
        );
    }
}

/// Slope 4.436e-3 N per count published; a straight line through the rows from 600 counts up gives it.
#[test]
fn val_ramp_with_a_stated_command() {
    let Some(folder) = data("bench_thrust_step_50hz") else { return };
    let f = seen(&[folder.join("increasing_thrust_response.csv")], "thrust_step/ramp.toml", Kind::Sweep, &[]);
    let curve = f.charts.iter().find(|c| c.id == "sweep-curve").unwrap();
    let fitted = curve.series.iter().find(|s| s.name == "fitted").unwrap();
    let at = |counts: f64| {
        let x = 100.0 * counts / 2047.0;
        let k = fitted.x.iter().position(|v| *v >= x - 1e-9).unwrap().max(1);
        let (x0, x1) = (fitted.x[k - 1], fitted.x[k]);
        fitted.y[k - 1] + (fitted.y[k] - fitted.y[k - 1]) * (x - x0) / (x1 - x0)
    };
    // Our curve is a parabola through all rows, theirs a line through the upper ones, where thrust goes straight: over
    // the same rows the line has 4.43e-3, the parabola 4.34e-3.
    let slope = (at(1800.0) - at(600.0)) / 1200.0;
    println!("slope {slope:e} N per count; {:?}", f.get("sweep.slope"));
    row(
        "ramp: thrust slope from 600 to 1,800 counts, N per count",
        SOURCE,
        "4.436e-3",
        &format!("{slope:.4e}"),
        "3 %",
    );
    assert!((slope / 4.436e-3 - 1.0).abs() < 0.03, "{slope:e}");
    // What a record of command and thrust alone cannot tell is said.
    for column in ["battery.voltage", "rotor.1.current", "rotor.1.speed", "rotor.1.torque"] {
        assert!(
            f.cannot_answer.iter().any(|t| t.contains(&format!("Without {column} "))),
            "{column}: {:?}",
            f.cannot_answer
        );
    }
    assert!(matches!(f.get("sweep.kv").unwrap().outcome, Outcome::CannotTell { .. }));
}

/// Moment of inertia 1.2e-3 kg m^2 published, from 26 g on a radius of 17.5 mm. The whole film taken as one even
/// acceleration gives 1.39e-3, its first half second 1.22e-3: the body is braked as it gets faster.
#[test]
fn val_inertia_by_a_falling_weight() {
    let Some(folder) = data("bench_thrust_step_50hz") else { return };
    let hand = |v: f64, u: f64, unit: &str| HandValue { value: v, uncertainty: u, unit: unit.to_owned() };
    let values = BTreeMap::from([
        ("y.mass".to_owned(), hand(0.026, 0.0005, "kg")),
        ("y.radius".to_owned(), hand(0.0175, 0.0002, "m")),
    ]);
    let files = [folder.join("pitch_inertia_left_point.csv"), folder.join("pitch_inertia_right_point.csv")];
    let (f, _) = seen_with(&files, "thrust_step/fall.toml", Kind::Fall, &[], values);
    let (inertia, error) = value(&f, "fall.y.inertia");
    println!("{inertia:e} +- {error:e}: {}", f.get("fall.y.inertia").unwrap().text);
    row(
        "falling weight: moment of inertia about pitch, kg m^2",
        SOURCE,
        "1.2e-3",
        &format!("{inertia:.4e}"),
        "5 %, and inside the stated interval",
    );
    assert!((inertia / 1.2e-3 - 1.0).abs() < 0.05, "{inertia:e}");
    assert!((inertia - 1.2e-3).abs() < 1.96 * error, "{inertia:e} {error:e}");
    assert!(error < 0.06 * inertia, "{error:e}");
    // Without the drum's radius it says what is missing.
    let (f, _) = seen_with(&files, "thrust_step/fall.toml", Kind::Fall, &[], BTreeMap::new());
    assert!(matches!(f.get("fall.y.inertia").unwrap().outcome, Outcome::CannotTell { .. }));
}

/// A stated channel goes round through its text, holds where it says and nowhere else, and every slip is told by place.
#[test]
fn prop_stated_channels() {
    let map = |channel: &str| {
        let text = format!(
            "[time]\ncolumn = \"t\"\nunit = \"s\"\n[[channel]]\nname = \"rotor.1.command\"\n{channel}\n"
        );
        ChannelMap::parse(Path::new("stand.toml"), &text)
    };
    let steps = map("steps = [[\"1 s\", 0.2], [\"1500 ms\", 0.4]]").unwrap();
    let line = map("line = [[\"1 s\", 0], [\"3 s\", 1]]").unwrap();
    for m in [&steps, &line] {
        let again = ChannelMap::parse(Path::new("stand.toml"), &m.to_toml()).unwrap();
        assert_eq!(again.to_toml(), m.to_toml());
        assert_eq!(again.channels[0].stated, m.channels[0].stated);
    }
    let at = |m: &ChannelMap, t: f64| m.channels[0].stated.as_ref().unwrap().at(t);
    assert!(at(&steps, 0.99).is_nan() && at(&line, 0.99).is_nan() && at(&line, 3.01).is_nan());
    assert_eq!([at(&steps, 1.0), at(&steps, 1.49), at(&steps, 1.5), at(&steps, 99.0)], [0.2, 0.2, 0.4, 0.4]);
    assert_eq!([at(&line, 1.0), at(&line, 1.5), at(&line, 3.0)], [0.0, 0.25, 1.0]);
    for (channel, says) in [
        ("steps = []", "takes a list"),
        ("steps = [[\"1 s\"]]", "not a time and a value"),
        ("steps = [[\"1 kg\", 0.2]]", "not a time"),
        ("steps = [[1, 0.2]]", "not a time"),
        ("line = [[\"1 s\", \"full\"]]", "plain finite number"),
        ("line = [[\"1 s\", 0], [\"1 s\", 1]]", "do not ascend"),
        ("line = [[\"1 s\", 0]]\nsteps = [[\"1 s\", 0]]", "both"),
        ("column = \"c\"\nsteps = [[\"1 s\", 0]]", "has a column"),
        ("steps = [[\"1 s\", 0]]\nstamp = \"logged\"", "no time stamps"),
    ] {
        let told = map(channel).unwrap_err().to_string();
        assert!(told.contains(says) && told.contains("stand.toml"), "{channel}: {told}");
    }
}
