//! Age of a date in words.

use std::time::{SystemTime, UNIX_EPOCH};

/// Days from 1970-01-01 to a date of the proleptic Gregorian calendar (Hinnant, "chrono-compatible
/// low-level date algorithms", days_from_civil).
fn days(date: &str) -> Option<i64> {
    let mut parts = date.get(..10)?.split('-');
    let year: i64 = parts.next()?.parse().ok()?;
    let month: i64 = parts.next()?.parse().ok()?;
    let day: i64 = parts.next()?.parse().ok()?;
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let yoe = y.rem_euclid(400);
    let doy = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    Some(era * 146_097 + doe - 719_468)
}

/// `2026-03-04, 12 days ago`; only the date when the day cannot be told or lies ahead.
pub(crate) fn words(date: &str) -> String {
    let today = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| (d.as_secs() / 86_400) as i64);
    match days(date).map(|d| today - d) {
        Some(0) => format!("{date}, today"),
        Some(1) => format!("{date}, a day ago"),
        Some(n) if n > 0 => format!("{date}, {n} days ago"),
        _ => date.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::days;

    #[test]
    fn days_of_known_dates() {
        assert_eq!(days("1970-01-01"), Some(0));
        // Unix time 1 709 164 800 is 2024-02-29 00:00 UTC.
        assert_eq!(days("2024-02-29"), Some(1_709_164_800 / 86_400));
        assert_eq!(days("yesterday"), None);
    }
}
