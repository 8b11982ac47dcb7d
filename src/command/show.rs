//! How numbers are shown to people.

/// A whole number with commas between thousands.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// Ticks as hours, minutes, seconds and milliseconds: `1:02:03.500` or `2:03.500`.
pub fn time(ticks: u64, clock_rate: u32) -> String {
    let ms = u128::from(ticks) * 1000 / u128::from(clock_rate.max(1));
    let (h, m, s, ms) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
    if h > 0 {
        format!("{h}:{m:02}:{s:02}.{ms:03}")
    } else {
        format!("{m}:{s:02}.{ms:03}")
    }
}

/// `1 slice`, `2 slices`.
pub fn count(n: u64, one: &str) -> String {
    let plural = if n == 1 { "" } else { "s" };
    format!("{} {one}{plural}", grouped(n))
}

#[cfg(test)]
mod tests {
    use super::{count, grouped, time};

    #[test]
    fn numbers_are_grouped_and_counted() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(4_294_966_784), "4,294,966,784");
        assert_eq!(count(1, "slice"), "1 slice");
        assert_eq!(count(2000, "slice"), "2,000 slices");
    }

    #[test]
    fn times_show_hours_only_when_there_are_any() {
        assert_eq!(time(0, 48_000), "0:00.000");
        assert_eq!(time(48_000 * 123 + 24_000, 48_000), "2:03.500");
        assert_eq!(time(22_050 * 3723, 22_050), "1:02:03.000");
    }
}
