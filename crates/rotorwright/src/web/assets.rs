//! Style sheet, scripts and mark, compiled in. Their addresses carry a hash of their content, so
//! that a browser may keep them for good.

use std::sync::OnceLock;

use axum::body::Bytes;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};

/// Style sheet of the pages and of the report.
pub(crate) const SHEET: &str = include_str!("../style/sheet.css");
/// Our own script: charts and the live form.
pub(crate) const BENCH: &str = include_str!("../style/bench.js");
const MARK: &str = include_str!("../style/mark.svg");

/// The chart script, out of the tags in which its crate delivers it.
pub(crate) fn chart_script() -> &'static str {
    static SCRIPT: OnceLock<String> = OnceLock::new();
    SCRIPT.get_or_init(|| {
        let tagged = plotly::Plot::offline_js_sources();
        tagged
            .split_once('>')
            .and_then(|(_, rest)| rest.split_once("</script>"))
            .map(|(script, _)| script.to_owned())
            .unwrap_or_default()
    })
}

/// FNV-1a, 64 bits: a name for a content, not a defence.
fn hash(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}

/// Addresses of the compiled-in files.
pub(crate) struct Names {
    pub(crate) sheet: String,
    pub(crate) bench: String,
    pub(crate) chart: String,
    pub(crate) mark: String,
}

/// The names under `/assets/`.
pub(crate) fn names() -> &'static Names {
    static NAMES: OnceLock<Names> = OnceLock::new();
    NAMES.get_or_init(|| Names {
        sheet: format!("sheet-{:016x}.css", hash(SHEET)),
        bench: format!("bench-{:016x}.js", hash(BENCH)),
        chart: format!("chart-{:016x}.js", hash(chart_script())),
        mark: format!("mark-{:016x}.svg", hash(MARK)),
    })
}

/// `/assets/{name}`: one of four names, nothing of the file system.
pub(super) async fn file(Path(name): Path<String>) -> Response {
    let n = names();
    let (kind, text) = match name {
        x if x == n.sheet => ("text/css; charset=utf-8", SHEET),
        x if x == n.bench => ("text/javascript; charset=utf-8", BENCH),
        x if x == n.chart => ("text/javascript; charset=utf-8", chart_script()),
        x if x == n.mark => ("image/svg+xml", MARK),
        _ => return (StatusCode::NOT_FOUND, "no such file").into_response(),
    };
    (
        [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")],
        Bytes::from_static(text.as_bytes()),
    )
        .into_response()
}
