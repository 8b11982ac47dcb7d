//! A new profile from some two dozen questions.

use std::io::{BufRead, Write};

use toml::{Table, Value};

use super::{Board, BoardError};

/// What is asked, and the key that the answer goes to.
const QUESTIONS: &[(&str, &str)] = &[
    ("Short name for the board", "name"),
    ("One line about it", "description"),
    ("Panel width in pixels", "panel.width"),
    ("Panel height in pixels", "panel.height"),
    ("Panel shape, rectangle or ellipse", "panel.shape"),
    (
        "Clockwise rotation that makes the picture upright on the mounted panel: 0, 90, 180 or 270",
        "panel.rotation",
    ),
    (
        "First visible column in the controller's memory",
        "panel.x_offset",
    ),
    (
        "First visible row in the controller's memory",
        "panel.y_offset",
    ),
    (
        "Does the panel show negatives, true or false",
        "panel.inverted",
    ),
    (
        "Does the panel show red as blue, true or false",
        "panel.bgr",
    ),
    ("Panel bus clock in Hz", "panel.clock_hz"),
    ("Panel bus data lines, 1 for SPI", "panel.lines"),
    (
        "Does DMA send the pixels while the core goes on, true or false",
        "panel.dma",
    ),
    ("Card wiring: spi, sd-1-bit, sd-4-bit, or none", "card.bus"),
    ("Card clock in Hz", "card.clock_hz"),
    (
        "Does the card share the panel's bus, true or false",
        "card.shares_panel_bus",
    ),
    ("Wi-Fi MCS where it will stand, 0 to 7, or none", "wifi.mcs"),
    ("Core clock in Hz", "cpu.clock_hz"),
    ("Cores, 1 or 2", "cpu.cores"),
    (
        "Instruction set: armv6-m, armv7e-m, armv8-m.main, rv32imc, xtensa or other",
        "cpu.instruction_set",
    ),
    (
        "Internal memory left for the player beside your own code, stacks and network, bytes",
        "memory.internal_bytes",
    ),
    (
        "External memory left for the player, bytes, 0 for none",
        "memory.external_bytes",
    ),
    (
        "Usual sound rate in samples per second",
        "sound.sample_rate",
    ),
    ("Speaker impedance in ohms", "sound.speaker.impedance_ohm"),
    ("Speaker's rated power in watts", "sound.speaker.rated_w"),
    ("Power source, usb or cell", "power.source"),
    ("Capacity of the cell in mAh", "power.cell_mah"),
];

/// A question that has a sense only where another key has a value.
const ONLY: (&str, &str, &str) = ("power.cell_mah", "power.source", "cell");

/// Questions whose answer `none` takes a link away, and any other brings it.
const LINKS: [&str; 2] = ["card.bus", "wifi.mcs"];

/// Why no profile came of the answers.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AskError {
    /// Input ended after a wrong answer.
    #[error("the answers ended with a wrong one: {0}; answer again")]
    Ended(String),
    /// The answers contradict each other.
    #[error(transparent)]
    Board(#[from] BoardError),
    /// Questions or answers did not get through.
    #[error("the questions could not be asked: {0}")]
    Io(#[from] std::io::Error),
}

/// Asks on `ask`, reads answers from `answers`, one per line. An empty line or
/// the end of input keeps the value in brackets, taken from `like`. A wrong
/// answer is asked for again.
///
/// # Errors
/// Input that ends with a wrong answer, or a broken stream.
pub fn ask(
    like: &Board,
    answers: &mut dyn BufRead,
    ask: &mut dyn Write,
) -> Result<Board, AskError> {
    let mut table = Table::try_from(like).unwrap_or_default();
    table.remove("provenance");
    // The model's own words do not describe the new board.
    table.insert("description".into(), Value::String(String::new()));
    let mut wrong = None;
    let mut line = String::new();
    let mut number = 0;
    while let Some((question, key)) = QUESTIONS.get(number) {
        let Some(now) = stands(&mut table, key) else {
            number += 1;
            continue;
        };
        write!(ask, "{question} [{}]: ", now.trim_matches('"'))?;
        ask.flush()?;
        line.clear();
        let over = answers.read_line(&mut line)? == 0;
        match answered(&table, key, line.trim()) {
            Ok(_) if over && wrong.is_some() => break,
            Ok(changed) => {
                table = changed;
                number += 1;
                wrong = None;
            }
            Err(error) => {
                writeln!(ask, "{}", error.without_file())?;
                wrong = Some(error);
            }
        }
    }
    if let Some(error) = wrong {
        return Err(AskError::Ended(error.without_file()));
    }
    if table.get("description").and_then(Value::as_str) == Some("") {
        let words = described(&table);
        table.insert("description".into(), Value::String(words));
    }
    Ok(Board::parse(&table.to_string(), "answers")?)
}

/// A line about a board that was given none.
fn described(table: &Table) -> String {
    let mut table = table.clone();
    let mut side = |key| value_at(&mut table, key).map_or(String::new(), |v| v.to_string());
    format!("{}x{} panel", side("panel.width"), side("panel.height"))
}

/// What a question shows as kept: the key's value, or `none` for a link that
/// is not there; nothing where the question has no sense.
fn stands(table: &mut Table, key: &str) -> Option<String> {
    let (only, other, needed) = ONLY;
    if key == only && value_at(table, other).and_then(|v| v.as_str()) != Some(needed) {
        return None;
    }
    let value = value_at(table, key).map(|value| value.to_string());
    value.or_else(|| LINKS.contains(&key).then(|| "none".into()))
}

/// The profile with one answer in it, if it can be.
fn answered(table: &Table, key: &str, answer: &str) -> Result<Table, BoardError> {
    let mut table = table.clone();
    let section = key.split('.').next().unwrap_or(key);
    if answer == "none" && LINKS.contains(&key) {
        table.remove(section);
    } else if !answer.is_empty() {
        if LINKS.contains(&key) && !table.contains_key(section) {
            let mut all = Table::try_from(Board::blank()).unwrap_or_default();
            table.extend(all.remove(section).map(|inner| (section.to_owned(), inner)));
        }
        if let Some(value) = value_at(&mut table, key) {
            *value = parsed(answer, value);
        }
    }
    Board::parse(&table.to_string(), "answers")?;
    Ok(table)
}

fn value_at<'a>(table: &'a mut Table, key: &str) -> Option<&'a mut Value> {
    match key.split_once('.') {
        Some((section, rest)) => value_at(table.get_mut(section)?.as_table_mut()?, rest),
        None => table.get_mut(key),
    }
}

/// The answer in the type of what it replaces; a wrong one stays text, which
/// the profile's own check refuses by name.
fn parsed(answer: &str, like: &Value) -> Value {
    let digits = answer.replace('_', "");
    let value = match like {
        Value::Integer(_) => digits.parse().ok().map(Value::Integer),
        Value::Float(_) => digits.parse().ok().map(Value::Float),
        Value::Boolean(_) => digits.parse().ok().map(Value::Boolean),
        _ => None,
    };
    value.unwrap_or_else(|| Value::String(answer.into()))
}
