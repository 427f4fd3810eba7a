//! The loop as identified in flights of our own model, beside what is predicted.

use crate::tarn;

#[test]
fn explore() {
    let r = tarn::base_result();
    for f in r
        .figures
        .iter()
        .filter(|f| f.id.starts_with("loop.") || f.id.starts_with("latency") || f.id.starts_with("lag"))
    {
        println!("P {} {:.5} ± {:.5} {}", f.id, f.estimate.value, f.estimate.uncertainty, f.estimate.unit);
    }
    let record = dossier::record_store::load(&tarn::base().join("records"), "2026-03-04-rate-steps")
        .unwrap_or_else(|d| panic!("{d}"));
    let aircraft = r.aircraft.without_payload();
    let f = dossier::findings::findings(&record, Some(&aircraft));
    for i in &f.items {
        if i.key.starts_with("loop.") || i.key.starts_with("step.") {
            println!(
                "F {} {:?} | {}",
                i.key,
                match &i.outcome {
                    dossier::findings::Outcome::Value { estimate } =>
                        format!("{:.5} ± {:.5} {}", estimate.value, estimate.uncertainty, estimate.unit),
                    o => format!("{o:?}"),
                },
                i.text
            );
        }
    }
    for t in &f.tables {
        println!("{t:?}");
    }
    for c in f.charts.iter().filter(|c| c.id.starts_with("loop-x")) {
        println!("{} {:?}", c.id, c.series.iter().map(|s| (s.name.clone(), s.x.len())).collect::<Vec<_>>());
    }
}
