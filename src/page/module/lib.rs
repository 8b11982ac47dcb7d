//! The browser's half of [thumbreel](https://crates.io/crates/thumbreel), built from it by its
//! `.ci/viewer`. It is of use to that crate alone and has its version.

#![no_std]

/// The reader and the decoders: a module of WebAssembly, from `viewer/`.
pub const VIEWER: &[u8] = include_bytes!("viewer.wasm");
/// Boards, budget and rehearsal: a module of WebAssembly, from `calculator/`.
pub const CALCULATOR: &[u8] = include_bytes!("calculator.wasm");
