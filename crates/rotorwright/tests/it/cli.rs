//! The binary as a person or a script calls it: output, errors, exit status.

#![expect(clippy::unwrap_used, reason = "a test stops where its own tools fail")]

use std::fmt::Write as _;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

fn binary() -> Command {
    let mut c = Command::new(env!("CARGO_BIN_EXE_rotorwright"));
    c.env_remove("COLUMNS").stdin(Stdio::null());
    c
}

fn run(args: &[&str]) -> Output {
    binary().args(args).output().unwrap()
}

fn stdout(o: &Output) -> String {
    String::from_utf8(o.stdout.clone()).unwrap()
}

fn stderr(o: &Output) -> String {
    String::from_utf8(o.stderr.clone()).unwrap()
}

/// Ends with `status`; what it says on standard error fits a terminal.
fn ends(o: &Output, status: i32) {
    assert_eq!(o.status.code(), Some(status), "stdout:\n{}\nstderr:\n{}", stdout(o), stderr(o));
    assert!(!stderr(o).contains("panicked"), "{}", stderr(o));
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Every file under a folder, to see that nothing was written.
fn tree(dir: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
        all.push(entry.path());
        all.extend(tree(&entry.path()));
    }
    all.sort();
    all
}

fn commands() -> Vec<String> {
    let help = stdout(&run(&["--help"]));
    let listed = help.split("Commands:").nth(1).and_then(|t| t.split("\n\n").next()).unwrap();
    listed
        .lines()
        .filter(|l| l.starts_with("  ") && !l.starts_with("   "))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|c| *c != "help")
        .map(str::to_owned)
        .collect()
}

/// docs/command-line.md is the help texts, word for word.
#[test]
fn regress_command_line_reference() {
    let mut page = String::from(
        "# The command line\n\nMade from the help texts; CONTRIBUTING.md says how to rewrite it. Do not edit.\n\n",
    );
    let _ = write!(page, "```\n{}```\n", stdout(&run(&["--help"])));
    for command in commands() {
        let help = run(&[&command, "--help"]);
        ends(&help, 0);
        let _ = write!(page, "\n## {command}\n\n```\n{}```\n", stdout(&help));
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/command-line.md");
    if std::env::var_os("ROTORWRIGHT_UPDATE").is_some() {
        std::fs::write(&path, &page).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == page, "docs/command-line.md is out of date; CONTRIBUTING.md says how to rewrite it");
}

#[test]
fn every_help_has_examples_statuses_and_fits() {
    let all = commands();
    assert!(all.len() >= 11, "{all:?}");
    for command in all {
        let help = stdout(&run(&[&command, "--help"]));
        assert!(help.contains("Examples:") && help.contains("Exit status:"), "{command}:\n{help}");
        for line in help.lines() {
            assert!(line.chars().count() <= 80, "{command}: {line}");
        }
    }
}

#[test]
fn a_wrong_call_ends_with_2_and_says_what_would_be_right() {
    for args in [&[][..], &["chekc"], &["check"], &["check", "a", "--with", "b"], &["new", "x"]] {
        let o = run(args);
        ends(&o, 2);
        assert!(o.stdout.is_empty() && !o.stderr.is_empty(), "{args:?}");
    }
    let dir = tempfile::tempdir().unwrap();
    let o = run(&["new", text(&dir.path().join("a")), "--layout", "quad-z"]);
    ends(&o, 2);
    assert!(stderr(&o).contains("quad-z") && stderr(&o).contains("quad-x"), "{}", stderr(&o));
    assert!(tree(dir.path()).is_empty());
}

#[test]
fn a_new_dossier_of_every_layout_loads() {
    let dir = tempfile::tempdir().unwrap();
    for layout in physics::layout::NAMES {
        let path = dir.path().join(layout);
        ends(&run(&["new", text(&path), "--layout", layout, "--name", "A \"quoted\" name"]), 0);
        // Nothing is measured yet, so nothing is met; the files themselves are right.
        let o = run(&["check", text(&path)]);
        ends(&o, 1);
        assert!(stdout(&o).contains("A \"quoted\" name, build b1"), "{}", stdout(&o));
        for line in stdout(&o).lines() {
            assert!(line.chars().count() <= 80, "{layout}: {line}");
        }
    }
}

#[test]
fn new_leaves_a_folder_with_something_in_it_alone() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("mine.txt"), "mine").unwrap();
    for args in [
        &["new", text(dir.path()), "--layout", "quad-x"][..],
        &["demo", "--no-serve", "--dir", text(dir.path())],
    ] {
        let o = run(args);
        ends(&o, 2);
        assert!(stderr(&o).contains("not an empty folder"), "{}", stderr(&o));
        assert_eq!(tree(dir.path()).len(), 1);
    }
}

#[test]
fn a_missing_dossier_ends_with_2() {
    for args in [
        &["check", "/nowhere/at/all"][..],
        &["check", "/nowhere/at/all", "--json"],
        &["show", "/nowhere/at/all", "r1"],
        &["serve", "/nowhere/at/all"],
        &["freeze", "/nowhere/at/all"],
        &["report", "/nowhere/at/all", "-o", "/nowhere/report.html"],
    ] {
        let o = run(args);
        ends(&o, 2);
        assert!(o.stdout.is_empty() && stderr(&o).contains("error: "), "{args:?}: {}", stderr(&o));
    }
}

#[test]
fn completions_for_every_shell() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let o = run(&["completions", shell]);
        ends(&o, 0);
        assert!(stdout(&o).contains("triage"), "{shell}");
    }
}

/// `rotorwright ... | head -1` is no error.
#[test]
fn a_closed_pipe_is_success() {
    let mut child =
        binary().args(["completions", "bash"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let mut said = String::new();
    child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{said}");
    assert!(said.is_empty(), "{said}");
}
