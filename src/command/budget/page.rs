//! The printed budget.

use super::super::out::say;
use super::{Args, bytes, stall_of};
use crate::answer::{change, highest, limit};
use crate::board::Board;
use crate::budget::power::{changes, sentences};
use crate::budget::{
    Budget, Clusters, Comparison, Line, Link, Part, Place, ReelFacts, StallNeed, StartUp, Tearing,
    Terms, amount, best_change,
};

pub(super) fn print(
    args: &Args,
    reel: &ReelFacts,
    board: &Board,
    terms: Terms,
    judged: &[(&Budget, &str)],
    comparison: Option<&Comparison>,
) -> anyhow::Result<()> {
    let what = args.reel.as_ref().map_or_else(
        || "settings (typical pictures, assumed)".into(),
        |p| p.display().to_string(),
    );
    say!("{} on {}: {}", what, board.name, board.summary());
    say!(
        "{}x{}, {:.3} frames per second, {:.1} s, {}",
        reel.width,
        reel.height,
        reel.rate,
        reel.seconds(),
        bytes(reel.total_bytes as f64)
    );
    for (budget, line) in judged {
        say!("");
        print_budget(budget);
        say!("  Played: {line}");
        print_outlook(
            budget,
            reel,
            board,
            terms,
            stall_of(reel, board, budget, args.stall),
        )?;
    }
    if let Some(comparison) = comparison {
        print_comparison(comparison);
    }
    say!("");
    say!("The supply's figures assume that");
    crate::budget::power::ASSUMED
        .iter()
        .for_each(|a| say!("  {a}"));
    say!("Cautions:");
    crate::budget::power::cautions(board)
        .iter()
        .for_each(|c| say!("  {c}"));
    say!("  {}", crate::budget::power::HEAT_AND_SOUND);
    Ok(())
}

fn print_budget(budget: &Budget) {
    say!(
        "From {}: {} (margin: {:.0} %)",
        budget.link.name(),
        budget.verdict.word(),
        budget.margin * 100.0
    );
    say!(
        "  {:<24} {:>14} {:>14} {:>7}  {:<13} {:>11} {:>10}",
        "",
        "load",
        "capacity",
        "share",
        "verdict",
        "rate up to",
        "size up to"
    );
    for line in &budget.lines {
        print_line(line);
    }
    say!("  Sources of load and capacity:");
    for line in &budget.lines {
        say!("    {}: {}", line.part.name(), origins(line));
    }
    say!("  Everything below is computed from these figures.");
    say!("  Memory:");
    for buffer in &budget.memory.buffers {
        let place = if buffer.place == Place::Internal {
            "internal"
        } else {
            "external"
        };
        say!(
            "    {:<18} {:>12}  {place}",
            buffer.name,
            bytes(buffer.bytes as f64)
        );
    }
}

fn print_line(line: &Line) {
    let rate = line
        .highest_rate
        .map_or_else(String::new, |rate| match rate {
            r if r > 120.0 => "over 120/s".into(),
            r => format!("{r:.1}/s"),
        });
    let size = line
        .largest
        .map_or_else(String::new, |(w, h)| match w.max(h) {
            side if side > 1024 => "over 1024".into(),
            _ => format!("{w}x{h}"),
        });
    let row = format!(
        "  {:<24} {:>14} {:>14} {:>5.0} %  {:<13} {rate:>11} {size:>10}",
        line.part.name(),
        amount(line.need, line.unit),
        amount(line.capacity, line.unit),
        line.ratio() * 100.0,
        line.verdict.word()
    );
    say!("{}", row.trim_end());
    if let Some(note) = &line.note {
        say!("      {note}");
    }
}

/// Sources of a line's load and capacity.
fn origins(line: &Line) -> String {
    format!(
        "load {}; capacity {}",
        line.need_origin, line.capacity_origin
    )
}

fn print_outlook(
    budget: &Budget,
    reel: &ReelFacts,
    board: &Board,
    terms: Terms,
    stall: StallNeed,
) -> anyhow::Result<()> {
    say!("  Bottleneck: {}", limit(budget));
    for sentence in highest(budget, board) {
        say!("  {sentence}");
    }
    let best = best_change(reel, board, budget.link, terms)?;
    say!("  {}", change(budget, budget.verdict, best.as_ref()));
    let recovery = stall.recovery_s.map_or_else(
        || "the buffer never refills at this rate".into(),
        |s| format!("it refills in {s:.1} s"),
    );
    say!(
        "  A stall of {:.0} ms needs {} in the buffer; the ring buffer survives {:.0} ms; {recovery}",
        stall.stall_ms,
        bytes(stall.buffer_bytes as f64),
        stall.ring_rides_ms
    );
    say!("  Start: {}", start(&budget.start));
    say!("  {:.1} minutes per gigabyte", budget.minutes_per_gigabyte);
    say!("  Tearing: {}", Tearing::new(reel, board).sentence());
    let need = budget.lines[0].need;
    if let Some(clusters) = Clusters::new(reel, board, need, budget.link) {
        say!("  Card: {}", clusters.sentence());
    }
    for sentence in sentences(&budget.power, &changes(reel, board, budget.link)) {
        say!("  {sentence}");
    }
    let heat = &budget.power.heat;
    say!(
        "  Regulator {:.0} mW, about {:.0} °C inside after a long time (computed)",
        heat.regulator_w * 1e3,
        heat.regulator_c
    );
    Ok(())
}

/// When play begins and the first picture is shown.
pub(in super::super) fn start(start: &StartUp) -> String {
    format!(
        "play begins {:.2} s after the first request, the first picture is whole after {:.2} s; {} are read (computed, without stalls)",
        start.play_s,
        start.picture_s,
        bytes(start.bytes as f64)
    )
}

fn print_comparison(comparison: &Comparison) {
    let x = &comparison.crossover;
    say!("");
    say!(
        "Card or Wi-Fi: {}",
        if comparison.advice == Link::Card {
            "card"
        } else {
            "Wi-Fi"
        }
    );
    say!("  {}", comparison.reason);
    say!("  {:<24} {:>14} {:>14}", "", "card", "Wi-Fi");
    for line in &comparison.card.lines {
        let part = if line.part == Part::Card {
            Part::Wifi
        } else {
            line.part
        };
        let other = comparison.wifi.lines.iter().find(|l| l.part == part);
        let name = if line.part == Part::Card {
            "link"
        } else {
            line.part.name()
        };
        let share = |ratio: f64| format!("{:.0} %", ratio * 100.0);
        say!(
            "  {name:<24} {:>14} {:>14}",
            share(line.ratio()),
            other.map_or_else(String::new, |l| share(l.ratio()))
        );
    }
    say!("  Wi-Fi is fast enough, with the margin and everything else unchanged, down to");
    say!(
        "    a payload rate of {:.2} Mbit/s, a link rate of {:.1} Mbit/s",
        x.need_bps / 1e6,
        x.link_bps / 1e6
    );
    match (x.mcs, x.reach_m) {
        (Some(mcs), Some(reach)) => say!(
            "    MCS {mcs}: about {reach:.0} m indoors on one floor (ITU-R P.1238, an order of magnitude)"
        ),
        _ => say!("    no MCS: this reel needs more than Wi-Fi carries with one stream at 20 MHz"),
    }
    match x.round_trip_ms {
        Some(ms) => say!("    a round trip of {ms:.0} ms with this TCP window"),
        None => say!("    no round trip with this TCP window and these losses"),
    }
    match x.loss {
        Some(share) => say!("    a loss of {:.2} % of segments", share * 100.0),
        None => say!("    no loss: even without any lost segment it is too slow"),
    }
    let air = &comparison.access_point;
    say!(
        "  One access point feeds {} boards with it, the margin kept: one alone takes {:.1} % of the air, all of them {:.0} % (802.11n frames and contention, no frames joined)",
        air.boards,
        air.airtime * 100.0,
        air.airtime_of_all * 100.0
    );
    say!("  All of this is computed from the figures above.");
}
