//! The container: what is written is what is read, and what the format's text says.

#[path = "../common/mod.rs"]
mod common;

mod archive;
mod cost;
mod grammar;
mod kit;
mod laws;
mod round_trip;
mod seek;
mod written;
