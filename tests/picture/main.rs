//! Picture: colours right by the standards, scaling, dither, the panel's
//! look, pace, text, quality measures, flashes.

#[path = "../common/mod.rs"]
mod common;

mod colour;
mod dither;
mod frames;
mod scaling;
