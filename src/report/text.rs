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
    use super::encode;

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
