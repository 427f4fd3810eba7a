//! The workbench in headless Chromium, where the machine has one: no console errors, no sideways
//! scrolling on a phone, and a form that changes the numbers. Pictures go to the target folder.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use fantoccini::{Client, ClientBuilder, Locator};
use rotorwright::web::{AppState, app};
use serde_json::json;
use tokio::task::JoinHandle;

use crate::fixture::Fixture;
use crate::pages::pages;

/// One browser at a time: two drivers that look for a port at once may find the same.
static TURN: Mutex<()> = Mutex::new(());

/// A running driver, ended with its owner.
struct Driver {
    child: Child,
    port: u16,
    _turn: MutexGuard<'static, ()>,
}

impl Drop for Driver {
    fn drop(&mut self) {
        // It may have ended by itself.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn driver() -> Option<Driver> {
    let path = ["/usr/bin/chromedriver", "/usr/lib/chromium/chromedriver"]
        .into_iter()
        .find(|p| Path::new(p).exists())?;
    let turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    // A port that was free a moment ago.
    let port = std::net::TcpListener::bind("127.0.0.1:0").ok()?.local_addr().ok()?.port();
    let child = Command::new(path)
        .arg(format!("--port={port}"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let driver = Driver { child, port, _turn: turn };
    for _ in 0..100 {
        if TcpStream::connect(("127.0.0.1", port)).is_ok() {
            return Some(driver);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    None
}

/// The workbench of the fixture on a free port, and its task.
async fn served() -> (SocketAddr, JoinHandle<std::io::Result<()>>) {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    let server =
        tokio::spawn(async move { axum::serve(listener, app(AppState::new(Fixture::default()))).await });
    (at, server)
}

async fn session(driver: &Driver, width: u32, height: u32, phone: bool, profile: &Path) -> Client {
    let mut options = json!({
        "args": [
            "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
            format!("--window-size={width},{height}"), format!("--user-data-dir={}", profile.display()),
        ],
    });
    if phone {
        options["mobileEmulation"] = json!({ "deviceMetrics": { "width": width, "height": height, "pixelRatio": 2.0, "mobile": true, "touch": true } });
    }
    let capabilities = json!({ "goog:chromeOptions": options, "goog:loggingPrefs": { "browser": "ALL" } });
    let capabilities = capabilities.as_object().unwrap().clone();
    ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
        .capabilities(capabilities)
        .connect(&format!("http://127.0.0.1:{}", driver.port))
        .await
        .expect("a browser session")
}

/// Sends a command that the browser crate has no word for, and returns the driver's answer.
fn post(port: u16, path: &str, body: &str) -> serde_json::Value {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    // The driver keeps the connection open; the length of its answer stands in the header.
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        if let Some(n) = line.to_ascii_lowercase().strip_prefix("content-length:") {
            length = n.trim().parse().unwrap();
        }
        if line.trim().is_empty() {
            break;
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    serde_json::from_slice(&body).unwrap()
}

/// Console messages since the last call.
fn console(port: u16, session: &str) -> Vec<String> {
    post(port, &format!("/session/{session}/se/log"), r#"{"type":"browser"}"#)["value"]
        .as_array()
        .expect("a list of messages")
        .iter()
        .map(|m| format!("{}: {}", m["level"].as_str().unwrap_or(""), m["message"].as_str().unwrap_or("")))
        .collect()
}

async fn number(client: &Client, script: &str) -> f64 {
    client.execute(&format!("return {script}"), vec![]).await.unwrap().as_f64().unwrap_or(f64::NAN)
}

/// Takes a picture of the whole page, by the driver's way to Chromium's own commands.
fn picture(port: u16, session: &str, folder: &Path, name: &str) {
    let body = r#"{"cmd":"Page.captureScreenshot","params":{"captureBeyondViewport":true}}"#;
    let answer = post(port, &format!("/session/{session}/goog/cdp/execute"), body);
    let picture = decode(answer["value"]["data"].as_str().expect("a picture"));
    std::fs::write(folder.join(format!("{name}.png")), picture).unwrap();
}

/// Base 64 (RFC 4648, section 4).
fn decode(text: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len() * 3 / 4);
    let (mut bits, mut held) = (0_u32, 0);
    for ch in text.bytes() {
        let value = match ch {
            b'A'..=b'Z' => ch - b'A',
            b'a'..=b'z' => ch - b'a' + 26,
            b'0'..=b'9' => ch - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => continue,
        };
        bits = (bits << 6) | u32::from(value);
        held += 6;
        if held >= 8 {
            held -= 8;
            out.push((bits >> held) as u8);
        }
    }
    out
}

#[tokio::test(flavor = "multi_thread")]
async fn pages_in_a_browser() {
    let Some(driver) = driver() else {
        println!("SKIPPED: no chromedriver on this machine (Debian: apt install chromium-driver)");
        return;
    };
    let (at, server) = served().await;
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("pictures");
    std::fs::create_dir_all(&folder).unwrap();

    for (width, height, phone) in [(1280, 900, false), (390, 844, true)] {
        let profile = tempfile::tempdir().unwrap();
        let client = session(&driver, width, height, phone, profile.path()).await;
        let id = client.session_id().await.unwrap().unwrap();
        for path in pages()
            .into_iter()
            .chain(["/report".to_owned(), "/aircraft?edits=esc.dead_time%3D%223%20ms%22".to_owned()])
        {
            client.goto(&format!("http://{at}{path}")).await.unwrap();
            tokio::time::sleep(Duration::from_millis(300)).await;
            let said = console(driver.port, &id);
            assert!(said.is_empty(), "{path} at {width}: {said:#?}");
            let inner = number(&client, "document.documentElement.clientWidth").await;
            let wide = number(&client, "document.documentElement.scrollWidth").await;
            assert!(wide <= inner, "{path} at {width}: the page is {wide} wide in {inner}");
            let name = format!("{width}{}", path.replace(['/', '?', '=', '%', '.'], "-"));
            if path != "/report" {
                picture(driver.port, &id, &folder, &name);
                let said = console(driver.port, &id);
                assert!(said.is_empty(), "{path} at {width} after drawing: {said:#?}");
            }
        }
        if !phone {
            for (path, media, scheme) in
                [("/", "screen", "dark"), ("/gate/rate", "screen", "dark"), ("/report", "print", "light")]
            {
                let cdp = json!({ "cmd": "Emulation.setEmulatedMedia", "params": {
                    "media": media, "features": [{ "name": "prefers-color-scheme", "value": scheme }],
                } });
                post(driver.port, &format!("/session/{id}/goog/cdp/execute"), &cdp.to_string());
                client.goto(&format!("http://{at}{path}")).await.unwrap();
                tokio::time::sleep(Duration::from_millis(300)).await;
                picture(driver.port, &id, &folder, &format!("{scheme}-{media}{}", path.replace('/', "-")));
            }
            let cdp = json!({ "cmd": "Emulation.setEmulatedMedia", "params": { "media": "" } });
            post(driver.port, &format!("/session/{id}/goog/cdp/execute"), &cdp.to_string());
        }
        zoom(&client, at, phone).await;
        form(&client, at).await;
        let said = console(driver.port, &id);
        // The one refused what-if is the answer 422 to the form's own question.
        assert!(said.iter().all(|m| m.contains("422")), "at {width}: {said:#?}");
        client.close().await.unwrap();
    }
    server.abort();
}

/// A zoom fetches the samples of the stretch.
async fn zoom(client: &Client, at: SocketAddr, phone: bool) {
    client.goto(&format!("http://{at}/record/{}#traces", crate::fixture::FLIGHT)).await.unwrap();
    client.execute("document.querySelector('#traces').scrollIntoView()", vec![]).await.unwrap();
    client
        .wait()
        .at_most(Duration::from_secs(20))
        .for_element(Locator::Css("figure.chart.drawn .live .xaxislayer-above"))
        .await
        .unwrap();
    tokio::time::sleep(Duration::from_millis(500)).await;
    let spacing = "(() => { const t = document.querySelector('.live').data.find(d => d.meta === 'rate.x').x; return t[201] - t[199] })()";
    let coarse = number(client, spacing).await;
    client.execute("window.Plotly.relayout(document.querySelector('.live'), { 'xaxis.range[0]': 11.9, 'xaxis.range[1]': 13.4 })", vec![]).await.unwrap();
    let mut fine = coarse;
    for _ in 0..50 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        fine = number(client, spacing).await;
        if fine < 0.1 * coarse {
            break;
        }
    }
    assert!(fine < 0.1 * coarse, "detail {fine} s against {coarse} s (phone: {phone})");
    let toolbar = number(client, "document.querySelectorAll('.modebar, .legend').length").await;
    assert!(toolbar == 0.0, "no toolbar or legend box");
}

/// A changed value changes the numbers, the states and the address; a wrong one says why.
async fn form(client: &Client, at: SocketAddr) {
    client.goto(&format!("http://{at}/aircraft")).await.unwrap();
    let figure = Locator::Css("tr[id='figure-loop.roll.phase_margin'] td.num");
    let before = client.find(figure).await.unwrap().text().await.unwrap().replace('\u{a0}', " ");
    let field = client.find(Locator::Id("in-esc.dead_time")).await.unwrap();
    set(client, "3 ms").await;
    let mut after = before.clone();
    for _ in 0..50 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        after = client.find(figure).await.unwrap().text().await.unwrap().replace('\u{a0}', " ");
        if after != before {
            break;
        }
    }
    assert_eq!((before.as_str(), after.as_str()), ("48.0 ± 1.4 deg", "68.7 ± 1.4 deg"));
    assert!(client.current_url().await.unwrap().as_str().contains("edits=esc.dead_time"));
    let banner =
        client.find(Locator::Id("banner")).await.unwrap().text().await.unwrap().replace('\u{a0}', " ");
    assert!(banner.contains("What-if: 1 edit"), "{banner}");

    set(client, "3 furlong").await;
    client
        .wait()
        .at_most(Duration::from_secs(5))
        .for_element(Locator::Css("#wrong ul.diagnostics"))
        .await
        .unwrap();
    assert_eq!(field.attr("aria-invalid").await.unwrap().as_deref(), Some("true"));
}

async fn set(client: &Client, text: &str) {
    client
        .execute(
            "const f = document.getElementById('in-esc.dead_time'); f.value = arguments[0]; f.dispatchEvent(new Event('change', { bubbles: true }))",
            vec![json!(text)],
        )
        .await
        .unwrap();
}

/// Every card prints on one or two sheets of A4.
#[tokio::test(flavor = "multi_thread")]
async fn cards_print_on_two_sheets() {
    let Some(driver) = driver() else {
        println!("SKIPPED: no chromedriver on this machine (Debian: apt install chromium-driver)");
        return;
    };
    let (at, server) = served().await;
    let profile = tempfile::tempdir().unwrap();
    let client = session(&driver, 1280, 900, false, profile.path()).await;
    let id = client.session_id().await.unwrap().unwrap();
    let print = r#"{"cmd":"Page.printToPDF","params":{"preferCSSPageSize":true}}"#;
    let mut wrong = Vec::new();
    for (card, _) in dossier::cards::list() {
        client.goto(&format!("http://{at}/card/{card}")).await.unwrap();
        tokio::time::sleep(Duration::from_millis(300)).await;
        let answer = post(driver.port, &format!("/session/{id}/goog/cdp/execute"), print);
        let pdf = decode(answer["value"]["data"].as_str().unwrap_or_else(|| panic!("{card}: {answer}")));
        let sheets = String::from_utf8_lossy(&pdf).matches("/Type /Page\n").count();
        println!("{card}: {sheets}");
        if !(1..=2).contains(&sheets) {
            wrong.push((card, sheets));
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
    client.close().await.unwrap();
    server.abort();
}
