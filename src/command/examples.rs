//! Examples and exit codes, printed at the end of each command's help and in
//! its man page.

use clap::{Command, CommandFactory};

/// A command's name, its examples without `thumbreel`, and its exit
/// codes where they differ from 0 success, 1 failure, 2 bad command line.
const TABLE: [(&str, &[&str], &str); 16] = [
    (
        "boards",
        &[
            "boards",
            "boards show lantern-room > my-board.toml",
            "boards check my-board.toml",
            "boards measure probe.csv --board my-board.toml -o measured.toml",
        ],
        "",
    ),
    (
        "budget",
        &[
            "budget ferry.tbr --board lantern-room",
            "budget --board porthole --frame-rate 25 --coding patch",
            "budget ferry.tbr --board keepers-door --compare",
        ],
        "0 fits, 1 failure, 2 bad command line, 3 tight (fits, but with less than the margin), 4 does not fit",
    ),
    (
        "compare",
        &[
            "compare ferry.tbr ferry.mp4",
            "compare ferry.tbr ferry.mp4 --json",
        ],
        "",
    ),
    (
        "convert",
        &[
            "convert ferry.mp4 --board lantern-room",
            "convert *.mov --board porthole -o reels/ --jobs 2",
            "convert walk.mkv --board tide-gauge --from 1:20 --duration 30 --plan",
            "convert ferry.mp4 --board lantern-room --fit wifi",
        ],
        "",
    ),
    ("demo", &["demo", "demo exhibits --board porthole"], ""),
    (
        "enclosure",
        &[
            "enclosure --board lantern-room",
            "enclosure --board lantern-room --millilitres 60 --svg box.svg",
        ],
        "",
    ),
    (
        "export",
        &[
            "export ferry.tbr -o ferry-on-panel.mp4 --enlarge 2",
            "export ferry.tbr --at 0:12 -o ferry.png",
            "export ferry.tbr --contact-sheet -o sheet.png",
        ],
        "",
    ),
    (
        "firmware",
        &[
            "firmware harbour-firmware --board lantern-room",
            "firmware harbour-firmware --board my-board.toml --reel ferry.tbr",
        ],
        "",
    ),
    (
        "gain",
        &[
            "gain --board lantern-room",
            "gain --board keepers-door ferry.mp4 --distance 0.3",
        ],
        "",
    ),
    (
        "inspect",
        &[
            "inspect ferry.tbr",
            "inspect ferry.tbr --json | python3 -m json.tool",
        ],
        "",
    ),
    (
        "manual",
        &[
            "manual --prefix ~/.local",
            "manual ~/.local/share/man/man1",
            "manual --completions bash > thumbreel.bash",
        ],
        "",
    ),
    (
        "rehearse",
        &[
            "rehearse ferry.tbr --board lantern-room --link card",
            "rehearse ferry.tbr --board porthole --link wifi --runs 10000",
            "rehearse ferry.tbr --board porthole --stall-at 0:20=250 --chart level.svg",
        ],
        "0 all rehearsals clean, 1 failure, 2 bad command line, 3 at least 99 % clean, 4 less than 99 % clean",
    ),
    (
        "repair",
        &[
            "repair ferry.tbr -o ferry-mended.tbr",
            "repair long.tbr -o card/long.tbr --part-size fat32",
        ],
        "",
    ),
    (
        "report",
        &[
            "report ferry.tbr --board lantern-room -o ferry.html",
            "report ferry.tbr --board lantern-room --clip ferry.mp4 -o ferry.html",
        ],
        "",
    ),
    (
        "serve",
        &[
            "serve exhibits",
            "serve exhibits --listen 0.0.0.0:8461 --announce Museum",
        ],
        "",
    ),
    (
        "verify",
        &["verify /media/card/*.tbr"],
        "0 all reels are valid, 1 a reel is damaged or cannot be read, 2 bad command line",
    ),
];

/// The command line with its examples.
pub(super) fn command() -> Command {
    TABLE
        .iter()
        .fold(super::Cli::command(), |all, (name, examples, codes)| {
            all.mut_subcommand(*name, |one| one.after_help(text(examples, codes)))
        })
}

/// The first example of a command, both with `thumbreel` before them.
pub(super) fn first_of(command: &str) -> Option<String> {
    let mut lines = TABLE
        .iter()
        .flat_map(|row| row.1)
        .map(|line| format!("thumbreel {line}"));
    lines.find(|line| line.starts_with(&format!("{command} ")))
}

fn text(examples: &[&str], codes: &str) -> String {
    let mut text = String::from("Examples:");
    for example in examples {
        text.push_str(&format!("\n  thumbreel {example}"));
    }
    let codes = match codes {
        "" => "0 success, 1 failure, 2 bad command line",
        own => own,
    };
    text + &format!("\n\nExit codes: {codes}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_examples_and_each_is_understood() {
        let all: Vec<String> = super::super::Cli::command()
            .get_subcommands()
            .map(|c| c.get_name().to_owned())
            .collect();
        assert_eq!(all, TABLE.map(|row| row.0.to_owned()));
        for example in TABLE.iter().flat_map(|row| row.1) {
            let typed = example.split(" > ").next().unwrap_or(example);
            let typed = typed.split(" | ").next().unwrap_or(typed);
            let words = std::iter::once("thumbreel").chain(typed.split(' '));
            let read = command().try_get_matches_from(words);
            assert!(read.is_ok(), "{example}: {:?}", read.err());
        }
    }
}
