//! Rehearsals: closed forms, queueing theory, and what must never happen.

mod air;
mod built;
mod closed_forms;
mod properties;
mod queueing;
mod start;
