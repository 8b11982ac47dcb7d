//! The page's parts that the server and the report share, carried in the
//! program: the look, the player, and the crate's own reader and decoders as
//! WebAssembly (`viewer/`, built by `.ci/viewer` into `viewer.wasm`).
//!
//! The scripts are plain ones, in this order, so that they also run inside a
//! report that is opened from a disk, where modules cannot be imported.

/// The reader and the decoders.
pub const VIEWER: &[u8] = include_bytes!("viewer.wasm");
/// Feeds the viewer with bytes and takes pictures and sound out.
pub const REEL_SCRIPT: &str = include_str!("reel.js");
/// The player; after [`REEL_SCRIPT`].
pub const PLAYER_SCRIPT: &str = include_str!("player.js");
/// The shelf of the server's page; after [`PLAYER_SCRIPT`].
pub const SHELF_SCRIPT: &str = include_str!("shelf.js");
/// The look.
pub const STYLE: &str = include_str!("style.css");
/// The server's page.
pub const INDEX: &str = include_str!("index.html");
/// A small sign for the browser's tab.
pub const ICON: &str = include_str!("icon.svg");
