//! What is wrong with a command line that the parser refuses, in our own words:
//! what was typed, why it cannot be, and the way out.

use std::error::Error as _;
use std::ffi::OsString;

use clap::Command;
use clap::error::{ContextKind, ContextValue, Error, ErrorKind};

use super::examples;

/// The sentence on a refused command line; none where help or the version was
/// asked for.
pub(super) fn sentence(error: &Error, words: &[OsString]) -> Option<String> {
    let typed = Typed::new(words);
    Some(match error.kind() {
        ErrorKind::DisplayHelp
        | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand
        | ErrorKind::DisplayVersion => return None,
        ErrorKind::ValueValidation => {
            let why = error.source().map(ToString::to_string).unwrap_or_default();
            format!("{}; {why}", cannot_be(error))
        }
        ErrorKind::InvalidValue => not_of_the_list(error, &typed),
        ErrorKind::UnknownArgument => unknown(error, &typed),
        ErrorKind::InvalidSubcommand => {
            let name = text(error, ContextKind::InvalidSubcommand);
            let out = match text(error, ContextKind::SuggestedSubcommand) {
                near if near.is_empty() => "`thumbreel help` lists the commands".into(),
                near => format!("did you mean `{near}`?"),
            };
            format!("{} has no command `{name}`; {out}", typed.name)
        }
        ErrorKind::MissingRequiredArgument => missing(error, &typed),
        ErrorKind::ArgumentConflict => twice(error),
        ErrorKind::TooManyValues => format!(
            "{} takes no value; leave out `{}`",
            option(error),
            text(error, ContextKind::InvalidValue)
        ),
        ErrorKind::InvalidUtf8 => {
            "a value on the command line is not text; write it in plain letters".into()
        }
        _ => format!(
            "the command line cannot be read; {} explains it",
            typed.help()
        ),
    })
}

/// The command that was typed.
struct Typed<'a> {
    words: &'a [OsString],
    command: Command,
    /// With `thumbreel` before it.
    name: String,
}

impl<'a> Typed<'a> {
    fn new(words: &'a [OsString]) -> Self {
        let mut command = examples::command();
        let mut name = String::from("thumbreel");
        for word in words.iter().skip(1) {
            let Some(inner) = command.find_subcommand(word).cloned() else {
                break;
            };
            name = format!("{name} {}", inner.get_name());
            command = inner;
        }
        Self {
            words,
            command,
            name,
        }
    }

    fn help(&self) -> String {
        format!("`{} --help`", self.name)
    }

    /// What it takes beside options.
    fn names(&self) -> Vec<String> {
        let names = self.command.get_positionals();
        names.map(|name| plain(&name.to_string())).collect()
    }
}

/// A part of an error as text, several joined by spaces.
fn text(error: &Error, kind: ContextKind) -> String {
    list(error, kind).join(" ")
}

fn list(error: &Error, kind: ContextKind) -> Vec<String> {
    match error.get(kind) {
        Some(ContextValue::String(one)) => vec![one.clone()],
        Some(ContextValue::Strings(some)) => some.clone(),
        _ => Vec::new(),
    }
}

/// `--size <WxH>` without the brackets.
fn plain(usage: &str) -> String {
    let kept = |c: &char| !['<', '>', '[', ']'].contains(c);
    let text: String = usage.chars().filter(kept).collect();
    text.replace("...", "")
}

/// The option or name that is wrong, without its value.
fn option(error: &Error) -> String {
    let usage = plain(&text(error, ContextKind::InvalidArg));
    usage.split(' ').next().unwrap_or_default().to_owned()
}

fn cannot_be(error: &Error) -> String {
    match text(error, ContextKind::InvalidValue) {
        value if value.is_empty() => format!("{} cannot be empty", option(error)),
        value => format!("{} cannot be `{value}`", option(error)),
    }
}

/// `a, b or c`.
fn one_of(values: &[String]) -> String {
    match values {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

fn not_of_the_list(error: &Error, typed: &Typed<'_>) -> String {
    let values = list(error, ContextKind::ValidValue);
    let option = option(error);
    if !text(error, ContextKind::InvalidValue).is_empty() {
        return format!("{}; write {}", cannot_be(error), one_of(&values));
    }
    match values.is_empty() {
        true => format!("{option} needs a value; {} explains it", typed.help()),
        false => format!("{option} needs a value; write {}", one_of(&values)),
    }
}

fn unknown(error: &Error, typed: &Typed<'_>) -> String {
    let name = text(error, ContextKind::InvalidArg);
    if !name.starts_with('-') {
        let names = typed.names();
        let takes = match names.is_empty() {
            true => "takes options only".into(),
            false => format!("takes {} and options only", names.join(" ")),
        };
        return format!("{} {takes}; leave out `{name}`", typed.name);
    }
    let near = text(error, ContextKind::SuggestedArg);
    let near = near.split(' ').next().unwrap_or_default();
    let out = match (near, file_of(&name, typed), owners(&name)) {
        (_, Some(file), _) => format!("if it is a file, write ./{file}"),
        ("", _, owners) if owners.is_empty() => format!("{} lists its options", typed.help()),
        ("", _, owners) => format!("that is an option of {}", one_of(&owners)),
        (near, ..) => format!("did you mean {near}?"),
    };
    format!("{} has no option {name}; {out}", typed.name)
}

/// The word that began like a one-letter option, if it looks like a file.
fn file_of(name: &str, typed: &Typed<'_>) -> Option<String> {
    let words = typed.words.iter().map(|w| w.to_string_lossy());
    let mut like = words.filter(|w| w.starts_with(name) && !w.starts_with("--"));
    like.find(|w| w.contains('.')).map(|w| w.into_owned())
}

/// Commands that have an option.
fn owners(name: &str) -> Vec<String> {
    let long = name.trim_start_matches('-');
    let has = |command: &&Command| {
        let mut options = command.get_arguments().filter_map(|a| a.get_long());
        options.any(|option| option == long)
    };
    let all = examples::command();
    let names = all.get_subcommands().filter(has);
    names.map(|c| c.get_name().to_owned()).collect()
}

fn missing(error: &Error, typed: &Typed<'_>) -> String {
    let mut needed: Vec<_> = list(error, ContextKind::InvalidArg)
        .iter()
        .map(|usage| plain(usage))
        .collect();
    // What has no option's name stands first when it is typed.
    needed.sort_by_key(|name| name.starts_with('-'));
    let needed = needed.join(" and ");
    let out = match examples::first_of(&typed.name) {
        Some(example) => format!("for example: {example}"),
        None => format!("{} explains it", typed.help()),
    };
    format!("{} needs {needed}; {out}", typed.name)
}

fn twice(error: &Error) -> String {
    let (this, other) = (option(error), plain(&text(error, ContextKind::PriorArg)));
    let other = other.split(' ').next().unwrap_or_default();
    match this == other {
        true => format!("{this} is given twice; leave one of them out"),
        false => format!("{this} cannot stand with {other}; leave one of them out"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(line: &str) -> Option<String> {
        let words: Vec<OsString> = line.split(' ').map(Into::into).collect();
        let error = examples::command().try_get_matches_from(&words).err()?;
        sentence(&error, &words)
    }

    #[test]
    fn what_was_typed_is_named_with_its_way_out() {
        for (line, wanted) in [
            (
                "convert a.mp4 --board x --plan=yes",
                "--plan takes no value; leave out `yes`",
            ),
            (
                "convert a.mp4 --board",
                "--board needs a value; `thumbreel convert --help` explains it",
            ),
            (
                "convert a.mp4 --board x --coding",
                "--coding needs a value; write raw, jpeg or patch",
            ),
            (
                "convert a.mp4 --board x --board y",
                "--board is given twice; leave one of them out",
            ),
            (
                "inspect a.tbr --quality 5",
                "thumbreel inspect has no option --quality; that is an option of convert",
            ),
            (
                "convert -clip.mp4 --board x",
                "thumbreel convert has no option -c; if it is a file, write ./-clip.mp4",
            ),
            (
                "boards shwo x",
                "thumbreel boards has no command `shwo`; did you mean `show`?",
            ),
        ] {
            assert_eq!(told(&format!("thumbreel {line}")).as_deref(), Some(wanted));
        }
        for line in [
            "thumbreel",
            "thumbreel --version",
            "thumbreel convert --help",
        ] {
            assert_eq!(told(line), None, "{line}");
        }
    }
}
