//! The worked example of `spec/coding.md`: its bytes decode to its pixels.

use thumbreel::coding::patch::{Decoder, Level, memory_bytes};

const TEXT: &str = include_str!("../../spec/coding.md");

/// The numbers after `label` on the line that begins with it.
fn hex(label: &str) -> Vec<u32> {
    let line = TEXT
        .lines()
        .find_map(|line| line.trim_start().strip_prefix(label))
        .unwrap_or_else(|| panic!("the text has no line {label}"));
    line.split_whitespace()
        .map(|word| u32::from_str_radix(word, 16).unwrap())
        .collect()
}

#[test]
fn the_worked_example_decodes_as_written() {
    for (name, level) in [("light", Level::Light), ("full", Level::Full)] {
        let mut memory = vec![0; memory_bytes(16, 16)];
        let mut decoder = Decoder::new(16, 16, level, &mut memory).unwrap();
        for picture in ["first", "second"] {
            let bytes: Vec<u8> = hex(&format!("{name} {picture}:"))
                .into_iter()
                .map(|b| b as u8)
                .collect();
            decoder.decode(&bytes).unwrap();
            for y in [0, 15] {
                let mut row = [0u16; 16];
                decoder.row(0, y, &mut row);
                let want = hex(&format!("{name} {picture} row {y}:"));
                assert!(
                    row.iter().map(|&p| u32::from(p)).eq(want),
                    "{name} {picture} row {y}"
                );
            }
        }
    }
}
