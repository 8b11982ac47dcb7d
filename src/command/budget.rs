//! `thumbreel budget`: will it play, by formula.

pub(super) mod page;

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;
use clap::ValueEnum;

use crate::answer::{Request, picture};
use crate::board::Board;
use crate::budget::{
    Asked, Budget, Clusters, Comparison, Link, PictureCoding, ReelFacts, SoundCoding, StallNeed,
    Tearing, Terms, Verdict, best_change, stall_need,
};
use crate::files::{Destination, Kind};
use crate::rehearsal::{Judgement, USUAL_RUNS};
use crate::units::Ratio;

use super::out::{chart_to, complain};
use super::{Usage, values};

/// Compute whether a reel plays on a board: load and capacity of link, bus, cores, memory, sound, card and power.
#[derive(clap::Args)]
pub struct Args {
    /// Reel to check; without one, the settings below are checked.
    reel: Option<PathBuf>,
    /// Built-in board, or a profile's path (see: thumbreel boards).
    #[arg(long, short)]
    board: String,
    /// Check one link only.
    #[arg(long)]
    link: Option<LinkArg>,
    /// Compare card and Wi-Fi on one page, and show where Wi-Fi is no longer fast enough.
    #[arg(long)]
    compare: bool,
    #[command(flatten)]
    settings: SettingsArgs,
    /// Share of each capacity to keep free, in percent.
    #[arg(long, default_value_t = 15.0, value_parser = values::within(0.0, 90.0, "percent"), allow_negative_numbers = true)]
    margin: f64,
    /// Length of the window for peak loads, in seconds.
    #[arg(long, default_value_t = 1.0, value_parser = positive)]
    window: f64,
    /// Longest stall that playback must survive, in milliseconds [default: the longest in the profile].
    #[arg(long, value_parser = positive)]
    stall: Option<f64>,
    /// Write a chart of load and capacity (SVG).
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
    /// Write the calculator with these settings: a page that opens without a server.
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
    /// Replace an existing chart or page.
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

/// Heading of the options that describe a reel that does not exist yet.
const WITHOUT: &str = "If you give no reel";

/// Settings without a reel.
#[derive(clap::Args)]
pub(super) struct SettingsArgs {
    /// Size in pixels [default: the board's panel].
    #[arg(long, help_heading = WITHOUT, value_name = "WxH", value_parser = values::size)]
    size: Option<(u16, u16)>,
    /// Frames per second.
    #[arg(long, help_heading = WITHOUT, alias = "fps", value_name = "FPS", default_value = "24", value_parser = values::rate)]
    frame_rate: Ratio,
    /// Picture coding.
    #[arg(long, help_heading = WITHOUT, default_value = "patch")]
    coding: CodingArg,
    /// Average bits per pixel [default: typical of the coding].
    #[arg(long, help_heading = WITHOUT, value_parser = positive)]
    bits_per_pixel: Option<f64>,
    /// Sample rate in Hz [default: the board's].
    #[arg(long, help_heading = WITHOUT, value_name = "HZ", value_parser = values::whole::<u32>(8000, 48000), allow_negative_numbers = true)]
    sound_rate: Option<u32>,
    /// Sound coding.
    #[arg(long, help_heading = WITHOUT, default_value = "adpcm")]
    sound: SoundArg,
    /// Length in minutes.
    #[arg(long, help_heading = WITHOUT, default_value_t = 1.0, value_parser = positive)]
    minutes: f64,
}

/// A link, as typed.
#[derive(Clone, Copy, ValueEnum)]
pub(super) enum LinkArg {
    /// The memory card.
    Card,
    /// The wireless link.
    Wifi,
}

impl LinkArg {
    pub(super) fn link(self) -> Link {
        match self {
            Self::Card => Link::Card,
            Self::Wifi => Link::Wifi,
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum CodingArg {
    Raw,
    Jpeg,
    PatchLight,
    #[value(alias = "patch-full")]
    Patch,
}

#[derive(Clone, Copy, ValueEnum)]
enum SoundArg {
    None,
    Pcm16,
    Pcm8,
    Adpcm,
}

pub(super) fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().unwrap_or(-1.0);
    (value > 0.0 && value <= 1e6)
        .then_some(value)
        .ok_or_else(|| "write a number above 0 and up to a million".into())
}

impl SettingsArgs {
    /// The reel that such settings would make on `board`.
    ///
    /// # Errors
    /// A size or rate that no panel has.
    pub(super) fn facts(&self, board: &Board) -> anyhow::Result<ReelFacts> {
        let asked = self.asked();
        asked.facts(board).map_err(|why| Usage(why).into())
    }

    fn asked(&self) -> Asked {
        Asked {
            size: self.size,
            rate: self.frame_rate,
            coding: match self.coding {
                CodingArg::Raw => PictureCoding::Raw,
                CodingArg::Jpeg => PictureCoding::Jpeg,
                CodingArg::PatchLight => PictureCoding::PatchLight,
                CodingArg::Patch => PictureCoding::PatchFull,
            },
            bits_per_pixel: self.bits_per_pixel,
            sound: match self.sound {
                SoundArg::None => SoundCoding::None,
                SoundArg::Pcm16 => SoundCoding::Pcm16,
                SoundArg::Pcm8 => SoundCoding::Pcm8,
                SoundArg::Adpcm => SoundCoding::Adpcm,
            },
            sound_rate: self.sound_rate,
            minutes: self.minutes,
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Board or reel cannot be used, or the picture cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = board(&args.board)?;
    let reel = facts(args.reel.as_deref(), &args.settings, &board)?;
    let profile = PathBuf::from(&args.board);
    let reads = args.reel.iter().chain([&profile]);
    let chart_to = chart_to(args.chart.as_ref(), args.overwrite, args.json, reads)?;
    let page_to = args.page.as_ref().map(|path| {
        Destination::new(path, Kind::Page)
            .overwrite(args.overwrite)
            .apart_from([&profile])
    });
    let page_to = page_to
        .map(|to| super::out::reserve(to, args.json))
        .transpose()?;
    let terms = Terms {
        margin: args.margin / 100.0,
        window: args.window,
    };
    let links = args
        .link
        .map_or_else(|| Link::of(&board), |link| vec![link.link()]);
    let judged = links
        .iter()
        .map(|link| Judgement::new(&reel, &board, *link, terms, USUAL_RUNS))
        .collect::<Result<Vec<_>, _>>()?;
    // The verdict that is told is the worse of formula and rehearsals.
    let told = |judged: &Judgement| Budget {
        verdict: judged.verdict(),
        ..judged.budget.clone()
    };
    let budgets: Vec<Budget> = judged.iter().map(told).collect();
    let lines: Vec<String> = judged.iter().map(Judgement::line).collect();
    let comparison = args
        .compare
        .then(|| Comparison::new(&reel, &board, terms))
        .transpose()?;
    if let Some(to) = chart_to {
        let best = budgets
            .iter()
            .min_by_key(|b| b.verdict)
            .context("the board has no link")?;
        to.write(picture(best).as_bytes())?;
    }
    if let Some(to) = page_to {
        let mut request = Request {
            margin: args.margin,
            ..Request::default()
        };
        request.on(&board);
        request.set(&args.settings.asked());
        to.write(crate::page::calculator(&request.to_json(), "").as_bytes())?;
    }
    if args.json {
        let changes = budgets
            .iter()
            .map(|b| best_change(&reel, &board, b.link, terms))
            .collect::<Result<Vec<_>, _>>()?;
        let stalls: Vec<StallNeed> = budgets
            .iter()
            .map(|b| stall_of(&reel, &board, b, args.stall))
            .collect();
        let clusters = budgets
            .iter()
            .find_map(|b| Clusters::new(&reel, &board, b.lines[0].need, b.link));
        let document = serde_json::json!({ "budgets": budgets, "changes": changes, "stalls": stalls, "comparison": comparison, "lines": lines, "tearing": Tearing::new(&reel, &board), "clusters": clusters, "supply_assumes": crate::budget::power::ASSUMED });
        super::out::json(&serde_json::to_string_pretty(&document)?);
    } else {
        let judged: Vec<(&Budget, &str)> = budgets
            .iter()
            .zip(lines.iter().map(String::as_str))
            .collect();
        page::print(&args, &reel, &board, terms, &judged, comparison.as_ref())?;
    }
    let verdict = budgets
        .iter()
        .map(|b| b.verdict)
        .min()
        .unwrap_or(Verdict::DoesNotFit);
    Ok(exit_code(verdict))
}

/// The board of a name or path; a wrong one is a usage error.
pub(super) fn board(name: &str) -> anyhow::Result<Board> {
    Board::find(name).map_err(|error| Usage(error.to_string()).into())
}

/// The reel's facts, or those of the settings.
pub(super) fn facts(
    reel: Option<&std::path::Path>,
    settings: &SettingsArgs,
    board: &Board,
) -> anyhow::Result<ReelFacts> {
    match reel {
        Some(path) => reel_facts(path),
        None => settings.facts(board),
    }
}

/// A reel's facts; damage is told.
pub(super) fn reel_facts(path: &std::path::Path) -> anyhow::Result<ReelFacts> {
    super::nature::reel(path)?;
    let facts = ReelFacts::read(path)?;
    if facts.damages > 0 {
        complain!(
            "thumbreel: note: {} is damaged, and these figures are of what is left; `thumbreel verify` says where",
            path.display()
        );
    }
    Ok(facts)
}

pub(super) fn exit_code(verdict: Verdict) -> ExitCode {
    ExitCode::from(match verdict {
        Verdict::Fits => 0,
        Verdict::Tight => 3,
        Verdict::DoesNotFit => 4,
    })
}

fn stall_of(reel: &ReelFacts, board: &Board, budget: &Budget, asked: Option<f64>) -> StallNeed {
    let stalls = match budget.link {
        Link::Card => board.card.as_ref().map(|c| &c.stalls),
        Link::Wifi => board.wifi.as_ref().map(|w| &w.stalls),
    };
    let worst = asked.or(stalls.map(|s| s.worst_ms)).unwrap_or(100.0);
    stall_need(reel, budget, worst)
}

/// Bytes with a decimal unit.
pub(super) fn bytes(value: f64) -> String {
    crate::budget::size(value as u64)
}
