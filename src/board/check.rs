//! Reading a profile strictly: unknown keys with a suggestion, ranges from
//! the key table, and figures that contradict each other.

use toml::{Table, Value};

use super::sound_chain::LONGEST_BLOCK_MS;
use super::{Board, PowerSource, sections};

/// Why a profile cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BoardError {
    /// The file cannot be read.
    #[cfg(feature = "files")]
    #[error("{file} cannot be read: {why}; check the name", why = crate::files::reason(.source))]
    Read {
        /// The profile's path.
        file: String,
        /// The cause.
        source: std::io::Error,
    },
    /// No built-in board of that name.
    #[error(
        "no built-in board is called `{name}`{hint} `thumbreel boards` lists them, and a path that ends in .toml names a profile of your own"
    )]
    UnknownBoard {
        /// What was asked for.
        name: String,
        /// The nearest name, as a phrase, or nothing.
        hint: String,
    },
    /// Not TOML, or a value of the wrong type.
    #[error("{file}: {message}")]
    Syntax {
        /// The profile's path.
        file: String,
        /// The parser's words, with line and column.
        message: String,
    },
    /// A key that no profile has.
    #[error("{file}: unknown key `{key}`{hint}; `thumbreel boards keys` explains every key")]
    UnknownKey {
        /// The profile's path.
        file: String,
        /// The key with its section.
        key: String,
        /// The nearest key, as a phrase, or nothing.
        hint: String,
    },
    /// A value that cannot be.
    #[error("{file}: {key}: {message}")]
    Value {
        /// The profile's path.
        file: String,
        /// The key with its section.
        key: String,
        /// What is wrong and what would be right.
        message: String,
    },
}

/// A remark on a profile that is valid but looks odd.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Advice {
    /// The key it is about.
    pub key: String,
    /// The remark, one sentence.
    pub text: String,
}

impl BoardError {
    /// The words for answers that came from no file.
    pub(super) fn without_file(&self) -> String {
        match self {
            Self::Syntax { message, .. } => {
                let told = message
                    .split_once(": ")
                    .map_or(&**message, |(_, rest)| rest);
                told.into()
            }
            Self::Value { key, message, .. } => format!("{key}: {message}"),
            other => other.to_string(),
        }
    }

    pub(super) fn unknown_board(name: &str, names: &[String]) -> Self {
        Self::UnknownBoard {
            name: name.into(),
            hint: match &*hint(name, names.iter().map(String::as_str)) {
                "" => ";".into(),
                hint => hint.replacen(',', ";", 1),
            },
        }
    }
}

/// ", did you mean `x`?" for the nearest of the candidates, or nothing.
fn hint<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> String {
    candidates
        .map(|c| (strsim::jaro_winkler(word, c), c))
        .filter(|(likeness, _)| *likeness > 0.7)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, c)| format!(", did you mean `{c}`?"))
}

pub(super) fn parse(text: &str, file: &str) -> Result<Board, BoardError> {
    let syntax = |error: toml::de::Error| BoardError::Syntax {
        file: file.into(),
        message: syntax_words(text, &error),
    };
    let table: Table = text.parse().map_err(syntax)?;
    known_keys(&table, "", file)?;
    required(&table, file)?;
    let board: Board = toml::from_str(text).map_err(syntax)?;
    ranges(&board, file)?;
    rules(&board).map_err(|(key, message)| BoardError::Value {
        file: file.into(),
        key: key.into(),
        message,
    })?;
    Ok(board)
}

/// Where a profile cannot be read and why, in one sentence.
fn syntax_words(text: &str, error: &toml::de::Error) -> String {
    let start = error.span().map_or(0, |span| span.start.min(text.len()));
    let line = text[..text.floor_char_boundary(start)]
        .matches('\n')
        .count();
    let written = text.lines().nth(line).unwrap_or_default().trim();
    let message = error.message();
    let wanted = match message.split_once("expected ") {
        Some((_, kind)) if ["u8", "u16", "u32", "u64", "i64", "usize"].contains(&kind) => {
            "needs a whole number"
        }
        Some((_, "f64" | "f32")) => "needs a number",
        Some((_, "a boolean")) => "needs true or false",
        Some((_, "a string")) => "needs a text in quotation marks",
        Some((_, kind)) if message.starts_with("unknown variant") => {
            return format!(
                "line {}: `{written}` needs {}",
                line + 1,
                kind.replace('`', "")
            );
        }
        _ if message.starts_with("duplicate key") => "gives a key that was given before",
        _ => {
            "cannot be read; write a key, an equals sign and a value, for example clock_hz = 40000000"
        }
    };
    format!("line {}: `{written}` {wanted}", line + 1)
}

/// Names that may stand in a section.
fn names_in(section: &str) -> Vec<&'static str> {
    let mut names: Vec<&str> = sections()
        .iter()
        .filter(|(path, _)| *path == section)
        .flat_map(|(_, keys)| keys.iter().map(|k| k.name))
        .collect();
    if section.is_empty() {
        names.extend(["name", "description", "provenance"]);
    }
    for (path, _) in sections() {
        let (parent, child) = path.rsplit_once('.').unwrap_or(("", path));
        if parent == section {
            names.push(child);
        }
    }
    names
}

/// A key with its section before it.
fn join(section: &str, name: &str) -> String {
    if section.is_empty() {
        name.into()
    } else {
        format!("{section}.{name}")
    }
}

fn known_keys(table: &Table, section: &str, file: &str) -> Result<(), BoardError> {
    let names = names_in(section);
    for (key, value) in table {
        let path = join(section, key);
        if !names.contains(&key.as_str()) {
            return Err(unknown_key(file, &path, key, &names));
        }
        match value {
            Value::Table(inner) if path == "provenance" => known_origins(inner, file)?,
            Value::Table(inner) => known_keys(inner, &path, file)?,
            _ => {}
        }
    }
    Ok(())
}

/// An unknown key's error: the nearest name in its section, else anywhere.
fn unknown_key(file: &str, path: &str, key: &str, names: &[&str]) -> BoardError {
    let near = hint(key, names.iter().copied());
    let hint = if near.is_empty() {
        let all = all_keys();
        hint(path, all.iter().map(String::as_str))
    } else {
        near
    };
    BoardError::UnknownKey {
        file: file.into(),
        key: path.into(),
        hint,
    }
}

/// Every key with its section, and every section.
fn all_keys() -> Vec<String> {
    let mut all = Vec::new();
    for (section, keys) in sections() {
        all.push(section.to_owned());
        all.extend(keys.iter().map(|k| join(section, k.name)));
    }
    all
}

fn known_origins(table: &Table, file: &str) -> Result<(), BoardError> {
    let all = all_keys();
    let unknown = table.keys().find(|key| !all.contains(key));
    unknown.map_or(Ok(()), |key| {
        Err(BoardError::UnknownKey {
            file: file.into(),
            key: format!("provenance.\"{key}\""),
            hint: hint(key, all.iter().map(String::as_str)),
        })
    })
}

fn required(table: &Table, file: &str) -> Result<(), BoardError> {
    let value = |key: &str, message: &str| BoardError::Value {
        file: file.into(),
        key: key.into(),
        message: message.into(),
    };
    let panel = table.get("panel").and_then(Value::as_table);
    for key in super::REQUIRED {
        if panel.is_none_or(|p| !p.contains_key(key)) {
            return Err(value(
                &format!("panel.{key}"),
                "is missing; give it in pixels",
            ));
        }
    }
    if table
        .get("name")
        .and_then(Value::as_str)
        .is_none_or(str::is_empty)
    {
        return Err(value("name", "is missing; give the board a short name"));
    }
    Ok(())
}

fn ranges(board: &Board, file: &str) -> Result<(), BoardError> {
    let table = Table::try_from(board).map_err(|error| BoardError::Syntax {
        file: file.into(),
        message: error.to_string(),
    })?;
    for (section, keys) in sections() {
        let Some(values) = descend(&table, section) else {
            continue;
        };
        for key in keys {
            let (Some(value), Some((low, high))) =
                (values.get(key.name).and_then(number), key.range)
            else {
                continue;
            };
            if !(low..=high).contains(&value) {
                return Err(BoardError::Value {
                    file: file.into(),
                    key: join(section, key.name),
                    message: format!("{value} is outside {low} to {high} {}", key.unit),
                });
            }
        }
    }
    Ok(())
}

fn descend<'a>(table: &'a Table, section: &str) -> Option<&'a Table> {
    section
        .split('.')
        .try_fold(table, |inner, part| inner.get(part)?.as_table())
}

fn number(value: &Value) -> Option<f64> {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|i| i as f64))
}

/// Figures that must agree with each other: the key and what is wrong.
fn rules(board: &Board) -> Result<(), (&'static str, String)> {
    let one_of = |key, value: u16, choices: &[u16]| {
        if choices.contains(&value) {
            Ok(())
        } else {
            Err((key, format!("{value} is none of {choices:?}")))
        }
    };
    one_of(
        "panel.bits_per_pixel",
        board.panel.bits_per_pixel.into(),
        &[12, 16, 18],
    )?;
    one_of("panel.rotation", board.panel.rotation, &[0, 90, 180, 270])?;
    one_of("panel.lines", board.panel.lines.into(), &[1, 2, 4, 8, 16])?;
    one_of("sound.slot_bits", board.sound.slot_bits.into(), &[16, 32])?;
    if board.card.is_none() && board.wifi.is_none() {
        return Err((
            "card",
            "the profile has neither [card] nor [wifi]; add the link that the reel is read from"
                .into(),
        ));
    }
    sound_rules(board)?;
    super::hazards::refuse(board)?;
    if let Some(card) = &board.card {
        quantile_rules(&card.quantiles, card.quantile_bytes)?;
    }
    for (key, stalls) in [
        (
            "card.stalls.worst_ms",
            board.card.as_ref().map(|c| &c.stalls),
        ),
        (
            "wifi.stalls.worst_ms",
            board.wifi.as_ref().map(|w| &w.stalls),
        ),
    ] {
        if stalls.is_some_and(|s| s.worst_ms < s.typical_ms) {
            return Err((key, "worst_ms is less than typical_ms".into()));
        }
    }
    Ok(())
}

fn sound_rules(board: &Board) -> Result<(), (&'static str, String)> {
    let rates = &board.sound.sample_rates;
    if rates.is_empty() || !rates.windows(2).all(|w| w[0] < w[1]) {
        return Err((
            "sound.sample_rates",
            "must be a rising list of at least one rate in Hz".into(),
        ));
    }
    if rates.iter().any(|r| !(8_000..=48_000).contains(r)) {
        return Err((
            "sound.sample_rates",
            "rates must be 8000 to 48000 Hz".into(),
        ));
    }
    let block_ms = f64::from(board.sound.block_samples) * 1e3 / f64::from(rates[0]);
    if block_ms > LONGEST_BLOCK_MS {
        return Err((
            "sound.block_samples",
            format!(
                "{} samples last {block_ms:.1} ms at {} Hz, the lowest of sample_rates; the player counts on blocks \
                 of {LONGEST_BLOCK_MS} ms or less, else the end of the sound clicks. Set {} or fewer, or take rates \
                 out of sample_rates that the firmware does not use",
                board.sound.block_samples,
                rates[0],
                (f64::from(rates[0]) * LONGEST_BLOCK_MS / 1e3).floor()
            ),
        ));
    }
    let gains = &board.sound.amplifier.gains_db;
    if gains.is_empty() || gains.iter().any(|g| !(-20.0..=40.0).contains(g)) {
        return Err((
            "sound.amplifier.gains_db",
            "must list at least one gain in -20 to 40 dB".into(),
        ));
    }
    let amplifier = &board.sound.amplifier;
    if amplifier.supply_min_v >= amplifier.supply_max_v {
        return Err((
            "sound.amplifier.supply_min_v",
            "must be below supply_max_v".into(),
        ));
    }
    Ok(())
}

fn quantile_rules(quantiles: &[(f64, f64)], bytes: u32) -> Result<(), (&'static str, String)> {
    if quantiles.is_empty() {
        return Ok(());
    }
    let rising = quantiles
        .windows(2)
        .all(|w| w[0].0 < w[1].0 && w[0].1 <= w[1].1);
    let inside = quantiles
        .iter()
        .all(|(s, us)| (0.0..=1.0).contains(s) && *us > 0.0);
    if !rising || !inside || quantiles[quantiles.len() - 1].0 < 1.0 {
        return Err((
            "card.quantiles",
            "must rise in share and time, and end at share 1".into(),
        ));
    }
    if bytes == 0 {
        return Err((
            "card.quantile_bytes",
            "must be the size of each read in `quantiles`".into(),
        ));
    }
    Ok(())
}

pub(super) fn advice(board: &Board) -> Vec<Advice> {
    let mut all = Vec::new();
    let mut say = |key: &str, text: String| {
        all.push(Advice {
            key: key.into(),
            text,
        })
    };
    if let Some(card) = &board.card
        && card.stalls.worst_ms < 100.0
        && board.provenance_of("card.stalls") != super::Provenance::Measured
    {
        say(
            "card.stalls.worst_ms",
            "a card may take 100 ms for a read (SD specification 4.6.2); use a smaller value only if you measured it".into(),
        );
    }
    if board.player.wait_tearing && !board.panel.tearing_signal {
        say(
            "player.wait_tearing",
            "the panel has no tearing signal to wait for; it is ignored".into(),
        );
    }
    if board.power.source == PowerSource::Cell
        && board.power.cell_limit_ma > board.power.cell_mah * 2.0
    {
        say(
            "power.cell_limit_ma",
            "more than 2 C (twice the capacity per hour); check the cell's datasheet".into(),
        );
    }
    if let Some(text) = super::hazards::weak_amplifier(board) {
        say("sound.amplifier.supply", text);
    }
    let gains = &board.sound.amplifier.gains_db;
    if !gains.contains(&board.sound.amplifier.gain_db) {
        say(
            "sound.amplifier.gain_db",
            format!("is none of the settings in gains_db {gains:?}"),
        );
    }
    if !board.sound.sample_rates.contains(&board.sound.sample_rate) {
        say("sound.sample_rate", "is not among sample_rates".into());
    }
    all.extend(super::clocks::advice(board));
    all
}
