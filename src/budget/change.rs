//! The one change that would help most: each sensible change is tried on the
//! board or the reel, and the budget made again.

use serde::Serialize;

use crate::board::{Board, CardBus, RegulatorKind};

use super::{Budget, BudgetError, Link, ReelFacts, Terms};

/// A change and what it does to the tightest line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// What to do.
    pub what: String,
    /// Need over capacity of the tightest line before.
    pub before: f64,
    /// The same after.
    pub after: f64,
}

/// The change of the board that lowers the tightest line most, if any lowers
/// it by a twentieth or more.
///
/// # Errors
/// As for [`Budget::new`].
pub fn best_change(
    reel: &ReelFacts,
    board: &Board,
    link: Link,
    terms: Terms,
) -> Result<Option<Change>, BudgetError> {
    let before = Budget::new(reel, board, link, terms)?.bottleneck().ratio();
    let mut best: Option<Change> = None;
    for (what, changed) in board_changes(board, link) {
        let after = Budget::new(reel, &changed, link, terms)?
            .bottleneck()
            .ratio();
        let known = best.as_ref().map_or(before * 0.95, |b| b.after);
        if after < known {
            best = Some(Change {
                what,
                before,
                after,
            });
        }
    }
    Ok(best)
}

/// Sensible single changes of a board.
fn board_changes(board: &Board, link: Link) -> Vec<(String, Board)> {
    let mut all = Vec::new();
    let mut try_it = |what: String, edit: &dyn Fn(&mut Board)| {
        let mut changed = board.clone();
        edit(&mut changed);
        all.push((what, changed));
    };
    let panel = &board.panel;
    if panel.clock_hz < 80_000_000 && panel.lines == 1 {
        let mhz = f64::from(panel.clock_hz) / 5e5;
        try_it(
            format!("run the panel's bus at {mhz:.0} MHz if wiring and panel bear it"),
            &|b| b.panel.clock_hz *= 2,
        );
    }
    if !panel.dma {
        try_it("feed the panel's bus by DMA".into(), &|b| {
            b.panel.dma = true
        });
    }
    if panel.bits_per_pixel > 16 {
        try_it("send 16 bits per pixel".into(), &|b| {
            b.panel.bits_per_pixel = 16
        });
    }
    if board.cpu.cores == 1 && board.player.read_blocks {
        try_it(
            "let the reading hook start a transfer and return at once (player.read_blocks = false)"
                .into(),
            &|b| b.player.read_blocks = false,
        );
    }
    if board.cpu.cores == 1 {
        try_it("take a part with two cores".into(), &|b| b.cpu.cores = 2);
    }
    if board.memory.external_bytes == 0 {
        try_it("add 2 MB of external memory".into(), &|b| {
            b.memory.external_bytes = 2_000_000
        });
    }
    if board.power.regulator.kind == RegulatorKind::Linear {
        try_it("feed the logic by a switching converter".into(), &|b| {
            b.power.regulator.kind = RegulatorKind::Switching;
        });
    }
    if board.power.backlight_ma > 0.0 {
        try_it("halve the current of the backlight".into(), &|b| {
            b.power.backlight_ma /= 2.0;
        });
    }
    try_it("halve what else runs on the cores".into(), &|b| {
        b.cpu.share = (1.0 + b.cpu.share) / 2.0
    });
    match link {
        Link::Card => card_changes(board, &mut try_it),
        Link::Wifi => wifi_changes(board, &mut try_it),
    }
    all
}

type Try<'a> = &'a mut dyn FnMut(String, &dyn Fn(&mut Board));

fn card_changes(board: &Board, try_it: Try<'_>) {
    let Some(card) = &board.card else { return };
    if card.bus != CardBus::Sd4 {
        try_it("wire the card with four data lines".into(), &|b| {
            if let Some(c) = &mut b.card {
                c.bus = CardBus::Sd4;
            }
        });
    }
    if card.shares_panel_bus {
        try_it("give the card a bus of its own".into(), &|b| {
            if let Some(c) = &mut b.card {
                c.shares_panel_bus = false;
            }
        });
    }
    if card.clock_hz < 40_000_000 {
        try_it(
            format!(
                "clock the card at {:.0} MHz",
                f64::from(card.clock_hz) / 5e5
            ),
            &|b| {
                if let Some(c) = &mut b.card {
                    c.clock_hz *= 2;
                }
            },
        );
    }
    try_it(
        format!("read {} bytes at a time", board.player.read_bytes * 2),
        &|b| b.player.read_bytes *= 2,
    );
}

fn wifi_changes(board: &Board, try_it: Try<'_>) {
    let Some(wifi) = &board.wifi else { return };
    try_it(
        format!(
            "raise the TCP receive window to {} bytes",
            wifi.window_bytes * 2
        ),
        &|b| {
            if let Some(w) = &mut b.wifi {
                w.window_bytes *= 2;
            }
        },
    );
    if wifi.mcs < 7 && wifi.link_bps == 0 {
        let better = (wifi.mcs + 2).min(7);
        try_it(
            format!("move nearer to the access point, to MCS {better}"),
            &|b| {
                if let Some(w) = &mut b.wifi {
                    w.mcs = better;
                }
            },
        );
    }
    try_it("halve the share of lost segments".into(), &|b| {
        if let Some(w) = &mut b.wifi {
            w.loss /= 2.0;
        }
    });
}
