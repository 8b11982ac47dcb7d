//! Promises of the sound stage, checked against published values and against
//! general-purpose libraries.

mod blocks;
mod filters;
mod level;
mod loudness;
mod phase;
mod python;
mod signals;
mod stage;
