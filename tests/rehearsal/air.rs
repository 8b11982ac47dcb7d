//! The air of rehearsals against the formula that `budget` uses.

use super::built::{calm, ideal, steady};
use thumbreel::budget::{Link, rate_bps};
use thumbreel::rehearsal::Rehearsal;

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
