//! Text as HTML carries it.

/// A figure with as many digits as matter, in groups of three.
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

/// At most three decimal places, and none that say nothing.
pub(super) fn decimal(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

/// `text` with what HTML would take for markup written out.
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

const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Base64 (RFC 4648 section 4), lines of 76 digits.
pub(super) fn encode(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len() * 4 / 3 + bytes.len() / 57 + 4);
    for line in bytes.chunks(57) {
        for three in line.chunks(3) {
            let byte = |i: usize| u32::from(*three.get(i).unwrap_or(&0));
            let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
            for i in 0..4 {
                let digit = DIGITS[(bits >> (18 - 6 * i) & 63) as usize];
                out.push(if i <= three.len() { digit.into() } else { '=' });
            }
        }
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{decimal, encode};

    #[test]
    fn decimals_say_no_more_than_they_know() {
        let shown = [-2.069_100_13, f64::from(0.8_f32), 642.0, -0.000_1].map(decimal);
        assert_eq!(shown, ["-2.069", "0.8", "642", "0"]);
    }

    #[test]
    fn test_vectors_of_rfc_4648_section_10() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg==\n"),
            ("fo", "Zm8=\n"),
            ("foo", "Zm9v\n"),
            ("foob", "Zm9vYg==\n"),
            ("fooba", "Zm9vYmE=\n"),
            ("foobar", "Zm9vYmFy\n"),
        ] {
            assert_eq!(encode(plain.as_bytes()), coded);
        }
    }
}
