//! Standard output that ends quietly when its reader has gone
//! (`thumbreel inspect REEL | head`), and lines that stay lines whatever is in a
//! name.

use std::io::{ErrorKind, Write};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

use super::Usage;
use super::show::visible;
use crate::files::{Destination, Kind};

/// `println!` for commands: a closed pipe ends the program with exit code 0,
/// as the reader has all it wanted.
macro_rules! say {
    ($($arg:tt)*) => { $crate::command::out::line(format_args!($($arg)*)) };
}
pub(crate) use say;

/// `eprintln!` that does not mind a terminal that was closed.
macro_rules! complain {
    ($($arg:tt)*) => { $crate::command::out::aside(format_args!($($arg)*)) };
}
pub(crate) use complain;

/// Set where standard output carries a file: words go to standard error then.
static CARRIES_A_FILE: AtomicBool = AtomicBool::new(false);

/// Checks a destination before any work is done. Where it is standard output,
/// that carries nothing else: `json` may not be printed there too.
pub fn reserve(to: Destination, json: bool) -> anyhow::Result<Destination> {
    to.check()?;
    if to.is_stream() && (json || CARRIES_A_FILE.swap(true, Ordering::Relaxed)) {
        let text = format!(
            "standard output takes one thing only: give the {} a name, or leave out --json",
            to.kind().name()
        );
        return Err(Usage(text).into());
    }
    Ok(to)
}

/// Writes one line to standard error.
pub fn aside(text: std::fmt::Arguments<'_>) {
    // Nobody reads it if this fails.
    let _ = writeln!(std::io::stderr(), "{}", visible(&text.to_string()));
}

/// Writes one line; see [`say!`].
pub fn line(text: std::fmt::Arguments<'_>) {
    if CARRIES_A_FILE.load(Ordering::Relaxed) {
        return aside(text);
    }
    json(&visible(&text.to_string()));
}

/// Writes JSON, which has escapes of its own, and ends its line.
pub fn json(text: &str) {
    let mut out = std::io::stdout().lock();
    settle(writeln!(out, "{text}"));
}

/// Writes bytes as they are, and flushes.
pub fn bytes(data: &[u8]) {
    let mut out = std::io::stdout().lock();
    settle(out.write_all(data).and_then(|()| out.flush()));
}

fn settle(result: std::io::Result<()>) {
    match result {
        Ok(()) => {}
        Err(error) if crate::files::reader_has_gone(&error) => end(0),
        Err(error) => {
            complain!(
                "thumbreel: standard output: {}",
                crate::files::reason(&error)
            );
            end(1);
        }
    }
}

/// Where a chart goes, if one is asked for, apart from the files that the call
/// reads.
pub fn chart_to<'a>(
    path: Option<&PathBuf>,
    overwrite: bool,
    json: bool,
    reads: impl IntoIterator<Item = &'a PathBuf>,
) -> anyhow::Result<Option<Destination>> {
    let to = path.map(|path| {
        Destination::new(path, Kind::Chart)
            .overwrite(overwrite)
            .apart_from(reads)
    });
    to.map(|to| reserve(to, json)).transpose()
}

/// Makes a folder, and those above it, if it is missing.
pub fn folder(path: &std::path::Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(path).map_err(|error| {
        let why = match path.is_dir() || error.kind() != ErrorKind::AlreadyExists {
            true => crate::files::reason(&error),
            false => "a file has that name; name another folder".into(),
        };
        anyhow::anyhow!("cannot make the folder {}: {why}", path.display())
    })
}

/// Ends the program and leaves no file half-written.
fn end(code: i32) -> ! {
    crate::files::abandon();
    std::process::exit(code)
}
