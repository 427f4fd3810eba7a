//! `check`: every gate of one build.

use std::io::Write;
use std::path::PathBuf;

use dossier::result::{CheckResult, KeyChange, State};

use super::{Failure, Outcome, Status, json};
use crate::text;

/// Every gate of a build: predicted, measured, limit, state, causes, changes.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright check tarn",
    "rotorwright check tarn --build b2 --gate rate",
    "rotorwright check tarn --with 'esc.dead_time=1 ms'",
    "rotorwright check tarn --with 'mass.2.at=[\"0 mm\", \"0 mm\", \"20 mm\"]'",
    "rotorwright check tarn --json",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    /// Build to check; the last one of dossier.toml when left out
    #[arg(long, value_name = "ID")]
    build: Option<String>,
    /// What if this key of the aircraft file had this value? The file stays as it is; may be
    /// given again. List items are numbered from 1
    #[arg(long, value_name = "KEY=VALUE", value_parser = key_change)]
    with: Vec<KeyChange>,
    /// Only this gate, then with the basis of its limits
    #[arg(long, value_name = "ID")]
    gate: Option<String>,
    /// Also every predicted figure and every input, with where its uncertainty comes from
    #[arg(long)]
    predictions: bool,
    /// JSON for programs
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    let mut result = dossier::check::check(&args.dir, args.build.as_deref(), &args.with)?;
    if let Some(id) = &args.gate
        && !result.gates.iter().any(|g| g.id == *id)
    {
        let known: Vec<&str> = result.gates.iter().map(|g| g.id.as_str()).collect();
        return Err(Failure::call(
            format!("there is no gate `{id}`"),
            format!("the gates are {}", known.join(", ")),
        ));
    }
    let status = status(&result, args.gate.as_deref());
    if args.json {
        if let Some(id) = &args.gate {
            result.gates.retain(|g| g.id == *id);
        }
        json(out, &result)?;
        return Ok(status);
    }
    out.write_all(text::check::check(&result, args.gate.as_deref()).as_bytes())?;
    if !args.with.is_empty() {
        let filed = dossier::check::check(&args.dir, args.build.as_deref(), &[])?;
        write!(out, "\n{}", text::check::what_if(&filed, &result))?;
    }
    if args.predictions {
        write!(out, "\n{}", text::check::predictions(&result))?;
    }
    Ok(status)
}

/// Met when all gates asked for are.
pub(super) fn status(result: &CheckResult, gate: Option<&str>) -> Status {
    let all = result.gates.iter().filter(|g| gate.is_none_or(|id| id == g.id)).all(|g| g.state == State::Met);
    if all { Status::Met } else { Status::NotMet }
}

/// `KEY=VALUE`, the value as in the aircraft file or without its quotes.
fn key_change(text: &str) -> Result<KeyChange, String> {
    let (key, value) = text
        .split_once('=')
        .map(|(k, v)| (k.trim(), v.trim()))
        .filter(|(k, v)| !k.is_empty() && !v.is_empty())
        .ok_or_else(|| "write KEY=VALUE, as in 'esc.dead_time=1 ms'".to_owned())?;
    let as_it_stands = value.starts_with(['"', '\'', '[', '{'])
        || value.parse::<f64>().is_ok()
        || matches!(value, "true" | "false");
    let value = if as_it_stands {
        value.to_owned()
    } else {
        format!("\"{}\"", value.replace('\\', "\\\\").replace('"', "\\\""))
    };
    Ok(KeyChange { key: key.to_owned(), value })
}

#[cfg(test)]
mod tests {
    use super::key_change;

    #[test]
    fn a_quantity_needs_no_quotes_of_its_own() {
        let value = |t: &str| key_change(t).map(|c| c.value);
        assert_eq!(value("esc.dead_time=1 ms").as_deref(), Ok("\"1 ms\""));
        assert_eq!(value("esc.dead_time = \"1 ms\"").as_deref(), Ok("\"1 ms\""));
        assert_eq!(value("battery.series=6").as_deref(), Ok("6"));
        assert_eq!(value("esc.braking=true").as_deref(), Ok("true"));
        assert_eq!(
            value(r#"mass.1.at=["0 mm", "0 mm", "1 mm"]"#).as_deref(),
            Ok(r#"["0 mm", "0 mm", "1 mm"]"#)
        );
        assert_eq!(value(r#"aircraft.name=a "b""#).as_deref(), Ok(r#""a \"b\"""#));
        for wrong in ["esc.dead_time", "=3", "esc.dead_time="] {
            assert!(key_change(wrong).is_err(), "{wrong}");
        }
    }
}
