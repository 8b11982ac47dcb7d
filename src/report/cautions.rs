//! What can hurt, said where the figures are.

use super::{Findings, Measured};
use crate::board::PowerSource;
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
             (WCAG 2.3.1). Such pictures can cause seizures, even on a small panel seen from nearby: \
             change the film or show a warning.",
            flash.from.0 as f64 / 1e9,
            flash.to.0 as f64 / 1e9
        ));
    }
    if measured.integrated.is_some() {
        all.push(
            "Loud sound: start at the lowest gain and raise it while listening at the distance \
             of use. Do not exceed 80 dBA at the ear for 40 hours per week, or 75 dBA for children \
             (ITU-T H.870)."
                .into(),
        );
    }
    if findings.board.power.source == PowerSource::Cell {
        all.push(
            "Lithium cell: charge to 4.2 V at most and between 0 and 45 °C, stop discharge at 3.0 V, \
             use a protected cell and a charger made for it, never a swollen or damaged cell, and do \
             not charge it unattended. The cell's datasheet overrides these figures."
                .into(),
        );
    }
    let hottest = findings
        .links
        .iter()
        .map(|link| link.judgement.budget.currents.regulator_c);
    let hottest = hottest.fold(f64::MIN, f64::max);
    if hottest > 60.0 {
        all.push(format!(
            "The regulator reaches a junction temperature of {hottest:.0} °C at {:.0} °C ambient \
             (computed): do not touch it; cool it with air and copper. A closed case is warmer.",
            findings.board.power.ambient_c
        ));
    }
    all.push(
        "Figures are computed or rehearsed from the board's profile, not measured on your board. \
         For mains power, buildings or public installations, follow local codes and use a licensed \
         professional."
            .into(),
    );
    all
}
