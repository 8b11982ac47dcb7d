//! What can hurt, said where the figures are.

use super::{Findings, Measured};
use crate::picture::flash::FlashKind;

/// The cautions that this reel and this board call for.
pub(super) fn cautions(findings: &Findings<'_>, measured: &Measured) -> Vec<String> {
    let mut all = Vec::new();
    for flash in &measured.flashes {
        let kind = match flash.kind {
            FlashKind::General => "bright and dark",
            FlashKind::Red => "saturated red",
        };
        all.push(format!(
            "The pictures flash {kind} more than three times in one second from {:.1} s to {:.1} s \
             (WCAG 2.3.1). Such pictures can start seizures, also on a small panel seen closely: \
             change the film or warn before it.",
            flash.from.0 as f64 / 1e9,
            flash.to.0 as f64 / 1e9
        ));
    }
    if measured.integrated.is_some() {
        all.push(
            "Sound at the ear: begin at the lowest gain and raise it by listening at the distance \
             of use. Levels at the ear of 80 dBA for 40 hours a week, for children 75 dBA, should \
             not be passed (ITU-T H.870)."
                .into(),
        );
    }
    all.extend(crate::budget::power::cautions(findings.board));
    let hottest = findings
        .links
        .iter()
        .map(|link| link.budget.power.heat.regulator_c);
    let hottest = hottest.fold(f64::MIN, f64::max);
    if hottest > 60.0 {
        all.push(format!(
            "The regulator is computed to reach {hottest:.0} °C inside at {:.0} °C around it: do not \
             touch it, and give it air and copper. A closed case is warmer.",
            findings.board.power.ambient_c
        ));
    }
    all.push(
        "Figures are computed or rehearsed from the board's profile, not measured on your board. \
         Where mains, buildings or the public are concerned, local codes and licensed practice come \
         first."
            .into(),
    );
    all
}
