//! A new profile from a dozen questions.

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
    ("Panel bus clock in Hz", "panel.clock_hz"),
    ("Panel bus data lines, 1 for SPI", "panel.lines"),
    ("Card wiring: spi, sd-1-bit, sd-4-bit, or none", "card.bus"),
    ("Card clock in Hz", "card.clock_hz"),
    ("Wi-Fi MCS where it will stand, 0 to 7, or none", "wifi.mcs"),
    ("Core clock in Hz", "cpu.clock_hz"),
    ("Cores, 1 or 2", "cpu.cores"),
    (
        "Internal memory left for the player, bytes",
        "memory.internal_bytes",
    ),
    (
        "External memory left for the player, bytes",
        "memory.external_bytes",
    ),
    ("Speaker impedance in ohms", "sound.speaker.impedance_ohm"),
    ("Speaker's rated power in watts", "sound.speaker.rated_w"),
    ("Power source, usb or cell", "power.source"),
];

/// Questions whose answer `none` takes a link away, and any other brings it.
const LINKS: [&str; 2] = ["card.bus", "wifi.mcs"];

/// Why no profile came of the answers.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// An answer cannot be.
    #[error(transparent)]
    Board(#[from] BoardError),
    /// Questions or answers did not get through.
    #[error("the questions could not be asked: {0}")]
    Io(#[from] std::io::Error),
}

/// Asks on `ask`, reads answers from `answers`, one a line; an empty line or
/// the end of input keeps what stands in brackets, taken from `like`. A wrong
/// answer is asked for again if `patient`, else it is an error.
///
/// # Errors
/// An answer that cannot be, or a broken stream.
pub fn ask(
    like: &Board,
    answers: &mut dyn BufRead,
    ask: &mut dyn Write,
    patient: bool,
) -> Result<Board, AskError> {
    let mut table = Table::try_from(like).unwrap_or_default();
    table.remove("provenance");
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
            Ok(changed) => {
                table = changed;
                number += 1;
            }
            Err(error) if patient && !over => writeln!(ask, "{error}")?,
            Err(error) => return Err(error.into()),
        }
    }
    Ok(Board::parse(&table.to_string(), "answers")?)
}

/// What a question shows as kept: the key's value, or `none` for a link that
/// is not there; nothing where the question has no sense.
fn stands(table: &mut Table, key: &str) -> Option<String> {
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
        _ => None,
    };
    value.unwrap_or_else(|| Value::String(answer.into()))
}
