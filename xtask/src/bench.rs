//! `cargo xtask bench`: our timings beside those of numpy and scipy, in the same run on the same machine.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::process::Command;

use crate::run::{Outcome, cargo, listened, root};

pub(crate) fn run() -> Outcome {
    let mut ours = BTreeMap::new();
    let mut memory = BTreeMap::new();
    listened(cargo(&["bench", "-p", "signal", "-p", "physics", "--benches"]), "our benches", |line| {
        if let Some((name, seconds)) = median(line) {
            ours.insert(name, seconds);
        }
        if let ["MEMORY", name, kilobytes] = line.split('|').collect::<Vec<_>>()[..]
            && let Ok(k) = kilobytes.parse::<f64>()
        {
            memory.insert(name.to_owned(), k);
        }
    })?;
    if ours.is_empty() {
        return Err("no bench printed a timing".to_owned());
    }
    let mut peer = BTreeMap::new();
    let mut versions = String::new();
    let python = std::env::var("ROTORWRIGHT_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has_scipy =
        Command::new(&python).args(["-c", "import numpy, scipy"]).output().is_ok_and(|o| o.status.success());
    if has_scipy {
        let mut script = Command::new(&python);
        script.arg(root().join("reference").join("bench_peer.py"));
        listened(script, "the same with numpy and scipy", |line| {
            let fields: Vec<&str> = line.split('|').collect();
            match fields[..] {
                ["PEER", name, seconds] => {
                    if let Ok(s) = seconds.parse::<f64>() {
                        peer.insert(name.to_owned(), s);
                    }
                }
                ["VERSIONS", text] => text.clone_into(&mut versions),
                _ => {}
            }
        })?;
    } else {
        println!(
            "SKIPPED: the peer timings: {python} has no numpy and scipy (ROTORWRIGHT_PYTHON names another)"
        );
    }
    let path = root().join("docs").join("bench.md");
    std::fs::write(&path, page(&ours, &memory, &peer, &versions))
        .map_err(|e| format!("{}: {e}", path.display()))?;
    println!("{} benches written to docs/bench.md", ours.len());
    Ok(())
}

/// Name and median in seconds from a line of divan's table:
/// `├─ name  fastest │ slowest │ median │ mean │ samples │ iters`.
fn median(line: &str) -> Option<(String, f64)> {
    let body = line.trim_start_matches(['├', '╰', '─', '│', ' ']);
    let (name, rest) = body.split_once(char::is_whitespace)?;
    let seconds = time(rest.split('│').nth(2)?)?;
    Some((name.to_owned(), seconds))
}

/// `1.234 ms` in seconds.
fn time(text: &str) -> Option<f64> {
    let (number, unit) = text.trim().split_once(' ')?;
    let scale = match unit.trim() {
        "ns" => 1e-9,
        "µs" | "μs" | "us" => 1e-6,
        "ms" => 1e-3,
        "s" => 1.0,
        _ => return None,
    };
    number.parse::<f64>().ok().map(|v| v * scale)
}

fn page(
    ours: &BTreeMap<String, f64>,
    memory: &BTreeMap<String, f64>,
    peer: &BTreeMap<String, f64>,
    versions: &str,
) -> String {
    let mut out = String::from("# Timings\n\nMade by `cargo xtask bench`. Do not edit.\n\n");
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let _ =
        writeln!(out, "Median of one call, optimised build, {} on {cores} cores.", std::env::consts::ARCH);
    if peer.is_empty() {
        out.push_str("The peer was not timed: no python with numpy and scipy was found in that run.\n");
    } else {
        let _ = writeln!(out, "Peer in the same run: {versions}. It is timed on the same input.");
    }
    out.push_str("\n| what | ours | peer | peer / ours |\n| --- | ---: | ---: | ---: |\n");
    for (name, &t) in ours {
        let (theirs, ratio) = peer
            .get(name)
            .map_or_else(|| ("-".to_owned(), "-".to_owned()), |&p| (span(p), format!("{:.1}", p / t)));
        let _ = writeln!(out, "| {} | {} | {theirs} | {ratio} |", name.replace('_', " "), span(t));
    }
    if !memory.is_empty() {
        out.push_str("\nOne thread throughout, ours and the peer's. Resident memory, from the first half minute of the record to the highest of the rest:\n\n");
        for (name, kilobytes) in memory {
            let _ = writeln!(out, "- {}: {kilobytes:.0} kB more.", name.replace('_', " "));
        }
    }
    out
}

fn span(seconds: f64) -> String {
    if seconds < 1e-6 {
        format!("{:.0} ns", seconds * 1e9)
    } else if seconds < 1e-3 {
        format!("{:.1} µs", seconds * 1e6)
    } else if seconds < 1.0 {
        format!("{:.2} ms", seconds * 1e3)
    } else {
        format!("{seconds:.2} s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_the_table() {
        let line =
            "├─ welch_65536   1.204 ms      │ 2.1 ms      │ 1.25 ms       │ 1.3 ms        │ 100     │ 100";
        let (name, seconds) = median(line).unwrap();
        assert_eq!(name, "welch_65536");
        assert!((seconds - 1.25e-3).abs() < 1e-12);
        assert!(median("signal  fastest │ slowest │ median │ mean │ samples │ iters").is_none());
        let one = |v: f64| BTreeMap::from([("welch_65536".to_owned(), v)]);
        let page = page(&BTreeMap::from([(name, seconds)]), &one(12.0), &one(0.0025), "v");
        assert!(page.contains("- welch 65536: 12 kB more."), "{page}");
        assert!(page.contains("| welch 65536 | 1.25 ms | 2.50 ms | 2.0 |"), "{page}");
    }
}
