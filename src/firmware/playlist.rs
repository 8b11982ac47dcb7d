//! PLAYLIST.TXT: what a card's firmware plays, in which order. `spec/firmware/playlist.h`
//! describes its lines.

/// Its name in the card's root folder.
pub const PLAYLIST: &str = "PLAYLIST.TXT";

/// Bytes of a reel's name (`TBR_LIST_NAME` without the 0 at the end).
const LONGEST_NAME: usize = 255;
/// Bytes of a list that firmware reads (`TBR_LIST_BYTES`).
const LONGEST: usize = 16_384;

/// Why firmware could not read a list.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlaylistError {
    /// A name that a line cannot hold.
    #[error(
        "a playlist cannot name {0:?}: a reel's name ends in .tbr, has at most {LONGEST_NAME} bytes and no control characters, and does not begin with # or a blank; rename it"
    )]
    Name(String),
    /// More than firmware reads.
    #[error(
        "a playlist of {0} reels is longer than the {LONGEST} bytes that firmware reads; use shorter names, or copy the reels without a playlist: they are played in the order of their names"
    )]
    Long(usize),
}

/// A list that plays these reels in this order, repeated.
///
/// # Errors
/// A name has no line of its own, or the list is too long for firmware.
pub fn playlist(names: &[String]) -> Result<String, PlaylistError> {
    let mut text = String::from(
        "# Played in this order. Behind a name may stand: from TIME, to TIME, times N, repeat.\nrepeat\n",
    );
    for name in names {
        let fits = name.len() <= LONGEST_NAME
            && name.to_ascii_lowercase().ends_with(".tbr")
            && !name.starts_with(['#', ' ', '\u{FEFF}'])
            && !name.chars().any(char::is_control);
        if !fits {
            return Err(PlaylistError::Name(name.clone()));
        }
        text.push_str(name);
        text.push('\n');
    }
    match text.len() <= LONGEST {
        true => Ok(text),
        false => Err(PlaylistError::Long(names.len())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_a_line_cannot_hold_are_refused() {
        let one = |name: &str| playlist(&[name.to_owned()]);
        assert!(one("a b.TBR").unwrap().ends_with("\nrepeat\na b.TBR\n"));
        for name in ["#a.tbr", " a.tbr", "a\nb.tbr", "a.tbx", "\u{FEFF}a.tbr"] {
            assert_eq!(one(name), Err(PlaylistError::Name(name.into())));
        }
        let long = |n: usize| format!("{}.tbr", "x".repeat(n));
        assert!(one(&long(251)).is_ok() && one(&long(252)).is_err());
        let many: Vec<String> = (0..63).map(|i| format!("{i:0251}.tbr")).collect();
        assert!(playlist(&many).is_ok());
        assert_eq!(
            playlist(&[many, vec![long(251)]].concat()),
            Err(PlaylistError::Long(64))
        );
    }
}
