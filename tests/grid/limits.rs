//! A board's limits, one at a time with less of it; written apart from the
//! fit's own.

use thumbreel::board::{Board, Stalls};

/// Memory is counted to the byte: a third of the margin is kept of it, as the
/// fit says.
const OF_MEMORY: f64 = 1.0 / 3.0;

/// The board with each limit at `keep` of what it is.
pub fn with_less(board: &Board, keep: f64) -> Vec<(&'static str, Board)> {
    let hz = |hz: u32| (f64::from(hz) * keep) as u32;
    let memory = 1.0 - (1.0 - keep) * OF_MEMORY;
    let bytes = |bytes: u32| (f64::from(bytes) * memory) as u32;
    let mut all = Vec::new();
    let mut with = |what, edit: &dyn Fn(&mut Board)| {
        let mut changed = board.clone();
        edit(&mut changed);
        all.push((what, changed));
    };
    with("bus", &|b| b.panel.clock_hz = hz(b.panel.clock_hz));
    with("core", &|b| b.cpu.clock_hz = hz(b.cpu.clock_hz));
    with("link", &|b| {
        if let Some(card) = &mut b.card {
            card.clock_hz = hz(card.clock_hz);
            card.access_us /= keep;
            card.block_us /= keep;
            card.cluster_us /= keep;
        }
        if let Some(wifi) = &mut b.wifi {
            wifi.usable_share *= keep;
            wifi.round_trip_ms /= keep;
        }
    });
    with("longer stalls", &|b| stalls(b, |s| s.worst_ms /= keep));
    with("more stalls", &|b| {
        stalls(b, |s| {
            s.per_minute /= keep;
            s.per_megabyte /= keep;
        });
    });
    with("internal memory", &|b| {
        b.memory.internal_bytes = bytes(b.memory.internal_bytes);
    });
    with("external memory", &|b| {
        b.memory.external_bytes = bytes(b.memory.external_bytes);
    });
    all
}

fn stalls(board: &mut Board, edit: impl Fn(&mut Stalls)) {
    let card = board.card.as_mut().map(|c| &mut c.stalls);
    let wifi = board.wifi.as_mut().map(|w| &mut w.stalls);
    card.into_iter().chain(wifi).for_each(edit);
}
