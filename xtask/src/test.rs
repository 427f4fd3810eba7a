//! `cargo xtask test`: all that continuous integration asks.

use crate::run::{Outcome, cargo, listened, shown};
use crate::{browser, licences};

/// Seconds for each fuzz test, unless the environment says otherwise.
const FUZZ_SECONDS: &str = "15";

pub(crate) fn run() -> Outcome {
    shown(cargo(&["fmt", "--all", "--check"]), "format")?;
    licences::run()?;
    shown(cargo(&["clippy", "--workspace", "--all-targets", "--locked", "--", "-D", "warnings"]), "lints")?;
    let browser = browser::ready()?;
    let mut tests = cargo(&["test", "--workspace", "--locked", "--no-fail-fast"]);
    if std::env::var_os("ROTORWRIGHT_FUZZ_SECONDS").is_none() {
        tests.env("ROTORWRIGHT_FUZZ_SECONDS", FUZZ_SECONDS);
    }
    let mut closing = Vec::new();
    let outcome = listened(tests, "tests", |line| {
        if line.starts_with("test result:") || line.contains("... FAILED") || line.starts_with("SKIPPED") {
            closing.push(line.to_owned());
        }
    });
    println!("\n==> closing lines of the tests");
    for line in &closing {
        println!("{line}");
    }
    if !browser {
        println!(
            "SKIPPED: the workbench in a headless browser (browser tests of crates/rotorwright): chromium and \
             chromedriver are not here, and they can be installed only as root on Debian"
        );
    }
    outcome
}
