//! A profile as commented TOML, so that the file itself is the manual.

use std::fmt::Write;

use toml::{Table, Value};

use super::{Board, default_of, keys::Key, sections};

pub(super) fn commented(board: &Board) -> String {
    let table = Table::try_from(board).unwrap_or_default();
    let mut out = String::new();
    for key in ["name", "description"] {
        if let Some(value) = table.get(key) {
            let _ = writeln!(out, "{key} = {value}");
        }
    }
    for (section, keys) in sections() {
        let values = section
            .split('.')
            .try_fold(&table, |t, part| t.get(part)?.as_table());
        if let Some(values) = values {
            write_section(&mut out, section, keys, values);
        }
    }
    if !board.provenance.is_empty() {
        out.push_str("\n# Where figures come from: measured | computed | assumed.\n[provenance]\n");
        for (key, origin) in &board.provenance {
            let _ = writeln!(out, "\"{key}\" = \"{origin}\"");
        }
    }
    out
}

fn write_section(out: &mut String, section: &str, keys: &[Key], values: &Table) {
    let _ = writeln!(out, "\n[{section}]");
    for key in keys {
        let terms = terms(section, key);
        let _ = writeln!(out, "#{} [{terms}]\n#   {}", key.what, key.source);
        match values.get(key.name) {
            Some(value) => writeln!(out, "{} = {}", key.name, plain(value)),
            None => writeln!(out, "# {} = ", key.name),
        }
        .unwrap_or_default();
    }
}

/// A key's unit, default and range in one phrase.
pub(super) fn terms(section: &str, key: &Key) -> String {
    let default = default_of(section, key).map_or_else(
        || "must be given".into(),
        |value| format!("default {value}"),
    );
    let range = key
        .range
        .map_or_else(String::new, |(low, high)| format!("; {low} to {high}"));
    format!("{}; {default}{range}", key.unit)
}

/// Whole numbers without a tail of zeros, large ones in groups of three.
pub(super) fn plain(value: &Value) -> String {
    match value {
        Value::Integer(i) => grouped(*i),
        other => other.to_string(),
    }
}

fn grouped(i: i64) -> String {
    let digits = i.unsigned_abs().to_string();
    if digits.len() < 5 {
        return i.to_string();
    }
    let mut out = String::new();
    for (n, c) in digits.chars().enumerate() {
        if n > 0 && (digits.len() - n).is_multiple_of(3) {
            out.push('_');
        }
        out.push(c);
    }
    if i < 0 { format!("-{out}") } else { out }
}
