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
    #[arg(required_unless_present = "completions")]
    folder: Option<PathBuf>,
    /// Print completions for this shell instead
    #[arg(long, value_name = "SHELL")]
    completions: Option<Shell>,
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
        let mut text = Vec::new();
        clap_complete::generate(
            shell,
            &mut super::examples::command(),
            "thumbreel",
            &mut text,
        );
        super::out::bytes(&text);
    }
    if let Some(folder) = args.folder {
        write_pages(&folder, args.overwrite)?;
        super::out::say!("man pages written to {}", folder.display());
    }
    Ok(ExitCode::SUCCESS)
}

fn write_pages(folder: &Path, overwrite: bool) -> Result<()> {
    super::out::folder(folder)?;
    let written = tempfile::tempdir().and_then(|made| {
        clap_mangen::generate_to(super::examples::command(), made.path())?;
        let pages = std::fs::read_dir(made.path())?.map(|page| {
            let page = page?;
            Ok((page.file_name(), std::fs::read(page.path())?))
        });
        pages.collect::<std::io::Result<Vec<_>>>()
    });
    let pages = written.map_err(|error| OutputError::io(folder, error))?;
    let mut drafts = Vec::new();
    for (name, text) in pages {
        let to = Destination::new(folder.join(name), Kind::Text).overwrite(overwrite);
        let mut draft = to.begin()?;
        draft.write_all(&text).map_err(draft.failed())?;
        drafts.push(draft);
    }
    Ok(publish_all(drafts)?)
}
