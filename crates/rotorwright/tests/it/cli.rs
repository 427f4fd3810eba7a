//! The binary as a person or a script calls it: output, errors, exit status.

#![expect(clippy::unwrap_used, reason = "a test stops where its own tools fail")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use dossier::aircraft_file::AircraftFile;
use dossier::import::ChannelMap;
use dossier::programme::Programme;
use serde_json::Value;

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

/// A page of docs/ that is made from the program: rewritten on demand, else compared.
fn generated(name: &str, page: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs").join(name);
    if std::env::var_os("ROTORWRIGHT_UPDATE").is_some() {
        std::fs::write(&path, page).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == page, "docs/{name} is out of date; CONTRIBUTING.md says how to rewrite it");
}

#[test]
fn regress_key_reference() {
    let head = "# The keys of aircraft.toml and dossier.toml\n\nMade from the tables that read the files; \
                CONTRIBUTING.md says how to rewrite it. Do not edit.\n\n";
    generated("keys.md", &format!("{head}{}", dossier::schema::markdown()));
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
    generated("command-line.md", &page);
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
        let programme = Programme::load(&path).unwrap();
        assert_eq!(programme.name, "A \"quoted\" name");
        let resolved =
            AircraftFile::load(&programme.aircraft_path("b1")).unwrap().resolve(&BTreeMap::new()).unwrap();
        assert!(resolved.warnings.is_empty(), "{layout}: {:?}", resolved.warnings);
    }
}

/// Every figure that has contributions has all that a figure must have.
fn figures(json: &Value) -> usize {
    match json {
        Value::Object(map) => {
            let own = usize::from(map.contains_key("contributions"));
            if own == 1 {
                for key in ["value", "unit", "uncertainty", "origin"] {
                    assert!(map.contains_key(key), "a figure without {key}: {json}");
                }
            }
            own + map.values().map(figures).sum::<usize>()
        }
        Value::Array(list) => list.iter().map(figures).sum(),
        _ => 0,
    }
}

/// A log of a hover with a roll to and fro: time, rates in deg/s, specific force; z down.
fn log(path: &Path) {
    let mut text = String::from("time_s,roll rate [deg/s],pitch rate [deg/s],yaw rate [deg/s],az [m/s^2]\n");
    for k in 0..1000 {
        let t = f64::from(k) * 0.005;
        let _ =
            writeln!(text, "{t:.3},{:.4},{:.4},0.01,-9.81", 20.0 * (t * 3.0).sin(), 5.0 * (t * 2.0).cos());
    }
    std::fs::write(path, text).unwrap();
}

const MAP: &str = r#"
[time]
position = 1
unit = "s"
stamp = "sampled"
[[channel]]
name = "rate.x"
position = 2
unit = "deg/s"
tap = "filtered"
[[channel]]
name = "rate.y"
position = 3
unit = "deg/s"
tap = "filtered"
[[channel]]
name = "rate.z"
position = 4
unit = "deg/s"
tap = "filtered"
[[channel]]
name = "accel.z"
position = 5
unit = "m/s^2"
tap = "raw"
"#;

/// From nothing to a report: what the README promises for an aircraft of one's own.
#[test]
fn the_whole_path_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let heron = dir.path().join("heron");
    let heron = text(&heron);
    let csv = dir.path().join("hop.csv");
    log(&csv);
    ends(&run(&["new", heron, "--layout", "quad-x"]), 0);
    let fresh = tree(Path::new(heron));

    // A proposal writes nothing and reads back as a map.
    let proposal = run(&["import", text(&csv), "--into", heron, "--kind", "flight"]);
    ends(&proposal, 1);
    ChannelMap::parse(Path::new("proposal"), &stdout(&proposal)).unwrap();
    assert!(stderr(&proposal).contains("Nothing was written"), "{}", stderr(&proposal));
    assert_eq!(tree(Path::new(heron)), fresh);

    let map = dir.path().join("hop.toml");
    std::fs::write(&map, MAP).unwrap();
    let args = ["import", text(&csv), "--into", heron, "--kind", "flight", "--channels", text(&map)];
    let stored = run(&[&args[..], &["--date", "2026-03-04", "--id", "hop"]].concat());
    ends(&stored, 0);
    assert!(stdout(&stored).contains("1000 rows at 200 Hz"), "{}", stdout(&stored));
    let again = run(&[&args[..], &["--date", "2026-03-04", "--id", "hop"]].concat());
    ends(&again, 2);
    ends(&run(&[&args[..], &["--date", "4 March"]].concat()), 2);

    let shown = run(&["show", heron, "hop", "--json"]);
    ends(&shown, 0);
    let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
    assert_eq!(shown["record"]["sources"][0]["bytes"], std::fs::metadata(&csv).unwrap().len());
    ends(&run(&["show", heron, "no-such"]), 2);

    let note = ["import", "--into", heron, "--kind", "note", "--date", "2026-03-04"];
    ends(
        &run(&[&note[..], &["--value", "case_temperature=61 degC +- 3 K", "--remark", "it \"hummed\""]]
            .concat()),
        0,
    );
    ends(&run(&[&note[..], &["--value", "case_temperature=61 parsec"]].concat()), 2);
    ends(&run(&note), 2);

    let triage = ["triage", text(&csv), "--channels", text(&map), "--layout", "quad-x"];
    let told = run(&[&triage[..], &["--mass", "1.8 kg +- 10 g", "--json"]].concat());
    ends(&told, 1);
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!(told["ask_for"].as_array().map(Vec::len), Some(3));
    ends(&run(&[&triage[..], &["--mass", "1.8"]].concat()), 2);
    ends(&run(&[&triage[..], &["--mass", "-1 kg"]].concat()), 2);

    // Valid JSON even with a gate and a what-if; the file stays as it is.
    let before = std::fs::read(Path::new(heron).join("builds/b1/aircraft.toml")).unwrap();
    let checked = run(&["check", heron, "--json", "--with", "esc.dead_time=9 ms"]);
    ends(&checked, 1);
    let checked: Value = serde_json::from_slice(&checked.stdout).unwrap();
    assert!(figures(&checked) > 50);
    assert_eq!(checked["edits"][0]["value"], "\"9 ms\"");
    assert_eq!(std::fs::read(Path::new(heron).join("builds/b1/aircraft.toml")).unwrap(), before);
    ends(&run(&["check", heron, "--with", "esc.dead_time=9 kg"]), 2);
    ends(&run(&["check", heron, "--build", "b9"]), 2);

    let html = dir.path().join("heron.html");
    let report = run(&["report", heron, "-o", text(&html)]);
    ends(&report, 1);
    assert!(std::fs::read_to_string(&html).unwrap().contains("</html>"));
    // It has flown: too late to freeze.
    ends(&run(&["freeze", heron]), 2);
}

#[test]
fn new_fills_the_empty_folder_that_one_stands_in() {
    let dir = tempfile::tempdir().unwrap();
    let o = binary().args(["new", ".", "--layout", "quad-plus"]).current_dir(dir.path()).output().unwrap();
    ends(&o, 0);
    assert!(Programme::load(dir.path()).is_ok());
    assert!(tree(dir.path()).iter().all(|p| !text(p).ends_with(".tmp")));
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

/// Two builds that differ in one key: what differs, and that the key is named; what cannot be compared ends with 2.
#[test]
fn compare_names_the_changed_key() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path().join("tern");
    ends(&run(&["new", text(&place), "--layout", "quad-x"]), 0);
    let wrong = run(&["compare", text(&place), "b1"]);
    ends(&wrong, 2);
    assert!(
        stderr(&wrong).contains("two builds") && stderr(&wrong).contains("builds are b1"),
        "{}",
        stderr(&wrong)
    );
    ends(&run(&["compare", text(&place), "b1", "b2"]), 2);
    let programme = place.join("dossier.toml");
    let more = std::fs::read_to_string(&programme).unwrap() + "\n[[build]]\nid = \"b2\"\n";
    std::fs::write(&programme, more).unwrap();
    let first = std::fs::read_to_string(place.join("builds/b1/aircraft.toml")).unwrap();
    let file = first.lines().find(|l| l.trim_start().starts_with("dead_time")).unwrap().to_owned();
    std::fs::create_dir_all(place.join("builds/b2")).unwrap();
    let second = first.replacen(&file, "dead_time = \"9 ms\"", 1);
    std::fs::write(place.join("builds/b2/aircraft.toml"), second).unwrap();
    let told = run(&["compare", text(&place), "b1", "b2"]);
    ends(&told, 1);
    assert!(stdout(&told).contains("esc.dead_time"), "{}", stdout(&told));
    let told = run(&["compare", text(&place), "b1", "b2", "--json"]);
    ends(&told, 1);
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    assert!(told["gates"].as_array().is_some_and(|g| !g.is_empty()), "{told}");
    ends(&run(&["compare", text(&place), "--records", "no-such"]), 2);
}

/// Records named where builds stand, and names that are nearly right: what is meant is said.
#[test]
fn compare_tells_records_from_builds() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path().join("heron");
    let heron = text(&place);
    let csv = dir.path().join("hop.csv");
    ends(&run(&["new", heron, "--layout", "quad-x"]), 0);
    let mut rows = String::from("t,p,q,r,z\n");
    let mut state = 1_u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    for k in 0..16_000 {
        let t = f64::from(k) * 1e-3;
        let _ = writeln!(
            rows,
            "{t:.3},{:.5},{:.5},{:.5},{:.5}",
            0.01 * noise(),
            0.01 * noise(),
            0.01 * noise(),
            -9.81 + 0.05 * noise()
        );
    }
    std::fs::write(&csv, rows).unwrap();
    let map = MAP.replace("deg/s", "rad/s");
    let without = map.split("[[channel]]\nname = \"accel.z\"").next().unwrap().to_owned();
    for (id, map) in [("hop-1", &map), ("hop-2", &without)] {
        let file = dir.path().join(id);
        std::fs::write(&file, map).unwrap();
        let args = ["import", text(&csv), "--into", heron, "--kind", "flight", "--channels", text(&file)];
        ends(&run(&[&args[..], &["--date", "2026-03-04", "--id", id]].concat()), 0);
    }
    let told = run(&["compare", heron, "hop-1", "hop-2"]);
    ends(&told, 2);
    let said = stderr(&told).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("hop-1, hop-2 are no builds") && said.contains("--records hop-1 hop-2"), "{said}");
    for args in
        [["compare", heron, "--records", "hop-1", "hop2"], ["compare", heron, "hop-1", "hop2", "--json"]]
    {
        let told = run(&args);
        ends(&told, 2);
        let said = stderr(&told).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("did you mean `hop-2`?") || said.contains("--records hop-1 hop-2"), "{said}");
    }
    ends(&run(&["compare", heron, "b1", "hop-1"]), 2);
    let told = run(&["show", heron, "hop-3"]);
    ends(&told, 2);
    assert!(stderr(&told).contains("did you mean"), "{}", stderr(&told));
    ends(&run(&["compare", heron, "--records", "hop-1", "hop-2"]), 0);
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
