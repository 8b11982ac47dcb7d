//! Names that a system may take for something else than a file of that name
//! (the Win32 documentation, "Naming files, paths, and namespaces").

/// Characters that separate, match, redirect or open a stream of a file.
const RESERVED: &[char] = &['<', '>', ':', '"', '/', '\\', '|', '?', '*'];
/// Devices, with whatever extension.
const DEVICES: [&str; 6] = ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"];
/// Devices that a digit follows.
const NUMBERED: [&str; 2] = ["COM", "LPT"];

/// Whether one component of a path is more than a name.
pub fn is_special(part: &str) -> bool {
    let reserved = |c: char| c.is_control() || RESERVED.contains(&c);
    part.is_empty() || part.contains(reserved) || part.ends_with(['.', ' ']) || is_device(part)
}

fn is_device(part: &str) -> bool {
    let stem = part.split('.').next().unwrap_or(part).trim_end();
    let stem = stem.to_uppercase();
    let digit = |rest: &str| {
        let mut left = rest.chars();
        // The superscripts of ISO/IEC 8859-1 count as digits there.
        let first = left.next();
        left.next().is_none() && first.is_some_and(|c| c.is_ascii_digit() || "¹²³".contains(c))
    };
    DEVICES.contains(&stem.as_str())
        || NUMBERED
            .iter()
            .any(|name| stem.strip_prefix(name).is_some_and(digit))
}

#[cfg(test)]
mod tests {
    use super::is_special;

    #[test]
    fn devices_streams_and_other_spellings_are_no_names() {
        for part in [
            "",
            ".",
            "..",
            "NUL",
            "nul.tbr",
            "Con.tbr",
            "aux .tbr",
            "COM1",
            "com9.tbr",
            "LPT0.x.tbr",
            "COM¹.tbr",
            "CONIN$",
            "conout$.tbr",
            "PRN.",
            "harbour.tbr.",
            "harbour.tbr ",
            "harbour.tbr::$DATA",
            "harbour:2.tbr",
            "c:",
            "c:harbour.tbr",
            "..\\secret.tbr",
            "a/b.tbr",
            "*.tbr",
            "harbour?.tbr",
            "a\u{1}.tbr",
            "a|b.tbr",
            "\\\\?\\c:\\x.tbr",
        ] {
            assert!(is_special(part), "{part:?}");
        }
    }

    #[test]
    fn ordinary_names_stay() {
        for part in [
            "harbour.tbr",
            "fog & bell 100%#ü.tbr",
            "console.tbr",
            "COM.tbr",
            "COM10.tbr",
            "nullah.tbr",
            "a.NUL.tbr",
            "sea~1.tbr",
            "two  spaces.tbr",
            "COMx.tbr",
        ] {
            assert!(!is_special(part), "{part:?}");
        }
    }
}
