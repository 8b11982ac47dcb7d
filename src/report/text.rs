//! Numbers and text for HTML.

/// A figure with up to two decimals below 10, none above, in groups of three digits.
pub(super) fn amount(value: f64) -> String {
    if value.abs() < 10.0 {
        return format!("{value:.2}");
    }
    if value.abs() < 1000.0 {
        return format!("{value:.0}");
    }
    let digits = format!("{:.0}", value.abs());
    let mut grouped = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    grouped
}

/// At most three decimal places, without trailing zeros.
pub(super) fn decimal(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

/// `text` with the characters of HTML markup escaped.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c => out.push(c),
        }
    }
    out
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
