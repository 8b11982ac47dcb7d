//! The far end: what a viewer of the panel sees and a listener hears, held
//! against the clip as others decode it. `board/` is a virtual board in C:
//! panel controller, DMA, sound port, card and link by public documents, the
//! glue that a maker writes, and the firmware's own sources.
//!
//! `THUMBREEL_TESTS=all cargo test --test virtual_board -- --nocapture` runs
//! all seeds of the law.

#[path = "../common/mod.rs"]
mod common;

#[path = "../firmware/films.rs"]
#[allow(dead_code)] // the firmware's own tests use the rest
mod films;

#[path = "../server/support.rs"]
#[allow(dead_code)]
mod support;

mod boards;
mod build;
mod clip;
mod law;
mod list;
mod others;
mod panel;
mod source;
mod variants;
