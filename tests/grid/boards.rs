//! Thirty boards: five panels by six machines.

use thumbreel::board::{Board, CardBus, Shape};

/// Width, height, shape, bus clock in MHz, bus lines.
const PANELS: [(u16, u16, Shape, u32, u8); 5] = [
    (240, 240, Shape::Rectangle, 40, 1),
    (240, 240, Shape::Ellipse, 80, 1),
    (80, 160, Shape::Rectangle, 26, 1),
    (240, 320, Shape::Rectangle, 40, 1),
    (128, 160, Shape::Rectangle, 20, 1),
];

/// Core clock in MHz, cores, external bytes, card wiring and clock in MHz,
/// MCS; no card where its clock is 0.
const MACHINES: [(u32, u8, u32, CardBus, u32, u8); 6] = [
    (240, 2, 4_000_000, CardBus::Sd4, 40, 5),
    (240, 2, 2_000_000, CardBus::Spi, 20, 4),
    (240, 2, 0, CardBus::Spi, 20, 3),
    (160, 1, 0, CardBus::Spi, 20, 3),
    (133, 1, 0, CardBus::Spi, 12, 1),
    (240, 2, 2_000_000, CardBus::Spi, 0, 2),
];

pub fn all() -> Vec<Board> {
    let mut boards = Vec::new();
    for (p, panel) in PANELS.iter().enumerate() {
        for (m, machine) in MACHINES.iter().enumerate() {
            boards.push(board(&format!("grid-{p}-{m}"), panel, machine));
        }
    }
    boards
}

fn board(
    name: &str,
    panel: &(u16, u16, Shape, u32, u8),
    machine: &(u32, u8, u32, CardBus, u32, u8),
) -> Board {
    let mut board = Board::find("lantern-room").unwrap();
    board.name = name.into();
    (board.panel.width, board.panel.height, board.panel.shape) = (panel.0, panel.1, panel.2);
    board.panel.clock_hz = panel.3 * 1_000_000;
    board.panel.lines = panel.4;
    board.cpu.clock_hz = machine.0 * 1_000_000;
    board.cpu.cores = machine.1;
    board.memory.external_bytes = machine.2;
    let card = board.card.as_mut().unwrap();
    card.bus = machine.3;
    card.clock_hz = machine.4 * 1_000_000;
    board.wifi.as_mut().unwrap().mcs = machine.5;
    if machine.4 == 0 {
        board.card = None;
    }
    Board::parse(&board.to_toml(), name).unwrap()
}
