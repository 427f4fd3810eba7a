//! `serve`: the workbench.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::{Failure, Outcome, Status, say};
use crate::source::DossierSource;
use crate::web::{self, AppState};

/// The workbench: pages on 127.0.0.1 for this dossier, until Ctrl-C.
///
/// Pages are made from the files as they stand; edit a file and reload. Nothing leaves the machine.
#[derive(Debug, clap::Args)]
#[command(after_help = after_help!(
    "rotorwright serve tarn",
    "rotorwright serve tarn --port 9000 --open",
))]
pub(super) struct Args {
    /// Folder of the dossier
    dir: PathBuf,
    #[command(flatten)]
    server: Server,
}

/// Where the workbench answers.
#[derive(Debug, clap::Args)]
pub(super) struct Server {
    /// Port on 127.0.0.1; the next free one when it is taken
    #[arg(long, default_value_t = 7350)]
    port: u16,
    /// Open it in the browser
    #[arg(long)]
    open: bool,
}

pub(super) fn run(args: &Args, out: &mut dyn Write) -> Outcome {
    // A dossier that cannot be read is an error of the call, not a page.
    dossier::programme::Programme::load(&args.dir)?;
    workbench(&args.dir, &args.server, out)?;
    Ok(Status::Met)
}

/// Serves the workbench of a dossier until the process is interrupted.
pub(super) fn workbench(dir: &Path, server: &Server, out: &mut dyn Write) -> Result<(), Failure> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    let state = AppState::new(DossierSource::new(dir));
    let served = runtime.block_on(web::serve(state, server.port, |address| {
        let url = format!("http://{address}/");
        // The address is the data of this command; a reader that closed the pipe has it.
        let _ = writeln!(out, "{url}").and_then(|()| out.flush());
        say("The workbench answers there; Ctrl-C ends it.");
        if server.open {
            open(&url);
        }
    }));
    served.map_err(|e| Failure::call(e.to_string(), "choose another port with --port"))
}

/// Asks the desktop to open an address; says so when it cannot.
fn open(url: &str) {
    let mut command = if cfg!(target_os = "macos") {
        Command::new("open")
    } else if cfg!(windows) {
        let mut c = Command::new("cmd");
        c.args(["/C", "start", ""]);
        c
    } else {
        Command::new("xdg-open")
    };
    let started = command.arg(url).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    if let Err(e) = started {
        say(&format!("No browser could be opened ({e}); open the address yourself."));
    }
}
