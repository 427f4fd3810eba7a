//! `completions`: what a shell needs to complete the command line.

use std::io::Write;

use clap::CommandFactory;

use super::{Outcome, Status};

/// Completions of the command line for a shell.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright completions bash > rotorwright.bash",
    "rotorwright completions fish > rotorwright.fish",
))]
pub(super) struct Args {
    /// Shell
    shell: clap_complete::Shell,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    // Into memory first: the generator itself panics when its writer fails.
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut super::Cli::command(), "rotorwright", &mut text);
    out.write_all(&text)?;
    Ok(Status::Met)
}
