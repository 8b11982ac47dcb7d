//! Promises of the sound stage, checked against published values.

mod blocks;
mod signals;
mod stage;
