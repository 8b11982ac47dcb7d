//! The firmware header and playback loop, proven without hardware: compiled by
//! four compilers, run on this computer under sanitizers and on two emulated
//! cores, and compared with the Rust decoders bit for bit.

#[path = "../common/mod.rs"]
mod common;

mod builds;
mod card;
mod clips;
mod compile;
#[allow(dead_code)] // the bench uses the rest
mod counts;
mod damage;
mod events;
mod fat;
mod films;
mod fuzz;
mod generated;
mod play;
mod playlist;
mod run;
mod rust_side;
mod tools;
mod whole;
