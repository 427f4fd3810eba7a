//! Pages of the workbench and the report, asked without a port.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode, header};
use rotorwright::web::{AppState, app};
use tower::ServiceExt as _;

use crate::fixture::{self, FLIGHT, Fixture, WEIGHING};

struct Answer {
    status: StatusCode,
    text: String,
    headers: axum::http::HeaderMap,
}

async fn ask(request: Request<Body>) -> Answer {
    let response = app(AppState::new(Fixture::default())).oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    let bytes = to_bytes(body, usize::MAX).await.unwrap();
    Answer {
        status: parts.status,
        text: String::from_utf8_lossy(&bytes).into_owned(),
        headers: parts.headers,
    }
}

async fn get(path: &str) -> Answer {
    ask(Request::get(path).header("host", "127.0.0.1:8417").body(Body::empty()).unwrap()).await
}

/// Text of a page without its tags.
fn words(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for ch in html.chars() {
        match ch {
            '<' => inside = true,
            '>' => {
                inside = false;
                out.push(' ');
            }
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Paths of every page.
pub(crate) fn pages() -> Vec<String> {
    let mut out: Vec<String> =
        ["/", "/aircraft", "/loops", "/homeward", "/records", "/compare", "/predictions"]
            .map(str::to_owned)
            .to_vec();
    for gate in ["sizing", "set-up", "hover", "vibration", "rate"] {
        out.push(format!("/gate/{gate}"));
    }
    out.push(format!("/record/{FLIGHT}"));
    out.push(format!("/record/{WEIGHING}"));
    out
}

#[tokio::test]
async fn every_page_answers_with_one_heading_and_no_other_host() {
    for path in pages() {
        let a = get(&path).await;
        assert_eq!(a.status, StatusCode::OK, "{path}");
        assert_eq!(a.text.matches("<h1>").count(), 1, "{path}");
        assert!(a.text.contains("href=\"#main\""), "{path}: skip link");
        for outside in ["http://", "https://", "//cdn"] {
            assert!(!a.text.replace("http://www.w3.org", "").contains(outside), "{path} names {outside}");
        }
        let policy = a.headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
        assert!(
            policy.contains("default-src 'none'") && policy.contains("script-src 'self'"),
            "{path}: {policy}"
        );
        // No script in the page but data blocks.
        for (i, _) in a.text.match_indices("<script") {
            let tag = &a.text[i..(i + 80).min(a.text.len())];
            assert!(tag.contains("src=\"/assets/") || tag.contains("application/json"), "{path}: {tag}");
        }
    }
}

#[tokio::test]
async fn the_ladder_says_what_limits_and_what_the_change_buys() {
    let w = words(&get("/").await.text);
    for part in [
        "Roll steps overshoot by 18.7 % where 10 % is allowed.",
        "The ESC answers late",
        "18.7 ± 1.4 % → 6.4 ± 1.2 %",
        "inside the limit of 10 %",
        "Try this change",
        "premature: held by Hover",
        "met (simulated)",
        "no evidence",
    ] {
        assert!(w.contains(part), "{part}\n{w}");
    }
}

#[tokio::test]
async fn a_gate_shows_criteria_ledger_causes_records_and_cautions() {
    let a = get("/gate/rate").await;
    let w = words(&a.text);
    for part in [
        "Are rate steps crisp, without overshoot or drift?",
        "≥ 45 deg",
        "48.0 ± 1.4 deg",
        "mostly esc.dead_time",
        "waits for a record with yaw steps",
        "Latency at crossover, roll",
        "allowance 31.4 ms",
        "over by",
        "makes stale Rate, Vibration",
        "vibration: command noise would be 1.2 % against 1 %",
        "To tell them apart:",
        "Propellers off for every set-up",
        "local rules and licensed practice decide",
    ] {
        assert!(w.to_lowercase().contains(&part.to_lowercase()), "{part}\n{w}");
    }
    assert!(a.text.contains("<textPath") || !a.text.contains("class=\"drawing\""));
    assert!(a.text.contains("th scope=\"row\"") && a.text.contains("th scope=\"col\""));
    assert_eq!(get("/gate/nothing").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_what_if_has_an_address_and_changes_the_numbers() {
    let file = words(&get("/aircraft").await.text);
    assert!(file.contains("phase margin 48.0 ± 1.4 deg"), "{file}");
    let edited = get("/aircraft?edits=esc.dead_time%3D%223%20ms%22").await;
    let w = words(&edited.text);
    assert!(w.contains("What-if: 1 edit"), "{w}");
    assert!(w.contains("phase margin 68.7 ± 1.4 deg 48.0 ± 1.4 deg"), "{w}");
    assert!(w.contains("What the edits do to the gates"), "{w}");
    // Every other page of the what-if stays in it.
    assert!(edited.text.contains("/gate/rate?edits=esc.dead_time%3D%223%20ms%22"));

    // The form without scripts leads to the same address.
    let sent = get("/aircraft?field.esc.dead_time=3+ms&field.rotor.ct=0.105+%2B-+3+%25").await;
    assert_eq!(sent.status, StatusCode::SEE_OTHER);
    assert_eq!(sent.headers[header::LOCATION], "/aircraft?edits=esc.dead_time%3D%223%20ms%22");
    // A field set back to what the file says takes the edit away.
    let back = get("/aircraft?edits=esc.dead_time%3D%223%20ms%22&field.esc.dead_time=11.5+ms").await;
    assert_eq!(back.headers[header::LOCATION], "/aircraft");
}

#[tokio::test]
async fn a_wrong_edit_is_explained_beside_the_form() {
    let a = get("/aircraft?edits=esc.dead_time%3D%223%20furlong%22").await;
    assert_eq!(a.status, StatusCode::UNPROCESSABLE_ENTITY);
    let w = words(&a.text);
    for part in [
        "builds/b1/aircraft.toml:41:13",
        "is no unit of time",
        "a time such as",
        "These edits cannot be computed.",
    ] {
        assert!(w.replace(" :", ":").replace(": ", ":").contains(&part.replace(": ", ":")), "{part}\n{w}");
    }
    assert!(a.text.contains("value=\"3 furlong\"") && a.text.contains("aria-invalid"));
    assert_eq!(
        get("/gate/rate?edits=esc.dead_time%3D%223%20furlong%22").await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
}

#[tokio::test]
async fn samples_are_thinned_and_zoom() {
    let whole = samples_of("channel=rate.x&points=1000").await;
    let n = whole["time"].as_array().unwrap().len();
    assert!((900..=1000).contains(&n), "{n}");
    assert_eq!(whole["unit"], "deg/s");
    let close = samples_of("channel=rate.x&from=12&to=12.5&points=1000").await;
    let times: Vec<f64> = close["time"].as_array().unwrap().iter().map(|t| t.as_f64().unwrap()).collect();
    assert!(times.len() > 245 && times.len() < 260 && times[0] <= 12.0, "{}", times.len());
    assert!(times.windows(2).all(|w| w[1] - w[0] < 0.0021));
    for bad in ["channel=../../etc", "channel=", "points=5"] {
        assert_eq!(
            get(&format!("/record/{FLIGHT}/samples?{bad}")).await.status,
            StatusCode::NOT_FOUND,
            "{bad}"
        );
    }
}

async fn samples_of(query: &str) -> serde_json::Value {
    serde_json::from_str(&get(&format!("/record/{FLIGHT}/samples?{query}")).await.text).unwrap()
}

#[tokio::test]
async fn foreign_hosts_and_origins_are_refused() {
    let with = |host: &str, origin: Option<&str>, method: &str| {
        let mut r = Request::builder()
            .method(method)
            .uri(if method == "GET" { "/" } else { "/keep" })
            .header("host", host);
        if let Some(o) = origin {
            r = r.header("origin", o);
        }
        r.header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from("id=b3&build=b1&edits=esc.dead_time%3D%223%20ms%22"))
            .unwrap()
    };
    for (host, origin, method) in [
        ("tarn.example", None, "GET"),
        ("127.0.0.1.tarn.example:8417", None, "GET"),
        ("127.0.0.1:8417", Some("http://tarn.example"), "GET"),
        ("127.0.0.1:8417", Some("http://127.0.0.1:9000"), "POST"),
        ("127.0.0.1:8417", Some("null"), "POST"),
        ("127.0.0.1:8417", None, "POST"),
    ] {
        let a = ask(with(host, origin, method)).await;
        assert_eq!(a.status, StatusCode::FORBIDDEN, "{host} {origin:?} {method}");
        assert!(words(&a.text).contains("Refused"));
    }
    let no_host = Request::get("/").body(Body::empty()).unwrap();
    assert_eq!(ask(no_host).await.status, StatusCode::FORBIDDEN);
    for host in ["127.0.0.1:8417", "localhost:8417", "[::1]:8417"] {
        assert_eq!(ask(with(host, None, "GET")).await.status, StatusCode::OK, "{host}");
    }
    let ours = ask(with("127.0.0.1:8417", Some("http://127.0.0.1:8417"), "POST")).await;
    assert_eq!(ours.status, StatusCode::SEE_OTHER, "{}", ours.text);
}

#[tokio::test]
async fn no_address_leads_to_a_file() {
    for path in [
        "/assets/..%2f..%2fCargo.toml",
        "/assets/../Cargo.toml",
        "/record/..%2f..%2fdossier.toml",
        "/record/%2e%2e/samples?channel=rate.x",
        "/gate/..%2f",
        "/dossier.toml",
        "/builds/b1/aircraft.toml",
    ] {
        assert_eq!(get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
}

#[tokio::test]
async fn keeping_a_what_if_asks_for_a_free_and_harmless_name() {
    let fixture = Fixture::default();
    let kept = std::sync::Arc::clone(&fixture.kept);
    let app = app(AppState::new(fixture));
    let send = |id: &str| {
        Request::post("/keep")
            .header("host", "localhost:8417")
            .header("origin", "http://localhost:8417")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from(format!("id={id}&build=b1&edits=esc.dead_time%3D%223%20ms%22")))
            .unwrap()
    };
    for bad in ["", "b1", "..%2Fx", "B3", "b%203"] {
        let r = app.clone().oneshot(send(bad)).await.unwrap();
        assert_eq!(r.status(), StatusCode::UNPROCESSABLE_ENTITY, "{bad}");
    }
    assert!(kept.lock().unwrap().is_empty());
    let r = app.oneshot(send("b3")).await.unwrap();
    assert_eq!(r.headers()[header::LOCATION], "/aircraft?build=b3");
    let kept = kept.lock().unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].0.as_str(), kept[0].2.as_str()), ("b1", "b3"));
    assert_eq!(kept[0].1[0].value, "\"3 ms\"");
}

#[tokio::test]
async fn assets_keep_for_good_and_carry_no_toolbar_defaults() {
    let page = get(&format!("/record/{FLIGHT}")).await.text;
    let mut names: Vec<&str> =
        page.split("/assets/").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    names.dedup();
    assert_eq!(names.len(), 4, "{names:?}");
    for name in names {
        let a = get(&format!("/assets/{name}")).await;
        assert_eq!(a.status, StatusCode::OK, "{name}");
        assert!(a.headers[header::CACHE_CONTROL].to_str().unwrap().contains("immutable"), "{name}");
        if name.starts_with("chart") {
            assert!(a.text.starts_with("/**\n* plotly.js") && a.text.len() > 1_000_000);
        }
    }
    assert!(page.contains("\"showlegend\":false"));
}

#[tokio::test]
async fn the_report_is_one_file() {
    let seen: Vec<_> = [WEIGHING, FLIGHT]
        .into_iter()
        .map(|id| {
            let r = fixture::record(id);
            let f = fixture::findings(&r);
            (r, f)
        })
        .collect();
    let html = rotorwright::report::report(&fixture::result(None, &[]), &seen);
    assert_eq!(html.matches("plotly.js v3").count(), 1, "the chart script stands in it once");
    for outside in [" src=", "<link", "@import", "/assets/", "href=\"/", "<form"] {
        let ours = html.split("<script>").next().unwrap();
        assert!(!ours.contains(outside), "{outside}");
    }
    // Every link within it leads somewhere.
    let ours = html.split("<script>").next().unwrap();
    for target in ours.split("href=\"#").skip(1).filter_map(|r| r.split('"').next()) {
        assert!(ours.contains(&format!("id=\"{target}\"")), "#{target}");
    }
    // Every chart also stands there as a drawing for paper.
    assert_eq!(ours.matches("class=\"spec\"").count(), ours.matches("class=\"scroll still\"").count());
    let served = get("/report").await;
    assert_eq!(served.status, StatusCode::OK);
    assert_eq!(served.text, html, "the workbench serves the same report");
    // For the browser test and for looking at.
    std::fs::write(std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("report.html"), &html).unwrap();
}

#[test]
fn ids_are_unique_within_the_report() {
    let seen: Vec<_> = [FLIGHT]
        .into_iter()
        .map(|id| {
            let r = fixture::record(id);
            let f = fixture::findings(&r);
            (r, f)
        })
        .collect();
    let html = rotorwright::report::report(&fixture::result(None, &[]), &seen);
    let ours = html.split("<script>").next().unwrap();
    let mut ids: Vec<&str> = ours.split(" id=\"").skip(1).filter_map(|r| r.split('"').next()).collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

#[tokio::test]
async fn two_builds_or_records_are_chosen_and_shown() {
    let a = get("/compare").await;
    assert!(
        a.text.contains("name=\"side\"") && a.text.contains("aria-current=\"page\">Compare"),
        "{}",
        a.text
    );
    let a = get("/compare?side=b1&side=b2").await;
    assert_eq!(a.status, StatusCode::OK);
    assert!(words(&a.text).contains("What differs The aircraft files say the same."), "{}", words(&a.text));
    // What cannot be compared is said on the page, with what would be right.
    let a = get(&format!("/compare?record={FLIGHT}&record={WEIGHING}")).await;
    assert_eq!(a.status, StatusCode::OK);
    assert!(words(&a.text).contains("flights compare with flights"), "{}", words(&a.text));
}
