//! Charts and tables as data: what a finding or a gate has to show beside its figures. Every face
//! draws the same ones.

use serde::Serialize;

/// One axis of a chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Axis {
    /// What runs along it: "rotor speed".
    pub label: String,
    /// Unit as shown: "rev/s".
    pub unit: String,
    /// Logarithmic.
    pub log: bool,
}

impl Axis {
    /// A linear axis.
    pub fn linear(label: &str, unit: &str) -> Self {
        Self { label: label.to_owned(), unit: unit.to_owned(), log: false }
    }
    /// A logarithmic axis.
    pub fn log(label: &str, unit: &str) -> Self {
        Self { label: label.to_owned(), unit: unit.to_owned(), log: true }
    }
}

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Style {
    /// A solid line: the main thing.
    Line,
    /// A thin line: one of many.
    Thin,
    /// A dashed line: what was asked, or a prediction.
    Dashed,
    /// Separate marks: measured points.
    Dots,
    /// Open marks: points of second rank.
    Rings,
    /// The area between `y` and `upper`.
    Band,
}

/// One series; `x` and `y` have the same length.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Series {
    /// Name, written at the line's end.
    pub name: String,
    /// Abscissae, in the axis' shown unit.
    pub x: Vec<f64>,
    /// Ordinates, in the axis' shown unit.
    pub y: Vec<f64>,
    /// Upper edge of a band.
    pub upper: Vec<f64>,
    /// How it is drawn.
    pub style: Style,
}

impl Series {
    /// A series of points.
    pub fn new(name: &str, style: Style, x: Vec<f64>, y: Vec<f64>) -> Self {
        Self { name: name.to_owned(), x, y, upper: Vec::new(), style }
    }
    /// The area between two lines.
    pub fn band(name: &str, x: Vec<f64>, lower: Vec<f64>, upper: Vec<f64>) -> Self {
        Self { name: name.to_owned(), x, y: lower, upper, style: Style::Band }
    }
}

/// A point or a line worth naming.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "mark", rename_all = "kebab-case")]
pub enum Mark {
    /// A vertical line.
    At {
        /// Abscissa.
        x: f64,
        /// Name.
        name: String,
    },
    /// A horizontal line: a limit.
    Limit {
        /// Ordinate.
        y: f64,
        /// Name.
        name: String,
    },
    /// A named point.
    Point {
        /// Abscissa.
        x: f64,
        /// Ordinate.
        y: f64,
        /// Name.
        name: String,
    },
}

/// A chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// Identity, unique within its page.
    pub id: String,
    /// Title.
    pub title: String,
    /// One sentence: what to see.
    pub caption: String,
    /// Across.
    pub x: Axis,
    /// Up.
    pub y: Axis,
    /// Series, back to front.
    pub series: Vec<Series>,
    /// Named lines and points.
    pub marks: Vec<Mark>,
}

/// A table in words and numbers, already in shown units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    /// Identity, unique within its page.
    pub id: String,
    /// Title.
    pub title: String,
    /// Column heads with units.
    pub head: Vec<String>,
    /// Rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
    /// One sentence beneath, may be empty.
    pub note: String,
}

/// What a gate or a record shows beside its figures.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Shown {
    /// Charts.
    pub charts: Vec<Chart>,
    /// Tables.
    pub tables: Vec<Table>,
}
