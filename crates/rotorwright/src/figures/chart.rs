//! A chart as we mean it, before it is drawn: panels that share one abscissa, series told apart by
//! dash, weight and a label at the line's end, limits, leaders and brackets.

use maud::{Markup, PreEscaped, html};

use super::{spec, still};

/// Scale of an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Linear,
    Log,
}

/// An axis with its range, in shown units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Axis {
    /// Quantity and unit: "time, s".
    pub(crate) label: String,
    pub(crate) kind: Kind,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

impl Axis {
    /// Where a value lies, 0 at the low end, 1 at the high end.
    pub(crate) fn place(&self, value: f64) -> f64 {
        match self.kind {
            Kind::Linear => (value - self.low) / (self.high - self.low),
            Kind::Log => (value / self.low).log10() / (self.high / self.low).log10(),
        }
    }
    /// A linear axis around the finite values, with a little air.
    pub(crate) fn around(label: &str, values: impl Iterator<Item = f64>) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for v in values.filter(|v| v.is_finite()) {
            low = low.min(v);
            high = high.max(v);
        }
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        let air = ((high - low) * 0.06).max(high.abs().max(low.abs()) * 1e-3).max(1e-9);
        Self { label: label.to_owned(), kind: Kind::Linear, low: low - air, high: high + air }
    }
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pen {
    /// Index into the dash patterns: 0 solid, then longer to shorter dashes.
    pub(crate) dash: usize,
    /// Width, pixels.
    pub(crate) weight: f64,
    /// Faint ink.
    pub(crate) faint: bool,
}

/// Dash patterns, in SVG's and the chart script's notation.
pub(crate) const DASHES: [&str; 6] = ["", "7 3", "2 2.5", "9 3 2 3", "12 4", "5 2 1.5 2 1.5 2"];

impl Pen {
    /// The pen of the n-th of several equal strands.
    pub(crate) fn strand(n: usize) -> Self {
        Self { dash: n % DASHES.len(), weight: if n < DASHES.len() { 1.1 } else { 1.8 }, faint: false }
    }
}

/// What is drawn of a series.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Look {
    /// A line through the points.
    Line,
    /// Full marks.
    Dots,
    /// Open marks.
    Rings,
    /// The area up to these ordinates.
    Band(Vec<f64>),
}

/// One series.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Series {
    /// Label at the line's end.
    pub(crate) label: String,
    pub(crate) x: Vec<f64>,
    /// NaN breaks the line.
    pub(crate) y: Vec<f64>,
    pub(crate) pen: Pen,
    /// What is drawn.
    pub(crate) look: Look,
    /// Drawn as a staircase.
    pub(crate) steps: bool,
    /// Channel that a zoom fetches detail of.
    pub(crate) channel: Option<String>,
}

/// A note tied to a point by a leader.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Leader {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) text: String,
    /// Row of the text, from the top of the panel.
    pub(crate) row: usize,
}

/// A panel with its own ordinate.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Panel {
    pub(crate) y: Axis,
    pub(crate) series: Vec<Series>,
    pub(crate) leaders: Vec<Leader>,
    /// Named horizontal lines.
    pub(crate) limits: Vec<(f64, String)>,
    /// Named vertical lines.
    pub(crate) rules: Vec<(f64, String)>,
    /// Relative height.
    pub(crate) share: f64,
}

/// A named stretch under the abscissa.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bracket {
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// Short mark that always fits: its number in the list.
    pub(crate) number: usize,
    pub(crate) label: String,
    /// Row of the strip, from the axis down.
    pub(crate) row: usize,
}

/// A chart.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Chart {
    /// Identity within the page.
    pub(crate) id: String,
    /// Accessible name.
    pub(crate) title: String,
    /// The sentence under it.
    pub(crate) caption: String,
    pub(crate) x: Axis,
    pub(crate) panels: Vec<Panel>,
    pub(crate) brackets: Vec<Bracket>,
    /// Height, pixels.
    pub(crate) height: f64,
    /// Address that detail is fetched from on zoom.
    pub(crate) detail: Option<String>,
}

impl Series {
    /// Where the label stands: the last finite ordinate, of a band the middle.
    pub(crate) fn end(&self) -> Option<f64> {
        let k = self.y.iter().rposition(|v| v.is_finite())?;
        match &self.look {
            Look::Band(upper) => Some(0.5 * (self.y[k] + upper.get(k).copied().unwrap_or(self.y[k]))),
            _ => Some(self.y[k]),
        }
    }

    /// Points of the closed outline of a band.
    pub(crate) fn outline(&self) -> Option<(Vec<f64>, Vec<f64>)> {
        let Look::Band(upper) = &self.look else { return None };
        let x = self.x.iter().chain(self.x.iter().rev()).copied().collect();
        let y = self.y.iter().chain(upper.iter().rev()).copied().collect();
        Some((x, y))
    }
}

impl Chart {
    /// Rows of the strip under the abscissa.
    pub(crate) fn strip(&self) -> usize {
        self.brackets.iter().map(|b| b.row + 1).max().unwrap_or(0)
    }

    /// Top and bottom of each panel as fractions of the plotting height, from above.
    pub(crate) fn bands(&self) -> Vec<(f64, f64)> {
        let total: f64 = self.panels.iter().map(|p| p.share).sum();
        let gap = 0.035;
        let free = 1.0 - gap * self.panels.len().saturating_sub(1) as f64;
        let mut at = 0.0;
        self.panels
            .iter()
            .map(|p| {
                let top = at;
                let bottom = top + free * p.share / total;
                at = bottom + gap;
                (top, bottom)
            })
            .collect()
    }

    /// The figure: the still drawing, the specification beside it, and the caption.
    pub(crate) fn figure(&self) -> Markup {
        // The specification stands in a data block; "<" cannot occur in it raw, so that no value
        // can close the block.
        let json = spec::json(self).to_string().replace('<', "\\u003c");
        html! {
            figure.chart id=(self.id) data-title=(self.title) data-detail=[self.detail.as_deref()] {
                div.scroll.still tabindex="0" role="group" aria-label=(self.title) { (still::svg(self)) }
                script.spec type="application/json" { (PreEscaped(json)) }
                figcaption { (self.caption) }
            }
        }
    }
}

/// Round steps for ticks: at most `most` values between the ends.
pub(crate) fn ticks(axis: &Axis, most: usize) -> Vec<f64> {
    match axis.kind {
        Kind::Linear => {
            let span = axis.high - axis.low;
            if span <= 0.0 || !span.is_finite() {
                return vec![axis.low];
            }
            let raw = span / most.max(1) as f64;
            let order = 10f64.powf(raw.log10().floor());
            let step = [1.0, 2.0, 5.0, 10.0]
                .into_iter()
                .map(|m| m * order)
                .find(|s| *s >= raw)
                .unwrap_or(10.0 * order);
            let first = (axis.low / step).ceil() as i64;
            let last = (axis.high / step).floor() as i64;
            (first..=last.min(first + 50)).map(|i| i as f64 * step).collect()
        }
        Kind::Log => {
            let first = axis.low.log10().ceil() as i32;
            let last = axis.high.log10().floor() as i32;
            let every = ((last - first) / most.max(1) as i32 + 1).max(1);
            (first..=last).filter(|d| (d - first) % every == 0).map(|d| 10f64.powi(d)).collect()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let axis = Axis { label: String::new(), kind: Kind::Linear, low: -118.0, high: 123.0 };
        assert_eq!(ticks(&axis, 5), vec![-100.0, -50.0, 0.0, 50.0, 100.0]);
        let axis = Axis { label: String::new(), kind: Kind::Log, low: 0.9, high: 600.0 };
        assert_eq!(ticks(&axis, 6), vec![1.0, 10.0, 100.0]);
    }
}
