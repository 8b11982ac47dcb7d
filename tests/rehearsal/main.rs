//! Rehearsals: closed forms, the loop's own habits, and what must never happen.

mod air;
mod built;
mod closed_forms;
mod habits;
mod odds;
mod properties;
mod start;
