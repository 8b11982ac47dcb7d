//! Numbers for HTML.

/// At most three decimal places, without trailing zeros.
pub(super) fn decimal(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

#[cfg(test)]
mod tests {
    use super::decimal;

    #[test]
    fn decimals_say_no_more_than_they_know() {
        let shown = [-2.069_100_13, f64::from(0.8_f32), 642.0, -0.000_1].map(decimal);
        assert_eq!(shown, ["-2.069", "0.8", "642", "0"]);
    }
}
