//! Where in the aircraft file a thing of the model stands, so that a change can be written there.

use physics::aircraft::{Spin, Station};
use toml_edit::{Document, Item};

use crate::result::KeyChange;

/// Places in one aircraft file.
#[derive(Debug, Clone, PartialEq)]
pub struct Keys {
    /// Names of the mass items, with whether each stands once per rotor.
    items: Vec<(String, bool)>,
    /// Sense of cant as written, by station; one entry for the layout form.
    senses: Vec<Option<String>>,
    /// Whether the stations are listed one by one.
    explicit: bool,
    /// Layout by name, when they are not.
    layout: Option<String>,
}

impl Keys {
    /// Reads the places from a file's text; a text that is not TOML has none.
    pub fn of(text: &str) -> Self {
        let Ok(doc) = Document::parse(text) else {
            return Self { items: Vec::new(), senses: Vec::new(), explicit: false, layout: None };
        };
        let tables = |name: &str| -> Vec<&toml_edit::Table> {
            doc.get(name).and_then(Item::as_array_of_tables).map(|a| a.iter().collect()).unwrap_or_default()
        };
        let items = tables("mass")
            .iter()
            .map(|t| {
                let name = t.get("item").and_then(Item::as_str).unwrap_or_default().to_owned();
                (name, t.get("per_rotor").and_then(Item::as_bool).unwrap_or(false))
            })
            .collect();
        let stations = tables("station");
        let explicit = !stations.is_empty();
        let sense =
            |t: &dyn toml_edit::TableLike| t.get("cant_sense").and_then(Item::as_str).map(str::to_owned);
        let senses = if explicit {
            stations.iter().map(|t| sense(*t)).collect()
        } else {
            vec![doc.get("aircraft").and_then(Item::as_table_like).and_then(sense)]
        };
        let layout = doc
            .get("aircraft")
            .and_then(Item::as_table_like)
            .and_then(|t| t.get("layout"))
            .and_then(Item::as_str)
            .filter(|_| !explicit)
            .map(str::to_owned);
        Self { items, senses, explicit, layout }
    }

    /// Key of the mass item with this name, unless it stands once per rotor.
    pub fn mass(&self, item: &str) -> Option<String> {
        let at = self.items.iter().position(|(name, per_rotor)| name == item && !per_rotor)?;
        Some(format!("mass.{}", at + 1))
    }

    /// Key of the mass item that a body belongs to; a body of an item that stands once per rotor
    /// carries the place behind the item's name.
    pub fn mass_any(&self, body: &str) -> Option<String> {
        let at = self.items.iter().position(|(name, per_rotor)| {
            name == body
                || (*per_rotor && body.strip_prefix(name.as_str()).is_some_and(|rest| rest.starts_with(", ")))
        })?;
        Some(format!("mass.{}", at + 1))
    }

    /// Whether exchanging the spins of two stations gives those that the layout has of itself.
    pub fn usual_spins_after(&self, stations: &[Station], i: usize, j: usize) -> bool {
        let Some(usual) = self.layout.as_deref().and_then(|l| physics::layout::stations(l, 1.0, 0.0, true))
        else {
            return false;
        };
        let mut spins: Vec<Spin> = stations.iter().map(|s| s.spin).collect();
        spins.swap(i, j);
        usual.iter().map(|s| s.spin).eq(spins)
    }

    /// Edits that exchange the spins of two stations.
    pub fn exchange_spins(&self, stations: &[Station], i: usize, j: usize) -> Vec<KeyChange> {
        let mut spins: Vec<Spin> = stations.iter().map(|s| s.spin).collect();
        spins.swap(i, j);
        self.spins(&spins, &[i, j])
    }

    /// Edits that set the spins; with listed stations only those named in `changed`.
    fn spins(&self, spins: &[Spin], changed: &[usize]) -> Vec<KeyChange> {
        if self.explicit {
            changed
                .iter()
                .filter_map(|&k| spins.get(k).map(|s| (k, s)))
                .map(|(k, s)| KeyChange {
                    key: format!("station.{}.spin", k + 1),
                    value: format!("\"{}\"", s.word()),
                })
                .collect()
        } else {
            let words: Vec<_> = spins.iter().map(|s| format!("\"{}\"", s.word())).collect();
            vec![KeyChange { key: "aircraft.spins".to_owned(), value: format!("[{}]", words.join(", ")) }]
        }
    }

    /// Edits that lean every rotor with its reaction torque; `None` when none leans against it.
    pub fn reverse_cant(&self) -> Option<Vec<KeyChange>> {
        let edits: Vec<_> = self
            .senses
            .iter()
            .enumerate()
            .filter(|(_, s)| s.as_deref() == Some("against-reaction"))
            .map(|(k, _)| KeyChange {
                key: if self.explicit {
                    format!("station.{}.cant_sense", k + 1)
                } else {
                    "aircraft.cant_sense".to_owned()
                },
                value: "\"with-reaction\"".to_owned(),
            })
            .collect();
        (!edits.is_empty()).then_some(edits)
    }

    /// Edits that give every rotor the same cant with its reaction torque.
    pub fn cant(&self, cant_deg: f64) -> Vec<KeyChange> {
        let prefixes: Vec<String> = if self.explicit {
            (1..=self.senses.len()).map(|k| format!("station.{k}")).collect()
        } else {
            vec!["aircraft".to_owned()]
        };
        prefixes
            .iter()
            .flat_map(|p| {
                [
                    KeyChange { key: format!("{p}.cant"), value: format!("\"{cant_deg} deg\"") },
                    KeyChange { key: format!("{p}.cant_sense"), value: "\"with-reaction\"".to_owned() },
                ]
            })
            .collect()
    }
}
