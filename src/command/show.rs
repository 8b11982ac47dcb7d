//! How numbers and named values are shown to people.

use std::path::Path;

use serde_json::Value;

/// A whole number with commas between thousands.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// Ticks as hours, minutes, seconds and milliseconds: `1:02:03.500` or `2:03.500`.
pub fn time(ticks: u64, clock_rate: u32) -> String {
    let ms = u128::from(ticks) * 1000 / u128::from(clock_rate.max(1));
    let (h, m, s, ms) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
    if h > 0 {
        format!("{h}:{m:02}:{s:02}.{ms:03}")
    } else {
        format!("{m}:{s:02}.{ms:03}")
    }
}

/// Text as part of one line: line breaks, control characters and what turns the
/// direction of writing appear as escapes, `\n`.
pub fn visible(text: &str) -> String {
    let hidden =
        |c: char| c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match hidden(c) {
            true => shown.extend(c.escape_default()),
            false => shown.push(c),
        }
    }
    shown
}

/// A name as it is typed in a shell.
pub fn typed(path: &Path) -> String {
    let name = path.to_string_lossy();
    match cfg!(windows) {
        true => typed_there(&name),
        false => typed_here(&name),
    }
}

fn typed_here(name: &str) -> String {
    match is_plain(name, "._-/+,:@%=") {
        true => format!("{}{name}", before(name)),
        false => format!("'{}{}'", before(name), name.replace('\'', r"'\''")),
    }
}

/// Windows' shells part words by other rules; no name holds a quotation mark there.
fn typed_there(name: &str) -> String {
    match is_plain(name, "._-/+:\\") {
        true => format!("{}{name}", before(name)),
        false => format!("\"{}{name}\"", before(name)),
    }
}

/// What keeps a name from being taken for an option.
fn before(name: &str) -> &str {
    if name.starts_with('-') { "./" } else { "" }
}

fn is_plain(name: &str, signs: &str) -> bool {
    !name.is_empty()
        && name
            .chars()
            .all(|c| c.is_alphanumeric() || signs.contains(c))
}

/// `1 slice`, `2 slices`.
pub fn count(n: u64, one: &str) -> String {
    let plural = if n == 1 { "" } else { "s" };
    format!("{} {one}{plural}", grouped(n))
}

/// The fields of `value` as indented lines; what is empty is left out.
pub fn fields(value: &Value, depth: usize, lines: &mut Vec<String>) {
    let Value::Object(all) = value else {
        return;
    };
    for (name, value) in all.iter().filter(|(_, v)| !is_empty(v)) {
        let name = format!("{}{}:", "  ".repeat(depth), name.replace('_', " "));
        match value {
            Value::Object(_) => {
                lines.push(name);
                fields(value, depth + 1, lines);
            }
            other => lines.push(format!("{name} {}", plain(other))),
        }
    }
}

/// `value` in one line: `width 240, anchor (x 0.5, y 0.5)`.
pub fn plain(value: &Value) -> String {
    match value {
        Value::Object(all) => {
            let told = all.iter().filter(|(_, v)| !is_empty(v));
            let each = told.map(|(name, value)| match value {
                Value::Object(_) => format!("{} ({})", name.replace('_', " "), plain(value)),
                other => format!("{} {}", name.replace('_', " "), plain(other)),
            });
            each.collect::<Vec<_>>().join(", ")
        }
        Value::Array(all) => all.iter().map(plain).collect::<Vec<_>>().join("; "),
        Value::String(text) => text.clone(),
        Value::Bool(yes) => if *yes { "yes" } else { "no" }.into(),
        Value::Number(n) if n.is_f64() => decimal(n.as_f64().unwrap_or_default()),
        other => other.to_string(),
    }
}

/// At most six decimal places, without trailing zeros.
fn decimal(n: f64) -> String {
    let text = format!("{n:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.into()
}

fn is_empty(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::Array(all) => all.is_empty(),
        Value::Object(all) => all.values().all(is_empty),
        Value::String(text) => text.is_empty(),
        Value::Bool(_) | Value::Number(_) => false,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::{count, fields, grouped, plain, time, typed_there, visible};

    #[test]
    fn fields_are_shown_by_name_and_empty_ones_left_out() {
        let value = json!({
            "advice": ["one", "two"], "at": {"x": 0.5_f32, "gamma": 0.9_f32}, "bars": null,
            "empty": {"a": null}, "key_seconds": 5.0, "mirror": false,
        });
        let mut lines = Vec::new();
        fields(&value, 1, &mut lines);
        let wanted = [
            "  advice: one; two",
            "  at:",
            "    gamma: 0.9",
            "    x: 0.5",
            "  key seconds: 5",
            "  mirror: no",
        ];
        assert_eq!(lines, wanted);
        assert_eq!(
            plain(&value),
            "advice one; two, at (gamma 0.9, x 0.5), key seconds 5, mirror no"
        );
    }

    #[test]
    fn what_a_terminal_would_obey_is_escaped() {
        let name = "a\nb\u{1b}[2J\t\u{202e}\u{9b}é ü';$";
        assert_eq!(visible(name), "a\\nb\\u{1b}[2J\\t\\u{202e}\\u{9b}é ü';$");
    }

    /// The rules of double quotes are common practice there, no source.
    #[test]
    fn a_name_is_shown_as_windows_takes_it() {
        for (name, shown) in [
            ("exhibits\\a.mp4", "exhibits\\a.mp4"),
            ("a b.mp4", "\"a b.mp4\""),
            ("it's.mp4", "\"it's.mp4\""),
            ("-a b.mp4", "\"./-a b.mp4\""),
            ("a&b.mp4", "\"a&b.mp4\""),
        ] {
            assert_eq!(typed_there(name), shown);
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_name_is_shown_as_a_shell_takes_it() {
        for name in [
            "a.mp4",
            "a b.mp4",
            "-a.mp4",
            "-a b.mp4",
            "it's $HOME.mp4",
            "é*.mp4",
            "a\nb",
        ] {
            let line = format!("printf %s {}", super::typed(name.as_ref()));
            let done = std::process::Command::new("sh")
                .args(["-c", &line])
                .output();
            let said = String::from_utf8(done.unwrap().stdout).unwrap();
            assert_eq!(said.trim_start_matches("./"), name);
        }
    }

    #[test]
    fn numbers_are_grouped_and_counted() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(4_294_966_784), "4,294,966,784");
        assert_eq!(count(1, "slice"), "1 slice");
        assert_eq!(count(2000, "slice"), "2,000 slices");
    }

    #[test]
    fn times_show_hours_only_when_there_are_any() {
        assert_eq!(time(0, 48_000), "0:00.000");
        assert_eq!(time(48_000 * 123 + 24_000, 48_000), "2:03.500");
        assert_eq!(time(22_050 * 3723, 22_050), "1:02:03.000");
    }
}
