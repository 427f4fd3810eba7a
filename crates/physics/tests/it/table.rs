//! Reading the reference tables, and the lines the validation page is built from.

/// Rows of `reference/<name>.csv` as text fields, without comments and header.
pub(crate) fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).flexible(true).from_reader(text.as_bytes());
    reader.records().map(|record| record.unwrap().iter().map(str::to_owned).collect()).collect()
}

/// A field as a number.
pub(crate) fn number(field: &str) -> f64 {
    field.parse().unwrap_or_else(|_| panic!("not a number: {field}"))
}

/// One line for the validation page.
pub(crate) fn report(topic: &str, what: &str, source: &str, expected: f64, computed: f64, tolerance: &str) {
    println!("VALIDATION|{topic}|{what}|{source}|{expected:.9}|{computed:.9}|{tolerance}");
}

/// Whether two numbers agree to a relative difference.
pub(crate) fn close(expected: f64, computed: f64, relative: f64) -> bool {
    (computed - expected).abs() <= relative * expected.abs()
}
