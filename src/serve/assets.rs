//! The page's files over HTTP.

use axum::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, REFERRER_POLICY};
use axum::response::{IntoResponse, Response};

use crate::answer::Request;
use crate::board::Board;
use crate::page::{
    self, CALCULATOR_POLICY, ICON, INDEX, PLAYER_SCRIPT, REEL_SCRIPT, SHELF_SCRIPT, STYLE, VIEWER,
};

/// Nothing from elsewhere may be loaded, whatever a reel's title says.
const POLICY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self' \
    'unsafe-inline'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'";

/// The page itself.
pub(super) async fn index() -> Response {
    let fields = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (CONTENT_SECURITY_POLICY, POLICY),
        (REFERRER_POLICY, "no-referrer"),
        (CACHE_CONTROL, "no-cache"),
    ];
    (fields, INDEX).into_response()
}

/// Above the calculator: the way back.
const TOP: &str = "<header class=\"top\">\n<a href=\"/\" class=\"home\">Thumbreel shelf</a>\n\
    <nav aria-label=\"Pages\"><a href=\"/calculator\" aria-current=\"page\">Calculator</a></nav>\n</header>\n";

/// The calculator, beginning with `board`.
pub(super) fn calculator(board: Option<&Board>) -> Response {
    let mut request = Request::default();
    if let Some(board) = board {
        request.on(board);
    }
    let policy = format!("{CALCULATOR_POLICY}; frame-ancestors 'none'");
    let fields = [
        (CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (CONTENT_SECURITY_POLICY, policy),
        (REFERRER_POLICY, "no-referrer".to_owned()),
        (CACHE_CONTROL, "no-cache".to_owned()),
    ];
    (fields, page::calculator(&request.to_json(), TOP)).into_response()
}

/// One of the page's files, if `name` is one.
pub(super) fn file(name: &str) -> Option<Response> {
    let script = "text/javascript; charset=utf-8";
    let (kind, content) = match name {
        "reel.js" => (script, REEL_SCRIPT.as_bytes()),
        "player.js" => (script, PLAYER_SCRIPT.as_bytes()),
        "shelf.js" => (script, SHELF_SCRIPT.as_bytes()),
        "style.css" => ("text/css; charset=utf-8", STYLE.as_bytes()),
        "icon.svg" => ("image/svg+xml", ICON.as_bytes()),
        "viewer.wasm" => ("application/wasm", VIEWER),
        _ => return None,
    };
    let fields = [(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-cache")];
    Some((fields, content).into_response())
}
