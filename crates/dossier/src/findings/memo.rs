//! Findings that were computed already in this process, by the content of what they rest on. A
//! what-if or a second page asks the same record the same questions again.

use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Mutex, PoisonError};

use physics::aircraft::Aircraft;

use super::{Findings, Surroundings, findings_at};
use crate::record::Record;

/// So many are kept; then all are forgotten.
const MOST: usize = 64;

static KNOWN: Mutex<Option<HashMap<(u64, u64), Findings>>> = Mutex::new(None);

/// As [`findings_at`], computed once for the same record, aircraft and surroundings.
pub(crate) fn findings_once(record: &Record, aircraft: &Aircraft, around: Surroundings) -> Findings {
    let key = (key(record, aircraft, &around, 0), key(record, aircraft, &around, 1));
    // A panic elsewhere leaves the map valid: entries are whole or absent.
    let hit =
        KNOWN.lock().unwrap_or_else(PoisonError::into_inner).as_ref().and_then(|m| m.get(&key).cloned());
    if let Some(hit) = hit {
        return hit;
    }
    let found = findings_at(record, Some(aircraft), around);
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    let map = known.get_or_insert_default();
    if map.len() >= MOST {
        map.clear();
    }
    map.insert(key, found.clone());
    found
}

/// Two hashes with different beginnings are as good as one of twice the width.
fn key(record: &Record, aircraft: &Aircraft, around: &Surroundings, salt: u8) -> u64 {
    let mut h = DefaultHasher::new();
    salt.hash(&mut h);
    format!("{:?}{aircraft:?}{around:?}", record.meta).hash(&mut h);
    for v in record.channels.values().chain([&record.time]) {
        v.len().hash(&mut h);
        for x in v {
            h.write_u64(x.to_bits());
        }
    }
    h.finish()
}
