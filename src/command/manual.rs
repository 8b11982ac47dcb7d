//! `thumbreel manual`: man pages and shell completions, written from the same
//! table as the help texts.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap_complete::Shell;

/// Write the man pages and the shell completions
#[derive(clap::Args)]
pub struct Args {
    /// Folder for the man pages, one per command (created if missing)
    #[arg(required_unless_present = "completions")]
    folder: Option<PathBuf>,
    /// Print completions for this shell instead
    #[arg(long, value_name = "SHELL")]
    completions: Option<Shell>,
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
        write_pages(&folder)?;
        super::out::say!("man pages written to {}", folder.display());
    }
    Ok(ExitCode::SUCCESS)
}

fn write_pages(folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("{}: cannot make this folder", folder.display()))?;
    clap_mangen::generate_to(super::examples::command(), folder).with_context(|| {
        format!(
            "{}: cannot write the man pages; is the folder writable?",
            folder.display()
        )
    })
}
