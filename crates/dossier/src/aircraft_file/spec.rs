//! How a file's keys are described: one description drives reading, hints, range checks, the
//! schema and the documentation.

use crate::units::Dimension;

/// What a key holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Free text.
    Text,
    /// `true` or `false`.
    Flag,
    /// A whole number.
    Count,
    /// One quantity.
    Quantity(Dimension),
    /// Three quantities along x, y, z.
    Vector(Dimension),
    /// One quantity for all axes, or three for roll, pitch, yaw.
    Axes(Dimension),
    /// Three plain numbers: a direction along x, y, z.
    Direction,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A list of these words.
    Words(&'static [&'static str]),
    /// Name of a file beside this one.
    File,
    /// An inline table with the keys of this section.
    Nested(&'static str),
}

/// Whether a key must stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Its section is not complete without it.
    Required,
    /// It may be left out.
    Optional,
    /// It may be left out; this TOML value holds then.
    Default(&'static str),
}

/// Allowed range, as people write it. Where a unit is needed the texts carry one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Range {
    /// Least value.
    pub min: &'static str,
    /// Largest value.
    pub max: &'static str,
    /// Whether the least value itself is out.
    pub above_min: bool,
    /// Whether the largest value itself is out.
    pub below_max: bool,
    /// Why.
    pub why: &'static str,
}

impl Range {
    /// The range in words: "from 2 cm to 3 m", "above 0 kg, at most 500 kg", "from 0, below 1".
    pub fn words(&self) -> String {
        match (self.above_min, self.below_max) {
            (false, false) => format!("from {} to {}", self.min, self.max),
            (true, false) => format!("above {}, at most {}", self.min, self.max),
            (false, true) => format!("from {}, below {}", self.min, self.max),
            (true, true) => format!("above {}, below {}", self.min, self.max),
        }
    }
}

/// Half-width of the rectangular distribution that is assumed where no tolerance is stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tolerance {
    /// The value is a count or a setting and has no error.
    Exact,
    /// In percent of the value.
    Percent(f64, &'static str),
    /// As a quantity: "2 mm".
    Within(&'static str, &'static str),
}

/// One key.
#[derive(Debug, Clone, Copy)]
pub struct Key {
    /// Section: `rotor`, `loop.rate`, `mass.cylinder`.
    pub section: &'static str,
    /// Name within the section.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Whether it must stand.
    pub need: Need,
    /// Allowed range.
    pub range: Option<Range>,
    /// Tolerance where none is stated.
    pub tolerance: Tolerance,
    /// Correct value as TOML text.
    pub example: &'static str,
    /// What it is, for people: "rotor diameter".
    pub label: &'static str,
    /// One line more.
    pub doc: &'static str,
    /// Belongs only where this key of the section has this value.
    pub when: Option<(&'static str, &'static str)>,
}

impl Key {
    /// A key that may be left out, without range, exact.
    pub(crate) const fn new(
        section: &'static str,
        name: &'static str,
        kind: Kind,
        example: &'static str,
        label: &'static str,
        doc: &'static str,
    ) -> Self {
        Self {
            section,
            name,
            kind,
            need: Need::Optional,
            range: None,
            tolerance: Tolerance::Exact,
            example,
            label,
            doc,
            when: None,
        }
    }
    pub(crate) const fn required(mut self) -> Self {
        self.need = Need::Required;
        self
    }
    pub(crate) const fn or(mut self, default: &'static str) -> Self {
        self.need = Need::Default(default);
        self
    }
    /// Range with both ends allowed.
    pub(crate) const fn within(mut self, min: &'static str, max: &'static str, why: &'static str) -> Self {
        self.range = Some(Range { min, max, above_min: false, below_max: false, why });
        self
    }
    /// Range without its lower end.
    pub(crate) const fn above(mut self, min: &'static str, max: &'static str, why: &'static str) -> Self {
        self.range = Some(Range { min, max, above_min: true, below_max: false, why });
        self
    }
    /// Range without its upper end.
    pub(crate) const fn below(mut self, min: &'static str, max: &'static str, why: &'static str) -> Self {
        self.range = Some(Range { min, max, above_min: false, below_max: true, why });
        self
    }
    pub(crate) const fn percent(mut self, percent: f64, why: &'static str) -> Self {
        self.tolerance = Tolerance::Percent(percent, why);
        self
    }
    pub(crate) const fn give(mut self, half_width: &'static str, why: &'static str) -> Self {
        self.tolerance = Tolerance::Within(half_width, why);
        self
    }
    pub(crate) const fn when(mut self, key: &'static str, value: &'static str) -> Self {
        self.when = Some((key, value));
        self
    }
    /// Dotted path: `rotor.diameter`.
    pub fn path(&self) -> String {
        format!("{}.{}", self.section, self.name)
    }
    /// Dimension of the numbers, where it holds numbers.
    pub fn dimension(&self) -> Option<Dimension> {
        match self.kind {
            Kind::Quantity(d) | Kind::Vector(d) | Kind::Axes(d) => Some(d),
            Kind::Count | Kind::Direction => Some(Dimension::Ratio),
            Kind::Text | Kind::Flag | Kind::Choice(_) | Kind::Words(_) | Kind::File | Kind::Nested(_) => None,
        }
    }
    /// The allowed form in words.
    pub fn form(&self) -> String {
        match self.kind {
            Kind::Text => "a text in quotes".to_owned(),
            Kind::Flag => "true or false, without quotes".to_owned(),
            Kind::Count => "a whole number, without quotes".to_owned(),
            Kind::Quantity(Dimension::Ratio) => "a plain number, or a text such as \"5 %\"".to_owned(),
            Kind::Quantity(d) => format!("{} with its unit, in quotes (units: {})", d.name(), d.offers()),
            Kind::Vector(d) => format!("three values along x, y, z, each {} with its unit", d.name()),
            Kind::Axes(Dimension::Ratio) => {
                "one number for all axes, or three for roll, pitch, yaw".to_owned()
            }
            Kind::Axes(d) => {
                format!("{} with its unit, one for all axes or three for roll, pitch, yaw", d.name())
            }
            Kind::Direction => "three plain numbers along x, y, z, of length one".to_owned(),
            Kind::Choice(words) => format!("one of {}", quoted(words)),
            Kind::Words(words) => format!("a list of {}", quoted(words)),
            Kind::File => "the name of a file, in quotes".to_owned(),
            Kind::Nested(_) => "a table in braces".to_owned(),
        }
    }
    /// "write diameter = "15 in": a length with its unit ...".
    pub fn remedy(&self) -> String {
        format!("write {} = {}: {}", self.name, self.example, self.form())
    }
}

/// Words as a list: "quad-x", "quad-plus".
pub(crate) fn quoted(words: &[&str]) -> String {
    words.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(", ")
}

/// One section of a file.
#[derive(Debug, Clone, Copy)]
pub struct Section {
    /// Name: `rotor`, `loop.rate`.
    pub name: &'static str,
    /// Whether it stands in double brackets and may be repeated.
    pub list: bool,
    /// Whether the file is not complete without it.
    pub required: bool,
    /// Whether it is an inline table of another section, as `mass.cylinder`.
    pub inline: bool,
    /// One line.
    pub doc: &'static str,
}

impl Section {
    pub(crate) const fn one(name: &'static str, required: bool, doc: &'static str) -> Self {
        Self { name, list: false, required, inline: false, doc }
    }
    pub(crate) const fn many(name: &'static str, required: bool, doc: &'static str) -> Self {
        Self { name, list: true, required, inline: false, doc }
    }
    pub(crate) const fn inner(name: &'static str, doc: &'static str) -> Self {
        Self { name, list: false, required: false, inline: true, doc }
    }
    /// Header as written: `[rotor]` or `[[mass]]`.
    pub fn header(&self) -> String {
        if self.list { format!("[[{}]]", self.name) } else { format!("[{}]", self.name) }
    }
}

/// The description of a file.
#[derive(Debug, Clone, Copy)]
pub struct Spec {
    /// Its sections.
    pub sections: &'static [Section],
    /// Its keys.
    pub keys: &'static [Key],
    /// What the file is, for messages: "aircraft file".
    pub what: &'static str,
    /// A least file, for the hint on an empty one.
    pub least: &'static str,
}

impl Spec {
    /// Keys of a section.
    pub fn keys_of<'a>(&'a self, section: &'a str) -> impl Iterator<Item = &'static Key> + 'a {
        self.keys.iter().filter(move |k| k.section == section)
    }
    /// Key by section and name.
    pub fn key(&self, section: &str, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|k| k.section == section && k.name == name)
    }
    /// Section by name.
    pub fn section(&self, name: &str) -> Option<&'static Section> {
        self.sections.iter().find(|s| s.name == name)
    }
}

/// Edit distance with neighbouring letters exchanged counted as one (optimal string alignment).
pub(crate) fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let same = a[i - 1] == b[j - 1];
            let mut best =
                (rows[i - 1][j] + 1).min(row[j - 1] + 1).min(rows[i - 1][j - 1] + usize::from(!same));
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

/// The candidate nearest to the word, when it is near enough to be meant.
pub(crate) fn nearest<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    const LONGEST: usize = 64;
    let plain = |s: &str| s.to_lowercase().replace(['-', ' '], "_");
    let word = plain(word);
    if word.chars().count() > LONGEST {
        return None;
    }
    candidates
        .map(|c| {
            let p = plain(c);
            let d = distance(&word, &p);
            // A key that begins with the word, or the other way round, is meant even when far.
            let stem =
                word.len() >= 3 && (p.starts_with(&word) || word.starts_with(&p) || p.ends_with(&word));
            (if stem { d.min(2) } else { d }, c)
        })
        .filter(|(d, c)| {
            *d <= (c.chars().count().max(word.chars().count()) / 3)
                .max(1)
                .max(usize::from(*d == 2 && word.len() >= 3) * 2)
        })
        .min_by_key(|(d, _)| *d)
        .map(|(_, c)| c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn val_edit_distance() {
        // Textbook pairs: kitten/sitting 3; an exchange of neighbours counts once.
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("ct", "tc"), 1);
        assert_eq!(distance("", "abc"), 3);
    }

    #[test]
    fn regress_nearest() {
        let keys = ["diameter", "pitch", "blades", "ct", "cp", "inertia"];
        assert_eq!(nearest("diametre", keys.into_iter()), Some("diameter"));
        assert_eq!(nearest("Pitch", keys.into_iter()), Some("pitch"));
        assert_eq!(nearest("colour", keys.into_iter()), None);
    }
}
