//! Quantities in words, the same in the terminal and on every page.

/// Bytes with a decimal unit.
#[must_use]
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1000 => format!("{bytes} B"),
        1000..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.2} MB", bytes as f64 / 1e6),
        _ => format!("{:.2} GB", bytes as f64 / 1e9),
    }
}

/// A quantity with its unit, in powers of ten.
#[must_use]
pub fn amount(value: f64, unit: &str) -> String {
    let short = unit.split(' ').next().unwrap_or(unit);
    match unit {
        "bytes" => size(value as u64),
        "bytes/s" => format!("{}/s", size(value as u64)),
        "bit/s" => format!("{:.2} Mbit/s", value / 1e6),
        "degrees C above ambient" => format!("{value:.0} °C rise"),
        "V" => format!("{value:.2} V"),
        _ => format!("{value:.0} {short}"),
    }
}

/// Minutes and seconds.
#[must_use]
pub fn clock(seconds: f64) -> String {
    format!("{}:{:04.1}", (seconds / 60.0) as u64, seconds % 60.0)
}
