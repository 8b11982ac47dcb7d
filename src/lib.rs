//! # Thumbreel
//!
//! Film clips with sound for tiny panels. The modules stand in the order in
//! which the data flows:
//!
//! ```text
//! source ──> picture ──┐
//!    │                 ├──> coding ──> reel (container) ──> inspect / verify / repair / export
//!    └─────> sound ────┘                   │
//! board (profile) ──> budget ──> rehearsal ┴──> report, server, firmware reader
//! ```
//!
//! A stage knows the stages before it only by the plain data it is given, and
//! nothing imports what stands after it. Without features the crate is `no_std`
//! and never allocates: the container reader and the decoders. `files` adds reels
//! in files, `host` all the rest.
#![cfg_attr(not(feature = "files"), no_std)]
#![deny(unsafe_code)]
#![warn(missing_docs)]

pub mod coding;
pub mod reel;
pub mod sound;
pub mod units;

#[cfg(feature = "host")]
pub mod board;
#[cfg(feature = "host")]
pub mod budget;
#[cfg(feature = "host")]
pub mod command;
#[cfg(feature = "host")]
pub mod convert;
#[cfg(feature = "host")]
pub mod demo;
#[cfg(feature = "host")]
pub mod export;
#[cfg(feature = "files")]
pub mod faults;
#[cfg(feature = "host")]
pub mod page;
#[cfg(feature = "host")]
pub mod picture;
#[cfg(feature = "host")]
pub mod rehearsal;
#[cfg(feature = "host")]
pub mod report;
#[cfg(feature = "host")]
pub mod serve;
#[cfg(feature = "host")]
pub mod source;
