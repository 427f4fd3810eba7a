//! Import: text and Parquet files through channel maps, and the questions that import asks.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use dossier::diagnostic::Diagnostics;
use dossier::import::{self, Answers, ChannelMap, Doubt, Limit, Reading, Request};
use dossier::record::{Kind, Record, RecordOrigin, Tap};
use dossier::record_store;
use nalgebra::{UnitQuaternion, Vector3};
use proptest::prelude::*;

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/import")
}

fn read(data: &str, map: &str) -> Result<Reading, Diagnostics> {
    read_with(data, map, &[])
}

fn read_with(data: &str, map: &str, accept: &[&str]) -> Result<Reading, Diagnostics> {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("log.csv");
    std::fs::write(&file, data).unwrap();
    let accept: Vec<String> = accept.iter().map(|s| (*s).to_owned()).collect();
    import::read_and_check(&[file], Path::new("map.toml"), map, &accept, Limit::default(), &mut |_, _| {})
}

fn near(a: &[f64], b: &[f64], tolerance: f64) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= tolerance || (a.is_nan() && b.is_nan()))
}

const VOLTS: &str = "[time]\ncolumn = \"t\"\nunit = \"ms\"\n[[channel]]\nname = \"battery.voltage\"\ncolumn = \"u\"\nunit = \"V\"\n";

#[test]
fn regress_one_log_in_many_dialects() {
    let expected = [16.25, 16.0, 15.75, 15.5];
    let positions = "[time]\nposition = 1\nunit = \"ms\"\n[[channel]]\nname = \"battery.voltage\"\nposition = 2\nunit = \"V\"\n";
    let cases = [
        ("comma", VOLTS, "t,u\n0,16.25\n10,16.0\n20,15.75\n30,15.5\n"),
        ("byte order mark and CRLF", VOLTS, "\u{feff}t,u\r\n0,16.25\r\n10,16.0\r\n20,15.75\r\n30,15.5\r\n"),
        ("semicolon and decimal comma", VOLTS, "t;u\n0;16,25\n10;16,0\n20;15,75\n30;15,5\n"),
        ("tab", VOLTS, "t\tu\n0\t16.25\n10\t16.0\n20\t15.75\n30\t15.5\n"),
        ("bar", VOLTS, "t|u\n0|16.25\n10|16.0\n20|15.75\n30|15.5\n"),
        ("quoted", VOLTS, "\"t\",\"u\"\n\"0\",\"16.25\"\n\"10\",\"16.0\"\n20,15.75\n30,15.5\n"),
        (
            "comments and blank lines",
            VOLTS,
            "# a note\n\nt,u\n0,16.25\n# pause, 3\n10,16.0\n\n20,15.75\n30,15.5\n\n",
        ),
        ("names in a comment", VOLTS, "# t u\n0 16.25\n10 16.0\n20 15.75\n30 15.5\n"),
        ("no header", positions, "0,16.25\n10,16.0\n20,15.75\n30,15.5\n"),
        ("blanks, no header", positions, "  0   16.25 \n 10   16.0 \n 20   15.75\n 30   15.5\n"),
        ("blanks and decimal comma", positions, "0 16,25\n10 16,0\n20 15,75\n30 15,5\n"),
        ("delimiter at the end of lines", VOLTS, "t,u,\n0,16.25,\n10,16.0,\n20,15.75,\n30,15.5,\n"),
        (
            "a column of words beside",
            VOLTS,
            "t,u,state\n0,16.25,idle\n10,16.0,idle\n20,15.75,up\n30,15.5,up\n",
        ),
        ("line of units", VOLTS, "t,u\nms,V\n0,16.25\n10,16.0\n20,15.75\n30,15.5\n"),
    ];
    for (what, map, data) in cases {
        let map = if what == "line of units" {
            map.replace("\"t\"", "\"t (ms)\"").replace("\"u\"", "\"u (V)\"")
        } else {
            map.to_owned()
        };
        let record = read(data, &map).unwrap_or_else(|e| panic!("{what}: {e}")).record;
        assert!(near(&record.time, &[0.0, 0.01, 0.02, 0.03], 1e-12), "{what}: {:?}", record.time);
        assert!(near(record.channel("battery.voltage").unwrap(), &expected, 0.0), "{what}");
        assert_eq!(record.meta.report.malformed, 0, "{what}");
    }
}

#[test]
fn regress_unsorted_repeated_missing_and_gaps() {
    let data = "t,u\n0,16\n20,15\n10,\n10,14\n20,99\n30,nan\n100,12\n110,11\n";
    let record = read(data, VOLTS).unwrap().record;
    assert!(near(&record.time, &[0.0, 0.01, 0.02, 0.03, 0.1, 0.11], 1e-12));
    // The empty cell of the repeated stamp is filled, the conflicting one keeps its first value.
    assert!(near(record.channel("battery.voltage").unwrap(), &[16.0, 14.0, 15.0, f64::NAN, 12.0, 11.0], 0.0));
    let report = &record.meta.report;
    assert_eq!((report.unsorted, report.duplicates, report.gaps, report.rows), (2, 2, 1, 8));
    assert_eq!(record.meta.rate.round(), 100.0);
}

#[test]
fn regress_wrapping_counter_scales_and_ranges() {
    let map = "[time]\ncolumn = \"n\"\nunit = \"us\"\nwraps_at = 65536\n[command]\nfrom = \"1000 us\"\nto = \"2000 us\"\n\
        [[channel]]\nname = \"rotor.1.command\"\ncolumn = \"a\"\n\
        [[channel]]\nname = \"rotor.2.command\"\ncolumn = \"b\"\nsign = -1\nrange = [\"0\", \"500\"]\n\
        [[channel]]\nname = \"temperature\"\ncolumn = \"c\"\nunit = \"degC\"\n\
        [[channel]]\nname = \"battery.voltage\"\ncolumn = \"d\"\nunit = \"V\"\nfactor = 0.1\n";
    let data =
        "n,a,b,c,d\n64536,1000,-250,20,160\n65036,1500,-500,20,160\n0,2000,0,21,159\n500,1250,-100,21,158\n";
    let record = read(data, map).unwrap().record;
    assert!(near(&record.time, &[0.0, 0.0005, 0.001, 0.0015], 1e-12), "{:?}", record.time);
    assert!(near(record.channel("rotor.1.command").unwrap(), &[0.0, 0.5, 1.0, 0.25], 1e-12));
    assert!(near(record.channel("rotor.2.command").unwrap(), &[0.5, 1.0, 0.0, 0.2], 1e-12));
    assert!(near(record.channel("temperature").unwrap(), &[293.15, 293.15, 294.15, 294.15], 1e-9));
    assert!(near(record.channel("battery.voltage").unwrap(), &[16.0, 16.0, 15.9, 15.8], 1e-12));
}

#[test]
fn regress_second_file_is_interpolated_but_not_across_gaps() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a.csv"), dir.path().join("b.csv"));
    std::fs::write(&a, "t,u\n5.00,16\n5.05,15\n5.10,14\n5.15,13\n5.20,12\n5.25,11\n5.30,10\n").unwrap();
    // Its own clock, in milliseconds and 5 s behind; a pause from 120 to 280.
    std::fs::write(&b, "k i\n0 0\n40 4\n80 8\n120 12\n280 28\n320 32\n").unwrap();
    let map = "[[time]]\ncolumn = \"t\"\nunit = \"s\"\n[[time]]\nfile = 2\ncolumn = \"k\"\nunit = \"ms\"\noffset = \"5 s\"\n\
        [[channel]]\nname = \"battery.voltage\"\ncolumn = \"u\"\nunit = \"V\"\n\
        [[channel]]\nname = \"battery.current\"\nfile = 2\ncolumn = \"i\"\nunit = \"A\"\n";
    let parsed = ChannelMap::parse(Path::new("m"), map).unwrap();
    let files = [a, b];
    let record =
        import::read_with_map(&files, Path::new("m"), &parsed, Limit::default(), &mut |_, _| {}).unwrap();
    let expected = [0.0, 5.0, 10.0, f64::NAN, f64::NAN, f64::NAN, 30.0];
    assert!(near(record.channel("battery.current").unwrap(), &expected, 1e-9), "{:?}", record.channels);
    assert!(record.meta.report.remarks.iter().any(|r| r.contains("not across gaps")));
}

#[test]
fn regress_map_text_goes_round() {
    let map = "[source]\ndelimiter = \";\"\ndecimal = \",\"\nheader = true\ncomment = \"!\"\n\
        [time]\ncolumn = \"t\"\nunit = \"sample\"\nrate = \"200 Hz\"\nstamp = \"logged\"\n\
        [axes]\nfrom = \"front-left-up\"\nearth = \"east-north-up\"\nattitude_is = \"body-from-earth\"\naccel = \"right-front-up\"\n\
        [[channel]]\nname = \"rate.x\"\nposition = 3\nunit = \"deg/s\"\nsign = -1\nfactor = 0.5\noffset = 0.25\ntap = \"raw\"\nstamp = \"sampled\"\n\
        [[channel]]\nname = \"rotor.1.command\"\ncolumn = \"a \\\"b\\\"\"\nrange = [\"1000 us\", \"2000 us\"]\n";
    let parsed = ChannelMap::parse(Path::new("m"), map).unwrap();
    let again = ChannelMap::parse(Path::new("m"), &parsed.to_toml()).unwrap();
    let plain = |mut m: ChannelMap| {
        m.channels.iter_mut().for_each(|c| c.place = (0, 0));
        m.time.iter_mut().for_each(|t| t.place = (0, 0));
        m
    };
    assert_eq!(plain(parsed), plain(again));
}

// ---------------------------------------------------------------------------------------------
// Questions instead of guesses: a flight of our own, its truth planted.

/// Small generator of normal-like noise, the same on every machine.
struct Noise(u64);
impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// One sample of the planted flight, in our axes and SI.
struct Sample {
    t: f64,
    rate: Vector3<f64>,
    q: UnitQuaternion<f64>,
    force: Vector3<f64>,
    command: [f64; 4],
    speed: [f64; 4],
}

const RATE: f64 = 400.0;

fn flight(filtered: bool) -> Vec<Sample> {
    let mut noise = Noise(7);
    let mut q = UnitQuaternion::identity();
    let mut out = Vec::new();
    let mut speed = [640.0; 4];
    let mut low = [Vector3::zeros(), Vector3::zeros()];
    for k in 0..8000 {
        let t = f64::from(k) / RATE;
        let omega =
            |t: f64| Vector3::new(1.1 * (2.1 * t).cos(), 0.9 * (1.7 * t).cos(), 0.4 * (0.9 * t).cos());
        let command = [0.0, 1.0, 2.0, 3.0].map(|n: f64| 0.5 + 0.1 * ((3.0 + n) * t + n).sin());
        for (s, c) in speed.iter_mut().zip(command) {
            *s += (900.0 * c.sqrt() - *s) / (0.03 * RATE);
        }
        let dirty = omega(t) + 0.02 * Vector3::new(noise.normal(), noise.normal(), noise.normal());
        // Two first-order low-passes at 30 Hz, far below half of 400 Hz.
        let a = 1.0 - (-2.0 * std::f64::consts::PI * 30.0 / RATE).exp();
        low[0] += a * (dirty - low[0]);
        low[1] += a * (low[0] - low[1]);
        let force = Vector3::new(0.0, 0.0, -9.81)
            + 0.3 * Vector3::new(noise.normal(), noise.normal(), noise.normal());
        out.push(Sample { t, rate: if filtered { low[1] } else { dirty }, q, force, command, speed });
        for s in 0..8 {
            let h = 1.0 / (8.0 * RATE);
            q *= UnitQuaternion::from_scaled_axis(omega(t + (f64::from(s) + 0.5) * h) * h);
        }
    }
    out
}

const HEAD: &str = "time,wx,wy,wz,fx,fy,fz,q0,q1,q2,q3,c1,c2,c3,c4,s1,s2,s3,s4\n";

fn csv(flight: &[Sample], change: impl Fn(&Sample) -> Sample) -> String {
    let mut out = HEAD.to_owned();
    for s in flight.iter().map(change) {
        let _ = write!(out, "{:.5}", s.t);
        let q = [s.q.w, s.q.i, s.q.j, s.q.k];
        for v in s.rate.iter().chain(s.force.iter()).chain(&q).chain(&s.command).chain(&s.speed) {
            let _ = write!(out, ",{v:.6}");
        }
        out.push('\n');
    }
    out
}

fn same(s: &Sample) -> Sample {
    Sample { t: s.t, rate: s.rate, q: s.q, force: s.force, command: s.command, speed: s.speed }
}

fn flight_map() -> String {
    let mut map = "[time]\ncolumn = \"time\"\nunit = \"s\"\n".to_owned();
    let mut add = |name: &str, column: &str, more: &str| {
        let _ = write!(map, "[[channel]]\nname = \"{name}\"\ncolumn = \"{column}\"\n{more}");
    };
    for a in ["x", "y", "z"] {
        add(&format!("rate.{a}"), &format!("w{a}"), "unit = \"rad/s\"\ntap = \"raw\"\n");
        add(&format!("accel.{a}"), &format!("f{a}"), "unit = \"m/s^2\"\n");
    }
    for (i, a) in ["w", "i", "j", "k"].iter().enumerate() {
        add(&format!("attitude.{a}"), &format!("q{i}"), "");
    }
    for n in 1..=4 {
        add(&format!("rotor.{n}.command"), &format!("c{n}"), "");
        add(&format!("rotor.{n}.speed"), &format!("s{n}"), "unit = \"rad/s\"\n");
    }
    map
}

fn ids(doubts: &[Doubt]) -> Vec<&str> {
    doubts.iter().map(|d| d.id.as_str()).collect()
}

/// The record that the truth gives, for comparison after an answer.
fn truth() -> Record {
    read(&csv(&flight(false), same), &flight_map()).unwrap().record
}

fn settles(data: &str, answer: &str) -> Reading {
    let reading = read_with(data, &flight_map(), &[answer]).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(ids(&reading.doubts), Vec::<&str>::new(), "{answer}");
    reading
}

fn as_truth(reading: &Reading, channels: &[&str], tolerance: f64) {
    let truth = truth();
    for name in channels {
        let (a, b) = (reading.record.channel(name).unwrap(), truth.channel(name).unwrap());
        assert!(near(a, b, tolerance), "{name}");
    }
}

#[test]
fn val_a_right_map_raises_no_question() {
    let reading = read(&csv(&flight(false), same), &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), Vec::<&str>::new());
}

fn half_turn(v: Vector3<f64>) -> Vector3<f64> {
    Vector3::new(v.x, -v.y, -v.z)
}

#[test]
fn val_asks_when_the_sensor_axes_are_front_left_up() {
    let data =
        csv(&flight(false), |s| Sample { rate: half_turn(s.rate), force: half_turn(s.force), ..same(s) });
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["axes"], "{:#?}", reading.doubts);
    let answers: Vec<_> = reading.doubts[0].options.iter().map(|o| o.answer.as_str()).collect();
    assert!(answers.contains(&"front-left-up") && answers.contains(&"keep"), "{answers:?}");
    as_truth(&settles(&data, "axes=front-left-up"), &["rate.y", "accel.z", "attitude.j"], 1e-5);
}

#[test]
fn val_asks_when_everything_is_front_left_up_and_agrees_with_itself() {
    // Body and earth both turned half round x: only gravity shows it.
    let data = csv(&flight(false), |s| {
        let x = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI);
        Sample { rate: half_turn(s.rate), force: half_turn(s.force), q: x * s.q * x.inverse(), ..same(s) }
    });
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["axes"], "{:#?}", reading.doubts);
    as_truth(&settles(&data, "axes=front-left-up"), &["rate.z", "accel.z"], 1e-5);
}

#[test]
fn val_asks_when_degrees_are_called_radians() {
    let data = csv(&flight(false), |s| Sample { rate: s.rate.map(f64::to_degrees), ..same(s) });
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["rate-unit"], "{:#?}", reading.doubts);
    assert!(reading.doubts[0].why.contains("57."), "{}", reading.doubts[0].why);
    as_truth(&settles(&data, "rate-unit=deg/s"), &["rate.x", "rate.y", "rate.z"], 1e-5);
}

#[test]
fn val_asks_when_one_sign_is_turned() {
    for axis in 0..3 {
        let data = csv(&flight(false), |s| {
            let mut rate = s.rate;
            rate[axis] = -rate[axis];
            Sample { rate, ..same(s) }
        });
        let id = format!("rate.{}-sign", ["x", "y", "z"][axis]);
        let reading = read(&data, &flight_map()).unwrap();
        assert_eq!(ids(&reading.doubts), [id.as_str()], "{:#?}", reading.doubts);
        as_truth(&settles(&data, &format!("{id}=flip")), &["rate.x", "rate.y", "rate.z"], 1e-5);
    }
}

#[test]
fn val_asks_when_the_command_is_in_newtons() {
    // 1.3e-5 N/(rad/s)^2, thrust demanded is that of the steady speed.
    let data =
        csv(&flight(false), |s| Sample { command: s.command.map(|c| 1.3e-5 * 900.0 * 900.0 * c), ..same(s) });
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["command"], "{:#?}", reading.doubts);
    let doubt = &reading.doubts[0];
    assert!(doubt.options.iter().any(|o| o.answer == "newtons"));
    assert!(doubt.why.contains("speed squared"), "{}", doubt.why);
    let settled = settles(&data, "command=newtons");
    assert!(settled.record.channel("rotor.1.command").is_none());
    assert!(settled.record.channel("rotor.4.thrust_demand").is_some());
}

#[test]
fn val_asks_when_the_command_is_a_pulse_length() {
    let data = csv(&flight(false), |s| Sample { command: s.command.map(|c| 1000.0 + 1000.0 * c), ..same(s) });
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["command"]);
    as_truth(&settles(&data, "command=us"), &["rotor.1.command", "rotor.4.command"], 1e-6);
}

#[test]
fn val_asks_when_a_filtered_gyro_is_called_raw() {
    let data = csv(&flight(true), same);
    let reading = read(&data, &flight_map()).unwrap();
    assert_eq!(ids(&reading.doubts), ["rate-tap"], "{:#?}", reading.doubts);
    let settled = settles(&data, "rate-tap=filtered");
    assert_eq!(settled.record.channel_meta("rate.x").unwrap().tap, Some(Tap::Filtered));
    // A map that calls it filtered is not asked.
    let honest = flight_map().replace("\"raw\"", "\"filtered\"");
    assert_eq!(ids(&read(&data, &honest).unwrap().doubts), Vec::<&str>::new());
}

#[test]
fn val_asks_when_two_rotors_are_exchanged() {
    let data = csv(&flight(false), |s| {
        let c = s.command;
        Sample { command: [c[1], c[0], c[2], c[3]], ..same(s) }
    });
    assert_eq!(ids(&read(&data, &flight_map()).unwrap().doubts), ["rotor-order"]);
    as_truth(&settles(&data, "rotor-order=by-speed"), &["rotor.1.command", "rotor.2.command"], 1e-9);
}

#[test]
fn regress_asks_about_an_inverse_quaternion_and_a_tenth_of_a_volt() {
    let data = csv(&flight(false), |s| Sample { q: s.q.inverse(), ..same(s) });
    assert_eq!(ids(&read(&data, &flight_map()).unwrap().doubts), ["attitude"]);
    as_truth(&settles(&data, "attitude=inverse"), &["attitude.i", "attitude.k"], 1e-5);
    let reading = read("t,u\n0,162\n10,161\n20,160\n", VOLTS).unwrap();
    assert_eq!(ids(&reading.doubts), ["battery-unit"]);
}

#[test]
fn regress_answers_must_answer_a_question() {
    let data = csv(&flight(false), same);
    let wrong = read_with(&data, &flight_map(), &["axes=front-left-up"]).unwrap_err();
    assert!(wrong.to_string().contains("nothing of that name is asked"), "{wrong}");
    let turned = csv(&flight(false), |s| Sample { rate: s.rate.map(f64::to_degrees), ..same(s) });
    let wrong = read_with(&turned, &flight_map(), &["rate-unit=gradians"]).unwrap_err();
    assert!(wrong.to_string().contains("one of: deg/s, keep"), "{wrong}");
    assert!(Answers::parse(Path::new("m"), &["axes".to_owned()]).is_err());
}

#[test]
fn regress_angles_become_a_quaternion() {
    let mut data = "t,a,b,c\n".to_owned();
    for k in 0..50 {
        let t = f64::from(k) * 0.01;
        let _ = writeln!(
            data,
            "{t},{},{},{}",
            20.0 * t,
            -30.0 * t,
            179.9 + 20.0 * t - if t > 0.004 { 360.0 } else { 0.0 }
        );
    }
    let mut map = "[time]\ncolumn = \"t\"\nunit = \"s\"\n".to_owned();
    for (n, c) in [("roll", "a"), ("pitch", "b"), ("yaw", "c")] {
        let _ = write!(map, "[[channel]]\nname = \"attitude.{n}\"\ncolumn = \"{c}\"\nunit = \"deg\"\n");
    }
    let record = read(&data, &map).unwrap().record;
    for k in [0usize, 10, 49] {
        let t = k as f64 * 0.01;
        let [r, p, y] = [20.0 * t, -30.0 * t, 179.9 + 20.0 * t].map(f64::to_radians);
        let part = |n: &str| record.channel(n).unwrap()[k];
        let got = UnitQuaternion::new_unchecked(nalgebra::Quaternion::new(
            part("attitude.w"),
            part("attitude.i"),
            part("attitude.j"),
            part("attitude.k"),
        ));
        // nalgebra's own composition of the three turns is the oracle.
        let z = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), y);
        let y = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), p);
        let x = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), r);
        assert!(got.angle_to(&(z * y * x)) < 1e-6);
    }
}

// ---------------------------------------------------------------------------------------------
// Proposals.

fn propose(data: &str, accept: &[&str]) -> import::Proposal {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("log.csv");
    std::fs::write(&file, data).unwrap();
    let accept: Vec<String> = accept.iter().map(|s| (*s).to_owned()).collect();
    import::propose(&[file], &accept, &mut |_, _| {}).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn regress_proposal_from_plain_words_and_units_needs_no_question() {
    let head = "time (s),roll rate (rad/s),pitch rate (rad/s),yaw rate (rad/s),specific force x (m/s^2),specific force y (m/s^2),\
        specific force z (m/s^2),quaternion w,quaternion x,quaternion y,quaternion z,rotor 1 command,rotor 2 command,rotor 3 command,\
        rotor 4 command,rotor 1 speed (rad/s),rotor 2 speed (rad/s),rotor 3 speed (rad/s),rotor 4 speed (rad/s)\n";
    let data = csv(&flight(false), same).replace(HEAD, head);
    let proposal = propose(&data, &[]);
    assert_eq!(ids(&proposal.doubts), Vec::<&str>::new(), "{:#?}", proposal.doubts);
    assert_eq!(proposal.map.channels.len(), 18);
    assert!(proposal.unmapped.is_empty());
    // The proposal is itself a map that import takes, and gives the planted values.
    let reading = read(&data, &proposal.text).unwrap();
    as_truth(&reading, &["rate.x", "attitude.k", "rotor.4.speed", "accel.z"], 1e-5);
}

#[test]
fn regress_proposal_asks_about_symbols_and_bare_units() {
    let head = "t,p,q,r,ax,ay,az,q0,q1,q2,q3,u1,u2,u3,u4,rpm1,rpm2,rpm3,rpm4\n";
    let turned = csv(&flight(false), |s| Sample {
        rate: half_turn(s.rate),
        force: half_turn(s.force),
        speed: s.speed.map(|v| v * 30.0 / std::f64::consts::PI),
        ..same(s)
    })
    .replace(HEAD, head);
    let proposal = propose(&turned, &[]);
    let asked = ids(&proposal.doubts);
    assert!(asked.contains(&"axes"), "{asked:?}");
    assert!(asked.contains(&"name-rotor.N.command"), "{asked:?}");
    assert!(proposal.text.contains("# unsure:"), "{}", proposal.text);
    let answers: Vec<String> = proposal
        .doubts
        .iter()
        .map(|d| match d.id.as_str() {
            "axes" => "axes=front-left-up".to_owned(),
            "unit-rotor.N.speed" => "unit-rotor.N.speed=rpm".to_owned(),
            id => format!("{id}={}", d.options[0].answer),
        })
        .collect();
    let answers: Vec<&str> = answers.iter().map(String::as_str).collect();
    let settled = propose(&turned, &answers);
    assert_eq!(ids(&settled.doubts), Vec::<&str>::new(), "{:#?}", settled.doubts);
    let reading = read(&turned, &settled.text).unwrap();
    as_truth(&reading, &["rate.y", "accel.z", "attitude.i"], 1e-5);
    as_truth(&reading, &["rotor.2.speed"], 1e-3);
}

#[test]
fn regress_proposal_without_header_goes_by_the_numbers() {
    let data = csv(&flight(false), same).replace(HEAD, "");
    let proposal = propose(&data, &[]);
    let asked = ids(&proposal.doubts);
    assert!(asked.contains(&"name-attitude") && asked.contains(&"name-accel"), "{asked:?}");
    assert!(proposal.unmapped.iter().any(|u| u.position == 2));
    assert!(!proposal.unmapped.iter().any(|u| u.position == 1), "the time column is used");
}

// ---------------------------------------------------------------------------------------------
// Broken input.

/// Flaw, words of the message, place as it is printed.
const BROKEN: &[(&str, &str, &str)] = &[
    ("map-not-toml", "", "map.toml:3:"),
    ("map-unknown-section", "did you mean `channel`", "map.toml:15:2"),
    ("map-misspelt-key", "did you mean `column`", "map.toml:7:1"),
    ("map-no-time", "no `[time]`", "map.toml"),
    ("map-no-channel", "no channel", "map.toml"),
    ("map-unknown-channel", "did you mean `rate.x`", "map.toml:6:8"),
    ("map-no-unit", "unit = \"deg/s\"", "map.toml:5:1"),
    ("map-wrong-dimension", "unit = \"deg/s\"", "map.toml:8:8"),
    ("map-unknown-unit", "furlong", "map.toml:8:8"),
    ("map-unit-as-number", "takes text in quotes", "map.toml:13:8"),
    ("map-position-zero", "from 1 to", "map.toml:7:12"),
    ("map-name-and-position", "both `column` and `position`", "map.toml:8:12"),
    ("map-sign-two", "1 or -1", "map.toml:9:8"),
    ("map-unknown-tap", "one of: raw, filtered", "map.toml:9:7"),
    ("map-left-handed-axes", "left-handed", "map.toml:16:8"),
    ("map-axis-word", "`port` is no direction", "map.toml:16:8"),
    ("map-channel-twice", "stands twice, first on line 5", "map.toml:15:1"),
    ("map-wrap-negative", "cannot wrap", "map.toml:4:12"),
    ("map-sample-without-rate", "rate = \"200 Hz\"", "map.toml:3:8"),
    ("map-range-of-one-value", "both ends are 1000", "map.toml:18:9"),
    ("map-half-a-quaternion", "1 of the four parts", "map.toml:15:1"),
    ("map-earth-not-stated", "earth = ", "map.toml:21:8"),
    ("map-three-errors", "no unit of time", "map.toml:6:8"),
    ("map-column-not-there", "did you mean `gx`", "map.toml:5:1"),
    ("map-position-beyond", "position = 1 to 3", "map.toml:5:1"),
    ("map-second-file-missing", "names file 2", "map.toml:5:1"),
    ("file-empty", "export", "data.csv"),
    ("file-blank-lines-only", "no rows", "data.csv:1:1"),
    ("file-header-only", "a header and no rows", "data.csv:1:1"),
    ("file-zero-byte", "zero byte", "data.csv:7:6"),
    ("file-utf16", "save it as UTF-8", "data.csv:1:1"),
    ("file-words", "hardly any numbers", "data.csv:2:1"),
    ("file-column-twice", "position = 2 or 3", "map.toml:5:1"),
    ("file-text-in-column", "found: bad", "data.csv:5:6"),
    ("file-rows-cut-short", "complete the row", "data.csv:20:5"),
    ("file-rows-too-long", "has 4 fields", "data.csv:20:"),
    ("file-open-quote", "not closed", "data.csv:20:6"),
    ("file-no-time-in-rows", "every row needs its time", "data.csv:20:1"),
    ("file-decimal-comma-unquoted", "fields", "data.csv:2:"),
    ("file-time-stands-still", "1 different times", "data.csv:2:1"),
    ("file-two-recordings", "split the file", "data.csv:62:1"),
    ("file-broken-stamps", "cannot be told apart", "data.csv"),
    ("file-parquet-cut-off", "Parquet", "data.csv"),
];

fn request<'a>(files: &'a [PathBuf], map_file: &'a Path, map: &'a str, records: &'a Path) -> Request<'a> {
    Request {
        files,
        map_file,
        map_text: map,
        records,
        id: None,
        kind: Kind::Flight,
        values: std::collections::BTreeMap::new(),
        build: "b1",
        date: "2026-03-04",
        origin: RecordOrigin::Measured,
        remark: "first hop",
        setting: "",
        fingerprint: [("rotor".to_owned(), "ab12".to_owned())].into(),
        accept: &[],
        limit: Limit::default(),
    }
}

#[test]
fn regress_every_broken_input_is_told_by_place_and_remedy() {
    let root = fixtures().join("broken");
    let mut on_disk: Vec<_> =
        std::fs::read_dir(&root).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    on_disk.sort();
    let mut listed: Vec<_> = BROKEN.iter().map(|(n, _, _)| (*n).to_owned()).collect();
    listed.sort();
    assert_eq!(on_disk, listed);
    let mut failures = Vec::new();
    for (name, words, place) in BROKEN {
        let dir = tempfile::tempdir().unwrap();
        let records = dir.path().join("records");
        let map_file = root.join(name).join("map.toml");
        let map = std::fs::read_to_string(&map_file).unwrap();
        let files = [root.join(name).join("data.csv")];
        match import::import(&request(&files, &map_file, &map, &records), &mut |_, _| {}) {
            Ok(_) => failures.push(format!("{name}: imported")),
            Err(e) => {
                let text = e.to_string();
                if !text.contains(words)
                    || !text.contains(place)
                    || !text.contains("help:")
                    || !e.has_errors()
                {
                    failures.push(format!("{name}: wanted `{words}` at {place}\n{text}"));
                }
            }
        }
        assert!(!records.exists(), "{name}: something was written");
    }
    assert!(failures.is_empty(), "{}", failures.join("\n\n"));
}

#[test]
fn regress_all_errors_of_a_map_at_once() {
    let map = std::fs::read_to_string(fixtures().join("broken/map-three-errors/map.toml")).unwrap();
    assert_eq!(ChannelMap::parse(Path::new("map.toml"), &map).unwrap_err().0.len(), 3);
}

#[test]
fn regress_few_malformed_rows_are_left_out_and_told() {
    let mut data = "t,u\n".to_owned();
    for k in 0..100 {
        let _ =
            writeln!(data, "{},{}", 10 * k, if k % 30 == 7 { "oops".to_owned() } else { "16".to_owned() });
    }
    let record = read(&data, VOLTS).unwrap().record;
    assert_eq!((record.meta.report.malformed, record.time.len()), (4, 96));
    assert!(
        record.meta.report.remarks.iter().any(|r| r.contains("line 9, column 4")),
        "{:?}",
        record.meta.report.remarks
    );
}

// ---------------------------------------------------------------------------------------------
// Whole imports, Parquet and real files.

#[test]
fn regress_import_writes_a_whole_record_once() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("log.csv");
    std::fs::write(&log, csv(&flight(false), same)).unwrap();
    let (records, map) = (dir.path().join("records"), flight_map());
    let files = [log];
    let request = request(&files, Path::new("map.toml"), &map, &records);
    let (mut calls, mut last) = (0, (0, 1));
    let meta = import::import(&request, &mut |done, total| {
        calls += 1;
        last = (done, total);
    })
    .unwrap();
    assert!(calls > 0 && last.0 == last.1, "{calls} {last:?}");
    assert_eq!(meta.id, "2026-03-04-flight");
    assert_eq!(import::import(&request, &mut |_, _| {}).unwrap().id, "2026-03-04-flight-2");
    let again = import::import(&Request { id: Some("2026-03-04-flight"), ..request.clone() }, &mut |_, _| {});
    assert!(again.unwrap_err().to_string().contains("not overwritten"));
    let record = record_store::load(&records, &meta.id).unwrap();
    assert_eq!(record.meta, meta);
    assert_eq!(record.time.len(), 8000);
    assert_eq!(record_store::load_map(&records, &meta.id).unwrap().as_deref(), Some(map.as_str()));
    // sha256sum of the same bytes is what the standard defines; the empty file's is FIPS 180-4's example.
    let empty = dir.path().join("empty");
    std::fs::write(&empty, "").unwrap();
    let (hash, bytes) = record_store::hash_file(&empty).unwrap();
    assert_eq!(
        (hash.as_str(), bytes),
        ("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", 0)
    );
    assert_eq!(meta.sources[0].bytes, std::fs::metadata(&files[0]).unwrap().len());
}

#[test]
fn regress_import_stops_and_asks() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("log.csv");
    std::fs::write(&log, csv(&flight(false), |s| Sample { rate: s.rate.map(f64::to_degrees), ..same(s) }))
        .unwrap();
    let (records, map) = (dir.path().join("records"), flight_map());
    let files = [log];
    let asked =
        import::import(&request(&files, Path::new("map.toml"), &map, &records), &mut |_, _| {}).unwrap_err();
    assert!(asked.to_string().contains("--accept rate-unit=deg/s"), "{asked}");
    assert!(!records.exists());
    let accept = ["rate-unit=deg/s".to_owned()];
    let request = Request { accept: &accept, ..request(&files, Path::new("map.toml"), &map, &records) };
    let meta = import::import(&request, &mut |_, _| {}).unwrap();
    assert!(meta.report.remarks.iter().any(|r| r.contains("rate-unit=deg/s")));
    let stored = record_store::load_map(&records, &meta.id).unwrap().unwrap();
    let stored = ChannelMap::parse(Path::new("map.toml"), &stored).unwrap();
    assert_eq!(stored.channel("rate.x").unwrap().unit, "deg/s");
}

#[test]
fn val_parquet_of_pandas_reads_value_by_value() {
    let map = "[time]\ncolumn = \"t\"\nunit = \"ms\"\n\
        [[channel]]\nname = \"rate.x\"\ncolumn = \"gx\"\nunit = \"rad/s\"\n\
        [[channel]]\nname = \"battery.voltage\"\ncolumn = \"volts\"\nunit = \"V\"\n\
        [[channel]]\nname = \"battery.charge\"\ncolumn = \"small\"\n\
        [[channel]]\nname = \"thrust_demand\"\ncolumn = \"armed\"\n\
        [[channel]]\nname = \"battery.current\"\ncolumn = \"counts\"\nunit = \"A\"\n\
        [[channel]]\nname = \"height\"\ncolumn = \"gaps\"\nunit = \"m\"\n";
    let map = ChannelMap::parse(Path::new("m"), map).unwrap();
    let files = [fixtures().join("frame.parquet")];
    let record =
        import::read_with_map(&files, Path::new("m"), &map, Limit::default(), &mut |_, _| {}).unwrap();
    let rows = 1000usize;
    let column = |f: &dyn Fn(usize) -> f64| (0..rows).map(f).collect::<Vec<f64>>();
    let mut worst = 0.0_f64;
    let mut check = |name: &str, expected: Vec<f64>, tolerance: f64| {
        let got = record.channel(name).unwrap();
        assert!(near(got, &expected, tolerance), "{name}");
        worst = got
            .iter()
            .zip(&expected)
            .filter(|(a, _)| !a.is_nan())
            .fold(worst, |m, (a, b)| m.max((a - b).abs()));
    };
    check("rate.x", column(&|k| (0.05 * k as f64).sin()), 3e-8);
    check("battery.voltage", column(&|k| if k % 10 == 0 { f64::NAN } else { 16.0 - 0.001 * k as f64 }), 0.0);
    check("battery.charge", column(&|k| (k % 7) as f64), 0.0);
    check("thrust_demand", column(&|k| if k % 2 == 0 { 1.0 } else { 0.0 }), 0.0);
    check("battery.current", column(&|k| (k % 50) as f64), 0.0);
    check("height", column(&|k| if k % 3 == 0 { f64::NAN } else { k as f64 }), 0.0);
    assert!((record.time[999] - 4.995).abs() < 1e-12);
    println!(
        "VALIDATION|import|largest difference of 6 columns of 1000 rows read from Parquet|pandas 3.1.1 with pyarrow 26.0.1|0|{worst:e}|3e-8, the step of a 32-bit float"
    );
    let text = ChannelMap::parse(
        Path::new("m"),
        "[time]\ncolumn = \"t\"\nunit = \"ms\"\n[[channel]]\nname = \"height\"\ncolumn = \"note\"\nunit = \"m\"\n",
    )
    .unwrap();
    let e =
        import::read_with_map(&files, Path::new("m"), &text, Limit::default(), &mut |_, _| {}).unwrap_err();
    assert!(e.to_string().contains("not numbers"), "{e}");
}

fn channels(list: &[(&str, &str, &str)]) -> String {
    list.iter().fold(String::new(), |mut out, (name, column, more)| {
        let column =
            column.parse::<usize>().map_or(format!("column = \"{column}\""), |p| format!("position = {p}"));
        let _ = write!(out, "[[channel]]\nname = \"{name}\"\n{column}\n{more}\n");
        out
    })
}

#[test]
fn val_real_agile_flight_is_found_to_be_front_left_up() {
    let Some(file) = crate::realdata::data("flight_400hz_agile/flight.csv") else { return };
    let map = "[time]\ncolumn = \"t\"\nunit = \"s\"\n".to_owned()
        + &channels(&[
            ("rate.x", "5", "unit = \"rad/s\""),
            ("rate.y", "6", "unit = \"rad/s\""),
            ("rate.z", "7", "unit = \"rad/s\""),
            ("attitude.i", "8", ""),
            ("attitude.j", "9", ""),
            ("attitude.k", "10", ""),
            ("attitude.w", "11", ""),
            ("accel.x", "12", "unit = \"m/s^2\""),
            ("accel.y", "13", "unit = \"m/s^2\""),
            ("accel.z", "14", "unit = \"m/s^2\""),
            ("position.x", "18", "unit = \"m\""),
            ("position.y", "19", "unit = \"m\""),
            ("position.z", "20", "unit = \"m\""),
            ("rotor.1.speed", "21", "unit = \"rad/s\""),
            ("rotor.2.speed", "22", "unit = \"rad/s\""),
            ("rotor.3.speed", "23", "unit = \"rad/s\""),
            ("rotor.4.speed", "24", "unit = \"rad/s\""),
            ("battery.voltage", "29", "unit = \"V\""),
        ]);
    let files = [file];
    let ask = |accept: &[&str]| {
        let accept: Vec<String> = accept.iter().map(|s| (*s).to_owned()).collect();
        import::read_and_check(&files, Path::new("m"), &map, &accept, Limit::default(), &mut |_, _| {})
            .unwrap()
    };
    let reading = ask(&[]);
    assert_eq!(ids(&reading.doubts), ["axes", "battery-unit"], "{:#?}", reading.doubts);
    let settled = ask(&["axes=front-left-up", "battery-unit=0.1"]);
    assert_eq!(ids(&settled.doubts), Vec::<&str>::new(), "{:#?}", settled.doubts);
    assert!((settled.record.meta.rate - 400.0).abs() < 1.0);
    println!(
        "VALIDATION|import|rows a second of the agile flight (Hz)|NeuroBEM data set, Bauersfeld et al. 2021|400|{:.2}|1 Hz",
        settled.record.meta.rate
    );
    let proposal = import::propose(&files, &[], &mut |_, _| {}).unwrap();
    assert!(ids(&proposal.doubts).contains(&"axes"), "{:?}", ids(&proposal.doubts));
    println!("proposal for the agile flight asks: {:?}", ids(&proposal.doubts));
}

#[test]
fn val_real_disturbed_hover_reads() {
    let Some(file) = crate::realdata::data("flight_200hz_disturbance/flight.csv") else { return };
    let map = "[time]\ncolumn = \"t\"\nunit = \"s\"\n".to_owned()
        + &channels(&[
            ("rotor.1.command", "2", "range = [\"0\", \"500\"]"),
            ("rotor.2.command", "3", "sign = -1\nrange = [\"0\", \"500\"]"),
            ("rotor.3.command", "4", "range = [\"0\", \"500\"]"),
            ("rotor.4.command", "5", "sign = -1\nrange = [\"0\", \"500\"]"),
            ("accel.x", "6", "unit = \"m/s^2\""),
            ("accel.y", "7", "unit = \"m/s^2\""),
            ("accel.z", "8", "unit = \"m/s^2\""),
            ("rate.x", "9", "unit = \"rad/s\"\ntap = \"raw\""),
            ("rate.y", "10", "unit = \"rad/s\"\ntap = \"raw\""),
            ("rate.z", "11", "unit = \"rad/s\"\ntap = \"raw\""),
            ("battery.voltage", "14", "unit = \"V\""),
            ("attitude.yaw", "43", "unit = \"rad\"\ntap = \"estimated\""),
            ("attitude.pitch", "44", "unit = \"rad\"\ntap = \"estimated\""),
            ("attitude.roll", "45", "unit = \"rad\"\ntap = \"estimated\""),
        ]);
    let files = [file];
    let reading =
        import::read_and_check(&files, Path::new("m"), &map, &[], Limit::default(), &mut |_, _| {}).unwrap();
    println!("disturbed hover asks: {:#?}", reading.doubts);
    assert_eq!(ids(&reading.doubts), Vec::<&str>::new());
    assert!((reading.record.meta.rate - 200.0).abs() < 2.0, "{}", reading.record.meta.rate);
    // Without the signs the map is asked about.
    let bare = map.replace("sign = -1\n", "");
    let reading =
        import::read_and_check(&files, Path::new("m"), &bare, &[], Limit::default(), &mut |_, _| {}).unwrap();
    assert_eq!(ids(&reading.doubts), ["command"]);
}

#[test]
fn val_real_two_files_of_commands_and_speeds_join() {
    let stem = "bench_command_speed_100hz/ampersand_yawConstant_maxSpeed3p0";
    let (Some(a), Some(b)) = (
        crate::realdata::data(&format!("{stem}_pwm.txt")),
        crate::realdata::data(&format!("{stem}_rpm.txt")),
    ) else {
        return;
    };
    let mut map =
        "[time]\nposition = 1\nunit = \"s\"\n[command]\nfrom = \"1000 us\"\nto = \"2000 us\"\n".to_owned();
    for n in 1..=4 {
        let p = format!("{}", n + 1);
        map += &channels(&[
            (&format!("rotor.{n}.command"), &p, ""),
            (&format!("rotor.{n}.speed"), &p, "file = 2\nunit = \"rpm\""),
        ]);
    }
    let files = [a, b];
    let reading =
        import::read_and_check(&files, Path::new("m"), &map, &[], Limit::default(), &mut |_, _| {}).unwrap();
    assert_eq!(ids(&reading.doubts), Vec::<&str>::new(), "{:#?}", reading.doubts);
    assert!((reading.record.meta.rate - 100.0).abs() < 1.0);
    assert!(reading.record.meta.report.remarks.iter().any(|r| r.contains("interpolated")));
}

#[test]
fn val_real_parquet_flight_and_tunnel_read() {
    for name in ["flight.parquet", "wind_tunnel.parquet"] {
        let Some(file) = crate::realdata::data(&format!("flight_500hz_propeller_airspeed/{name}")) else {
            continue;
        };
        let proposal = import::propose(std::slice::from_ref(&file), &[], &mut |_, _| {}).unwrap();
        println!("{name}: {:?}\n{}", ids(&proposal.doubts), proposal.text);
        let files = [file];
        let map = &proposal.map;
        let record =
            import::read_with_map(&files, Path::new("m"), map, Limit::default(), &mut |_, _| {}).unwrap();
        assert!((record.meta.rate - 500.0).abs() < 5.0, "{name}: {}", record.meta.rate);
        assert!(record.time.len() > 10_000);
    }
}

#[test]
fn val_real_bench_files_read() {
    for name in [
        "bench_motor_7in/Log_2019-11-09_181347.csv",
        "bench_static_5in/a1_11.csv",
        "bench_static_micro/StepsTest_2020-05-22_102946.csv",
        "bench_thrust_step_50hz/0500_thrust_response.csv",
        "battery_1s_flights/Real_path_1.csv",
    ] {
        let Some(file) = crate::realdata::data(name) else { continue };
        match import::propose(&[file], &[], &mut |_, _| {}) {
            Ok(p) => println!("{name}: {} channels, asks {:?}", p.map.channels.len(), ids(&p.doubts)),
            Err(e) => {
                // A thrust log of two bare columns holds nothing that its numbers could name.
                assert!(e.to_string().contains("no column could be recognised"), "{name}: {e}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn prop_random_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..2000), parquet in any::<bool>()) {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("log");
        let mut all = if parquet { b"PAR1".to_vec() } else { Vec::new() };
        all.extend(&bytes);
        std::fs::write(&file, &all).unwrap();
        let files = [file];
        let _ = import::propose(&files, &[], &mut |_, _| {});
        let text = String::from_utf8_lossy(&bytes);
        let _ = ChannelMap::parse(Path::new("m"), &text);
        let _ = import::read_hand(Path::new("m"), &text, Kind::Weighing);
        let map = ChannelMap::parse(Path::new("m"), "[time]\nposition = 1\nunit = \"s\"\n[[channel]]\nname = \"height\"\nposition = 2\nunit = \"m\"\n").unwrap();
        let _ = import::read_with_map(&files, Path::new("m"), &map, Limit::default(), &mut |_, _| {});
    }

    #[test]
    fn prop_text_of_separators_and_digits_never_panics(text in "[0-9,;.\\-\"# \t\r\nabte+]{0,400}") {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("log");
        std::fs::write(&file, &text).unwrap();
        let _ = import::propose(&[file], &[], &mut |_, _| {});
        let _ = ChannelMap::parse(Path::new("m"), &text);
    }

    #[test]
    fn prop_damaged_parquet_never_panics(at in 0usize..36_000, with in any::<u8>(), cut in 0usize..400) {
        let mut bytes = std::fs::read(fixtures().join("frame.parquet")).unwrap();
        if let Some(b) = bytes.get_mut(at) {
            *b ^= with;
        }
        bytes.truncate(bytes.len() - if cut < 200 { 0 } else { cut });
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("log.parquet");
        std::fs::write(&file, &bytes).unwrap();
        let _ = import::propose(&[file], &[], &mut |_, _| {});
    }
}
