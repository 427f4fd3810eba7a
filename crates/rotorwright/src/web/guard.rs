//! Who may ask: pages of this server on this machine, and nobody else.
//!
//! The server listens on 127.0.0.1, yet a page of another site open in the same browser could
//! still send requests here, directly or by a name that it points at 127.0.0.1. Both carry a
//! foreign `Host` or `Origin`, and are refused.

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

use super::view::shell;

/// What a page may do: its own scripts and styles, no other host. The chart script sets styles on
/// what it draws, so styles in the page are allowed; scripts in the page are not.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/// The report carries its scripts in the page.
const REPORT_POLICY: &str = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; \
                             base-uri 'none'; frame-ancestors 'none'";

/// Name without port.
fn name_of(host: &str) -> &str {
    match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or(""),
        None => host.split(':').next().unwrap_or(""),
    }
}

fn is_ours(name: &str) -> bool {
    matches!(name, "127.0.0.1" | "::1") || name.eq_ignore_ascii_case("localhost")
}

/// Why a request is refused, or `None`.
fn refusal(method: &Method, headers: &HeaderMap) -> Option<String> {
    let text = |name: header::HeaderName| headers.get(name).map(|v| v.to_str().unwrap_or("unreadable"));
    let Some(host) = text(header::HOST) else {
        return Some("The request names no host.".to_owned());
    };
    if !is_ours(name_of(host)) {
        return Some(format!(
            "The request is for the host “{host}”. This workbench answers only as 127.0.0.1 or localhost, so that no other site can reach it through a name of its own."
        ));
    }
    match text(header::ORIGIN) {
        Some(origin) if origin.strip_prefix("http://") != Some(host) => Some(format!(
            "The request comes from “{origin}”, not from a page of this workbench (“http://{host}”)."
        )),
        None if method != Method::GET && method != Method::HEAD => Some(
            "A request that changes something must come from a page of this workbench and say so in its Origin header."
                .to_owned(),
        ),
        _ => None,
    }
}

/// Refuses foreign requests and adds the headers that keep a page to itself.
pub(super) async fn guard(request: Request, next: Next) -> Response {
    let report = request.uri().path() == "/report";
    let mut response = match refusal(request.method(), request.headers()) {
        Some(why) => (
            StatusCode::FORBIDDEN,
            shell::bare(
                "Refused",
                &maud::html! {
                    h1 { "Refused" }
                    p.lead { (why) }
                    p { "Open the address that the program printed when it started." }
                },
            ),
        )
            .into_response(),
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, if report { REPORT_POLICY } else { POLICY }),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-cache"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lose_their_port() {
        assert_eq!(name_of("127.0.0.1:8417"), "127.0.0.1");
        assert_eq!(name_of("[::1]:8417"), "::1");
        assert!(is_ours("LOCALHOST") && !is_ours("localhost.example.org") && !is_ours(""));
    }
}
