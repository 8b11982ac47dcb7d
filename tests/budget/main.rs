//! Budget: published formulas, worst windows, verdicts, what would help.

mod formulas;
mod verdicts;
