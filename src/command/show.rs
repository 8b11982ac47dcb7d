//! How numbers and named values are shown to people.

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

/// `1 slice`, `2 slices`.
pub fn count(n: u64, one: &str) -> String {
    let plural = if n == 1 { "" } else { "s" };
    format!("{} {one}{plural}", grouped(n))
}

/// The fields of `value` as indented lines, each after a line break; what is
/// empty is left out.
pub fn fields(value: &Value, depth: usize, text: &mut String) {
    let Value::Object(all) = value else {
        return;
    };
    for (name, value) in all.iter().filter(|(_, v)| !is_empty(v)) {
        text.push_str(&format!(
            "\n{}{}:",
            "  ".repeat(depth),
            name.replace('_', " ")
        ));
        match value {
            Value::Object(_) => fields(value, depth + 1, text),
            other => text.push_str(&format!(" {}", plain(other))),
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

    use super::{count, fields, grouped, plain, time};

    #[test]
    fn fields_are_shown_by_name_and_empty_ones_left_out() {
        let value = json!({
            "advice": ["one", "two"], "at": {"x": 0.5_f32, "gamma": 0.9_f32}, "bars": null,
            "empty": {"a": null}, "key_seconds": 5.0, "mirror": false,
        });
        let mut text = String::new();
        fields(&value, 1, &mut text);
        let lines: Vec<_> = text.lines().skip(1).collect();
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
