//! Records: imported measurements with their channels, tap points and fingerprint.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::estimate::Origin;

/// Kind of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Scale readings, entered by hand.
    Weighing,
    /// Hand-entered value or remark.
    Note,
    /// A flight.
    Flight,
    /// Unpowered: the aircraft turned by hand about each axis.
    HandRotation,
    /// Propellers off, one motor at a time.
    SpinCheck,
    /// End points, presets and first-flight limits, ticked.
    Checklist,
    /// Command, voltage, current, speed, thrust, torque in steady states.
    Sweep,
    /// Command against speed or thrust in steps.
    Step,
    /// A microphone, with or without the command line.
    Sound,
    /// Free vibration after a tap.
    Tap,
    /// Periods of a pendulum on two or three wires.
    Swing,
    /// A weight on a thread that turns the aircraft about one axis.
    Fall,
    /// Vibration without and with a trial mass.
    Balance,
    /// Magnetometer and current in a restrained run-up.
    Magnetic,
    /// Satellite signal and barometer with motors and radio off and on.
    Reception,
    /// Voltage and current of a battery that is emptied.
    Discharge,
    /// Signal and loss against distance.
    Range,
}

impl Kind {
    /// All kinds with the word that `record.toml` and the command line use and what it is.
    pub const ALL: [(Self, &'static str, &'static str); 17] = [
        (Self::Weighing, "weighing", "scale readings"),
        (Self::Note, "note", "a value or a remark"),
        (Self::Flight, "flight", "a flight log"),
        (Self::HandRotation, "hand-rotation", "unpowered, turned by hand about each axis"),
        (Self::SpinCheck, "spin-check", "propellers off, one motor at a time"),
        (Self::Checklist, "checklist", "end points, presets and first-flight limits, ticked"),
        (Self::Sweep, "sweep", "steady states of one drive from idle to full"),
        (Self::Step, "step", "steps of one drive's command"),
        (Self::Sound, "sound", "a recording of one drive's sound"),
        (Self::Tap, "tap", "free vibration after a tap"),
        (Self::Swing, "swing", "periods of a pendulum"),
        (Self::Fall, "fall", "turned by a falling weight"),
        (Self::Balance, "balance", "vibration with and without a trial mass"),
        (Self::Magnetic, "magnetic", "magnetometer and current, restrained run-up"),
        (Self::Reception, "reception", "signal and pressure, motors and radio off and on"),
        (Self::Discharge, "discharge", "a battery emptied"),
        (Self::Range, "range", "signal against distance"),
    ];

    /// Word of the kind, as in `record.toml`.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(k, _, _)| *k == self).map_or("", |(_, word, _)| word)
    }

    /// Kind by its word.
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, w, _)| *w == word).map(|(k, _, _)| *k)
    }
}

/// Where on its way a channel was tapped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tap {
    /// Sensor output before any filter of the controller.
    Raw,
    /// After the controller's filters.
    Filtered,
    /// Demand or command before mixing.
    BeforeMixing,
    /// Command after mixing, as sent to the ESC.
    AfterMixing,
    /// Output of an estimator.
    Estimated,
    /// From outside the aircraft (motion capture, tachometer).
    External,
}

/// What a time stamp means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stamp {
    /// When the quantity was sampled.
    Sampled,
    /// When the value was received.
    Received,
    /// When the line was logged.
    Logged,
    /// Nobody logged it: the channel map states the channel, its moments are no better than that.
    Stated,
}

/// One channel of a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelMeta {
    /// Canonical name: `rate.x`.
    pub name: String,
    /// SI unit.
    pub unit: String,
    /// Column of the source it was made from, with the turn applied, for people.
    pub column: String,
    /// Tap point, where stated.
    pub tap: Option<Tap>,
    /// Meaning of the time stamp, where stated.
    pub stamp: Option<Stamp>,
}

/// The file a record was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// File name without folder.
    pub file: String,
    /// SHA-256, hexadecimal.
    pub sha256: String,
    /// Size, bytes.
    pub bytes: u64,
}

/// A value entered by hand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandValue {
    /// Value, SI.
    pub value: f64,
    /// Standard uncertainty, SI.
    pub uncertainty: f64,
    /// SI unit.
    pub unit: String,
}

/// What import found worth saying about the data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct ImportReport {
    /// Rows read.
    pub rows: u64,
    /// Rows left out as malformed.
    pub malformed: u64,
    /// Samples with a repeated time stamp, left out.
    pub duplicates: u64,
    /// Rows that stood out of order and were sorted.
    pub unsorted: u64,
    /// Longer pauses than 2.5 sample periods.
    pub gaps: u64,
    /// Sentences for people.
    pub remarks: Vec<String>,
}

/// `record.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordMeta {
    /// Identity: the folder's name.
    pub id: String,
    /// Kind.
    pub kind: Kind,
    /// Build it was made with.
    pub build: String,
    /// Date of the measurement, ISO 8601 (`2026-03-04`).
    pub date: String,
    /// `measured`, or `simulated` for our own flight model.
    pub origin: RecordOrigin,
    /// Free text.
    #[serde(default)]
    pub remark: String,
    /// What was different from the build on this bench ("motor timing 30 deg"): a trial, to be compared. No gate
    /// rests on a trial, and no prediction. Empty where the record is of the build as it is.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub setting: String,
    /// Sources.
    #[serde(default)]
    pub sources: Vec<Source>,
    /// Median sample rate, Hz; zero for hand-entered records.
    #[serde(default)]
    pub rate: f64,
    /// Channels.
    #[serde(default)]
    pub channels: Vec<ChannelMeta>,
    /// Hash of each section of the build's aircraft file when the record was made: `rotor` -> hex.
    #[serde(default)]
    pub fingerprint: BTreeMap<String, String>,
    /// Values entered by hand: `scale.1`, `case_temperature`.
    #[serde(default)]
    pub values: BTreeMap<String, HandValue>,
    /// What import said.
    #[serde(default)]
    pub report: ImportReport,
}

/// Origin of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RecordOrigin {
    /// Measured.
    Measured,
    /// Made by our flight model.
    Simulated,
}

impl From<RecordOrigin> for Origin {
    fn from(o: RecordOrigin) -> Self {
        match o {
            RecordOrigin::Measured => Self::Measured,
            RecordOrigin::Simulated => Self::Simulated,
        }
    }
}

/// A record with its data.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Description.
    pub meta: RecordMeta,
    /// Time, s, ascending, from 0 at the first row.
    pub time: Vec<f64>,
    /// Channels by canonical name, SI, the same length as `time`; NaN where there is no sample.
    pub channels: BTreeMap<String, Vec<f64>>,
}

impl Record {
    /// Samples of a channel.
    pub fn channel(&self, name: &str) -> Option<&[f64]> {
        self.channels.get(name).map(Vec::as_slice)
    }
    /// Description of a channel.
    pub fn channel_meta(&self, name: &str) -> Option<&ChannelMeta> {
        self.meta.channels.iter().find(|c| c.name == name)
    }
    /// Names of all rotor channels that end in `what` (`speed`, `command`), in rotor order.
    pub fn rotor_channels(&self, what: &str) -> Vec<&[f64]> {
        (1..).map_while(|i| self.channel(&format!("rotor.{i}.{what}"))).collect()
    }
}
