//! What was read of a section: its keys with their values, and every number with its place.

use std::ops::Range;

use super::spec::{Key, Tolerance};
use crate::result::InputLine;
use crate::units::{Dimension, parse_quantity};

/// A number of the file with its place and description.
#[derive(Debug, Clone)]
pub(crate) struct Input {
    pub(crate) line: InputLine,
    pub(crate) spec: &'static Key,
    pub(crate) span: Option<Range<usize>>,
}

/// What a key was found to hold. Numbers are indices into the inputs.
#[derive(Debug, Clone)]
pub(crate) enum Held {
    Number(usize),
    Triple([usize; 3]),
    Flag(bool),
    Text(String),
    Word(&'static str),
    Words(Vec<&'static str>),
    Nested(Box<Fields>),
    /// It stands there but could not be read; the error is kept elsewhere.
    Broken,
}

/// One key of a section as found, or its default (no span).
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub(crate) spec: &'static Key,
    pub(crate) held: Held,
    pub(crate) span: Option<Range<usize>>,
}

/// One section, or one item of a repeated section.
#[derive(Debug, Clone)]
pub(crate) struct Fields {
    /// `rotor`, `mass.2`.
    pub(crate) path: String,
    pub(crate) section: &'static str,
    pub(crate) span: Option<Range<usize>>,
    pub(crate) list: Vec<Field>,
}

impl Fields {
    pub(crate) fn get(&self, name: &str) -> Option<&Field> {
        self.list.iter().find(|f| f.spec.name == name)
    }
    /// Whether the key stands in the file, readable or not.
    pub(crate) fn stated(&self, name: &str) -> bool {
        self.get(name).is_some_and(|f| f.span.is_some())
    }
    /// Index of the number of a key.
    pub(crate) fn index(&self, name: &str) -> Option<usize> {
        match self.get(name)?.held {
            Held::Number(i) => Some(i),
            _ => None,
        }
    }
    pub(crate) fn number(&self, name: &str, values: &[f64]) -> Option<f64> {
        values.get(self.index(name)?).copied()
    }
    pub(crate) fn triple(&self, name: &str, values: &[f64]) -> Option<[f64; 3]> {
        match self.get(name)?.held {
            Held::Triple([x, y, z]) => Some([*values.get(x)?, *values.get(y)?, *values.get(z)?]),
            _ => None,
        }
    }
    pub(crate) fn flag(&self, name: &str) -> Option<bool> {
        match self.get(name)?.held {
            Held::Flag(b) => Some(b),
            _ => None,
        }
    }
    pub(crate) fn word(&self, name: &str) -> Option<&'static str> {
        match self.get(name)?.held {
            Held::Word(w) => Some(w),
            _ => None,
        }
    }
    pub(crate) fn words(&self, name: &str) -> Option<&[&'static str]> {
        match &self.get(name)?.held {
            Held::Words(w) => Some(w),
            _ => None,
        }
    }
    pub(crate) fn text(&self, name: &str) -> Option<&str> {
        match &self.get(name)?.held {
            Held::Text(t) => Some(t),
            _ => None,
        }
    }
    pub(crate) fn nested(&self, name: &str) -> Option<&Self> {
        match &self.get(name)?.held {
            Held::Nested(f) => Some(f),
            _ => None,
        }
    }
    /// Span of a key's value, or of the section's header.
    pub(crate) fn place(&self, name: &str) -> Option<&Range<usize>> {
        self.get(name).and_then(|f| f.span.as_ref()).or(self.span.as_ref())
    }
}

/// Standard uncertainty that is assumed for a key, and whether it is one.
pub(crate) fn assumed(key: &Key, value: f64, d: Dimension) -> (f64, bool) {
    let half = match key.tolerance {
        Tolerance::Exact => return (0.0, false),
        Tolerance::Percent(p, _) => value.abs() * p / 100.0,
        Tolerance::Within(text, _) => {
            let d = if d == Dimension::Temperature { Dimension::TemperatureDifference } else { d };
            parse_quantity(text, d).map_or(0.0, |q| q.value)
        }
    };
    (half / 3.0_f64.sqrt(), true)
}

/// Message when a value lies outside its key's range, widened by `slack` (SI).
pub(crate) fn out_of_range(key: &Key, value: f64, text: &str, d: Dimension, slack: f64) -> Option<String> {
    let range = key.range?;
    let min = parse_quantity(range.min, d).ok()?.value;
    let max = parse_quantity(range.max, d).ok()?.value;
    let low = if range.above_min { value <= min } else { value < min - slack };
    let high = if range.below_max { value >= max } else { value > max + slack };
    (low || high).then(|| format!("`{text}` is out of range ({}): {}", range.words(), range.why))
}
