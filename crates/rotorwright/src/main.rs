//! The rotorwright binary; see [`rotorwright::commands`].

use std::process::ExitCode;

fn main() -> ExitCode {
    rotorwright::commands::main()
}
