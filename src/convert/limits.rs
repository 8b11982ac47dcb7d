//! How many frames per second a board can take, as a first choice of rate. The
//! budget judges the finished reel.

use crate::board::{Board, CardBus};
use crate::budget::{Counted, PictureCoding};
use crate::coding::{Coding, Means};
use crate::units::Ratio;

/// Share of a link or bus that a first choice of rate may use.
const SHARE: f64 = 0.8;

/// Frames per second that the panel's bus carries if every picture is drawn whole.
pub(super) fn bus_rate(board: &Board, pixels: u64) -> f64 {
    let panel = &board.panel;
    let bits =
        pixels as f64 * f64::from(panel.bits_per_pixel) + 8.0 * f64::from(panel.window_bytes);
    let wire = bits / (f64::from(panel.clock_hz) * f64::from(panel.lines));
    1.0 / (wire + panel.window_us * 1e-6)
}

/// Bytes per second that the board's best link is likely to carry.
pub(super) fn link_bytes(board: &Board) -> f64 {
    let card = board.card.as_ref().map_or(0.0, |card| {
        let lines = match card.bus {
            CardBus::Spi | CardBus::Sd1 => 1.0,
            CardBus::Sd4 => 4.0,
        };
        // 32 KiB at a time: the wire's time, and what recurs (SD simplified
        // specification: a block carries 515 bytes on the wire for its 512).
        let blocks = 64.0;
        let wire = blocks * 515.0 * 8.0 / (f64::from(card.clock_hz) * lines);
        let waits = (card.access_us + blocks * card.block_us) * 1e-6;
        blocks * 512.0 / (wire + waits)
    });
    let wifi = board.wifi.as_ref().map_or(0.0, |wifi| {
        let window = f64::from(wifi.window_bytes) / (wifi.round_trip_ms * 1e-3);
        let air = wifi.rate_bps() * wifi.usable_share / 8.0;
        window.min(air)
    });
    card.max(wifi)
}

/// What the board can spend on pictures.
pub(super) fn means(board: &Board) -> Means {
    let cpu = &board.cpu;
    // What the encoder estimates for *full*, in these cores' instructions.
    let counted = Counted::new(PictureCoding::PatchFull, cpu.instruction_set).per_estimated;
    let sound = 2.0 * f64::from(board.sound.sample_rate);
    Means {
        link: Some(link_bytes(board) - sound),
        instructions: Some(
            f64::from(cpu.clock_hz) * cpu.instructions_per_cycle * cpu.share / counted,
        ),
        // A decoder's pictures lie in one memory.
        memory: Some(
            board
                .memory
                .internal_bytes
                .max(board.memory.external_bytes)
                .into(),
        ),
        jpeg: cpu.jpeg_pixels_per_second,
    }
}

/// The rate to take where none was asked for: the clip's own, or the largest
/// whole fraction of it that bus and link can carry, so that motion stays even.
pub(super) fn rate_for(board: &Board, source: Ratio, pixels: u64, coding: Coding) -> Ratio {
    let bus = SHARE * bus_rate(board, pixels);
    let most = match coding {
        Coding::Raw => {
            let sound = 2.0 * f64::from(board.sound.sample_rate);
            let left = SHARE * link_bytes(board) - sound;
            bus.min(left / (pixels as f64 * 2.0))
        }
        // Coded pictures change only part of the panel as a rule.
        Coding::Jpeg | Coding::Patch => bus,
    };
    let most = most.max(1.0);
    let hertz = f64::from(source.num) / f64::from(source.den);
    let divisor = (hertz / most * 0.999).ceil().max(1.0) as u32;
    Ratio::new(source.num, source.den.saturating_mul(divisor)).unwrap_or(source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_is_a_whole_fraction_of_the_clips() {
        let board = Board::find("lantern-room").unwrap();
        let ntsc = Ratio::new(60_000, 1001).unwrap();
        let rate = rate_for(&board, ntsc, 240 * 240, Coding::Patch);
        // 240x240 at 40 MHz takes 23.042 ms (check: 8 x (115200 + 11) / 40e6).
        let bus = bus_rate(&board, 240 * 240);
        assert!((1000.0 / bus - 23.042 - 0.001 * board.panel.window_us).abs() < 0.001);
        assert_eq!(rate, Ratio::new(30_000, 1001).unwrap());
        let slow = Ratio::new(12, 1).unwrap();
        assert_eq!(rate_for(&board, slow, 240 * 240, Coding::Patch), slow);
    }
}
