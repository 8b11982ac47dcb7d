//! Ten thousand rehearsals of a one-minute reel, on all cores: wall time,
//! and as a multiple of real time. Method: settings of typical pictures on
//! built-in boards, stalls and losses by chance, a hundred runs to warm up.

use std::time::Instant;
use thumbreel::board::Board;
use thumbreel::budget::{Link, PictureCoding, Settings};
use thumbreel::rehearsal::{Conditions, Rehearsal};
use thumbreel::units::Ratio;

fn main() {
    // `cargo test --benches` only asks whether it runs.
    let measured = std::env::args().any(|a| a == "--bench");
    let runs = if measured { 10_000 } else { 10 };
    println!(
        "{:<14} {:<6} {:<10} {:>9} {:>8} {:>12} {:>6}",
        "board", "link", "coding", "bytes/s", "seconds", "x real time", "clean"
    );
    for (name, coding) in [
        ("lantern-room", PictureCoding::PatchFull),
        ("porthole", PictureCoding::Jpeg),
        ("harbour-chart", PictureCoding::Raw),
    ] {
        let board = Board::find(name).expect("a built-in board");
        for link in Link::of(&board) {
            bench(&board, coding, link, runs);
        }
    }
}

fn bench(board: &Board, coding: PictureCoding, link: Link, runs: u32) {
    let (width, height) = board.panel.upright_size();
    let rate = Ratio::new(15, 1).expect("a positive rate");
    let reel = Settings::typical(width, height, rate, coding).facts();
    let name = (&board.name, link.name());
    let rehearsal = match Rehearsal::new(&reel, board, link, &Conditions::default()) {
        Ok(rehearsal) => rehearsal,
        Err(error) => return println!("{:<14} {:<6} {error}", name.0, name.1),
    };
    let _ = rehearsal.many(runs / 100, 1);
    let start = Instant::now();
    let tally = rehearsal.many(runs, 1);
    let wall = start.elapsed().as_secs_f64();
    let played = reel.seconds() * f64::from(runs) / wall;
    let bytes = reel.slice_bytes() as f64 / reel.seconds();
    let coding = format!("{coding:?}");
    println!(
        "{:<14} {:<6} {coding:<10} {bytes:>9.0} {wall:>8.3} {played:>12.0} {:>6}",
        name.0, name.1, tally.clean
    );
}
