//! `thumbreel gain`: which amplifier gain and which volume, and what the sound
//! then draws from the supply.

mod current;
mod staging;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::bars::Bars;
use super::{Usage, values};
use crate::board::Board;
use crate::chart::Curve;
use current::Sounding;
use staging::Staging;

/// Default minutes of playback before temperatures are computed.
const MINUTES: f64 = 30.0;

/// Recommend the amplifier gain, and compute supply current and heat for a sound.
///
/// Without a file, assumes sound with the peak and loudness given. With a clip
/// or a reel, measures its sound and shows the supply current with and without
/// the speaker's high-pass.
#[derive(clap::Args)]
pub struct Args {
    /// Clip or reel to measure
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long, value_name = "BOARD")]
    board: String,
    /// Software volumes to show, dB
    #[arg(long, value_name = "DB,...", value_delimiter = ',', allow_negative_numbers = true,
        value_parser = values::within(-96.0, 0.0, "dB"), allow_negative_numbers = true, default_values_t = [0.0, -6.0, -12.0, -18.0, -24.0])]
    volume: Vec<f64>,
    /// Highest peak of the sound, dBFS
    #[arg(long, value_name = "DB", value_parser = values::within(-60.0, 0.0, "dBFS"), allow_negative_numbers = true, default_value_t = -1.0)]
    peak: f64,
    /// Integrated loudness of the sound, LUFS
    #[arg(long, value_name = "LUFS", value_parser = values::within(-60.0, 0.0, "LUFS"), allow_negative_numbers = true, default_value_t = -16.0)]
    loudness: f64,
    /// Listening distance, metres
    #[arg(long, value_name = "M", value_parser = values::within(0.01, 100.0, "metres"), allow_negative_numbers = true, default_value_t = 0.5)]
    distance: f64,
    /// Minutes of playback before the temperatures are computed
    #[arg(long, value_name = "MIN", value_parser = values::within(0.0, 10_000.0, "minutes"), allow_negative_numbers = true, default_value_t = MINUTES)]
    minutes: f64,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// An unknown board, values out of range, or a file that cannot be read.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = Board::find(&args.board).map_err(|e| Usage(e.to_string()))?;
    if let Some(file) = &args.file {
        super::nature::sounding(file)?;
    }
    let task = Bars::new(args.json).busy("measuring");
    let sound = match &args.file {
        Some(file) => current::levels(file, &board)?,
        None => staging::Levels {
            peak_dbfs: args.peak,
            loudness: args.loudness,
            measured: false,
        },
    };
    let staging = Staging::new(&board, &sound, &args.volume, args.distance)?;
    let sounding = match &args.file {
        Some(file) => Some(Sounding::new(file, &board, args.minutes)?),
        None => None,
    };
    task.close();
    if args.json {
        let told =
            serde_json::json!({"staging": staging.json(), "supply": sounding.map(|s| s.json())});
        super::out::json(&told.to_string());
        return Ok(ExitCode::SUCCESS);
    }
    staging.print();
    if let Some(sounding) = sounding {
        sounding.print();
    }
    staging::cautions(&board);
    Ok(ExitCode::SUCCESS)
}

/// What the sound of a reel draws on its board at the gain that is strapped, for
/// the report: words, and the current over time as it is and behind the
/// speaker's high-pass. None for a silent reel.
pub(super) fn drawn(
    reel: &Path,
    board: &Board,
) -> anyhow::Result<Option<(Vec<String>, [Curve; 2])>> {
    if !current::sounds(reel)? {
        return Ok(None);
    }
    let sounding = Sounding::new(reel, board, MINUTES)?;
    Ok(Some(sounding.findings()))
}
