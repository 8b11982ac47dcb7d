//! Standard output that ends quietly when its reader has gone
//! (`thumbreel inspect REEL | head`).

use std::io::{ErrorKind, Write};

/// `println!` for commands: a closed pipe ends the program with exit code 0,
/// as the reader has all it wanted.
macro_rules! say {
    ($($arg:tt)*) => { $crate::command::out::line(format_args!($($arg)*)) };
}
pub(crate) use say;

/// Writes one line; see [`say!`].
pub fn line(text: std::fmt::Arguments<'_>) {
    let mut out = std::io::stdout().lock();
    settle(out.write_fmt(text).and_then(|()| out.write_all(b"\n")));
}

/// Writes bytes as they are, and flushes.
pub fn bytes(data: &[u8]) {
    let mut out = std::io::stdout().lock();
    settle(out.write_all(data).and_then(|()| out.flush()));
}

fn settle(result: std::io::Result<()>) {
    match result {
        Ok(()) => {}
        Err(error) if error.kind() == ErrorKind::BrokenPipe => std::process::exit(0),
        Err(error) => {
            eprintln!("thumbreel: standard output: {error}");
            std::process::exit(1);
        }
    }
}

/// Refuses to write over a file that the same call reads, whatever links and
/// spellings lead to it.
pub fn apart<'a>(
    output: &std::path::Path,
    inputs: impl IntoIterator<Item = &'a std::path::Path>,
) -> Result<(), super::Usage> {
    use std::os::unix::fs::MetadataExt;
    let identity = |path: &std::path::Path| path.metadata().ok().map(|m| (m.dev(), m.ino()));
    let own = identity(output);
    match inputs
        .into_iter()
        .find(|input| own.is_some() && identity(input) == own)
    {
        None => Ok(()),
        Some(input) => Err(super::Usage(format!(
            "{} would be written over, but this call reads it as {}; name another file",
            output.display(),
            input.display()
        ))),
    }
}

/// Writes a whole new file: beside the target, synced, renamed, so that no half
/// file ever has the final name.
pub fn file(path: &std::path::Path, data: &[u8]) -> anyhow::Result<()> {
    use anyhow::Context;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = folder.unwrap_or_else(|| std::path::Path::new("."));
    let failed = || format!("{}: cannot be written", path.display());
    if path.symlink_metadata().is_ok() {
        anyhow::bail!(
            "{} exists; name another file, or remove it first",
            path.display()
        );
    }
    let mut beside = tempfile::Builder::new()
        .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666))
        .tempfile_in(folder)
        .with_context(failed)?;
    beside
        .write_all(data)
        .and_then(|()| beside.as_file().sync_all())
        .with_context(failed)?;
    beside.persist_noclobber(path).with_context(failed)?;
    Ok(())
}
