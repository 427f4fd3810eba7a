//! Series that several tests use, and the reference tables.

/// u - 1/2 from the generator of reference/make_signal.py.
pub(crate) fn uniform(seed: u64, n: usize) -> Vec<f64> {
    let mut x = seed;
    (0..n)
        .map(|_| {
            x = (1_664_525 * x + 1_013_904_223) % (1 << 32);
            x as f64 / (1_u64 << 32) as f64 - 0.5
        })
        .collect()
}

/// The pair of reference/make_signal.py.
pub(crate) fn pair(n: usize) -> (Vec<f64>, Vec<f64>) {
    let x = uniform(1, n);
    let v = uniform(7, n);
    let mut state = 0.0;
    let y = (0..n)
        .map(|k| {
            state = 0.5 * state + if k >= 2 { x[k - 2] } else { 0.0 };
            state + 0.25 * v[k]
        })
        .collect();
    (x.iter().map(|a| a + 0.3).collect(), y)
}

/// Rows of a table in the reference folder, by column name.
pub(crate) fn table(text: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    reader.deserialize().collect::<Result<_, _>>().unwrap_or_default()
}

/// One line for the validation table, and the check itself.
pub(crate) fn check(topic: &str, what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    println!("VALIDATION|{topic}|{what}|{source}|{expected:.9e}|{computed:.9e}|{tolerance:e} absolute");
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}

/// Share of (error, standard uncertainty, bound) with the error within 1.96 standard uncertainties.
pub(crate) fn coverage(rows: &[(f64, f64, f64)]) -> f64 {
    rows.iter().filter(|r| r.0.abs() <= 1.959_964 * r.1).count() as f64 / rows.len().max(1) as f64
}

/// Median.
#[expect(clippy::needless_pass_by_value, reason = "callers build the list for this")]
pub(crate) fn median_of(values: Vec<f64>) -> f64 {
    signal::robust::median(&values).unwrap_or(f64::NAN)
}

/// Planted truths of a recovery run: 300, or what ROTORWRIGHT_TRUTHS says. `cargo xtask validate` asks for a thousand.
pub(crate) fn truths() -> u64 {
    std::env::var("ROTORWRIGHT_TRUTHS").ok().and_then(|t| t.parse().ok()).unwrap_or(300)
}
