//! Running cargo and other programs.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A task's outcome: the message says what failed.
pub(crate) type Outcome<T = ()> = Result<T, String>;

/// Root of the workspace.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map_or_else(|| PathBuf::from("."), Path::to_owned)
}

/// The cargo that runs us, in the workspace's root.
pub(crate) fn cargo(args: &[&str]) -> Command {
    let mut c = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    c.args(args).current_dir(root());
    c
}

fn line(command: &Command) -> String {
    let mut words = vec![command.get_program().to_string_lossy().into_owned()];
    words.extend(command.get_args().map(|a| a.to_string_lossy().into_owned()));
    words.join(" ")
}

/// Runs a program with its output shown.
pub(crate) fn shown(mut command: Command, what: &str) -> Outcome {
    println!("==> {what}");
    let status = command.status().map_err(|e| format!("{}: {e}", line(&command)))?;
    if status.success() { Ok(()) } else { Err(format!("{what}: {} ended with {status}", line(&command))) }
}

/// Runs a program with its output shown, and hands every line of its standard output to `each`.
pub(crate) fn listened(mut command: Command, what: &str, mut each: impl FnMut(&str)) -> Outcome {
    println!("==> {what}");
    let fault = |e: std::io::Error| format!("{what}: {e}");
    let mut child = command.stdout(Stdio::piped()).spawn().map_err(fault)?;
    if let Some(stdout) = child.stdout.take() {
        for bytes in BufReader::new(stdout).split(b'\n') {
            let text = String::from_utf8_lossy(&bytes.map_err(fault)?).into_owned();
            println!("{text}");
            each(&text);
        }
    }
    let status = child.wait().map_err(fault)?;
    if status.success() { Ok(()) } else { Err(format!("{what}: {} ended with {status}", line(&command))) }
}

/// Whether a program of this name answers to `--version`.
pub(crate) fn answers(program: &str) -> bool {
    Command::new(program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}
