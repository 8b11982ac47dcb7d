//! The promise: what is typed is understood or refused in words, with exit code
//! 0, 1 or 2; and a reel is there whole or not at all, whatever happens.

#[path = "../common/mod.rs"]
mod common;

mod alike;
mod anchors;
mod asking;
mod firmware;
mod installed;
mod manners;
mod mistakes;
mod refusals;
mod remarks;
mod terminal;
mod writing;

use std::path::Path;

use assert_cmd::Command;

/// The program in a folder.
pub fn thumbreel(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    command.current_dir(folder);
    command
}

pub fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// A small clip with sound.
pub fn clip(folder: &Path, name: &str, seconds: u32) {
    common::media::ffmpeg(
        folder,
        &format!(
            "-f lavfi -i testsrc2=s=96x64:r=10:d={seconds} -f lavfi -i sine=440:d={seconds} \
             -c:v mpeg4 -c:a aac {name}"
        ),
    );
}
