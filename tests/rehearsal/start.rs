//! What a reel asks for before play starts rides out a stall that strikes at
//! once.

use std::io::Cursor;

use thumbreel::board::Board;
use thumbreel::budget::{Link, PictureCoding, ReelFacts, Settings as Typical, StartUp};
use thumbreel::reel::{Picture, ReelFile, ReelWriter, Settings, Slice, SoundCoding};
use thumbreel::rehearsal::{Conditions, Rehearsal, StallPlan};
use thumbreel::units::Ratio;

/// Forty slices of a quarter of a second at 200 kB/s, written to ride out
/// `wait` milliseconds.
fn reel(wait: u32, most: u32) -> ReelFacts {
    let settings = Settings {
        width: 16,
        height: 16,
        clock_rate: 8000,
        sound: SoundCoding::PcmU8,
        ..Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    writer.ride_out(wait, most);
    for n in 0..40 {
        let picture = Picture {
            key: true,
            bytes: vec![7; 48_000],
            ..Picture::default()
        };
        let slice = Slice::new(n * 2000, 2000, vec![0; 2000], vec![picture]);
        writer.slice(&slice).unwrap();
    }
    let (mut bytes, _) = writer.finish().unwrap();
    bytes.set_position(0);
    ReelFacts::of(ReelFile::new(bytes).unwrap()).unwrap()
}

/// Whether the reel plays clean if the link stalls for `ms` as play begins.
fn clean(reel: &ReelFacts, ms: u64) -> bool {
    let board = Board::find("harbour-chart").unwrap();
    // The slice that fills the start level is whole, and its last sector has been read.
    let slice = u64::from(reel.slices[0].bytes);
    let behind = (u64::from(reel.prebuffer).div_ceil(slice) * slice).next_multiple_of(512);
    let conditions = Conditions {
        stalls: StallPlan::At(vec![(behind, ms * 1_000_000)]),
        ..Conditions::default()
    };
    let rehearsal = Rehearsal::new(reel, &board, Link::Card, &conditions).unwrap();
    rehearsal.run(1).gaps == 0
}

#[test]
fn a_stall_at_the_start_is_ridden_out_where_it_was_asked_for() {
    let plain = reel(0, 0);
    assert!(clean(&plain, 100) && !clean(&plain, 1000));
    let riding = reel(1000, 1_000_000);
    assert!(clean(&riding, 1000), "{} bytes", riding.prebuffer);
    // At 204 kB/s, and one slice whole.
    assert!(
        (240_000..270_000).contains(&riding.prebuffer),
        "{}",
        riding.prebuffer
    );
    // Never more than the ring buffer has for it, nor than there is.
    assert_eq!(reel(1000, 120_000).prebuffer, 120_000);
    let all = reel(60_000, u32::MAX);
    assert!(u64::from(all.prebuffer) <= all.total_bytes);
}

/// Typical reels on every board that can play them: the formula of `budget`
/// against the playback loop in simulated time, without stalls. The loop looks
/// every few milliseconds; over the air lost segments come where they come.
#[test]
fn the_start_up_time_of_the_budget_is_that_of_rehearsals() {
    let mut seen = 0;
    for board in Board::built_in() {
        let name = &board.name;
        let (width, height) = board.panel.upright_size();
        for coding in PictureCoding::ALL {
            let rate = Ratio { num: 24, den: 1 };
            let mut settings = Typical::typical(width, height, rate, coding);
            settings.seconds = 20.0;
            let reel = settings.facts();
            for link in Link::of(&board) {
                let conditions = Conditions {
                    stalls: StallPlan::None,
                    ..Conditions::default()
                };
                let Ok(rehearsal) = Rehearsal::new(&reel, &board, link, &conditions) else {
                    continue;
                };
                let start = StartUp::new(&reel, &board, link).unwrap();
                let played = rehearsal.many(20, 1).mean_start_ns() as f64 / 1e9;
                let off = (start.play_s - played).abs();
                println!(
                    "{name}, {coding:?}, {}: {:.3} s, rehearsed {played:.3} s",
                    link.name(),
                    start.play_s
                );
                assert!(
                    off < 0.007 + 0.1 * played,
                    "{name}, {coding:?}, {}: {:.3} s and not {played:.3} s",
                    link.name(),
                    start.play_s
                );
                assert!(start.picture_s > start.play_s);
                seen += 1;
            }
        }
    }
    assert!(seen >= 20, "{seen}");
}
