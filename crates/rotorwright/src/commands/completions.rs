//! `completions`: what a shell needs to complete the command line.

use std::io::Write;

use clap::CommandFactory;

use super::{Outcome, STATUSES, Status};

/// Completions of the command line for a shell.
#[derive(Debug, clap::Args)]
#[command(after_help = concat!(
    "Examples:\n",
    "  rotorwright completions bash > ~/.local/share/bash-completion/completions/rotorwright\n",
    "  rotorwright completions fish > ~/.config/fish/completions/rotorwright.fish\n"
), after_long_help = STATUSES)]
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
