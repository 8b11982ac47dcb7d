//! Recovery: cuts, flips, failing disks, hostile files.

#[path = "../common/mod.rs"]
mod common;

mod commands;
mod cost;
mod cuts;
mod faults;
mod flips;
mod hostile;
mod sinks;
