//! Promises of the sound stage, checked against published values and against
//! general-purpose libraries.

mod blocks;
mod enclosure;
mod filters;
mod gain;
mod level;
mod loudness;
mod noise;
mod phase;
mod programme;
mod python;
mod signals;
mod stage;
