//! Everything that writes, by every way in which writing goes wrong: the output
//! is an input, something stands there, the folder or the disk refuses, the name
//! has a wrong ending, a signal comes at any moment. What stood there stays or
//! nothing stands there, inputs keep their bytes, nothing is left over.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use crate::common::faults::Chance;
use tempfile::TempDir;

use crate::common::media::{ffmpeg, folder};
use crate::thumbreel;

/// A command by an option that writes: what is typed, with `OUT` for the name;
/// the name's ending, or none for a folder; the file that comes of it where that
/// is another than the name.
struct Writer {
    typed: &'static str,
    ending: Option<&'static str>,
    made: &'static str,
}

const fn writer(typed: &'static str, ending: &'static str) -> Writer {
    Writer {
        typed,
        ending: Some(ending),
        made: "",
    }
}

const fn folder_writer(typed: &'static str, made: &'static str) -> Writer {
    Writer {
        typed,
        ending: None,
        made,
    }
}

const INPUTS: [&str; 5] = [
    "clip.mp4",
    "reel.tbr",
    "board.toml",
    "text.srt",
    "probe.log",
];

const WRITERS: [Writer; 22] = [
    writer(
        "convert clip.mp4 --board board.toml --subtitles text.srt --output OUT",
        "tbr",
    ),
    writer(
        "convert clip.mp4 --board board.toml --fit --output OUT",
        "tbr",
    ),
    Writer {
        made: "out.wav",
        ..writer(
            "convert clip.mp4 --board board.toml --preview --output OUT",
            "tbr",
        )
    },
    Writer {
        made: "out.2of2.tbr",
        ..writer(
            "convert clip.mp4 --board board.toml --coding raw --frame-rate 5 --part-size 800k --output OUT",
            "tbr",
        )
    },
    writer("repair reel.tbr --output OUT", "tbr"),
    Writer {
        made: "out.1of2.tbr",
        ..writer("repair reel.tbr --part-size 800k --output OUT", "tbr")
    },
    writer(
        "report reel.tbr --board board.toml --clip clip.mp4 --rehearsals 5 --output OUT",
        "html",
    ),
    writer("export reel.tbr --output OUT", "mp4"),
    writer("export reel.tbr --output OUT", "gif"),
    writer("export reel.tbr --output OUT", "wav"),
    writer("export reel.tbr --output OUT", "png"),
    writer("export reel.tbr --contact-sheet --output OUT", "png"),
    folder_writer("export reel.tbr --output OUT", ""),
    folder_writer("firmware OUT --board board.toml --reel reel.tbr", ""),
    folder_writer("compare reel.tbr clip.mp4 --worst 1 --strips OUT", STRIP),
    folder_writer("manual OUT", "thumbreel-convert.1"),
    writer("boards new --like board.toml --output OUT", "toml"),
    writer(
        "boards measure probe.log --board board.toml --output OUT",
        "toml",
    ),
    writer(
        "boards measure probe.log --board board.toml --chart OUT",
        "svg",
    ),
    writer("budget reel.tbr --board board.toml --chart OUT", "svg"),
    writer(
        "rehearse reel.tbr --board board.toml --runs 50 --chart OUT",
        "svg",
    ),
    writer("enclosure --board board.toml --svg OUT", "svg"),
];

/// Stands for a file whose name tells the number of the worst picture.
const STRIP: &str = "the strip";

/// The name of that file.
fn strip() -> &'static PathBuf {
    static NAME: OnceLock<PathBuf> = OnceLock::new();
    NAME.get_or_init(|| {
        let typed = "compare reel.tbr clip.mp4 --worst 1 --strips out";
        let folder = inputs();
        let mut run = thumbreel(folder.path());
        run.args(typed.split(' ')).assert().success();
        let mut strips = std::fs::read_dir(folder.path().join("out")).unwrap();
        Path::new("out").join(strips.next().unwrap().unwrap().file_name())
    })
}

/// What the budget of the little reel says of the board is not of interest.
const DONE: [i32; 3] = [0, 3, 4];

impl Writer {
    fn name(&self) -> String {
        match self.ending {
            Some(ending) => format!("out.{ending}"),
            None => "out".into(),
        }
    }

    /// The file that comes of it.
    fn made(&self) -> PathBuf {
        if self.made == STRIP {
            return strip().clone();
        }
        match (self.ending, self.made) {
            (_, "") => self.name().into(),
            (Some(_), made) => made.into(),
            (None, made) => Path::new("out").join(made),
        }
    }

    fn is_new_folder(&self) -> bool {
        self.ending.is_none() && self.made.is_empty()
    }

    fn arguments(&self, name: &str) -> Vec<String> {
        let words = self.typed.split(' ');
        words.map(|w| w.replace("OUT", name)).collect()
    }

    fn command(&self, folder: &Path, name: &str, more: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        command.current_dir(folder).args(self.arguments(name));
        command.args(more.iter().filter(|_| !self.is_new_folder()));
        command.stdin(Stdio::null());
        command
    }

    fn run(&self, folder: &Path, name: &str, more: &[&str]) -> Output {
        let mut command = self.command(folder, name, more);
        if self.typed.starts_with("boards new") {
            command.stdin(answers(folder));
        }
        command.output().unwrap()
    }
}

/// The library that notes what reaches the disk, for LD_PRELOAD.
fn notes_syncs() -> PathBuf {
    static MADE: OnceLock<TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let folder = folder();
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/command_line/synced.c");
        let mut cc = Command::new("cc");
        cc.args(["-shared", "-fPIC", "-o", "synced.so", source, "-ldl"]);
        assert!(cc.current_dir(folder.path()).status().unwrap().success());
        folder
    });
    made.path().join("synced.so")
}

impl Writer {
    /// Runs to the end, and holds that the bytes were on the disk before they had
    /// their name, and the name was at the end; what had it stood until then.
    fn run_synced(&self, folder: &Path, more: &[&str]) -> Output {
        let notes = tempfile::NamedTempFile::new().unwrap();
        let place = folder.join(self.made());
        let mut command = self.command(folder, &self.name(), more);
        command.stdin(answers(folder));
        command.env("LD_PRELOAD", notes_syncs()).env("MADE", &place);
        let done = command.env("SYNCS", notes.path()).output().unwrap();
        let case = format!("{}: {}", self.typed, said(&done));
        assert!(DONE.contains(&done.status.code().unwrap()), "{case}");
        let notes = std::fs::read_to_string(notes.path()).unwrap();
        let notes: Vec<Vec<&str>> = notes.lines().map(|l| l.split(' ').collect()).collect();
        let number = |path: &Path| path.metadata().unwrap().ino().to_string();
        let named = number(&place);
        let mut made = vec![place.clone()];
        if place.is_dir() {
            made.extend(seen(&place).into_keys());
        }
        for file in made {
            let first = |n: &Vec<&str>| n[0] == "sync" && n[2] == number(&file) && n[3] != named;
            assert!(notes.iter().any(first), "{case}: {file:?} in {notes:?}");
        }
        let parent = number(place.parent().unwrap());
        let last = |n: &Vec<&str>| n[0] == "sync" && n[2] == parent && n[3] == named;
        assert!(notes.iter().any(last), "{case}: its folder in {notes:?}");
        let gone =
            |n: &Vec<&str>| n[0] == "gone" && Path::new(n[1]).file_name() == place.file_name();
        assert!(!notes.iter().any(gone), "{case}: {notes:?}");
        done
    }
}

/// An empty line for each question keeps what the model board has.
fn answers(folder: &Path) -> std::fs::File {
    std::fs::write(folder.join(".answers"), "\n".repeat(99)).unwrap();
    let file = std::fs::File::open(folder.join(".answers")).unwrap();
    std::fs::remove_file(folder.join(".answers")).unwrap();
    file
}

/// A log of the probe: the first line, reads of the card, the end.
fn probe_log() -> String {
    let reads: String = (0..400)
        .map(|i| {
            format!(
                "card,4096,{}\n",
                if i % 200 == 9 { 30_000 } else { 800 + i }
            )
        })
        .collect();
    format!("thumbreel-probe,1\n{reads}end,400\n")
}

/// The inputs, made once.
fn made_once() -> &'static Path {
    static MADE: OnceLock<TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let folder = folder();
        let path = folder.path();
        ffmpeg(
            path,
            "-f lavfi -i testsrc2=s=96x64:r=10:d=2 -f lavfi -i sine=440:d=2 -c:v mpeg4 -c:a aac clip.mp4",
        );
        let board = thumbreel(path)
            .args(["boards", "show", "lantern-room"])
            .output()
            .unwrap();
        std::fs::write(path.join("board.toml"), board.stdout).unwrap();
        std::fs::write(path.join("probe.log"), probe_log()).unwrap();
        let text = "1\n00:00:00,200 --> 00:00:00,900\nThe lamp is lit.\n";
        std::fs::write(path.join("text.srt"), text).unwrap();
        thumbreel(path)
            .args("convert clip.mp4 --board lantern-room --coding raw --frame-rate 5 --output reel.tbr".split(' '))
            .assert()
            .success();
        folder
    });
    made.path()
}

/// A folder of its own with the inputs in it.
pub fn inputs() -> TempDir {
    let folder = folder();
    for name in INPUTS {
        std::fs::copy(made_once().join(name), folder.path().join(name)).unwrap();
    }
    folder
}

/// All files below a folder with their bytes' checksum; links by where they lead.
fn seen(folder: &Path) -> BTreeMap<PathBuf, u32> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        match path.is_dir() {
            true => found.extend(seen(&path)),
            false => {
                let bytes = std::fs::read(&path).unwrap();
                found.insert(path, thumbreel::reel::crc32(&bytes));
            }
        }
    }
    found
}

fn said(done: &Output) -> String {
    String::from_utf8_lossy(&done.stderr).into_owned()
}

/// The last line that was said is the error: a program's name, a sentence.
fn refused(writer: &Writer, done: &Output, code: i32, words: &[&str]) {
    let said = said(done);
    assert_eq!(done.status.code(), Some(code), "{}: {said}", writer.typed);
    for word in words {
        assert!(
            said.contains(word),
            "{}: {word:?} is not in: {said}",
            writer.typed
        );
    }
    assert!(
        !said.contains("panicked") && !said.contains(".part"),
        "{said}"
    );
}

#[test]
fn an_input_is_never_written_over() {
    for writer in &WRITERS {
        let folder = inputs();
        let path = folder.path();
        let read: Vec<&str> = INPUTS
            .into_iter()
            .filter(|input| writer.typed.contains(input))
            .collect();
        for input in read {
            let target = writer.made();
            let place = path.join(&target);
            let links: [&dyn Fn(); 2] = [
                &|| std::os::unix::fs::symlink(path.join(input), &place).unwrap(),
                &|| std::fs::hard_link(path.join(input), &place).unwrap(),
            ];
            if writer.is_new_folder() {
                continue;
            }
            for link in links {
                std::fs::create_dir_all(place.parent().unwrap()).unwrap();
                link();
                let before = seen(path);
                let done = writer.run(path, &writer.name(), &["--overwrite"]);
                refused(writer, &done, 2, &["out", "reads it"]);
                assert_eq!(seen(path), before, "{}", writer.typed);
                std::fs::remove_file(&place).unwrap();
                let _ = std::fs::remove_dir(path.join("out"));
            }
            // Its own name, plain and by another spelling.
            for name in [input.to_owned(), format!("./../{}/{input}", base(path))] {
                let before = seen(path);
                let done = writer.run(path, &name, &["--overwrite"]);
                let code = if writer.ending.is_some() { 2 } else { 1 };
                refused(writer, &done, code, &[input]);
                assert_eq!(seen(path), before, "{}", writer.typed);
            }
        }
    }
}

fn base(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

#[test]
fn what_exists_is_replaced_only_when_told() {
    for writer in &WRITERS {
        let folder = inputs();
        let path = folder.path();
        let place = path.join(writer.made());
        std::fs::create_dir_all(place.parent().unwrap()).unwrap();
        std::fs::write(&place, b"an earlier file").unwrap();
        let before = seen(path);
        let done = writer.run(path, &writer.name(), &[]);
        let way_out = if writer.is_new_folder() {
            "another folder"
        } else {
            "--overwrite"
        };
        refused(writer, &done, 1, &["exists", way_out]);
        assert_eq!(seen(path), before, "{}", writer.typed);
        if writer.is_new_folder() {
            continue;
        }
        // Also private before: a new file is as any new file is.
        std::fs::set_permissions(&place, std::fs::Permissions::from_mode(0o600)).unwrap();
        writer.run_synced(path, &["--overwrite"]);
        assert_ne!(
            std::fs::read(&place).unwrap(),
            b"an earlier file",
            "{}",
            writer.typed
        );
        let mode = place.metadata().unwrap().permissions().mode() & 0o777;
        let plain = path.join("plain");
        std::fs::write(&plain, b"").unwrap();
        let usual = plain.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!(mode, usual, "{}", writer.typed);
        assert!(leftovers(path).is_empty(), "{:?}", leftovers(path));
    }
}

fn leftovers(folder: &Path) -> Vec<PathBuf> {
    let hidden = |path: &PathBuf| {
        let names = path.strip_prefix(folder).unwrap().components();
        names
            .map(|c| c.as_os_str().to_string_lossy().into_owned())
            .any(|n| n.starts_with('.'))
    };
    seen(folder).into_keys().filter(hidden).collect()
}

#[test]
fn a_wrong_ending_names_the_right_one() {
    for writer in &WRITERS {
        let Some(ending) = writer.ending else {
            continue;
        };
        let folder = inputs();
        let path = folder.path();
        let before = seen(path);
        for wrong in ["out.pdf", "out"] {
            if wrong == "out"
                && writer.typed.starts_with("export")
                && !writer.typed.contains("sheet")
            {
                // No ending names a folder there.
                continue;
            }
            let done = writer.run(path, wrong, &["--overwrite"]);
            refused(writer, &done, 2, &[wrong, &format!(".{ending}")]);
            assert_eq!(seen(path), before, "{}", writer.typed);
        }
    }
}

/// Runs without the right to pass by permissions, as a user who is not root.
fn as_a_user(command: &Command, path: &Path) -> Output {
    let mut user = Command::new("setpriv");
    user.args([
        "--bounding-set=-dac_override,-dac_read_search",
        "--inh-caps=-dac_override,-dac_read_search",
    ]);
    user.arg("--")
        .arg(command.get_program())
        .args(command.get_args());
    user.current_dir(path).stdin(answers(path));
    user.output().expect("setpriv, of Debian's util-linux")
}

fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output().unwrap();
    id.stdout.starts_with(b"0")
}

#[test]
fn a_folder_that_may_not_be_written_is_named() {
    for writer in &WRITERS {
        let folder = inputs();
        let path = folder.path();
        let closed = path.join("closed");
        std::fs::create_dir(&closed).unwrap();
        std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o555)).unwrap();
        let before = seen(path);
        let command = writer.command(path, &format!("closed/{}", writer.name()), &[]);
        let done = match is_root() {
            true => as_a_user(&command, path),
            false => writer.run(path, &format!("closed/{}", writer.name()), &[]),
        };
        refused(writer, &done, 1, &["closed", "permission"]);
        assert_eq!(seen(path), before, "{}", writer.typed);
    }
}

/// The kernel lets no file grow, as a full disk would.
#[test]
fn a_full_disk_leaves_the_old_file_or_none() {
    for writer in &WRITERS {
        let folder = inputs();
        let path = folder.path();
        let place = path.join(writer.made());
        for earlier in [false, true] {
            if earlier {
                if writer.is_new_folder() {
                    continue;
                }
                std::fs::create_dir_all(place.parent().unwrap()).unwrap();
                std::fs::write(&place, b"an earlier file").unwrap();
            }
            let before = seen(path);
            let mut bash = Command::new("bash");
            bash.args(["-c", "trap '' XFSZ; ulimit -f 0; exec \"$@\"", "bash"]);
            let command = writer.command(path, &writer.name(), &["--overwrite"]);
            bash.arg(command.get_program()).args(command.get_args());
            bash.current_dir(path).stdin(answers(path));
            let done = bash.output().unwrap();
            refused(writer, &done, 1, &["cannot write", "larger than"]);
            assert!(!said(&done).contains("os error"), "{}", said(&done));
            assert_eq!(seen(path), before, "{}", writer.typed);
        }
    }
    // Standard output alike: Linux's full device (full(4)).
    let folder = inputs();
    for typed in [
        "convert clip.mp4 --board board.toml --output -",
        "export reel.tbr --format wav --output -",
        "enclosure --board board.toml --svg -",
    ] {
        let full = std::fs::File::options()
            .write(true)
            .open("/dev/full")
            .unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        command
            .current_dir(folder.path())
            .args(typed.split(' '))
            .stdout(full);
        let done = command.output().unwrap();
        assert_eq!(done.status.code(), Some(1), "{typed}: {}", said(&done));
        assert!(said(&done).contains("the disk is full"), "{}", said(&done));
    }
}

const SIGNALS: [&str; 4] = ["TERM", "HUP", "INT", "KILL"];
const MOMENTS: usize = 50;

/// How a writer's run goes when nothing stops it.
struct Usual {
    writer: &'static Writer,
    takes: Duration,
    leaves: BTreeMap<PathBuf, u32>,
}

impl Usual {
    fn of(writer: &'static Writer) -> Self {
        let folder = inputs();
        let path = folder.path();
        let start = Instant::now();
        writer.run_synced(path, &[]);
        Self {
            writer,
            takes: start.elapsed(),
            leaves: named(path),
        }
    }

    /// Stops a run by `signal` after this share of the time that it takes.
    fn stop(&self, signal: &str, share: f64) {
        let writer = self.writer;
        let folder = inputs();
        let path = folder.path();
        let place = path.join(writer.made());
        if !writer.is_new_folder() {
            std::fs::create_dir_all(place.parent().unwrap()).unwrap();
            std::fs::write(&place, b"an earlier file").unwrap();
        }
        let before = named(path);
        let mut command = writer.command(path, &writer.name(), &["--overwrite"]);
        command.stdin(answers(path)).stdout(Stdio::null());
        let child = command.stderr(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(self.takes.mul_f64(share));
        let pid = child.id().to_string();
        let mut kill = Command::new("kill");
        kill.args([&format!("-{signal}"), &pid]);
        let _ = kill.stderr(Stdio::null()).status();
        let done = child.wait_with_output().unwrap();
        let case = format!("{} by {signal} at {share}: {}", writer.typed, said(&done));
        let is_killed = done.status.signal() == Some(9);
        let after = named(path);
        for (name, hash) in &after {
            let known = [before.get(name), self.leaves.get(name)];
            let part = name.to_string_lossy().contains(".thumbreel-");
            let holds = known.contains(&Some(hash)) || (is_killed && part);
            assert!(holds, "{case}: {name:?}");
        }
        for name in before.keys() {
            assert!(after.contains_key(name), "{case}: {name:?} is gone");
        }
        for input in INPUTS.map(Path::new) {
            assert_eq!(after.get(input), before.get(input), "{case}");
        }
        if !is_killed {
            assert!(leftovers(path).is_empty(), "{case}: {:?}", leftovers(path));
            let code = done.status.code();
            // Before it watches for signals, the system's own way ends it.
            assert!(code.is_none_or(|c| c == 1 || DONE.contains(&c)), "{case}");
            return;
        }
        // The next run is not in the way of anything, and clears what was left.
        if writer.is_new_folder() && place.exists() {
            return;
        }
        let next = writer.run(path, &writer.name(), &["--overwrite"]);
        let code = next.status.code().unwrap();
        assert!(DONE.contains(&code), "{case}: {}", said(&next));
        assert!(leftovers(path).is_empty(), "{case}: {:?}", leftovers(path));
        assert_eq!(named(path), self.leaves, "{case}");
    }
}

/// What is seen in a folder, by names within it.
fn named(folder: &Path) -> BTreeMap<PathBuf, u32> {
    let within = |(path, hash): (PathBuf, u32)| {
        let name = path.strip_prefix(folder).unwrap().to_owned();
        (name, hash)
    };
    seen(folder).into_iter().map(within).collect()
}

/// Fifty seeded moments over all that writes; each signal has its turn. Fifty
/// moments of each signal for each writer: THUMBREEL_SIGNALS=all, or the name
/// of one signal.
#[test]
fn a_signal_at_any_moment_leaves_the_old_file_or_none() {
    let asked = std::env::var("THUMBREEL_SIGNALS").ok();
    let usual: Vec<Usual> = WRITERS.iter().map(Usual::of).collect();
    let mut chance = Chance::new(16);
    let mut moment = || chance.below(1000) as f64 / 1000.0;
    let Some(asked) = asked else {
        for i in 0..MOMENTS {
            let signal = SIGNALS[(i + i / WRITERS.len()) % SIGNALS.len()];
            usual[i % WRITERS.len()].stop(signal, moment());
        }
        return;
    };
    let chosen = SIGNALS
        .into_iter()
        .filter(|s| asked == "all" || asked == *s);
    let mut count = 0;
    for signal in chosen {
        for usual in &usual {
            (0..MOMENTS).for_each(|_| usual.stop(signal, moment()));
            count += MOMENTS;
        }
    }
    assert!(count > 0, "no such signal: {asked}");
    println!("{count} moments of {} writers by {asked}", WRITERS.len());
}

#[test]
fn parts_of_runs_that_go_on_are_left_alone() {
    let folder = inputs();
    let path = folder.path();
    let held = path.join(".other.tbr.thumbreel-1-1.part");
    std::fs::write(&held, b"under way").unwrap();
    let lock = std::fs::File::open(&held).unwrap();
    lock.lock().unwrap();
    let mut run = thumbreel(path);
    run.args("convert clip.mp4 --board board.toml --output out.tbr".split(' '));
    run.assert().success();
    assert!(held.exists());
    drop(lock);
    thumbreel(path)
        .args("convert clip.mp4 --board board.toml --output out2.tbr".split(' '))
        .assert()
        .success();
    assert!(!held.exists());
}

#[test]
fn a_stream_carries_the_file_and_nothing_else() {
    let folder = inputs();
    let path = folder.path();
    for writer in WRITERS
        .iter()
        .filter(|w| w.made.is_empty() && w.ending.is_some())
    {
        let kind = ["--format", writer.ending.unwrap()];
        let more = if writer.typed.starts_with("export") {
            &kind[..]
        } else {
            &[]
        };
        let file = writer.run(path, &writer.name(), &["--overwrite"]);
        assert!(
            DONE.contains(&file.status.code().unwrap()),
            "{}",
            said(&file)
        );
        let stream = writer.run(path, "-", more);
        assert!(
            DONE.contains(&stream.status.code().unwrap()),
            "{}: {}",
            writer.typed,
            said(&stream)
        );
        let made = std::fs::read(path.join(writer.name())).unwrap();
        assert!(stream.stdout == made, "{}", writer.typed);
        assert!(!path.join("-").exists());
    }
    for (typed, words) in [
        (
            "budget reel.tbr --board board.toml --chart - --json",
            "--json",
        ),
        (
            "convert clip.mp4 --board board.toml --output - --json",
            "--json",
        ),
        (
            "convert clip.mp4 --board board.toml --output - --preview",
            "--preview",
        ),
        ("export reel.tbr --output -", "--format"),
    ] {
        let done = thumbreel(path).args(typed.split(' ')).output().unwrap();
        assert_eq!(done.status.code(), Some(2), "{typed}");
        assert!(said(&done).contains(words), "{typed}: {}", said(&done));
    }
    // A terminal gets none: util-linux `script` makes one.
    let line = format!(
        "'{}' convert clip.mp4 --board board.toml --output -",
        env!("CARGO_BIN_EXE_thumbreel")
    );
    let done = Command::new("script")
        .args([
            OsStr::new("-qec"),
            OsStr::new(&line),
            OsStr::new("/dev/null"),
        ])
        .current_dir(path)
        .output()
        .expect("script, of Debian's bsdutils");
    assert_eq!(done.status.code(), Some(2));
    let shown = String::from_utf8_lossy(&done.stdout);
    assert!(shown.contains("not for the terminal"), "{shown}");
}

#[test]
fn a_device_is_not_replaced() {
    let folder = inputs();
    let path = folder.path();
    std::os::unix::fs::symlink("/dev/null", path.join("out.tbr")).unwrap();
    for writer in WRITERS
        .iter()
        .filter(|w| w.ending == Some("tbr") && w.made.is_empty())
    {
        let done = writer.run(path, "out.tbr", &["--overwrite"]);
        refused(
            writer,
            &done,
            2,
            &["not an ordinary file", "standard output"],
        );
        assert!(path.join("out.tbr").is_symlink());
    }
}

/// A run under `nohup` outlives its terminal.
#[test]
fn a_hangup_that_is_ignored_stays_ignored() {
    let folder = inputs();
    let line = format!(
        "trap '' HUP; '{}' serve . --listen 127.0.0.1:0 > log & sleep 1; kill -HUP $!; sleep 1; \
         kill -0 $! && echo alive; kill -TERM $!; wait $!; echo $?",
        env!("CARGO_BIN_EXE_thumbreel")
    );
    let done = Command::new("bash")
        .args(["-c", &line])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(
        String::from_utf8_lossy(&done.stdout),
        "alive\n0\n",
        "{}",
        said(&done)
    );
}

#[test]
fn a_closed_terminal_ends_a_conversion_without_a_trace() {
    let folder = folder();
    let path = folder.path();
    let program = env!("CARGO_BIN_EXE_thumbreel");
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=640x480:r=30:d=60 -c:v mpeg4 long.mp4",
    );
    let line = format!("'{program}' convert long.mp4 --board lantern-room & echo $! > id; wait");
    // Where hangups are ignored here, as under nohup, they would be there too.
    let mut terminal = Command::new("env")
        .args(["--default-signal=HUP", "script", "-qec", &line, "/dev/null"])
        .current_dir(path)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let waited = |what: &dyn Fn() -> bool| {
        while !what() {
            assert!(start.elapsed() < Duration::from_secs(60));
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    waited(&|| !leftovers(path).is_empty());
    terminal.kill().unwrap();
    terminal.wait().unwrap();
    let id = std::fs::read_to_string(path.join("id")).unwrap();
    waited(&|| !Path::new(&format!("/proc/{}/exe", id.trim())).exists());
    assert!(leftovers(path).is_empty(), "{:?}", leftovers(path));
    assert!(!path.join("long.tbr").exists());
}
