//! Sound files: a microphone, and a command line beside it on the second channel.
//!
//! A record of kind `sound` or `tap` keeps the samples, full scale being 1. A record of kind `step` or
//! `sweep` keeps the rotor speed that the sound tracks, on an even grid, so that the questions of
//! those kinds can be asked of it; the window of the track smears it, and the record says by how much.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavReader};
use signal::sound::{self, TrackOptions};

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::{
    ChannelMeta, HandValue, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Source, Stamp, Tap,
};
use crate::record_store;

/// Most samples of a channel: a minute and a half at 192 kHz, six at 44.1 kHz.
pub const MOST_SAMPLES: usize = 16_000_000;
const RATES: (u32, u32) = (8_000, 192_000);
const REMEDY: &str =
    "save it as WAV: PCM of 8, 16, 24 or 32 bit, or 32-bit float, 8 to 192 kHz, one or two channels";

/// A sound file, read.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Samples a second.
    pub rate: f64,
    /// Channels, full scale 1.
    pub channels: Vec<Vec<f64>>,
    /// Bits a sample.
    pub bits: u16,
    /// Samples that stand at full scale.
    pub clipped: usize,
}

/// Whether a file's name says that it is one.
pub fn is_wav(path: &Path) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav") || e.eq_ignore_ascii_case("wave"))
}

fn wrong(path: &Path, message: String) -> Diagnostics {
    Diagnostic::error(path, message).help(REMEDY).into()
}

/// Reads a sound file, sample by sample.
///
/// # Errors
/// A file that is no WAV file, is cut off, too long, or of a form that is not read.
pub fn read_wav(path: &Path) -> Result<Sound, Diagnostics> {
    let said = |e: hound::Error| match e {
        hound::Error::IoError(e) if e.kind() == std::io::ErrorKind::NotFound => {
            Diagnostic::error(path, "there is no such file").help("check the path").into()
        }
        hound::Error::IoError(e) if e.kind() == std::io::ErrorKind::PermissionDenied => {
            Diagnostic::error(path, "may not be read").help("look at the file's permissions").into()
        }
        // What is left is the end of the file where samples should stand.
        hound::Error::IoError(e) => wrong(path, format!("the file ends too early for a WAV file ({e})")),
        other => wrong(path, format!("this is no WAV file that can be read: {other}")),
    };
    let mut reader = WavReader::open(path).map_err(said)?;
    let spec = reader.spec();
    if !(RATES.0..=RATES.1).contains(&spec.sample_rate) {
        return Err(wrong(path, format!("the file has {} samples a second", spec.sample_rate)));
    }
    let count = usize::from(spec.channels);
    if !(1..=2).contains(&count) {
        return Err(wrong(path, format!("the file has {count} channels")));
    }
    let frames = reader.duration() as usize;
    if frames > MOST_SAMPLES {
        let seconds = frames as f64 / f64::from(spec.sample_rate);
        let message = format!(
            "the recording is {seconds:.0} s long, {frames} samples; at most {MOST_SAMPLES} are read"
        );
        return Err(Diagnostic::error(path, message).help("cut it to the steps in question").into());
    }
    let mut channels: Vec<Vec<f64>> = vec![Vec::with_capacity(frames); count];
    let mut clipped = 0;
    let mut put = |index: usize, v: f64| {
        clipped += usize::from(v.abs() >= 0.999_9);
        if let Some(c) = channels.get_mut(index % count) {
            c.push(v);
        }
    };
    match spec.sample_format {
        SampleFormat::Float => {
            for (i, s) in reader.samples::<f32>().enumerate() {
                let v = f64::from(s.map_err(said)?);
                if !v.is_finite() {
                    return Err(wrong(path, format!("sample {} is not a number", i / count + 1)));
                }
                put(i, v);
            }
        }
        SampleFormat::Int => {
            if !(8..=32).contains(&spec.bits_per_sample) {
                return Err(wrong(path, format!("the file has {} bits a sample", spec.bits_per_sample)));
            }
            let scale = 2.0_f64.powi(i32::from(spec.bits_per_sample) - 1);
            for (i, s) in reader.samples::<i32>().enumerate() {
                put(i, f64::from(s.map_err(said)?) / scale);
            }
        }
    }
    let shortest = channels.iter().map(Vec::len).min().unwrap_or(0);
    if shortest < 256 {
        return Err(Diagnostic::error(
            path,
            format!("the recording has {shortest} samples, 256 are the least"),
        )
        .help("record from a second before the first change to a second after the last, and export all of it")
        .into());
    }
    channels.iter_mut().for_each(|c| c.truncate(shortest));
    Ok(Sound { rate: f64::from(spec.sample_rate), channels, bits: spec.bits_per_sample, clipped })
}

/// A sound file to import.
#[derive(Debug, Clone)]
pub struct WavRequest<'a> {
    /// The file.
    pub file: &'a PathBuf,
    /// The dossier's `records` folder.
    pub records: &'a Path,
    /// Identity; else date and kind, numbered.
    pub id: Option<&'a str>,
    /// Sound, tap, step or sweep.
    pub kind: Kind,
    /// Build.
    pub build: &'a str,
    /// Date, `2026-03-04`.
    pub date: &'a str,
    /// Free text.
    pub remark: &'a str,
    /// What was different from the build; empty for the build as it is.
    pub setting: &'a str,
    /// Values entered by hand: `station`, `distance`, `temperature`, `microphone` (channel 1 or 2), `blades`.
    pub values: BTreeMap<String, HandValue>,
    /// Blades of the rotor, as far as known.
    pub blades: Option<u32>,
    /// Hash of each section of the build's aircraft file.
    pub fingerprint: BTreeMap<String, String>,
}

fn channel(name: &str, unit: &str, column: &str) -> ChannelMeta {
    ChannelMeta {
        name: name.to_owned(),
        unit: unit.to_owned(),
        column: column.to_owned(),
        tap: Some(Tap::External),
        stamp: Some(Stamp::Sampled),
    }
}

/// Imports a sound file.
///
/// # Errors
/// A file that cannot be read, a kind that sound does not give, or a track that cannot be made.
pub fn import_wav(request: &WavRequest<'_>) -> Result<RecordMeta, Diagnostics> {
    let file = request.file;
    super::check_labels(file, request.records, request.id, request.date)?;
    let sound = read_wav(file)?;
    let (sha256, bytes) = record_store::hash_file(file)?;
    let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let value = |key: &str| request.values.get(key).map(|v| v.value);
    let microphone = value("microphone").map_or(1, |v| v as usize);
    if !(1..=sound.channels.len()).contains(&microphone) {
        return Err(Diagnostic::error(
            file,
            format!("the microphone is said to be on channel {microphone} of {}", sound.channels.len()),
        )
        .key("microphone")
        .help("leave --value microphone out where the file has one channel")
        .into());
    }
    let mut list = sound.channels;
    let audio = list.remove(microphone - 1);
    let line = list.pop();
    let mut meta = RecordMeta {
        id: String::new(),
        kind: request.kind,
        build: request.build.to_owned(),
        date: request.date.to_owned(),
        origin: RecordOrigin::Measured,
        remark: request.remark.to_owned(),
        setting: request.setting.to_owned(),
        sources: vec![Source { file: name, sha256, bytes }],
        rate: sound.rate,
        channels: Vec::new(),
        fingerprint: request.fingerprint.clone(),
        values: request.values.clone(),
        report: ImportReport { rows: audio.len() as u64, ..ImportReport::default() },
    };
    if sound.clipped > 0 {
        meta.report
            .remarks
            .push(format!("{} samples stand at full scale: record at a lower level", sound.clipped));
    }
    let mut channels = BTreeMap::new();
    let time;
    match request.kind {
        Kind::Sound | Kind::Tap => {
            time = (0..audio.len()).map(|i| i as f64 / sound.rate).collect();
            let column = format!("channel {microphone}, {} bit", sound.bits);
            meta.channels.push(channel("sound", "1", &column));
            channels.insert("sound".to_owned(), audio);
            if let Some(line) = line {
                meta.channels.push(channel("command_line", "1", &format!("channel {}", 3 - microphone)));
                channels.insert("command_line".to_owned(), line);
            }
        }
        Kind::Step | Kind::Sweep => {
            let Some(station) = value("station").filter(|n| *n >= 1.0 && n.fract() == 0.0) else {
                return Err(Diagnostic::error(file, "which rotor this is of is not said")
                    .key("station")
                    .help("add --value station=1")
                    .into());
            };
            let blades = value("blades").or(request.blades.map(f64::from)).unwrap_or(2.0);
            let options = TrackOptions::for_rate(sound.rate);
            let track = sound::track(&audio, sound.rate, &options).map_err(|e| {
                Diagnostics::from(Diagnostic::error(file, format!("no rotor can be followed through this recording: {e}")).help("record a hand's breadth from the rotor's edge, in a quiet room, for two seconds or more"))
            })?;
            if !track.octave.sure {
                meta.report.remarks.push("whether the speed is this, half or twice of it cannot be told from the sound: compare with a known speed".to_owned());
            }
            meta.report.remarks.push(format!(
                "rotor speed by sound, {blades} blades; each value is a mean over {:.0} ms",
                1e3 * track.window
            ));
            let start = track.time.first().copied().unwrap_or(0.0);
            time = track.time.iter().map(|t| t - start).collect();
            let speed = format!("rotor.{station}.speed");
            meta.channels.push(channel(&speed, "rad/s", "sound, blade passage"));
            channels
                .insert(speed, track.frequency.iter().map(|f| std::f64::consts::TAU * f / blades).collect());
            meta.rate = if track.time.len() > 1 { 1.0 / (track.time[1] - track.time[0]) } else { 0.0 };
            meta.report.rows = track.time.len() as u64;
        }
        other => {
            return Err(Diagnostic::error(
                file,
                format!("a sound file gives no record of kind {}", other.word()),
            )
            .key("kind")
            .help("--kind sound, tap, step or sweep")
            .into());
        }
    }
    let mut record = Record { meta, time, channels };
    super::store(request.records, &mut record, request.id, None)?;
    Ok(record.meta)
}
