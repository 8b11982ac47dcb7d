//! The page's parts that the server and the report share, carried in the
//! program: the look, the player, and the crate's own reader and decoders as
//! WebAssembly, in a package of its own (`module/`, built by `.ci/viewer`).
//!
//! The calculator's page is one file of its own ([`calculator`]), with boards, budget
//! and rehearsal as WebAssembly.
//!
//! The scripts are plain ones, in this order, so that they also run inside a
//! report that is opened from a disk, where modules cannot be imported.

use base64::prelude::{BASE64_STANDARD as BASE64, Engine as _};

/// The reader and the decoders.
pub use thumbreel_page::VIEWER;
/// Feeds the viewer with bytes and takes pictures and sound out.
pub const REEL_SCRIPT: &str = include_str!("reel.js");
/// The player; after [`REEL_SCRIPT`].
pub const PLAYER_SCRIPT: &str = include_str!("player.js");
/// The shelf of the server's page; after [`PLAYER_SCRIPT`].
pub const SHELF_SCRIPT: &str = include_str!("shelf.js");
/// The look.
pub const STYLE: &str = concat!(
    include_str!("../chart/palette.css"),
    include_str!("../chart/chart.css"),
    include_str!("style.css")
);
/// The server's page.
pub const INDEX: &str = include_str!("index.html");
/// A small sign for the browser's tab.
pub const ICON: &str = include_str!("icon.svg");

/// The calculator's page may run what it carries and load nothing; its rehearsals
/// run in a worker that it makes itself.
pub const CALCULATOR_POLICY: &str = "default-src 'none'; script-src 'unsafe-inline' 'wasm-unsafe-eval'; \
    worker-src blob:; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

/// The calculator as one file, beginning with the settings of `start` (JSON); `top`
/// is HTML above it.
#[must_use]
pub fn calculator(start: &str, top: &str) -> String {
    // Nothing in it may end the script that carries it.
    let start = start.replace('<', "\\u003c");
    let (body, look) = (
        include_str!("calculator.html"),
        include_str!("calculator.css"),
    );
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{CALCULATOR_POLICY}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>Thumbreel calculator</title>\n\
         <link rel=\"icon\" href=\"data:,\">\n<style>\n{STYLE}{look}</style>\n</head>\n<body>\n{top}<main>\n{body}</main>\n\
         <noscript><p>The calculator needs JavaScript.</p></noscript>\n\
         <script type=\"application/json\" id=\"start\">{start}</script>\n\
         <script type=\"text/plain\" id=\"calculator-bytes\">\n{}</script>\n<script>\n{}</script>\n</body>\n</html>\n",
        BASE64.encode(thumbreel_page::CALCULATOR),
        include_str!("calculator.js"),
    )
}
