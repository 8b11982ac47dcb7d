//! One verdict: the worst of a budget's lines and of what rehearsals say.

use serde::Serialize;

use crate::board::Board;
use crate::budget::{Budget, BudgetError, Line, Link, ReelFacts, Terms, Verdict};

use super::outlook::Outlook;
use super::{Conditions, Rehearsal};

/// Rehearsals by chance where no other number is asked for.
pub const USUAL_RUNS: u32 = 333;

/// A reel on a board over a link, by formula and by playing it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judgement {
    /// Need against capacity.
    pub budget: Budget,
    /// What rehearsals say, or why there are none.
    pub outlook: Result<Outlook, String>,
}

impl Judgement {
    /// Judges `reel` on `board` over `link` by `runs` rehearsals and the sweep.
    ///
    /// # Errors
    /// As for [`Budget::new`].
    pub fn new(
        reel: &ReelFacts,
        board: &Board,
        link: Link,
        terms: Terms,
        runs: u32,
    ) -> Result<Self, BudgetError> {
        let budget = Budget::new(reel, board, link, terms)?;
        let outlook = Rehearsal::new(reel, board, link, &Conditions::default())
            .map(|rehearsal| rehearsal.outlook(runs, 1))
            .map_err(|error| error.to_string());
        Ok(Self { budget, outlook })
    }

    /// The worse of both; what cannot be rehearsed does not play.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let played = self.outlook.as_ref();
        let played = played.map_or(Verdict::DoesNotFit, Outlook::verdict);
        self.budget.verdict.max(played)
    }

    /// The line of the budget because of which the verdict is no better, if it
    /// is one.
    #[must_use]
    pub fn binding(&self) -> Option<&Line> {
        binding(&self.budget, self.verdict())
    }

    /// Because of what it is no better; `None` if it is "fit".
    #[must_use]
    pub fn reason(&self) -> Option<String> {
        let verdict = self.verdict();
        if verdict == Verdict::Fits {
            return None;
        }
        if let Some(line) = self.binding() {
            return Some(line.reason());
        }
        match &self.outlook {
            Ok(outlook) => outlook.reason(),
            Err(why) => Some(why.clone()),
        }
    }

    /// Whether it plays, and because of what not, in a line.
    #[must_use]
    pub fn line(&self) -> String {
        let (verdict, reason) = (self.verdict(), self.reason().unwrap_or_default());
        let line = told(self.budget.link, verdict, &reason);
        match &self.outlook {
            Ok(outlook) if verdict == Verdict::Fits => format!("{line}: {}", outlook.summary()),
            _ => line,
        }
    }

    /// The same by formula alone, before it is rehearsed.
    #[must_use]
    pub fn by_formula(budget: &Budget) -> String {
        let reason = binding(budget, budget.verdict).map(Line::reason);
        told(budget.link, budget.verdict, &reason.unwrap_or_default())
    }
}

/// The fullest line of a verdict that is no better because of it.
fn binding(budget: &Budget, verdict: Verdict) -> Option<&Line> {
    let lines = budget.lines.iter();
    lines
        .filter(|line| line.verdict == verdict && verdict != Verdict::Fits)
        .max_by(|a, b| a.ratio().total_cmp(&b.ratio()))
}

fn told(link: Link, verdict: Verdict, reason: &str) -> String {
    let from = match link {
        Link::Card => "from the card",
        Link::Wifi => "over Wi-Fi",
    };
    match verdict {
        Verdict::Fits => format!("{from} it plays"),
        Verdict::Tight => format!("{from} it plays, but barely: {reason}"),
        Verdict::DoesNotFit => format!("{from} it does not play: {reason}"),
    }
}
