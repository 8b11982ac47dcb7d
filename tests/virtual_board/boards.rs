//! A board's profile as arguments of the virtual board.

use std::path::Path;

use thumbreel::board::{Board, ByteOrder, Shape};

/// Where the reel comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Link {
    Card,
    Wifi,
}

/// Bytes per second that Wi-Fi carries: the smaller of the receive window in
/// each round trip and the usable share of the rate of IEEE 802.11n-2009,
/// table 20-30 (one stream, 20 MHz, long guard interval).
pub fn wifi_rate(board: &Board) -> Option<f64> {
    const MEGABITS: [f64; 8] = [6.5, 13.0, 19.5, 26.0, 39.0, 52.0, 58.5, 65.0];
    let wifi = board.wifi.as_ref()?;
    let radio = MEGABITS[usize::from(wifi.mcs)] * 1e6 * wifi.usable_share / 8.0;
    let window = f64::from(wifi.window_bytes) * 1000.0 / wifi.round_trip_ms;
    Some(radio.min(window))
}

fn push(words: &mut Vec<String>, key: &str, value: impl std::fmt::Display) {
    words.push(format!("{key}={value}"));
}

fn panel(words: &mut Vec<String>, board: &Board) {
    let p = &board.panel;
    push(words, "width", p.width);
    push(words, "height", p.height);
    push(words, "x", p.x_offset);
    push(words, "y", p.y_offset);
    push(words, "ellipse", u8::from(p.shape == Shape::Ellipse));
    push(words, "blue_first", u8::from(p.bgr));
    push(words, "complement", u8::from(p.inverted));
    let low_first = p.pixel_order == ByteOrder::LowFirst;
    push(words, "low_first", u8::from(low_first));
    push(words, "turns", p.rotation / 90);
    push(words, "mirror", u8::from(p.mirror));
    push(words, "refresh_mhz", (p.refresh_hz * 1000.0) as u32);
    push(words, "bus_clock", p.clock_hz);
    push(words, "bus_lines", p.lines);
    push(words, "window_ns", (p.window_us * 1000.0) as u32);
    push(words, "dma", u8::from(p.dma));
}

fn card(words: &mut Vec<String>, board: &Board) {
    let card = board.card.as_ref().unwrap();
    push(words, "card_clock", card.clock_hz);
    push(words, "card_lines", card.bus.lines());
    push(words, "card_shares_bus", u8::from(card.shares_panel_bus));
    push(words, "card_access_us", card.access_us as u32);
    push(words, "per_byte", 6 + card.instructions_per_byte as u32);
}

fn wifi(words: &mut Vec<String>, board: &Board) {
    let wifi = board.wifi.as_ref().unwrap();
    push(words, "link", 1);
    push(words, "link_rate", wifi_rate(board).unwrap() as u64);
    push(words, "link_window", wifi.window_bytes);
    push(words, "per_byte", 6 + wifi.instructions_per_byte as u32);
}

/// All of it, for a reel from `link`; `raw` pixels cost next to nothing.
pub fn words(board: &Board, link: Link, reel: &Path, raw: bool) -> Vec<String> {
    let mut words = Vec::new();
    push(&mut words, "reel", reel.display());
    panel(&mut words, board);
    match link {
        Link::Card => card(&mut words, board),
        Link::Wifi => wifi(&mut words, board),
    }
    let cpu = &board.cpu;
    let speed = f64::from(cpu.clock_hz) * cpu.instructions_per_cycle * cpu.share;
    push(&mut words, "cores", cpu.cores);
    push(&mut words, "instructions", speed as u64);
    push(&mut words, "per_pixel", if raw { 1 } else { 50 });
    push(&mut words, "queue", 8 * (board.sound.sample_rate / 100));
    push(&mut words, "blocks", 8);
    words
}
