//! Whether a reel plays: by chance, and with the worst stall everywhere.

use serde::Serialize;

use crate::budget::Verdict;

use super::Rehearsal;
use super::odds::{CONFIDENCE, at_most};
use super::outcome::{Fault, Tally};
use super::sweep::Sweep;

/// What rehearsals say of a reel on a board over a link.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlook {
    /// Stalls and losses by chance.
    pub tally: Tally,
    /// The worst stall at every place in turn; none where the link never
    /// stalls.
    pub sweep: Option<Sweep>,
    /// The greatest share of plays with a fault that the rehearsals leave
    /// possible, at 95 % confidence.
    pub faulty_at_most: f64,
}

impl Rehearsal {
    /// `runs` rehearsals by chance from the seed `first` on, and the sweep.
    #[must_use]
    pub fn outlook(&self, runs: u32, first: u64) -> Outlook {
        let tally = self.many(runs, first);
        Outlook {
            faulty_at_most: at_most(tally.runs - tally.clean, tally.runs),
            sweep: self.sweep(),
            tally,
        }
    }
}

impl Outlook {
    /// Fit if no place feels the worst stall and 99 plays in 100 are clean by
    /// chance; tight if pictures alone feel it, or 95 are clean.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let swept = self.sweep.as_ref().map_or(Verdict::Fits, |s| {
            if s.tally.with_gaps > 0 {
                Verdict::DoesNotFit
            } else if s.tally.clean < s.tally.runs {
                Verdict::Tight
            } else {
                Verdict::Fits
            }
        });
        swept.max(self.tally.verdict())
    }

    /// What is felt, and where it comes from; empty if nothing is.
    #[must_use]
    pub fn reason(&self) -> Option<String> {
        let felt = |tally: &Tally| {
            let gap = tally.worst_gap.map(|(fault, _)| fault);
            let late = tally.worst_late.map(|(fault, _)| fault);
            gap.or(late).map(Fault::words)
        };
        if self.tally.verdict() > Verdict::Fits {
            return felt(&self.tally);
        }
        let sweep = self.sweep.as_ref()?;
        let what = felt(&sweep.tally)?;
        Some(format!(
            "a stall of {:.0} ms at the worst place: {what}",
            sweep.stall_ms
        ))
    }

    /// Both in a sentence each, the odds with their confidence.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let tally = &self.tally;
        let mut words = vec![format!(
            "{} of {} rehearsals with stalls and losses by chance are clean: a fault in at most {} ({:.0} % confidence)",
            tally.clean,
            tally.runs,
            share(self.faulty_at_most),
            CONFIDENCE * 100.0
        )];
        words.push(match &self.sweep {
            None => "the link never stalls, by its profile".into(),
            Some(sweep) => {
                let places = format!(
                    "the worst stall, {:.0} ms, at {} place{}, every {:.0} ms",
                    sweep.stall_ms,
                    sweep.places,
                    if sweep.places == 1 { "" } else { "s" },
                    sweep.step_ms
                );
                let all = &sweep.tally;
                match self.sweep_words() {
                    None => format!("{places}: never felt"),
                    Some(worst) => format!(
                        "{places}: felt in {} of {} plays; {worst}",
                        all.runs - all.clean,
                        all.runs
                    ),
                }
            }
        });
        words
    }

    /// In a few words, where nothing is felt.
    #[must_use]
    pub fn summary(&self) -> String {
        let odds = format!(
            "a fault in at most {} ({:.0} % confidence)",
            share(self.faulty_at_most),
            CONFIDENCE * 100.0
        );
        match &self.sweep {
            None => odds,
            Some(sweep) => format!(
                "no stall of {:.0} ms is felt anywhere, {odds}",
                sweep.stall_ms
            ),
        }
    }

    fn sweep_words(&self) -> Option<String> {
        let tally = &self.sweep.as_ref()?.tally;
        let worst = tally.worst_gap.or(tally.worst_late);
        worst.map(|(fault, _)| fault.words())
    }
}

/// A share of plays as one in so many.
fn share(of: f64) -> String {
    if of > 0.2 {
        format!("{:.0} of 100 plays", of * 100.0)
    } else {
        format!("1 of {:.0} plays", 1.0 / of)
    }
}
