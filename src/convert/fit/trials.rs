//! The rehearsals that a finished reel must pass.

use super::Search;
use super::check::tightened;
use crate::board::Board;
use crate::budget::{Link, ReelFacts};
use crate::rehearsal::{Conditions, Rehearsal, Tally};

/// Rehearsals by chance on each board with one limit tightened: so many hours
/// of play, within these numbers. With none of N wrong, at most 3 of N are to
/// be feared (95 %; rule of three, Hanley and Lippman-Hand 1983).
const HOURS: f64 = 10.0;
const LEAST_RUNS: u32 = 400;
const MOST_RUNS: u32 = 5_000;
impl Search<'_> {
    /// The board as it is, then with each limit tightened by the margin: by
    /// chance, and with the worst stall at every place in turn, which chance
    /// would hardly ever put there.
    pub(super) fn rehearsals(&self, facts: &ReelFacts, link: Link) -> Result<Tally, String> {
        let tally = self.by_chance(facts, self.board(), link, self.goal.rehearsals)?;
        let boards = tightened(self.board(), self.goal.margin);
        let with = |what: &str, reason: String| format!("with {what} less by the margin, {reason}");
        for (what, board) in &boards {
            self.by_chance(facts, board, link, LEAST_RUNS)
                .and_then(|_| struck(facts, board, link))
                .map_err(|reason| with(what, reason))?;
        }
        let runs = (HOURS * 3600.0 / facts.seconds().max(0.1)) as u32;
        if runs > LEAST_RUNS {
            for (what, board) in &boards {
                self.by_chance(facts, board, link, runs.min(MOST_RUNS))
                    .map_err(|reason| with(what, reason))?;
            }
        }
        Ok(tally)
    }

    fn by_chance(
        &self,
        facts: &ReelFacts,
        board: &Board,
        link: Link,
        runs: u32,
    ) -> Result<Tally, String> {
        let rehearsal = Rehearsal::new(facts, board, link, &Conditions::default())
            .map_err(|e| e.to_string())?;
        let tally = rehearsal.many(runs, self.goal.seed);
        if tally.clean == tally.runs {
            return Ok(tally);
        }
        let cause = tally.commonest_cause().map_or("", |c| c.words());
        Err(format!(
            "{} of {} rehearsals were not clean: {cause}",
            tally.runs - tally.clean,
            tally.runs
        ))
    }
}

/// Plays the reel with the link's worst stall at every place in turn.
fn struck(facts: &ReelFacts, board: &Board, link: Link) -> Result<(), String> {
    let rehearsal = Rehearsal::new(facts, board, link, &Conditions::default());
    let Some(sweep) = rehearsal.map_err(|e| e.to_string())?.sweep() else {
        return Ok(());
    };
    let tally = &sweep.tally;
    match tally.worst_gap.or(tally.worst_late) {
        None => Ok(()),
        Some((fault, _)) => Err(format!(
            "a stall of {:.0} ms is felt at {:.1} s: {}",
            sweep.stall_ms,
            fault.at_ns as f64 / 1e9,
            fault.cause.words()
        )),
    }
}
