//! Cues out of SubRip (SRT) and WebVTT text.

use byteorder::{BE, ByteOrder as _, LE};

use crate::picture::plan::PictureError;
use crate::units::Nanos;

/// Text and when it is shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cue {
    /// First instant.
    pub start: Nanos,
    /// First instant at which it is gone.
    pub end: Nanos,
    /// Lines as the author broke them, without markup.
    pub lines: Vec<String>,
    /// True if it asks for the top of the picture.
    pub top: bool,
}

impl Cue {
    /// A cue from marked-up text, as a subtitle track stores it: SubRip and
    /// WebVTT tags, `{\...}` overrides and `\N` line ends are understood.
    /// `None` if nothing is left to show.
    #[must_use]
    pub fn new(start: Nanos, end: Nanos, text: &str) -> Option<Self> {
        let top = ["{\\an7", "{\\an8", "{\\an9"]
            .iter()
            .any(|tag| text.contains(tag));
        let text = text
            .replace("\\N", "\n")
            .replace("\\n", "\n")
            .replace("\\h", " ");
        let lines = text.lines().map(|line| plain(line).trim().to_owned());
        let lines: Vec<String> = lines.filter(|line| !line.is_empty()).collect();
        (!lines.is_empty() && end > start).then_some(Self {
            start,
            end,
            lines,
            top,
        })
    }

    /// The cue on a clock that starts `by` later.
    #[must_use]
    pub fn earlier(mut self, by: Nanos) -> Self {
        self.start = Nanos(self.start.0.saturating_sub(by.0));
        self.end = Nanos(self.end.0.saturating_sub(by.0));
        self
    }
}

/// The text of a subtitle file: UTF-8 with or without a mark, UTF-16 with one,
/// or else ISO 8859-1.
#[must_use]
pub fn decode(bytes: &[u8]) -> String {
    let wide = |rest: &[u8], order: fn(&[u8]) -> u16| {
        let units: Vec<u16> = rest.chunks_exact(2).map(order).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => String::from_utf8_lossy(rest).into_owned(),
        [0xFF, 0xFE, rest @ ..] => wide(rest, LE::read_u16),
        [0xFE, 0xFF, rest @ ..] => wide(rest, BE::read_u16),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&b| char::from(b)).collect(),
        },
    }
}

/// Cues of an SRT or WebVTT file, in order of time.
///
/// # Errors
/// [`PictureError::Text`] names the line that is not understood, or says that
/// no cue was found.
pub fn parse(text: &str) -> Result<Vec<Cue>, PictureError> {
    let mut cues = Vec::new();
    let mut lines = text.lines().enumerate().peekable();
    while let Some((number, line)) = lines.next() {
        let head = line.trim();
        let word = head.split_whitespace().next().unwrap_or_default();
        if ["NOTE", "STYLE", "REGION"].contains(&word) && !head.contains("-->") {
            while lines.next_if(|(_, line)| !line.trim().is_empty()).is_some() {}
            continue;
        }
        let Some((start, rest)) = head.split_once("-->") else {
            continue;
        };
        let (end, settings) = split_settings(rest);
        let (Some(start), Some(end)) = (time(start), time(end)) else {
            let message = format!(
                "line {} of the subtitles has no two times: {head}",
                number + 1
            );
            return Err(PictureError::Text(message));
        };
        let mut body = String::new();
        while let Some((_, line)) = lines.next_if(|(_, line)| !line.trim().is_empty()) {
            body.push_str(line);
            body.push('\n');
        }
        if let Some(mut cue) = Cue::new(start, end, &body) {
            cue.top |= asks_for_top(settings);
            cues.push(cue);
        }
    }
    if cues.is_empty() {
        let message = "no cue was found: give an SRT or WebVTT file, with times such as \
                       00:00:01,000 --> 00:00:02,500";
        return Err(PictureError::Text(message.into()));
    }
    cues.sort_by_key(|cue| (cue.start, cue.end));
    Ok(cues)
}

fn split_settings(rest: &str) -> (&str, &str) {
    let rest = rest.trim();
    rest.split_once(char::is_whitespace).unwrap_or((rest, ""))
}

/// `[HH:]MM:SS.mmm`, with a comma or a point.
fn time(text: &str) -> Option<Nanos> {
    let text = text.trim().replace(',', ".");
    let (whole, fraction) = text.split_once('.').unwrap_or((&text, "0"));
    let parts: Vec<i64> = whole
        .split(':')
        .map(|p| p.trim().parse().ok())
        .collect::<Option<_>>()?;
    let seconds = match parts[..] {
        [h, m, s] => h
            .checked_mul(3600)?
            .checked_add(m.checked_mul(60)?)?
            .checked_add(s)?,
        [m, s] => m.checked_mul(60)?.checked_add(s)?,
        _ => return None,
    };
    let digits: String = fraction.chars().take(9).collect();
    let nanos = digits.parse::<i64>().ok()? * 10_i64.pow(9 - digits.len() as u32);
    seconds
        .checked_mul(1_000_000_000)?
        .checked_add(nanos)
        .map(Nanos)
}

/// WebVTT `line:` settings in the upper half.
fn asks_for_top(settings: &str) -> bool {
    let line = settings
        .split_whitespace()
        .find_map(|s| s.strip_prefix("line:"));
    let Some(place) = line.and_then(|value| value.split(',').next()) else {
        return false;
    };
    match place.strip_suffix('%') {
        Some(percent) => percent.parse::<f32>().is_ok_and(|p| p < 50.0),
        None => place.parse::<i32>().is_ok_and(|row| (0..8).contains(&row)),
    }
}

/// A line without `<...>` tags and `{\...}` overrides, entities resolved.
fn plain(line: &str) -> String {
    let mut out = String::new();
    let mut rest = line;
    while let Some(c) = rest.chars().next() {
        let skipped = match c {
            '<' if is_tag(rest) => rest.find('>').map(|i| &rest[i + 1..]),
            '{' if rest.starts_with("{\\") => rest.find('}').map(|i| &rest[i + 1..]),
            _ => None,
        };
        if let Some(after) = skipped {
            rest = after;
        } else if let Some((c, after)) = entity(rest) {
            out.extend(c);
            rest = after;
        } else {
            out.push(c);
            rest = &rest[c.len_utf8()..];
        }
    }
    out
}

/// A tag begins with a letter, a slash, a class or a time; `a < b` is none.
fn is_tag(rest: &str) -> bool {
    let second = rest.chars().nth(1);
    second.is_some_and(|c| c.is_ascii_alphanumeric() || c == '/' || c == '.')
}

/// A character reference at the start of `rest`, and what follows it.
fn entity(rest: &str) -> Option<(Option<char>, &str)> {
    const KNOWN: [(&str, Option<char>); 8] = [
        ("&apos;", Some('\'')),
        ("&amp;", Some('&')),
        ("&lt;", Some('<')),
        ("&gt;", Some('>')),
        ("&nbsp;", Some('\u{a0}')),
        ("&quot;", Some('"')),
        ("&lrm;", None),
        ("&rlm;", None),
    ];
    KNOWN
        .iter()
        .find_map(|(name, c)| rest.strip_prefix(name).map(|after| (*c, after)))
        .or_else(|| numbered(rest))
}

/// `&#39;` or `&#x27;`, as HTML and so WebVTT have them.
fn numbered(rest: &str) -> Option<(Option<char>, &str)> {
    let (number, after) = rest.strip_prefix("&#")?.split_once(';')?;
    let code = match number.strip_prefix(['x', 'X']) {
        Some(hex) => u32::from_str_radix(hex, 16),
        None => number.parse(),
    };
    Some((Some(char::from_u32(code.ok()?)?), after))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srt_with_numbers_tags_and_carriage_returns() {
        let text = "1\r\n00:00:01,500 --> 00:00:02,750\r\n<i>The beam</i> turns\r\n{\\an8}twice.\r\n\r\n2\r\n00:01:00,000 --> 00:01:01,000\r\n5 < 6 & <b>more</b>\r\n";
        let cues = parse(text).unwrap();
        assert_eq!(cues[0].start, Nanos(1_500_000_000));
        assert_eq!(cues[0].end, Nanos(2_750_000_000));
        assert_eq!(cues[0].lines, ["The beam turns", "twice."]);
        assert!(cues[0].top);
        assert_eq!(cues[1].lines, ["5 < 6 & more"]);
    }

    #[test]
    fn webvtt_with_header_notes_settings_and_entities() {
        let text = "WEBVTT - harbour\n\nNOTE\n00:09.000 --> 00:10.000\nnot shown\n\nSTYLE\n::cue { }\n\nmark\n00:01.000 --> 00:02.000 line:0 align:start\n<v Keeper>Fog &amp; bell&#39;s &#x2014; &#zz;</v>\n\n01:00:00.000 --> 01:00:00.040\nlate\n";
        let cues = parse(text).unwrap();
        assert_eq!(cues.len(), 2);
        assert_eq!(cues[0].lines, ["Fog & bell's — &#zz;"]);
        assert!(cues[0].top && !cues[1].top);
        assert_eq!(cues[1].start, Nanos(3_600_000_000_000));
    }

    #[test]
    fn nonsense_is_an_error_that_names_the_way_out() {
        assert!(parse("").unwrap_err().to_string().contains("SRT or WebVTT"));
        let error = parse("1\nsoon --> later\nx\n").unwrap_err().to_string();
        assert!(error.contains("line 2"), "{error}");
        assert!(parse("1\n99999999999999999:00:00,0 --> 0:0:0,1\nx\n").is_err());
    }

    #[test]
    fn encodings() {
        assert_eq!(decode("Möwe".as_bytes()), "Möwe");
        assert_eq!(decode(b"M\xF6we"), "Möwe");
        assert_eq!(decode(b"\xFF\xFEM\0\xF6\0"), "Mö");
        assert_eq!(decode(b"\xEF\xBB\xBFx"), "x");
    }
}
