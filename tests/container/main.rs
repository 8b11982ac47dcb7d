//! The container: what is written is what is read.

#[path = "../common/mod.rs"]
mod common;

mod round_trip;
