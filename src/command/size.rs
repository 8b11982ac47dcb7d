//! Sizes as they are typed.

/// Largest size of a part: bytes as in [`bytes`], or `fat32` for the largest
/// file of a FAT32 card.
///
/// # Errors
/// A sentence with the accepted forms.
pub fn part(text: &str) -> Result<u64, String> {
    if text.eq_ignore_ascii_case("fat32") {
        return Ok(crate::reel::FAT32_LIMIT);
    }
    bytes(text).map_err(|error| error + ", or fat32")
}

/// Bytes from `350000`, `350k`, `1.5G` (powers of 1000) or `64Ki`, `2GiB`
/// (powers of 1024).
///
/// # Errors
/// A sentence with the accepted forms.
pub fn bytes(text: &str) -> Result<u64, String> {
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit: f64 = match text[digits.len()..].to_ascii_lowercase().as_str() {
        "" | "b" => 1.0,
        "k" | "kb" => 1e3,
        "m" | "mb" => 1e6,
        "g" | "gb" => 1e9,
        "ki" | "kib" => 1024.0,
        "mi" | "mib" => 1_048_576.0,
        "gi" | "gib" => 1_073_741_824.0,
        _ => return Err(usage()),
    };
    let number: f64 = digits.parse().map_err(|_| usage())?;
    let bytes = number * unit;
    if !(1.0..9e15).contains(&bytes) {
        return Err(usage());
    }
    Ok(bytes as u64)
}

fn usage() -> String {
    "write it as bytes, or with k, M, G, Ki, Mi or Gi, for example 350k".into()
}

#[cfg(test)]
mod tests {
    use super::{bytes, part};

    #[test]
    fn sizes_are_read_in_all_their_units() {
        assert_eq!(bytes("512"), Ok(512));
        assert_eq!(bytes("1.5G"), Ok(1_500_000_000));
        assert_eq!(bytes("64KiB"), Ok(65_536));
        assert_eq!(part("fat32"), Ok(4_294_966_784));
        assert_eq!(
            (part("350k"), bytes("4GiB")),
            (Ok(350_000), Ok(4_294_967_296))
        );
        for wrong in ["", "G", "-1", "1T", "nan", "inf", "0", "5x", "fat32"] {
            assert!(bytes(wrong).is_err(), "{wrong}");
        }
    }
}
