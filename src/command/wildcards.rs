//! `*` in names, where no shell expands it.

use std::ffi::{OsStr, OsString};
use std::path::Path;

/// The words, each whose last component holds `*` replaced by the names that fit, in
/// order; a word that nothing fits stays as it is, and so does an option.
pub(super) fn expanded(words: impl Iterator<Item = OsString>) -> Vec<OsString> {
    let expand = |word: OsString| {
        let found = names(&word);
        match found.is_empty() {
            true => vec![word],
            false => found,
        }
    };
    words.flat_map(expand).collect()
}

fn names(word: &OsStr) -> Vec<OsString> {
    let path = Path::new(word);
    let pattern = path.file_name().and_then(OsStr::to_str).unwrap_or("");
    if !pattern.contains('*') || word.as_encoded_bytes().starts_with(b"-") {
        return Vec::new();
    }
    let folder = path.parent().unwrap_or(Path::new(""));
    let place = match folder.as_os_str().is_empty() {
        true => Path::new("."),
        false => folder,
    };
    let entries = place.read_dir().into_iter().flatten().flatten();
    let fitting = entries.map(|entry| entry.file_name()).filter(|name| {
        // As shells have it, `*` does not stand for a first dot.
        let hidden = |name: &str| name.starts_with('.') && !pattern.starts_with('.');
        name.to_str()
            .is_some_and(|name| !hidden(name) && fits(pattern, name))
    });
    let mut found: Vec<_> = fitting
        .map(|name| folder.join(name).into_os_string())
        .collect();
    found.sort();
    found
}

/// Whether `name` is `pattern` with something for each `*`, in any case.
fn fits(pattern: &str, name: &str) -> bool {
    let (pattern, name) = (pattern.to_lowercase(), name.to_lowercase());
    let mut parts = pattern.split('*');
    let Some(mut rest) = name.strip_prefix(parts.next().unwrap_or("")) else {
        return false;
    };
    let parts: Vec<&str> = parts.collect();
    let Some((last, middle)) = parts.split_last() else {
        return rest.is_empty();
    };
    for part in middle {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::{expanded, fits};
    use std::ffi::OsString;

    /// Against POSIX.1-2017, Shell and Utilities 2.13, but for the case of letters.
    #[test]
    fn a_star_stands_for_anything() {
        for (pattern, name) in [
            ("*.mp4", "harbour.mp4"),
            ("*.mp4", "FOG.MP4"),
            ("h*r*.mp4", "harbour.mp4"),
            ("*", "x"),
            ("a*", "a"),
            ("*a*", "bab"),
            ("**", ""),
            ("a*a", "aa"),
            ("*ab*ab", "abab"),
        ] {
            assert!(fits(pattern, name), "{pattern} {name}");
        }
        for (pattern, name) in [
            ("*.mp4", "harbour.mp3"),
            ("h*", "fog"),
            ("a*a", "a"),
            ("*b", "bc"),
            ("*ab*ab", "ab"),
            ("a", "ab"),
        ] {
            assert!(!fits(pattern, name), "{pattern} {name}");
        }
    }

    #[test]
    fn names_come_in_order_and_other_words_stay() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name).into_os_string();
        for name in ["b.mp4", "a.mp4", ".c.mp4", "d.tbr"] {
            std::fs::write(at(name), b"").unwrap();
        }
        let words = [
            OsString::from("convert"),
            at("*.mp4"),
            at("*.wav"),
            "--title=*".into(),
            "-".into(),
        ];
        let wanted = [
            OsString::from("convert"),
            at("a.mp4"),
            at("b.mp4"),
            at("*.wav"),
            "--title=*".into(),
            "-".into(),
        ];
        assert_eq!(expanded(words.into_iter()), wanted);
    }
}
