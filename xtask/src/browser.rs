//! The headless browser of the workbench's tests.

use std::path::Path;
use std::process::Command;

use crate::run::{Outcome, answers, shown};

/// Whether the browser tests can run: both programs are there, or could be installed.
pub(crate) fn ready() -> Outcome<bool> {
    let there = || answers("chromium") && answers("chromedriver");
    if there() {
        return Ok(true);
    }
    if Path::new("/etc/debian_version").exists() && answers("apt-get") && is_root() {
        let mut update = Command::new("apt-get");
        update.args(["update", "-qq"]);
        shown(update, "package lists, for the browser")?;
        let mut install = Command::new("apt-get");
        install
            .args(["install", "-y", "-qq", "--no-install-recommends", "chromium", "chromium-driver"])
            .env("DEBIAN_FRONTEND", "noninteractive");
        shown(install, "chromium and its driver")?;
        return Ok(there());
    }
    Ok(false)
}

fn is_root() -> bool {
    Command::new("id").arg("-u").output().is_ok_and(|o| String::from_utf8_lossy(&o.stdout).trim() == "0")
}
