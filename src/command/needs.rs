//! Which option needs which: one table. An option that could have no effect
//! beside the others is refused, so that nothing typed is ignored.

use clap::ArgMatches;
use clap::parser::ValueSource;

use super::Usage;

/// An option that has no effect under some conditions.
pub(super) struct Rule {
    /// The command, with a space before a command of its own; several with `|`
    /// between them.
    command: &'static str,
    option: &'static str,
    /// All of these hold.
    when: &'static [When],
    /// Why it has no effect, and the way out.
    why: &'static str,
}

/// What makes another option useless.
pub(super) enum When {
    /// This was typed too.
    With(&'static str),
    /// This was typed too, and says otherwise.
    Against(&'static str),
    /// This was not typed.
    Without(&'static str),
    /// This has one of these values, typed or not.
    Is(&'static str, &'static [&'static str]),
    /// The file to export is none of these kinds.
    Exports(&'static [&'static str]),
}
use When::{Against, Exports, Is, With, Without};

/// All that can be exported; another ending is refused as such.
const EXPORTED: [&str; 5] = ["png", "mp4", "gif", "wav", "folder"];
const SILENT: &[When] = &[With("no-sound")];
const SILENT_WHY: &str = "a silent reel has no sound; leave one of them out";
const RAW_WHY: &str = "raw pictures are sent as they are; choose --coding patch or jpeg";
const ONE_OF_THEM: &str = "leave one of them out";
const NO_FILE: &str = "nothing is written; name a file";
/// What a reel states itself.
const OF_A_REEL: &[When] = &[With("reel")];
const OF_A_REEL_WHY: &str = "the reel has its own; leave one of them out";
const PREFIX_WHY: &str =
    "it is the folder above those of man pages and completions; ask for one of them";
const ONE_PICTURE: &str = "it is for a single picture; name a .png";

const fn rule(
    command: &'static str,
    option: &'static str,
    when: &'static [When],
    why: &'static str,
) -> Rule {
    Rule {
        command,
        option,
        when,
        why,
    }
}

/// Every option that another one makes useless.
pub(super) const TABLE: &[Rule] = &[
    rule("convert", "loudness", SILENT, SILENT_WHY),
    rule("convert", "ceiling", SILENT, SILENT_WHY),
    rule("convert", "high-pass", SILENT, SILENT_WHY),
    rule("convert", "virtual-bass", SILENT, SILENT_WHY),
    rule("convert", "high-shelf", SILENT, SILENT_WHY),
    rule("convert", "dynamic-range", SILENT, SILENT_WHY),
    rule("convert", "sound-rate", SILENT, SILENT_WHY),
    rule("convert", "sound-coding", SILENT, SILENT_WHY),
    rule("convert", "downmix", SILENT, SILENT_WHY),
    rule("convert", "preview", SILENT, SILENT_WHY),
    rule("convert", "sound-track", SILENT, SILENT_WHY),
    rule(
        "convert",
        "to",
        &[Against("duration")],
        "both say where the part ends; leave one of them out",
    ),
    rule(
        "convert",
        "fit-margin",
        &[Without("fit")],
        "it is what a fitted reel leaves free; add --fit",
    ),
    rule(
        "convert",
        "fit",
        &[Against("plan")],
        "what fits is found by conversions, and a plan makes none; leave one of them out",
    ),
    rule(
        "convert",
        "playlist",
        &[With("plan")],
        "a plan converts nothing; leave one of them out",
    ),
    rule(
        "convert",
        "preview",
        &[With("plan")],
        "a plan converts nothing; leave one of them out",
    ),
    rule("convert", "quality", &[Is("coding", &["raw"])], RAW_WHY),
    rule("convert", "denoise", &[Is("coding", &["raw"])], RAW_WHY),
    rule("convert", "peak-rate", &[Is("coding", &["raw"])], RAW_WHY),
    rule(
        "convert",
        "search",
        &[Is("coding", &["raw", "jpeg"])],
        "only patch searches; choose --coding patch",
    ),
    rule(
        "convert",
        "anchor",
        &[Is("framing", &["stretch"]), Without("size")],
        "a stretched picture fills the panel; choose --framing crop, or a smaller --size",
    ),
    rule(
        "convert",
        "quiet",
        &[With("plan")],
        "a plan is there to be read; leave one of them out",
    ),
    rule(
        "convert",
        "quiet",
        &[With("json")],
        "JSON comes without progress and summary; leave it out",
    ),
    rule("budget|rehearse", "size", OF_A_REEL, OF_A_REEL_WHY),
    rule("budget|rehearse", "frame-rate", OF_A_REEL, OF_A_REEL_WHY),
    rule("budget|rehearse", "coding", OF_A_REEL, OF_A_REEL_WHY),
    rule(
        "budget|rehearse",
        "bits-per-pixel",
        OF_A_REEL,
        OF_A_REEL_WHY,
    ),
    rule("budget|rehearse", "sound-rate", OF_A_REEL, OF_A_REEL_WHY),
    rule("budget|rehearse", "sound", OF_A_REEL, OF_A_REEL_WHY),
    rule("budget|rehearse", "minutes", OF_A_REEL, OF_A_REEL_WHY),
    rule(
        "budget|rehearse",
        "sound-rate",
        &[Is("sound", &["none"])],
        "without sound there is no rate; leave one of them out",
    ),
    rule(
        "budget",
        "overwrite",
        &[Without("chart"), Without("page")],
        NO_FILE,
    ),
    rule("rehearse", "overwrite", &[Without("chart")], NO_FILE),
    rule(
        "budget",
        "page",
        OF_A_REEL,
        "the calculator's page is for settings; leave one of them out",
    ),
    rule(
        "budget",
        "page",
        &[With("window")],
        "the calculator's page takes a window of 1 s; leave one of them out",
    ),
    rule(
        "budget",
        "compare",
        &[Against("link")],
        "it compares both links; leave one of them out",
    ),
    rule("rehearse", "no-stalls", &[Against("stall-at")], ONE_OF_THEM),
    rule("compare", "overwrite", &[Without("strips")], NO_FILE),
    rule("enclosure", "overwrite", &[Without("svg")], NO_FILE),
    rule("boards new", "overwrite", &[Without("output")], NO_FILE),
    rule(
        "report",
        "clip-from",
        &[Without("clip")],
        "it is a time of the clip; name the clip by --clip",
    ),
    rule(
        "manual",
        "completions",
        &[Against("folder")],
        "completions go to standard output, man pages to a folder; ask for one of them",
    ),
    rule("manual", "prefix", &[Against("folder")], PREFIX_WHY),
    rule("manual", "prefix", &[Against("completions")], PREFIX_WHY),
    rule(
        "manual",
        "overwrite",
        &[With("completions")],
        "completions go to standard output; leave it out",
    ),
    rule(
        "serve",
        "quiet",
        &[Against("json")],
        "each says what is printed; leave one of them out",
    ),
    rule(
        "compare",
        "strips",
        &[Is("worst", &["0"])],
        "no moment is kept; allow one or more",
    ),
    rule(
        "gain",
        "peak",
        &[With("file")],
        "the file's sound is measured; leave one of them out",
    ),
    rule(
        "gain",
        "loudness",
        &[With("file")],
        "the file's sound is measured; leave one of them out",
    ),
    rule(
        "gain",
        "minutes",
        &[Without("file")],
        "temperatures are told for a file's sound; name a clip or a reel",
    ),
    rule(
        "boards measure",
        "overwrite",
        &[Without("output"), Without("chart")],
        NO_FILE,
    ),
    rule("export", "at", &[Exports(&["png"])], ONE_PICTURE),
    rule(
        "export",
        "at",
        &[With("contact-sheet")],
        "a contact sheet is spread over a part; choose it by --from and --to",
    ),
    rule(
        "export",
        "from",
        &[With("at")],
        "--at says where the picture is; leave one of them out",
    ),
    rule(
        "export",
        "to",
        &[
            Exports(&["mp4", "gif", "wav", "folder"]),
            Without("contact-sheet"),
        ],
        "a .png is one picture; choose its time by --at, or name a film",
    ),
    rule(
        "export",
        "enlarge",
        &[Exports(&["png", "mp4", "gif", "folder"])],
        "sound has no pixels; leave it out",
    ),
    rule(
        "export",
        "count",
        &[Without("contact-sheet")],
        "it counts the pictures of a contact sheet; add --contact-sheet",
    ),
    rule(
        "export",
        "contact-sheet",
        &[Exports(&["png"])],
        "a contact sheet is a .png; name one",
    ),
    rule(
        "export",
        "safe-area",
        &[Exports(&["png"])],
        "the safe area is drawn on a .png; name one",
    ),
    rule(
        "export",
        "overwrite",
        &[Exports(&["png", "mp4", "gif", "wav"])],
        "a folder is never replaced; name a new one",
    ),
    rule(
        "verify",
        "all",
        &[With("json")],
        "JSON lists all damage; leave it out",
    ),
];

/// Refuses what would be ignored.
///
/// # Errors
/// An option that has no effect beside the others.
pub(super) fn check(typed: &ArgMatches) -> Result<(), Usage> {
    let Some((mut command, mut options)) = typed
        .subcommand()
        .map(|(name, options)| (name.to_owned(), options))
    else {
        return Ok(());
    };
    while let Some((name, inner)) = options.subcommand() {
        command = format!("{command} {name}");
        options = inner;
    }
    let broken = |rule: &&Rule| rule.is_of(&command) && rule.is_broken(options);
    match TABLE.iter().find(broken) {
        Some(rule) => Err(Usage(rule.sentence(options))),
        None => Ok(()),
    }
}

impl Rule {
    fn is_of(&self, command: &str) -> bool {
        self.command.split('|').any(|one| one == command)
    }

    fn is_broken(&self, options: &ArgMatches) -> bool {
        is_typed(options, self.option) && self.when.iter().all(|when| when.holds(options))
    }

    fn sentence(&self, options: &ArgMatches) -> String {
        let when: Vec<String> = self.when.iter().map(|w| w.words(options)).collect();
        let verb = match self.when {
            [Against(_)] => "cannot stand",
            _ => "has no effect",
        };
        format!(
            "--{} {verb} {}: {}",
            self.option,
            when.join(" and "),
            self.why
        )
    }
}

impl When {
    fn holds(&self, options: &ArgMatches) -> bool {
        match *self {
            With(other) | Against(other) => is_typed(options, other),
            Without(other) => !is_typed(options, other),
            Is(other, values) => value(options, other).is_some_and(|v| values.contains(&&*v)),
            Exports(kinds) => {
                let kind = exported(options);
                EXPORTED.contains(&&*kind) && !kinds.contains(&&*kind)
            }
        }
    }

    fn words(&self, options: &ArgMatches) -> String {
        match self {
            With(name @ ("file" | "reel")) | Against(name @ "folder") => {
                format!("with a {name}")
            }
            Without("file") => "without a file".into(),
            With(other) | Against(other) => format!("with --{other}"),
            Without(other) => format!("without --{other}"),
            Is(other, _) => format!(
                "with --{other} {}",
                value(options, other).unwrap_or_default()
            ),
            Exports(_) => match (value(options, "output"), &*exported(options)) {
                (Some(name), "folder") => format!("on the folder {name}"),
                (None, "folder") => "on a folder".into(),
                (Some(name), _) => format!("on {name}"),
                (None, kind) => format!("on a .{kind}"),
            },
        }
    }
}

fn id(option: &str) -> String {
    option.replace('-', "_")
}

fn is_typed(options: &ArgMatches, option: &str) -> bool {
    options.value_source(&id(option)) == Some(ValueSource::CommandLine)
}

/// The last value of an option as text, typed or by default.
fn value(options: &ArgMatches, option: &str) -> Option<String> {
    let mut values = options.get_raw(&id(option))?;
    values.next_back().map(|v| v.to_string_lossy().into_owned())
}

/// What `export` is to write, by option, name or default.
fn exported(options: &ArgMatches) -> String {
    let by_name = |name: String| {
        let ending = std::path::Path::new(&name).extension();
        ending.map_or("folder".into(), |e| e.to_string_lossy().to_lowercase())
    };
    let usual = || match is_typed(options, "contact-sheet") || is_typed(options, "safe-area") {
        true => "png".to_owned(),
        false => "mp4".to_owned(),
    };
    value(options, "format")
        .or_else(|| value(options, "output").map(by_name))
        .unwrap_or_else(usual)
}

#[cfg(test)]
mod tests {
    use super::super::examples;
    use super::*;

    /// A command line that breaks each rule of the table, in its order.
    const BREAKING: &[&str] = &[
        "convert a.mp4 -b x --no-sound --loudness -16",
        "convert a.mp4 -b x --no-sound --ceiling -2",
        "convert a.mp4 -b x --high-pass 300 --no-sound",
        "convert a.mp4 -b x --virtual-bass --no-sound",
        "convert a.mp4 -b x --high-shelf 3 --no-sound",
        "convert a.mp4 -b x --dynamic-range night --no-sound",
        "convert a.mp4 -b x --sound-rate 16000 --no-sound",
        "convert a.mp4 -b x --sound-coding adpcm --no-sound",
        "convert a.mp4 -b x --downmix left --no-sound",
        "convert a.mp4 -b x --preview --no-sound",
        "convert a.mp4 -b x --sound-track 2 --no-sound",
        "convert a.mp4 -b x --to 3 --duration 3",
        "convert a.mp4 -b x --fit-margin 10",
        "convert a.mp4 -b x --fit --plan",
        "convert a.mp4 -b x --playlist --plan",
        "convert a.mp4 -b x --preview --plan",
        "convert a.mp4 -b x --coding raw --quality 50",
        "convert a.mp4 -b x --coding raw --denoise",
        "convert a.mp4 -b x --coding raw --peak-rate 300k",
        "convert a.mp4 -b x --coding jpeg --search 3",
        "convert a.mp4 -b x --framing stretch --anchor left",
        "convert a.mp4 -b x --plan --quiet",
        "convert a.mp4 -b x --json --quiet",
        "budget a.tbr -b x --size 99x99",
        "rehearse a.tbr -b x --frame-rate 12",
        "budget a.tbr -b x --coding raw",
        "rehearse a.tbr -b x --bits-per-pixel 2",
        "budget a.tbr -b x --sound-rate 16000",
        "rehearse a.tbr -b x --sound pcm8",
        "budget a.tbr -b x --minutes 2",
        "rehearse -b x --sound none --sound-rate 16000",
        "budget -b x --overwrite",
        "rehearse -b x --overwrite",
        "budget a.tbr -b x --page a.html",
        "budget -b x --window 2 --page a.html",
        "budget -b x --compare --link card",
        "rehearse a.tbr -b x --no-stalls --stall-at 1=100",
        "compare a.tbr a.mp4 --overwrite",
        "enclosure -b x --overwrite",
        "boards new --overwrite",
        "report a.tbr -b x --clip-from 3",
        "manual folder --completions bash",
        "manual folder --prefix usr",
        "manual --prefix usr --completions bash",
        "manual --overwrite --completions bash",
        "serve folder --quiet --json",
        "compare a.tbr a.mp4 --strips s --worst 0",
        "gain a.tbr -b x --peak -3",
        "gain a.tbr -b x --loudness -20",
        "gain -b x --minutes 5",
        "boards measure log -b x --overwrite",
        "export a.tbr --at 3 -o a.mp4",
        "export a.tbr --at 3 --contact-sheet",
        "export a.tbr --at 3 --from 1 -o a.png",
        "export a.tbr --to 3 -o a.png",
        "export a.tbr --enlarge 2 -o a.wav",
        "export a.tbr --count 3 -o a.png",
        "export a.tbr --contact-sheet -o a.gif",
        "export a.tbr --safe-area -o a.mp4",
        "export a.tbr --overwrite -o pictures",
        "verify a.tbr --all --json",
    ];

    /// Options that always have an effect, or whose own command refuses what
    /// they cannot do, each thought through.
    const FREE: &[&str] = &[
        // Every command's.
        "help",
        "version",
        "json",
        "board",
        "output",
        "overwrite",
        "quiet",
        "threads",
        // What to convert, and how pictures are made: they act on any clip.
        "fit",
        "plan",
        "jobs",
        "from",
        "to",
        "duration",
        "size",
        "frame-rate",
        "rate",
        "pace",
        "framing",
        "rotate",
        "mirror",
        "filter",
        "linear-light",
        "dither",
        "deinterlace",
        "crop-bars",
        "subtitles",
        "no-sound",
        "coding",
        "part-size",
        "title",
        // Other options are refused beside them.
        "stall-at",
        // One figure or file each, used by whatever the command does.
        "margin",
        "window",
        "stall",
        "chart",
        "runs",
        "seed",
        "start",
        "ring-buffer",
        "link",
        "late",
        "starve",
        "clip-from",
        "each",
        "worst",
        "millilitres",
        "distance",
        "svg",
        "format",
        "volume",
        "chunks",
        "completions",
        "clip",
        "rehearsals",
        "carry",
        "listen",
        "announce",
        "max-streams",
        "like",
        "no-decode",
        "reel",
        "virtual-bass",
    ];

    fn read(line: &str) -> Result<ArgMatches, clap::Error> {
        let words = std::iter::once("thumbreel").chain(line.split(' '));
        examples::command().try_get_matches_from(words)
    }

    #[test]
    fn every_rule_is_broken_by_its_line_and_by_nothing_less() {
        assert_eq!(TABLE.len(), BREAKING.len());
        for (rule, line) in TABLE.iter().zip(BREAKING) {
            let broken = check(&read(line).unwrap()).unwrap_err().0;
            assert!(
                ["has no effect ", "cannot stand "]
                    .iter()
                    .any(|verb| broken.starts_with(&format!("--{} {verb}", rule.option))),
                "{line}: {broken}"
            );
            // Without the option itself, nothing is wrong.
            let mut words: Vec<&str> = line.split(' ').collect();
            let option = format!("--{}", rule.option);
            let at = words.iter().position(|w| *w == option).unwrap();
            let value = words.get(at + 1).filter(|w| !w.starts_with("--"));
            let count = 1 + usize::from(value.is_some() && !is_flag(rule.option));
            words.drain(at..at + count);
            let rest = words.join(" ");
            assert!(check(&read(&rest).unwrap()).is_ok(), "{rest}");
        }
    }

    fn is_flag(option: &str) -> bool {
        [
            "listen",
            "denoise",
            "playlist",
            "overwrite",
            "quiet",
            "safe-area",
            "contact-sheet",
            "all",
            "fit",
            "preview",
            "compare",
            "no-stalls",
        ]
        .contains(&option)
    }

    #[test]
    fn every_option_is_in_the_table_or_thought_through() {
        let all = examples::command();
        let mut unknown = Vec::new();
        let mut commands: Vec<&clap::Command> = all.get_subcommands().collect();
        while let Some(command) = commands.pop() {
            commands.extend(command.get_subcommands());
            for option in command.get_arguments().filter_map(|a| a.get_long()) {
                let ruled = TABLE.iter().any(|rule| rule.option == option);
                if !ruled && !FREE.contains(&option) {
                    unknown.push(format!("{} --{option}", command.get_name()));
                }
            }
        }
        assert!(
            unknown.is_empty(),
            "which of these could be ignored? {unknown:?}"
        );
    }
}
