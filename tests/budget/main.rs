//! Budget: published formulas, worst windows, verdicts, what would help.

mod air;
mod card;
mod command;
mod counted;
mod formulas;
mod from_reel;
mod tcp;
mod verdicts;
