//! Random damage to every file a user can hand us: an answer or an error, never a panic.
//!
//! Each test runs for `ROTORWRIGHT_FUZZ_SECONDS` (2 where not set) from a fixed seed, over bytes:
//! whole files are cut, repeated, spliced and sprinkled with text that breaks readers.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::Path;
use std::time::{Duration, Instant};

use dossier::aircraft_file::AircraftFile;
use dossier::import::{ChannelMap, Limit, propose, read_with_map};
use dossier::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin};
use dossier::record_store;

/// Text that readers of numbers, TOML and CSV stumble over.
const TOKENS: &[&str] = &[
    "1e999",
    "-1e999",
    "NaN",
    "inf",
    "-0",
    "9223372036854775808",
    "1e-320",
    "0x10",
    "1_000",
    "\u{feff}",
    "\0",
    "\"",
    "'",
    "'''",
    "\"\"\"",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ".",
    ",",
    ";",
    "\t",
    "\r",
    "\r\n",
    "\n",
    "#",
    " +- ",
    " %",
    " kg",
    "\u{a0}",
    "±",
    "\u{202e}",
    "ü",
    "-",
    "true",
    "1979-05-27",
    "\\u0000",
    "[[station]]\n",
    "[rotor]\n",
    "at = [\"1 m\"]\n",
    "layout = \"coax-quad\"\n",
    "spin = \"cw\"\n",
    "mass = \"-1 kg\"\n",
    "[loop.rate]\np = []\n",
];

/// SplitMix64 (Steele, Lea and Flood 2014).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// Below `n`; 0 for 0.
    fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.roll() % (n.max(1) as u64)).unwrap()
    }
    /// A range of `length`, mostly short.
    fn range(&mut self, length: usize) -> std::ops::Range<usize> {
        let from = self.below(length + 1);
        let span = 1 << self.below(9);
        from..(from + self.below(span)).min(length)
    }
}

/// One to eight wounds.
fn wound(dice: &mut Dice, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds[dice.below(seeds.len())].clone();
    for _ in 0..=dice.below(8) {
        let at = dice.below(bytes.len() + 1);
        match dice.below(8) {
            0 if !bytes.is_empty() => {
                let k = dice.below(bytes.len());
                bytes[k] ^= 1 << dice.below(8);
            }
            1 if !bytes.is_empty() => {
                let k = dice.below(bytes.len());
                bytes[k] = dice.roll().to_le_bytes()[0];
            }
            2 => {
                let r = dice.range(bytes.len());
                bytes.drain(r);
            }
            3 => {
                let copy = bytes[dice.range(bytes.len())].to_vec();
                bytes.splice(at..at, copy);
            }
            4 => bytes.truncate(at),
            5 => {
                let other = &seeds[dice.below(seeds.len())];
                let r = dice.range(other.len());
                bytes.splice(at..at, other[r].iter().copied());
            }
            _ => {
                let token = TOKENS[dice.below(TOKENS.len())];
                bytes.splice(at..at, token.bytes());
            }
        }
    }
    bytes
}

/// Wounds the seeds and hands them to `reader` until the time is up; the seeds themselves first.
fn fuzz(name: &str, seeds: &[Vec<u8>], reader: impl Fn(&[u8])) {
    let seconds = std::env::var("ROTORWRIGHT_FUZZ_SECONDS").ok().and_then(|s| s.parse::<f64>().ok());
    let until = Instant::now() + Duration::from_secs_f64(seconds.unwrap_or(2.0).clamp(0.0, 86_400.0));
    let mut dice = Dice(0x7a12);
    let mut runs = 0_u64;
    for seed in seeds {
        reader(seed);
    }
    while Instant::now() < until {
        let input = wound(&mut dice, seeds);
        if let Err(panic) = catch_unwind(AssertUnwindSafe(|| reader(&input))) {
            let path = std::env::temp_dir().join(format!("fuzz-{name}-{runs}"));
            std::fs::write(&path, &input).unwrap();
            println!("the input that did it is kept in {}", path.display());
            resume_unwind(panic);
        }
        runs += 1;
    }
    println!("{name}: {runs} inputs");
    assert!(runs > 0, "not one input was tried");
}

/// Every fixture with one of these endings, and what stands here.
fn seeds(endings: &[&str], own: &[&str]) -> Vec<Vec<u8>> {
    fn walk(dir: &Path, endings: &[&str], into: &mut Vec<Vec<u8>>) {
        let mut entries: Vec<_> =
            std::fs::read_dir(dir).into_iter().flatten().flatten().map(|e| e.path()).collect();
        entries.sort();
        for path in entries {
            if path.is_dir() {
                walk(&path, endings, into);
            } else if path.extension().is_some_and(|e| endings.iter().any(|x| e == *x))
                && let Ok(bytes) = std::fs::read(&path)
                && bytes.len() < 200_000
            {
                into.push(bytes);
            }
        }
    }
    let mut all: Vec<Vec<u8>> = own.iter().map(|s| s.as_bytes().to_vec()).collect();
    walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join("fixtures"), endings, &mut all);
    all
}

const AIRCRAFT: &str = r#"
[aircraft]
name = "Tarn"
layout = "quad-x"
arm = "310 mm"
cant = "4 deg"
cant_sense = "with-reaction"
[[mass]]
item = "battery"
mass = "1.32 kg +- 0.5 %"
at = ["0 mm", "0 mm", "35 mm"]
box = ["160 mm", "60 mm", "50 mm"]
[[mass]]
item = "motor"
mass = "0.1 kg"
per_rotor = true
cylinder = { radius = "20 mm", length = "30 mm", axis = "z" }
[rotor]
diameter = "15 in"
blades = 2
ct = "0.105 +- 3 %"
cp = "0.040 +- 4 %"
inertia = "9.5e-5 kg m^2"
[motor]
kv = "400 rpm/V"
resistance = "62 mohm"
no_load_current = "0.9 A"
no_load_voltage = "10 V"
inertia = "2.5e-5 kg m^2"
[esc]
resistance = "3 mohm"
dead_time = "1.5 ms"
update_period = "0.5 ms"
protocol_period = "0.1 ms"
braking = true
usable_minimum = "4 %"
[battery]
chemistry = "lipo"
series = 6
capacity = "8 Ah"
cell_resistance = "2.4 mohm"
cutoff = "3.3 V"
reserve = "20 %"
[imu]
sample_rate = "1 kHz"
delay = "0.3 ms"
rate_range = "2000 deg/s"
rate_noise = "0.005 deg/s/sqrt(Hz)"
accel_range = "16 g"
accel_noise = "80 ug/sqrt(Hz)"
[[filter]]
kind = "notch"
centre = "95 Hz"
width = "30 Hz"
floor = "5 %"
[loop.rate]
rate = "1 kHz"
delay = "0.4 ms"
p = ["22 1/s", "22 1/s", "8 1/s"]
i = "60 1/s^2"
"#;

#[test]
fn fuzz_aircraft_file() {
    let path = Path::new("aircraft.toml");
    fuzz("aircraft-file", &seeds(&["toml"], &[AIRCRAFT]), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let resolved = AircraftFile::parse(path, &text).and_then(|f| f.resolve(&BTreeMap::new()));
        match resolved {
            Ok(r) => {
                for i in &r.inputs {
                    assert!(i.value.is_finite() && i.uncertainty.is_finite(), "{}: {}", i.key, i.text);
                }
            }
            Err(d) => assert!(d.has_errors() && d.0.iter().all(|d| !d.message.is_empty())),
        }
    });
}

const MAP: &str = r#"
[source]
delimiter = ","
header = true
[time]
position = 1
unit = "s"
stamp = "sampled"
wraps_at = 65.536
[axes]
from = "front-left-up"
[[channel]]
name = "rate.x"
position = 2
unit = "deg/s"
sign = -1
tap = "raw"
[[channel]]
name = "rotor.1.command"
column = "q"
range = ["1000 us", "2000 us"]
"#;

#[test]
fn fuzz_channel_map() {
    fuzz("channel-map", &seeds(&["toml"], &[MAP]), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        if let Err(d) = ChannelMap::parse(Path::new("map.toml"), &text) {
            assert!(d.has_errors());
        }
    });
}

/// Proposes a map for a file and reads the file through it, and through a map by position.
fn read(path: &Path) {
    let files = [path.to_owned()];
    let name = Path::new("map.toml");
    let mut maps = Vec::new();
    if let Ok(p) = propose(&files, &[], &mut |_, _| {}) {
        assert!(ChannelMap::parse(name, &p.text).is_ok(), "a proposed map does not read back:\n{}", p.text);
        maps.push(p.map);
    }
    maps.extend(ChannelMap::parse(name, "[time]\nposition = 1\nunit = \"s\"\n[[channel]]\nname = \"rate.x\"\nposition = 2\nunit = \"deg/s\"\n"));
    assert!(!maps.is_empty(), "the map by position does not read");
    for map in maps {
        if let Ok(record) = read_with_map(&files, name, &map, Limit::default(), &mut |_, _| {}) {
            assert!(
                record.channels.values().all(|c| c.len() == record.time.len()),
                "channels of unlike length"
            );
            assert!(record.time.windows(2).all(|w| w[0] < w[1]), "time does not ascend");
        }
    }
}

const LOGS: &[&str] = &[
    "t,p,q,r\n0.00,1.0,2.0,3.0\n0.01,1.1,2.1,3.1\n0.02,,2.2,3.2\n0.04,1.3,2.3,x\n0.05,1.4,2.4,3.4\n",
    "# a remark\nt [s];p [deg/s]\n0,00;1,0\n0,01;1,1\n0,01;1,2\n0,02;1,3\n",
    "0.0\t1\t2\n0.1\t3\t4\n0.2\t5\t6\n",
    "\"t\",\"a, b\"\r\n0,\"1\"\r\n1,\"2\"\r\n",
];

#[test]
fn fuzz_csv() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("log.csv");
    fuzz("csv", &seeds(&["csv"], LOGS), |bytes| {
        std::fs::write(&path, bytes).unwrap();
        read(&path);
    });
}

#[test]
fn fuzz_parquet() {
    let dir = tempfile::tempdir().unwrap();
    let time: Vec<f64> = (0..400).map(|k| f64::from(k) * 0.01).collect();
    let rate: Vec<f64> = time.iter().map(|t| (t * 7.0).sin()).collect();
    let meta = RecordMeta {
        id: "seed".to_owned(),
        kind: Kind::Flight,
        build: "b1".to_owned(),
        date: "2026-03-04".to_owned(),
        origin: RecordOrigin::Simulated,
        remark: String::new(),
        setting: String::new(),
        sources: Vec::new(),
        rate: 100.0,
        channels: vec![ChannelMeta {
            name: "rate.x".to_owned(),
            unit: "rad/s".to_owned(),
            column: "rate.x".to_owned(),
            tap: None,
            stamp: None,
        }],
        fingerprint: BTreeMap::new(),
        values: BTreeMap::new(),
        report: ImportReport::default(),
    };
    let record = Record { meta, time, channels: BTreeMap::from([("rate.x".to_owned(), rate)]) };
    record_store::write(dir.path(), &record).unwrap();
    let seed = std::fs::read(dir.path().join("seed").join("data.parquet")).unwrap();
    let path = dir.path().join("log.parquet");
    fuzz("parquet", &[seed], |bytes| {
        std::fs::write(&path, bytes).unwrap();
        read(&path);
    });
}
