//! Conditional requests and byte ranges, as RFC 9110 sections 13 and 14 put
//! them; pure functions of the request's fields and the file's validators.

use std::ops::Range;
use std::time::SystemTime;

use axum::http::HeaderMap;
use axum::http::header::{
    HeaderName, IF_MATCH, IF_MODIFIED_SINCE, IF_NONE_MATCH, IF_RANGE, IF_UNMODIFIED_SINCE, RANGE,
};

/// What identifies one state of a file.
#[derive(Clone, Debug)]
pub struct Validators {
    /// A strong entity tag, quotes included.
    pub etag: String,
    /// Last change, in whole seconds.
    pub modified: SystemTime,
}

/// The outcome of a request's preconditions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Precondition {
    /// Go on with the request.
    Met,
    /// 304: the client has this state already.
    NotModified,
    /// 412: the client wanted another state.
    Failed,
}

/// What part of a file a request asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// All of it.
    Whole,
    /// The bytes in this range, never empty, within the file.
    Part(Range<u64>),
    /// 416: a range after the end.
    Unsatisfiable,
}

/// Evaluates the preconditions in the order of RFC 9110 section 13.2.2.
#[must_use]
pub fn precondition(fields: &HeaderMap, file: &Validators) -> Precondition {
    if fields.contains_key(IF_MATCH) {
        if !tags_match(fields, IF_MATCH, &file.etag, false) {
            return Precondition::Failed;
        }
    } else if date(fields, IF_UNMODIFIED_SINCE).is_some_and(|since| file.modified > since) {
        return Precondition::Failed;
    }
    if fields.contains_key(IF_NONE_MATCH) {
        if tags_match(fields, IF_NONE_MATCH, &file.etag, true) {
            return Precondition::NotModified;
        }
    } else if date(fields, IF_MODIFIED_SINCE).is_some_and(|since| file.modified <= since) {
        return Precondition::NotModified;
    }
    Precondition::Met
}

/// The part of a file of `length` bytes that a GET with these fields asks for.
/// Several ranges at once, other units and bad syntax are ignored, as RFC 9110
/// section 14.2 allows: the answer is then the whole file.
#[must_use]
pub fn wanted(fields: &HeaderMap, file: &Validators, length: u64) -> Wanted {
    let Some(range) = fields.get(RANGE).and_then(|value| value.to_str().ok()) else {
        return Wanted::Whole;
    };
    if fields.contains_key(IF_RANGE) && !if_range_holds(fields, file) {
        return Wanted::Whole;
    }
    parse_range(range, length).unwrap_or(Wanted::Whole)
}

fn parse_range(value: &str, length: u64) -> Option<Wanted> {
    let (unit, set) = value.split_once('=')?;
    if !unit.trim().eq_ignore_ascii_case("bytes") {
        return None;
    }
    let (first, last) = set.trim().split_once('-')?;
    let (first, last) = (first.trim(), last.trim());
    let range = match (number(first), number(last)) {
        (Some(first), Some(last)) if first <= last => first..last.saturating_add(1).min(length),
        (Some(first), None) if last.is_empty() => first..length,
        (None, Some(count)) if first.is_empty() => length.saturating_sub(count)..length,
        _ => return None,
    };
    Some(if range.is_empty() {
        Wanted::Unsatisfiable
    } else {
        Wanted::Part(range)
    })
}

/// A decimal number; one too large for 64 bits counts as the largest.
fn number(digits: &str) -> Option<u64> {
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    Some(digits.parse().unwrap_or(u64::MAX))
}

fn if_range_holds(fields: &HeaderMap, file: &Validators) -> bool {
    let Some(value) = fields.get(IF_RANGE).and_then(|v| v.to_str().ok()) else {
        return false;
    };
    let value = value.trim();
    if value.starts_with('"') {
        return value == file.etag;
    }
    // A date must match exactly; weak tags never do.
    httpdate::parse_http_date(value).is_ok_and(|at| at == file.modified)
}

fn date(fields: &HeaderMap, name: HeaderName) -> Option<SystemTime> {
    httpdate::parse_http_date(fields.get(name)?.to_str().ok()?).ok()
}

/// Whether any tag of the field equals `etag`; `weak` takes `W/"x"` for `"x"`.
fn tags_match(fields: &HeaderMap, name: HeaderName, etag: &str, weak: bool) -> bool {
    fields
        .get_all(name)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|list| list.split(','))
        .map(str::trim)
        .any(|tag| tag == "*" || tag == etag || (weak && tag.strip_prefix("W/") == Some(etag)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn file() -> Validators {
        Validators {
            etag: "\"a-b\"".into(),
            modified: SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000_000),
        }
    }

    fn fields(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let parse = |(name, value): &(&'static str, &str)| {
            (HeaderName::from_static(name), value.parse().unwrap())
        };
        pairs.iter().map(parse).collect()
    }

    #[test]
    fn ranges_of_rfc_9110_section_14_1_2() {
        let ask = |range| wanted(&fields(&[("range", range)]), &file(), 10_000);
        // The examples of that section, for a representation of 10,000 bytes.
        assert_eq!(ask("bytes=0-499"), Wanted::Part(0..500));
        assert_eq!(ask("bytes=500-999"), Wanted::Part(500..1000));
        assert_eq!(ask("bytes=-500"), Wanted::Part(9500..10_000));
        assert_eq!(ask("bytes=9500-"), Wanted::Part(9500..10_000));
        assert_eq!(ask("bytes=0-0"), Wanted::Part(0..1));
        assert_eq!(ask("bytes=-1"), Wanted::Part(9999..10_000));
        // Longer than the file is cut; past the end cannot be satisfied.
        assert_eq!(ask("bytes=9999-20000"), Wanted::Part(9999..10_000));
        assert_eq!(ask("bytes=-20000"), Wanted::Part(0..10_000));
        assert_eq!(ask("bytes=10000-"), Wanted::Unsatisfiable);
        assert_eq!(ask("bytes=-0"), Wanted::Unsatisfiable);
        let huge = "bytes=99999999999999999999999-999999999999999999999999";
        assert_eq!(ask(huge), Wanted::Unsatisfiable);
        for ignored in [
            "bytes=5-2",
            "bytes=-",
            "bytes=a-b",
            "lines=0-1",
            "bytes=0-1,5-6",
            "bytes",
        ] {
            assert_eq!(ask(ignored), Wanted::Whole, "{ignored}");
        }
        assert_eq!(
            wanted(&fields(&[("range", "bytes=0-")]), &file(), 0),
            Wanted::Unsatisfiable
        );
    }

    #[test]
    fn if_range_needs_the_very_state() {
        let ask = |state| {
            let with = fields(&[("range", "bytes=1-2"), ("if-range", state)]);
            wanted(&with, &file(), 10)
        };
        assert_eq!(ask("\"a-b\""), Wanted::Part(1..3));
        assert_eq!(ask("Sun, 09 Sep 2001 01:46:40 GMT"), Wanted::Part(1..3));
        assert_eq!(ask("W/\"a-b\""), Wanted::Whole);
        assert_eq!(ask("\"other\""), Wanted::Whole);
        assert_eq!(ask("Sun, 09 Sep 2001 01:46:41 GMT"), Wanted::Whole);
    }

    #[test]
    fn preconditions_in_order() {
        let verdict = |pairs: &[(&'static str, &str)]| precondition(&fields(pairs), &file());
        let (same, later) = (
            "Sun, 09 Sep 2001 01:46:40 GMT",
            "Mon, 10 Sep 2001 01:46:40 GMT",
        );
        let earlier = "Sat, 08 Sep 2001 01:46:40 GMT";
        assert_eq!(verdict(&[]), Precondition::Met);
        assert_eq!(
            verdict(&[("if-none-match", "\"x\", W/\"a-b\"")]),
            Precondition::NotModified
        );
        assert_eq!(
            verdict(&[("if-none-match", "*")]),
            Precondition::NotModified
        );
        assert_eq!(
            verdict(&[("if-modified-since", same)]),
            Precondition::NotModified
        );
        assert_eq!(
            verdict(&[("if-modified-since", later)]),
            Precondition::NotModified
        );
        assert_eq!(
            verdict(&[("if-modified-since", earlier)]),
            Precondition::Met
        );
        // If-None-Match outranks If-Modified-Since.
        let both = [("if-none-match", "\"x\""), ("if-modified-since", same)];
        assert_eq!(verdict(&both), Precondition::Met);
        assert_eq!(verdict(&[("if-match", "\"x\"")]), Precondition::Failed);
        assert_eq!(verdict(&[("if-match", "W/\"a-b\"")]), Precondition::Failed);
        assert_eq!(verdict(&[("if-match", "\"a-b\"")]), Precondition::Met);
        assert_eq!(
            verdict(&[("if-unmodified-since", earlier)]),
            Precondition::Failed
        );
        assert_eq!(
            verdict(&[("if-modified-since", "nonsense")]),
            Precondition::Met
        );
    }
}
