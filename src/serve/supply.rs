//! What a reel does to the supply of the board that the server feeds.

use std::fs::File;
use std::io::BufReader;

use serde::Serialize;

use crate::board::Board;
use crate::budget::power::{HEAT_AND_SOUND, Power, PowerModel, cautions, changes, sentences};
use crate::budget::{Link, ReelFacts};
use crate::reel::{FileError, ReelFile};

/// A reel's supply on a board that plays it over Wi-Fi, for the page.
#[derive(Debug, Serialize)]
pub struct Supply {
    /// The board.
    pub board: String,
    /// The model's figures.
    pub power: Power,
    /// The same in words, as every command says them.
    pub sentences: Vec<String>,
    /// What can hurt there.
    pub cautions: Vec<String>,
}

impl Supply {
    /// Reads the reel in `file` from its start to its end.
    ///
    /// # Errors
    /// The file cannot be read or is no reel.
    pub fn of(file: File, board: &Board) -> Result<Self, FileError> {
        let reel = ReelFacts::of(ReelFile::new(BufReader::new(file))?)?;
        let power = PowerModel::new(&reel, board, Link::Wifi).power();
        let sentences = sentences(&power, &changes(&reel, board, Link::Wifi));
        let mut cautions = cautions(board);
        cautions.push(HEAT_AND_SOUND.into());
        Ok(Self {
            board: board.name.clone(),
            power,
            sentences,
            cautions,
        })
    }
}
