//! Tables and paragraphs that fit a width. Lines break at spaces, so a number is never cut.

use std::collections::{BTreeMap, HashMap};

use crate::format::HARD_SPACE;

/// A table: a heading line, a rule, rows. Every column may wrap.
#[derive(Debug, Clone, Default)]
pub struct Table {
    headers: Vec<String>,
    rows: Vec<Vec<String>>,
    /// Lines across all columns but the first, by the row that they stand above.
    spans: BTreeMap<usize, Vec<(String, String)>>,
    indent: usize,
}

/// Blank columns between two columns.
const GAP: usize = 2;

impl Table {
    /// A table with these headings.
    pub fn new(headers: &[&str]) -> Self {
        Self { headers: headers.iter().map(|&h| h.to_owned()).collect(), ..Self::default() }
    }

    /// The same table set in by `indent` columns.
    #[must_use]
    pub fn indented(mut self, indent: usize) -> Self {
        self.indent = indent;
        self
    }

    /// Adds a row; cells missing at the end are blank, cells too many are left out.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        let mut row: Vec<String> = cells.into_iter().map(Into::into).collect();
        row.resize(self.headers.len(), String::new());
        self.rows.push(row);
    }

    /// A text across all columns but the first, above the next row or below the last; `first` stands in the first.
    pub fn span(&mut self, first: &str, text: &str) {
        self.spans.entry(self.rows.len()).or_default().push((first.to_owned(), text.to_owned()));
    }

    /// Whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The text, each line ended. What is too wide however it wraps stands in parts below each other, each with the
    /// first column again.
    pub fn render(&self, width: usize) -> String {
        let room = width.saturating_sub(self.indent);
        let widths = self.widths(room);
        if taken(&widths) <= room {
            return self.text(&widths, width);
        }
        let parts: Vec<String> = self
            .stacked(room)
            .iter()
            .map(|part| {
                let widths = part.widths(room);
                part.text(&widths, width)
            })
            .collect();
        parts.join("\n")
    }

    /// The parts of a table too wide: as many columns each as fit with their words whole, at least one beside the first.
    fn stacked(&self, room: usize) -> Vec<Table> {
        let least: Vec<usize> = (0..self.headers.len()).map(|i| self.most(i, longest_word)).collect();
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for i in 1..least.len() {
            match groups.last_mut() {
                Some(g)
                    if taken(&[0].iter().chain(&*g).chain(&[i]).map(|k| least[*k]).collect::<Vec<_>>())
                        <= room =>
                {
                    g.push(i);
                }
                _ => groups.push(vec![i]),
            }
        }
        if groups.is_empty() {
            return vec![self.clone()];
        }
        groups
            .iter()
            .enumerate()
            .map(|(k, group)| {
                let pick = |cells: &[String]| -> Vec<String> {
                    [0].iter().chain(group).filter_map(|i| cells.get(*i)).cloned().collect()
                };
                Table {
                    headers: pick(&self.headers),
                    rows: self.rows.iter().map(|r| pick(r)).collect(),
                    spans: if k == 0 { self.spans.clone() } else { BTreeMap::new() },
                    indent: self.indent,
                }
            })
            .collect()
    }

    fn text(&self, widths: &[usize], width: usize) -> String {
        let mut out = String::new();
        self.line(&mut out, &self.headers, widths);
        let rules: Vec<String> = widths.iter().map(|&w| "-".repeat(w)).collect();
        self.line(&mut out, &rules, widths);
        for k in 0..=self.rows.len() {
            for (first, text) in self.spans.get(&k).into_iter().flatten() {
                let lead = widths.first().map_or(0, |w| self.indent + w + GAP);
                let first = format!("{:indent$}{first:<lead$}", "", indent = self.indent);
                out.push_str(&paragraph(text, &first, lead, width));
            }
            if let Some(row) = self.rows.get(k) {
                self.line(&mut out, row, widths);
            }
        }
        out
    }

    /// Natural widths, then one column after another gives way until all fit: the one that makes
    /// the table grow least, none below its longest word; where that is not enough, none below the longest part of a word
    /// between hyphens.
    fn widths(&self, width: usize) -> Vec<usize> {
        let mut widths: Vec<usize> = (0..self.headers.len()).map(|i| self.most(i, length)).collect();
        let mut least: Vec<usize> = (0..self.headers.len()).map(|i| self.most(i, longest_word)).collect();
        let mut whole_words = true;
        let room = width.saturating_sub(GAP * self.headers.len().saturating_sub(1));
        // Lines of every row by column and width, found once.
        let mut known: HashMap<(usize, usize), Vec<usize>> = HashMap::new();
        let mut heights = |i: usize, w: usize| -> Vec<usize> {
            known.entry((i, w)).or_insert_with(|| self.column(i).map(|c| wrap(c, w).len()).collect()).clone()
        };
        while widths.iter().sum::<usize>() > room {
            let mut best: Option<(usize, std::cmp::Reverse<usize>, usize)> = None;
            for i in (0..widths.len()).filter(|&i| widths[i] > least[i]) {
                let mut tallest = heights(i, widths[i] - 1);
                for j in (0..widths.len()).filter(|&j| j != i) {
                    for (t, h) in tallest.iter_mut().zip(heights(j, widths[j])) {
                        *t = (*t).max(h);
                    }
                }
                let candidate = (tallest.iter().sum(), std::cmp::Reverse(widths[i]), i);
                best = Some(best.map_or(candidate, |b| b.min(candidate)));
            }
            match best {
                Some((_, _, i)) => widths[i] -= 1,
                None if whole_words => {
                    whole_words = false;
                    least = (0..self.headers.len()).map(|i| self.most(i, longest_part)).collect();
                }
                None => break,
            }
        }
        widths
    }

    fn column(&self, i: usize) -> impl Iterator<Item = &str> {
        self.rows.iter().chain([&self.headers]).filter_map(move |r| r.get(i)).map(String::as_str)
    }

    /// The largest measure of a column's cells.
    fn most(&self, i: usize, measure: fn(&str) -> usize) -> usize {
        let spans = self.spans.values().flatten().filter(|_| i == 0).map(|(first, _)| measure(first));
        self.column(i).map(measure).chain(spans).max().unwrap_or(0)
    }

    fn line(&self, out: &mut String, cells: &[String], widths: &[usize]) {
        let wrapped: Vec<Vec<String>> = cells.iter().zip(widths).map(|(c, &w)| wrap(c, w)).collect();
        let height = wrapped.iter().map(Vec::len).max().unwrap_or(0);
        for k in 0..height {
            let mut line = " ".repeat(self.indent);
            for (i, (lines, &w)) in wrapped.iter().zip(widths).enumerate() {
                if i > 0 {
                    line.push_str(&" ".repeat(GAP));
                }
                let text = lines.get(k).map_or("", String::as_str);
                line.push_str(text);
                line.push_str(&" ".repeat(w.saturating_sub(length(text))));
            }
            out.push_str(line.trim_end());
            out.push('\n');
        }
    }
}

/// Width of columns and the gaps between them.
fn taken(widths: &[usize]) -> usize {
    widths.iter().sum::<usize>() + GAP * widths.len().saturating_sub(1)
}

fn length(text: &str) -> usize {
    text.chars().count()
}

fn longest_word(text: &str) -> usize {
    text.split([' ', '\n']).map(length).max().unwrap_or(0)
}

/// Parts of a word that may stand on different lines: each but the last ends in a hyphen between letters or digits.
fn parts(word: &str) -> Vec<&str> {
    let mut out = Vec::new();
    let mut from = 0;
    let bytes = word.as_bytes();
    for k in 1..bytes.len().saturating_sub(1) {
        if bytes[k] == b'-' && bytes[k - 1].is_ascii_alphanumeric() && bytes[k + 1].is_ascii_alphanumeric() {
            out.push(&word[from..=k]);
            from = k + 1;
        }
    }
    out.push(&word[from..]);
    out
}

fn longest_part(text: &str) -> usize {
    text.split([' ', '\n']).flat_map(parts).map(length).max().unwrap_or(0)
}

/// Lines of at most `width` characters, broken at spaces and at the text's own line ends; a longer word at its hyphens, else it
/// stands over.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for paragraph in text.split('\n') {
        let mut line = String::new();
        for word in paragraph.split(' ').filter(|w| !w.is_empty()) {
            if !line.is_empty() && length(&line) + 1 + length(word) > width {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            if length(word) <= width {
                line.push_str(word);
                continue;
            }
            for part in parts(word) {
                if !line.is_empty() && length(&line) + length(part) > width {
                    lines.push(std::mem::take(&mut line));
                }
                line.push_str(part);
            }
        }
        lines.push(line);
    }
    for line in &mut lines {
        *line = line.replace(HARD_SPACE, " ");
    }
    lines
}

/// A paragraph with a first and a hanging indent, each line ended.
pub fn paragraph(text: &str, first: &str, hanging: usize, width: usize) -> String {
    let mut out = String::new();
    let room = width.saturating_sub(hanging.max(length(first)));
    for (i, line) in wrap(text, room).into_iter().enumerate() {
        let lead = if i == 0 { first.to_owned() } else { " ".repeat(hanging) };
        out.push_str(format!("{lead}{line}").trim_end());
        out.push('\n');
    }
    out
}

/// A heading with a rule under it.
pub fn heading(text: &str, rule: char) -> String {
    let mut out = String::new();
    for line in wrap(text, super::WIDTH) {
        out.push_str(&line);
        out.push('\n');
    }
    out.push_str(&rule.to_string().repeat(length(text).min(super::WIDTH)));
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fits_and_keeps_numbers_whole() {
        let mut t = Table::new(&["Criterion", "Predicted", "Limit"]);
        let long =
            "a criterion that needs quite a few more words than the page has columns for, told at length";
        t.row([long, "104.5\u{a0}±\u{a0}2.3 rad/s²", "≥\u{a0}90 rad/s²"]);
        let text = t.render(48);
        assert!(text.lines().all(|l| l.chars().count() <= 48), "{text}");
        assert!(text.contains("104.5 ± 2.3"), "{text}");
        for word in long.split(' ') {
            assert!(text.contains(word), "{word} lost in\n{text}");
        }
    }

    #[test]
    fn a_span_stands_above_its_row() {
        let mut t = Table::new(&["No", "Value"]);
        t.span("1.1", "what it is");
        t.row(["", "5 N"]);
        assert_eq!(t.render(40), "No   Value\n---  -----\n1.1  what it is\n     5 N\n");
    }

    #[test]
    fn a_long_name_gives_way_at_its_hyphens() {
        let mut t = Table::new(&["Record", "Rate"]);
        t.row(["2026-03-02-step-1-slow-frames", "1000\u{a0}Hz"]);
        let text = t.render(24);
        assert_eq!(
            text,
            "Record           Rate\n---------------  -------\n2026-03-02-      1000 Hz\nstep-1-slow-\nframes\n"
        );
        assert_eq!(wrap("-12.5 a-b", 4), ["-12.5", "a-b"]);
    }

    #[test]
    fn too_wide_is_stacked_without_loss() {
        let mut t = Table::new(&["Corner", "Crossover", "Margin", "Bandwidth", "Overshoot"]);
        t.row(["roll", "12.51\u{a0}rad/s", "44.27\u{a0}deg", "23.45\u{a0}rad/s", "17.5\u{a0}%"]);
        let text = t.render(32);
        assert_eq!(
            text,
            "Corner  Crossover    Margin\n------  -----------  ---------\nroll    12.51 rad/s  44.27 deg\n\n\
             Corner  Bandwidth    Overshoot\n------  -----------  ---------\nroll    23.45 rad/s  17.5 %\n"
        );
    }

    #[test]
    fn too_narrow_overflows_rather_than_cuts() {
        let mut t = Table::new(&["A", "B"]);
        t.row(["123456789.25", "x"]);
        assert!(t.render(5).contains("123456789.25"));
    }
}
