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
/// the end of input keeps what stands in brackets, taken from `like`.
///
/// # Errors
/// An answer that cannot be, or a broken stream.
pub fn ask(
    like: &Board,
    answers: &mut dyn BufRead,
    ask: &mut dyn Write,
) -> Result<Board, AskError> {
    let mut table = Table::try_from(like).unwrap_or_default();
    table.remove("provenance");
    let mut line = String::new();
    for (question, key) in QUESTIONS {
        let section = key.split('.').next().unwrap_or(key);
        let Some(now) = value_at(&mut table, key).cloned() else {
            continue;
        };
        write!(ask, "{question} [{}]: ", now.to_string().trim_matches('"'))?;
        ask.flush()?;
        line.clear();
        answers.read_line(&mut line)?;
        let answer = line.trim();
        if answer == "none" {
            table.remove(section);
        } else if !answer.is_empty()
            && let Some(value) = value_at(&mut table, key)
        {
            *value = parsed(answer, &now);
        }
    }
    Ok(Board::parse(&table.to_string(), "answers")?)
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
