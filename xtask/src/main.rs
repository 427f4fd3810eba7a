//! House tasks: `cargo xtask test | licences | validate | bench`.

mod bench;
mod browser;
mod licences;
mod run;
mod spdx;
mod test;
mod tolerance;
mod validate;

use std::process::ExitCode;

const HELP: &str = "\
House tasks. Usage: cargo xtask TASK

  test       format, lints, licences, all tests (with the browser where there is one)
  licences   the licences alone
  validate   every check against an outside source, written to docs/validation.md
  bench      timings beside those of scipy, written to docs/bench.md
";

fn main() -> ExitCode {
    let mut args = std::env::args().skip(1);
    let outcome = match (args.next().as_deref(), args.next()) {
        (Some("test"), None) => test::run(),
        (Some("licences"), None) => licences::run(),
        (Some("validate"), None) => validate::run(),
        (Some("bench"), None) => bench::run(),
        (Some("help" | "--help" | "-h"), None) => {
            print!("{HELP}");
            Ok(())
        }
        _ => {
            eprint!("{HELP}");
            return ExitCode::from(2);
        }
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("\nxtask: {why}");
            ExitCode::FAILURE
        }
    }
}
