//! `thumbreel manual`: man pages and shell completions, written from the same
//! table as the help texts.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Result;
use clap_complete::Shell;

use crate::files::{Destination, Kind, OutputError, publish_all};

/// Write the man pages and the shell completions
#[derive(clap::Args)]
pub struct Args {
    /// Folder for the man pages, one per command (created if missing)
    #[arg(required_unless_present_any = ["completions", "prefix"])]
    folder: Option<PathBuf>,
    /// Print completions for this shell instead
    #[arg(long, value_name = "SHELL")]
    completions: Option<Shell>,
    /// Write man pages and completions where systems look for them below this
    /// folder: share/man/man1 and the folders of bash, zsh and fish
    #[arg(long, value_name = "FOLDER")]
    prefix: Option<PathBuf>,
    /// Replace pages that exist
    #[arg(long)]
    overwrite: bool,
}

/// Writes what was asked for.
///
/// # Errors
/// The folder cannot be made or written.
pub fn run(args: Args) -> Result<ExitCode> {
    if let Some(shell) = args.completions {
        super::out::bytes(&completions(shell));
    }
    if let Some(folder) = args.folder {
        write(pages(&folder)?, args.overwrite)?;
        super::out::say!("man pages written to {}", folder.display());
    }
    if let Some(prefix) = args.prefix {
        let share = prefix.join("share");
        let mut files = pages(&share.join("man/man1"))?;
        // Where each shell's own package looks for those of other programs.
        files.extend([
            (
                share.join("bash-completion/completions/thumbreel"),
                completions(Shell::Bash),
            ),
            (
                share.join("zsh/site-functions/_thumbreel"),
                completions(Shell::Zsh),
            ),
            (
                share.join("fish/vendor_completions.d/thumbreel.fish"),
                completions(Shell::Fish),
            ),
        ]);
        write(files, args.overwrite)?;
        super::out::say!("man pages and completions written to {}", share.display());
    }
    Ok(ExitCode::SUCCESS)
}

fn completions(shell: Shell) -> Vec<u8> {
    let mut text = Vec::new();
    clap_complete::generate(
        shell,
        &mut super::examples::command(),
        "thumbreel",
        &mut text,
    );
    text
}

/// The man pages with their names in `folder`.
fn pages(folder: &Path) -> Result<Vec<(PathBuf, Vec<u8>)>> {
    let written = tempfile::tempdir().and_then(|made| {
        clap_mangen::generate_to(super::examples::command(), made.path())?;
        let pages = std::fs::read_dir(made.path())?.map(|page| {
            let page = page?;
            Ok((folder.join(page.file_name()), std::fs::read(page.path())?))
        });
        pages.collect::<std::io::Result<Vec<_>>>()
    });
    Ok(written.map_err(|error| OutputError::io(folder, error))?)
}

/// Writes all files or none, and the folders they are in.
fn write(files: Vec<(PathBuf, Vec<u8>)>, overwrite: bool) -> Result<()> {
    let mut drafts = Vec::new();
    for (name, text) in files {
        if let Some(folder) = name.parent() {
            super::out::folder(folder)?;
        }
        let to = Destination::new(name, Kind::Text).overwrite(overwrite);
        let mut draft = to.begin()?;
        draft.write_all(&text).map_err(draft.failed())?;
        drafts.push(draft);
    }
    Ok(publish_all(drafts)?)
}
