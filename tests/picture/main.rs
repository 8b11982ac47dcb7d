//! Picture: colours right by the standards, scaling, dither, the panel's
//! look, pace, text, quality measures, flashes.

#[path = "../common/mod.rs"]
mod common;

mod bars;
mod colour;
mod converted;
mod dither;
mod flash;
mod frames;
mod quality;
mod scaling;
mod sheet;
mod text;
mod through;
