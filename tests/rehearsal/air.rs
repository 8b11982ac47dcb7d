//! The air of rehearsals against the formula that `budget` uses.

use super::built::{calm, ideal, steady};
use thumbreel::board::{Board, Wifi};
use thumbreel::budget::{Link, rate_bps};
use thumbreel::rehearsal::{Cause, Conditions, Rehearsal};

/// The mean rate of many long fills is that of Padhye et al. 1998 within 15 %,
/// over the table of tests/budget/tcp.rs and where power saving makes the
/// segments wait.
#[test]
fn lost_segments_cost_a_rehearsal_what_the_formula_says() {
    let cases = [
        (30.0, 0.01, 0.0),
        (30.0, 0.02, 0.0),
        (30.0, 0.05, 0.0),
        (5.0, 0.05, 0.0),
        (5.0, 0.001, 0.0),
        (5.0, 0.0, 102.4),
    ];
    for (round_trip_ms, loss, power_save_ms) in cases {
        let mut board = ideal(1e6);
        let wifi = board.wifi.as_mut().unwrap();
        wifi.mcs = 7;
        wifi.usable_share = 0.95;
        wifi.round_trip_ms = round_trip_ms;
        wifi.loss = loss;
        wifi.power_save_ms = power_save_ms;
        wifi.server_ms = 0.0;
        wifi.instructions_per_byte = 0.0;
        let expected = rate_bps(wifi).0 / 8.0;
        // The loop's queue has room for thirty slices.
        let reel = steady(25, 204_800);
        let bytes = reel.slice_bytes() * 24 / 25;
        let rehearsal = Rehearsal::new(&reel, &board, Link::Wifi, &calm(bytes)).unwrap();
        let seconds = rehearsal.many(40, 1).mean_start_ns() as f64 / 1e9;
        let rate = bytes as f64 / seconds;
        println!(
            "{round_trip_ms} ms, {loss}, {power_save_ms} ms asleep: {rate:.0} of {expected:.0} bytes/s"
        );
        assert!(
            (rate / expected - 1.0).abs() < 0.15,
            "{round_trip_ms} ms, {loss}: {rate:.0} bytes/s and not {expected:.0}"
        );
    }
}

/// A link of 30 Mbit/s that loses nothing but the connection: `per_hour` times,
/// for `ms` each.
fn parting(per_hour: f64, ms: f64) -> Board {
    let mut board = ideal(1e6);
    board.wifi = Some(Wifi {
        mcs: 7,
        usable_share: 0.5,
        loss: 0.0,
        power_save_ms: 0.0,
        server_ms: 0.0,
        instructions_per_byte: 0.0,
        reconnects_per_hour: per_hour,
        reconnect_ms: ms,
        ..Wifi::default()
    });
    board
}

/// Connections that are lost come as often in a reel's length as the profile says,
/// and each costs its time. 3,600 an hour are 2.5 in a reel of 2.5 s; 24 of its 25
/// slices are read before play begins: 2.4 x 200 ms = 480 ms later in the mean.
#[test]
fn lost_connections_cost_a_rehearsal_their_time() {
    let reel = steady(25, 102_400);
    let start = |per_hour| {
        let (board, conditions) = (parting(per_hour, 200.0), calm(24 * 102_400));
        let rehearsal = Rehearsal::new(&reel, &board, Link::Wifi, &conditions).unwrap();
        rehearsal.many(1000, 1).mean_start_ns() as f64 / 1e6
    };
    let later = start(3600.0) - start(0.0);
    println!("{later:.0} ms of 480 ms");
    assert!((later / 480.0 - 1.0).abs() < 0.06, "{later} ms");
}

/// One that lasts longer than what is ahead stops play, and the stall is named.
#[test]
fn a_lost_connection_is_ridden_out_only_by_what_is_ahead() {
    let reel = steady(100, 5120);
    let played = |ms, slices: u64| {
        let conditions = Conditions {
            ring_buffer_bytes: Some((slices + 2) * 5120),
            ..calm(slices * 5120)
        };
        let board = parting(360.0, ms);
        let rehearsal = Rehearsal::new(&reel, &board, Link::Wifi, &conditions).unwrap();
        rehearsal.many(100, 1)
    };
    assert_eq!(played(300.0, 50).with_gaps, 0);
    let broken = played(3000.0, 2);
    // 360 an hour are one in 10 s: 1 - 1/e of the rehearsals meet one or more, but
    // for those before play begins.
    assert!((50..75).contains(&broken.with_gaps), "{broken:?}");
    let (gap, _) = broken.worst_gap.unwrap();
    assert_eq!(gap.cause, Cause::Stall);
    assert!(gap.length_ns > 2_000_000_000, "{gap:?}");
}
