//! Formulas against published numbers.

use thumbreel::board::{Board, Card, CardBus, Wifi};
use thumbreel::budget::{
    Costs, Counted, MemoryPlan, PictureCoding, Place, Settings, SoundCoding, card_rate,
    card_read_ns, card_wire_ns, chunk_overhead, quantile_mean_us, rate_bps, reach_m, tcp_bps,
    window_bps,
};
use thumbreel::units::Ratio;

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} is not {expected} +- {tolerance}"
    );
}

/// Costs of pictures that lie inside or outside.
fn costs(board: &Board, external: bool) -> Costs {
    let rate = Ratio::new(10, 1).unwrap();
    let reel = Settings::typical(240, 240, rate, PictureCoding::PatchFull).facts();
    let mut memory = MemoryPlan::new(&reel, board);
    memory.picture_place = if external {
        Place::External
    } else {
        Place::Internal
    };
    Costs::new(board, PictureCoding::PatchFull, &memory)
}

fn card(bus: CardBus, clock_hz: u32) -> Card {
    Card {
        bus,
        clock_hz,
        access_us: 0.0,
        block_us: 0.0,
        cluster_us: 0.0,
        ..Card::default()
    }
}

/// SD Physical Layer Simplified Specification: SPI blocks are 515 bytes on
/// the wire, SD-bus blocks 4096 / lines + 18 clocks.
#[test]
fn sd_framing_rates() {
    let rate = |bus, mhz: u32| 512.0 / card_wire_ns(&card(bus, mhz * 1_000_000), 512) * 1e3;
    near(rate(CardBus::Spi, 25), 3.107, 0.0005);
    near(rate(CardBus::Sd4, 25), 12.28, 0.01);
    near(rate(CardBus::Sd4, 50), 24.57, 0.01);
    near(
        rate(CardBus::Sd1, 25),
        4096.0 / (4096.0 + 18.0) * 3.125,
        0.0001,
    );
}

/// Time of a read = access + blocks x (framing + access of a block).
#[test]
fn a_read_pays_access_once_and_block_access_each_time() {
    let mut slow = card(CardBus::Spi, 25_000_000);
    slow.access_us = 200.0;
    slow.block_us = 10.0;
    let wire = 16.0 * 515.0 * 8.0 / 25e6 * 1e9;
    near(card_read_ns(&slow, 8192), wire + 200e3 + 160e3, 0.01);
    near(card_rate(&slow, 8192), 8192e9 / (wire + 360e3), 0.01);
}

/// A uniform distribution has its middle as mean.
#[test]
fn measured_quantiles_replace_the_assumed_times() {
    let mut measured = card(CardBus::Spi, 25_000_000);
    measured.quantiles = vec![(0.0, 4000.0), (1.0, 6000.0)];
    measured.quantile_bytes = 8192;
    near(quantile_mean_us(&measured.quantiles).unwrap(), 5000.0, 1e-9);
    near(card_read_ns(&measured, 8192), 5e6, 1e-3);
    let one_more = card_wire_ns(&measured, 8704) - card_wire_ns(&measured, 8192);
    near(card_read_ns(&measured, 8704), 5e6 + one_more, 1e-3);
}

/// TCP: window x 8 / round trip.
#[test]
fn window_over_round_trip() {
    for (rtt, mbit) in [
        (2.0, 23.04),
        (5.0, 9.216),
        (10.0, 4.608),
        (20.0, 2.304),
        (50.0, 0.9216),
    ] {
        near(window_bps(5760, rtt) / 1e6, mbit, 1e-9);
    }
}

#[test]
fn the_least_of_all_bounds_holds() {
    let mut wifi = Wifi {
        mcs: 7,
        usable_share: 0.5,
        window_bytes: 5760,
        round_trip_ms: 5.0,
        loss: 0.0,
        ..Wifi::default()
    };
    near(rate_bps(&wifi).0, 9.216e6, 1.0);
    wifi.window_bytes = 1_000_000;
    near(rate_bps(&wifi).0, tcp_bps(1440, 260, 4.0), 1.0);
    wifi.usable_share = 0.3;
    near(rate_bps(&wifi).0, 19.5e6, 1.0);
    wifi.server_bps = 2_000_000;
    near(rate_bps(&wifi).0, 2e6, 1.0);
}

/// ITU-R P.1238 with N = 30 (from memory): every 10 dB of sensitivity is a
/// factor of 10^(1/3) in reach.
#[test]
fn reach_falls_with_the_rate() {
    for mcs in 0..7 {
        assert!(reach_m(mcs) > reach_m(mcs + 1));
    }
    near(reach_m(0) / reach_m(7), 10f64.powf(18.0 / 30.0), 1e-9);
}

/// RFC 9112 section 7.1: hexadecimal digits and two line ends.
#[test]
fn http_chunks() {
    assert_eq!(chunk_overhead(1460), 7);
    assert_eq!(chunk_overhead(4096), 8);
    assert_eq!(chunk_overhead(15), 5);
    // The last chunk, "0" and two line ends.
    assert_eq!(chunk_overhead(0), 5);
}

/// MIPI DCS: a window costs 11 bytes; 12, 16, 18 bits per pixel are 1.5, 2, 3
/// bytes on the wire.
#[test]
fn panel_times() {
    let mut board = Board::find("lantern-room").unwrap();
    board.panel.window_us = 0.0;
    let sizes = [
        ((240, 240), [46.084, 23.042, 11.521]),
        ((240, 320), [61.444, 30.722, 15.361]),
        ((160, 128), [16.388, 8.194, 4.097]),
        ((160, 80), [10.244, 5.122, 2.561]),
    ];
    for ((w, h), times) in sizes {
        for (mhz, ms) in [20, 40, 80].into_iter().zip(times) {
            board.panel.clock_hz = mhz * 1_000_000;
            let costs = costs(&board, false);
            near(costs.send_ns(w * h, 1) / 1e6, ms, 0.0005);
        }
    }
    board.panel.window_bytes = 0;
    for (bits, bytes) in [(12, 1.5), (16, 2.0), (18, 3.0)] {
        board.panel.bits_per_pixel = bits;
        let costs = costs(&board, false);
        near(costs.send_ns(1000, 1), bytes * 8000.0 / 80e6 * 1e9, 1e-6);
    }
}

/// A quad bus is four times as fast.
#[test]
fn lines_divide_the_time() {
    let mut board = Board::find("lantern-room").unwrap();
    board.panel.window_us = 0.0;
    let one = costs(&board, false).send_ns(57_600, 1);
    board.panel.lines = 4;
    near(costs(&board, false).send_ns(57_600, 1), one / 4.0, 1e-6);
}

/// 240 MHz, 0.6 instructions a cycle, 80 % of a core: 115.2 instructions a
/// microsecond.
#[test]
fn decode_times() {
    let board = Board::find("lantern-room").unwrap();
    // As many instructions as the estimate comes to on this core.
    let counted = Counted::new(PictureCoding::PatchFull, board.cpu.instruction_set);
    let ms = counted.instructions(1_152_000, 0) / 115_200.0;
    near(costs(&board, false).decode_ns(1_152_000, 0), ms * 1e6, 1e-3);
    near(
        costs(&board, true).decode_ns(1_152_000, 0),
        ms * 1.5e6,
        1e-3,
    );
}

/// Raw pixels cost a core nothing where DMA reaches the ring buffer, and a copy
/// through the send buffer where it does not.
#[test]
fn raw_pixels_out_of_the_reach_of_dma_are_copied() {
    let mut board = Board::find("lantern-room").unwrap();
    let rate = Ratio::new(10, 1).unwrap();
    let reel = Settings::typical(240, 240, rate, PictureCoding::Raw).facts();
    let cost = |board: &Board| {
        let memory = MemoryPlan::new(&reel, board);
        let sends = memory.buffers.iter().any(|b| b.name == "send buffer");
        let costs = Costs::new(board, PictureCoding::Raw, &memory);
        (sends, costs.decode_ns(0, 57_600))
    };
    // 57,600 instructions at 115.2 a microsecond, half as long again outside.
    let (sends, copied) = cost(&board);
    assert!(sends);
    near(copied, 750_000.0, 1e-3);
    board.memory.dma_from_external = true;
    assert_eq!(cost(&board), (false, 0.0));
    board.memory.external_bytes = 0;
    board.memory.internal_bytes = 4_000_000;
    board.memory.dma_from_external = false;
    assert_eq!(cost(&board), (false, 0.0));
}

/// IMA ADPCM: four bits per sample, and four bytes of state a block.
#[test]
fn sound_blocks() {
    assert_eq!(SoundCoding::Adpcm.block_bytes(505), 4 + 253);
    assert_eq!(SoundCoding::Pcm16.block_bytes(100), 200);
    assert_eq!(SoundCoding::Pcm8.block_bytes(100), 100);
    assert_eq!(SoundCoding::None.block_bytes(100), 0);
}
