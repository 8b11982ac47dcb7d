//! Sizes and clocks of the firmware, as budget and rehearsal have them.

use serde::Serialize;

use crate::board::{Board, CardBus, Shape};
use crate::budget::{
    Budget, Link, MemoryPlan, PictureCoding, Place, ReelFacts, Settings, SoundCoding, Terms,
    Verdict,
};
use crate::reel::Header;
use crate::rehearsal::{Conditions, Judgement, Rehearsal, USUAL_RUNS};
use crate::units::{ByteOrder, Ratio};

/// How the main program is built.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Program {
    /// One loop on one core, without an operating system.
    OneLoop,
    /// Two tasks of an RTOS: one reads ahead, one plays.
    TwoTasks,
}

impl Program {
    /// Its name.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::OneLoop => "one loop",
            Self::TwoTasks => "two tasks",
        }
    }
}

/// A reel that was made.
#[derive(Clone, Debug)]
pub struct Made {
    /// Its name.
    pub name: String,
    /// What playing it costs.
    pub facts: ReelFacts,
    /// Its header.
    pub header: Header,
}

/// Why there is no firmware for a board or a reel.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FirmwareError {
    /// Nothing to read from.
    #[error(
        "the board `{0}` has no [card] section, and this firmware plays from a card; for another source write the eight functions that player.h describes"
    )]
    NoCard(String),
    /// Pixels of another kind.
    #[error(
        "the board `{board}` takes {bits} bits per pixel on its bus, and panel.c sends 16; set panel.bits_per_pixel to 16 if the panel can be set so, else write the functions that player.h describes"
    )]
    Pixels {
        /// The board's name.
        board: String,
        /// Bits per pixel on its bus.
        bits: u8,
    },
    /// A reel that needs a decoder of the board's own.
    #[error(
        "{0} is coded as jpeg, which play_card.c does not decode; convert the clip with --coding patch or raw"
    )]
    Jpeg(String),
    /// A reel for another panel.
    #[error(
        "{reel} was made for another panel than that of `{board}`: {what}; convert the clip for this board"
    )]
    OtherPanel {
        /// The reel's name.
        reel: String,
        /// The board's name.
        board: String,
        /// What differs.
        what: &'static str,
    },
    /// No memory is large enough.
    #[error(
        "{reel} does not go into the memory of `{board}`: {need} bytes of {place} memory are needed, and {has} are there; lower the quality, make the picture smaller, or give the board more memory"
    )]
    Memory {
        /// What was to be played.
        reel: String,
        /// The board's name.
        board: String,
        /// `internal` or `external`.
        place: &'static str,
        /// Bytes that are needed.
        need: u64,
        /// Bytes that the profile has.
        has: u64,
    },
}

/// The fastest clock that card.c allows, in Hz (SD default speed).
const FASTEST_CARD: u32 = 25_000_000;
/// The longest sound queue that is tried, in samples.
const LONGEST_QUEUE: u32 = 1 << 15;
/// Frame rates of typical pictures, the first that plays is taken.
const RATES: [u32; 6] = [24, 15, 12, 10, 8, 5];
/// Seconds of typical pictures that are rehearsed.
const TYPICAL_SECONDS: f64 = 10.0;

/// The configuration of a firmware.
#[derive(Clone, Debug)]
pub struct Configuration {
    /// The profile as it was given.
    pub(super) profile: Board,
    /// Reels by name; typical ones where none was given.
    pub(super) names: Vec<String>,
    /// Whether they are typical ones.
    pub(super) assumed: bool,
    /// One reel as large as the largest of them.
    pub(super) largest: ReelFacts,
    /// For one loop, and for two tasks.
    pub programs: [Sized; 2],
}

/// What differs between the two main programs.
#[derive(Clone, Debug)]
pub struct Sized {
    /// Which one it is.
    pub program: Program,
    /// The board as it is used by it.
    pub(super) board: Board,
    pub(super) plan: MemoryPlan,
    /// Pixels may lie where the DMA does not reach.
    pub(super) copies: bool,
    /// What budget and rehearsals say of each reel.
    pub verdicts: Vec<(String, Judgement)>,
}

impl Configuration {
    /// The configuration for `reels` on `board`; without any, for typical pictures in
    /// each coding that plays there.
    ///
    /// # Errors
    /// The firmware's files cannot serve the board, or a reel does not suit it.
    pub fn new(board: &Board, reels: &[Made]) -> Result<Self, FirmwareError> {
        let tasks = as_built(board, Program::TwoTasks)?;
        for reel in reels {
            suits(reel, board)?;
        }
        let named: Vec<(String, ReelFacts)> = match reels {
            [] => typical(&tasks),
            made => made
                .iter()
                .map(|m| (m.name.clone(), m.facts.clone()))
                .collect(),
        };
        let facts: Vec<&ReelFacts> = named.iter().map(|(_, facts)| facts).collect();
        let largest = largest(&facts);
        let names: Vec<String> = named.iter().map(|(name, _)| name.clone()).collect();
        has_room(&names.join(", "), &largest, &tasks)?;
        let sized = |program| Sized::new(board, program, &named, &largest, reels.is_empty());
        Ok(Self {
            programs: [sized(Program::OneLoop)?, sized(Program::TwoTasks)?],
            profile: board.clone(),
            names,
            assumed: reels.is_empty(),
            largest,
        })
    }

    /// The one that main.c is at first: the loop, unless only two tasks play.
    #[must_use]
    pub fn program(&self) -> Program {
        let [one_loop, tasks] = self.programs.each_ref().map(Sized::verdict);
        match one_loop == Verdict::DoesNotFit && tasks < one_loop {
            true => Program::TwoTasks,
            false => Program::OneLoop,
        }
    }

    /// Samples per second that the sound port starts at.
    pub(super) fn sound_rate(&self) -> u32 {
        match self.largest.sound {
            SoundCoding::None => self.profile.sound.sample_rate,
            _ => self.largest.clock_rate,
        }
    }
}

impl Sized {
    fn new(
        board: &Board,
        program: Program,
        named: &[(String, ReelFacts)],
        largest: &ReelFacts,
        assumed: bool,
    ) -> Result<Self, FirmwareError> {
        let mut built = as_built(board, program)?;
        let facts: Vec<&ReelFacts> = named.iter().map(|(_, facts)| facts).collect();
        choose_queue(&mut built, largest, &facts);
        let plan = MemoryPlan::new(largest, &built);
        let ring = if assumed {
            plan.room
        } else {
            plan.ring_buffer_bytes
        };
        built.player.ring_buffer_bytes = u32::try_from(ring).unwrap_or(u32::MAX);
        let outside = |place| place == Place::External;
        let any = |raw| {
            facts
                .iter()
                .any(|f| (f.coding == PictureCoding::Raw) == raw)
        };
        let copies = board.panel.dma
            && !board.memory.dma_from_external
            && (outside(plan.picture_place) && any(false) || outside(plan.ring_place) && any(true));
        let judge = |(name, facts): &(String, ReelFacts)| {
            let judged = Judgement::new(facts, &built, Link::Card, Terms::default(), USUAL_RUNS);
            judged.ok().map(|judged| (name.clone(), judged))
        };
        Ok(Self {
            program,
            plan,
            copies,
            verdicts: named.iter().filter_map(judge).collect(),
            board: built,
        })
    }

    /// How the program uses the board otherwise than its profile has it, for which
    /// `convert` and `budget` may judge the same reel otherwise.
    #[must_use]
    pub fn otherwise(&self, profile: &Board) -> Vec<String> {
        let (mut all, built) = (Vec::new(), &self.board);
        if built.cpu.cores != profile.cpu.cores {
            all.push("one core of two".to_owned());
        }
        if built.player.read_blocks && (!profile.player.read_blocks || profile.cpu.cores > 1) {
            all.push("play waits for each read".to_owned());
        }
        if !built.player.read_blocks && profile.player.read_blocks && profile.cpu.cores == 1 {
            all.push("play goes on during a read".to_owned());
        }
        if let (Some(built), Some(card)) = (&built.card, &profile.card)
            && (built.bus != card.bus || built.clock_hz != card.clock_hz)
        {
            all.push(format!(
                "the card in SPI mode at {} MHz",
                f64::from(built.clock_hz) / 1e6
            ));
        }
        if built.player.wait_tearing != profile.player.wait_tearing {
            all.push("no wait for the tearing signal".to_owned());
        }
        if built.sound.queue_samples != profile.sound.queue_samples {
            all.push(format!(
                "a sound queue of {} samples",
                built.sound.queue_samples
            ));
        }
        all
    }

    /// The worst of all reels.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let all = self.verdicts.iter().map(|(_, judged)| judged.verdict());
        all.max().unwrap_or(Verdict::DoesNotFit)
    }
}

/// The board as the files use it: the card in SPI mode, reads that wait, the cores that
/// the program has, no wait for the tearing signal, and play from the reel's own level on.
fn as_built(board: &Board, program: Program) -> Result<Board, FirmwareError> {
    let mut built = board.clone();
    let name = || board.name.clone();
    let Some(card) = built.card.as_mut() else {
        return Err(FirmwareError::NoCard(name()));
    };
    if board.panel.bits_per_pixel != 16 {
        return Err(FirmwareError::Pixels {
            board: name(),
            bits: board.panel.bits_per_pixel,
        });
    }
    if card.bus != CardBus::Spi {
        card.bus = CardBus::Spi;
        card.quantiles = Vec::new(); // measured on another bus
    }
    card.clock_hz = card.clock_hz.min(FASTEST_CARD);
    match program {
        Program::OneLoop => {
            built.cpu.cores = 1;
            built.player.read_blocks = true;
        }
        // The task that plays interrupts the one that reads.
        Program::TwoTasks => built.player.read_blocks = false,
    }
    built.player.wait_tearing = false;
    built.player.start_bytes = 0;
    Ok(built)
}

/// Whether a reel can be played by the files on this panel.
fn suits(reel: &Made, board: &Board) -> Result<(), FirmwareError> {
    let (header, panel) = (&reel.header, &board.panel);
    if reel.facts.coding == PictureCoding::Jpeg {
        return Err(FirmwareError::Jpeg(reel.name.clone()));
    }
    let past = |offset: u16, size: u16, panel_offset: u16, panel_size: u16| {
        u32::from(offset) + u32::from(size) > u32::from(panel_offset) + u32::from(panel_size)
            || offset < panel_offset
    };
    let low_first = panel.pixel_order == ByteOrder::LowFirst;
    let what = if past(header.x_offset, header.width, panel.x_offset, panel.width)
        || past(header.y_offset, header.height, panel.y_offset, panel.height)
    {
        "its pictures lie past the panel's edges"
    } else if header.wire.bgr != panel.bgr {
        "red and blue are the other way round"
    } else if header.wire.inverted != panel.inverted {
        "its colours are inverted, or those of the panel are"
    } else if (header.pixel_format == ByteOrder::LowFirst) != low_first {
        "the bytes of its pixels are in the other order"
    } else {
        return Ok(());
    };
    Err(FirmwareError::OtherPanel {
        reel: reel.name.clone(),
        board: board.name.clone(),
        what,
    })
}

/// Typical pictures that fill the panel, in each coding that plays on the board at the
/// highest frame rate at which one does; then of half the panel's sides, and of a quarter.
/// In *patch full*, which takes the fewest bytes, if none does.
fn typical(board: &Board) -> Vec<(String, ReelFacts)> {
    let codings = [
        PictureCoding::PatchFull,
        PictureCoding::PatchLight,
        PictureCoding::Raw,
    ];
    let plays = |(_, facts): &(String, ReelFacts)| {
        let budget = Budget::new(facts, board, Link::Card, Terms::default());
        budget.is_ok_and(|budget| budget.verdict < Verdict::DoesNotFit)
    };
    let ways = [1, 2, 4]
        .into_iter()
        .flat_map(|part| RATES.map(|rate| (part, rate)));
    let all = ways.map(|(part, rate)| {
        let facts = codings.map(|coding| typical_in(board, coding, part, rate));
        facts.into_iter().filter(plays).collect::<Vec<_>>()
    });
    let mut all = all.into_iter();
    all.find(|all| !all.is_empty())
        .unwrap_or_else(|| vec![typical_in(board, PictureCoding::PatchFull, 1, RATES[0])])
}

fn typical_in(board: &Board, coding: PictureCoding, part: u16, rate: u32) -> (String, ReelFacts) {
    let (width, height) = board.panel.upright_size();
    let (width, height) = ((width / part).max(16), (height / part).max(16));
    let mut settings = Settings::typical(width, height, Ratio { num: rate, den: 1 }, coding);
    settings.sound_rate = board.sound.sample_rate;
    settings.seconds = TYPICAL_SECONDS;
    if board.panel.shape == Shape::Ellipse {
        settings.visible = std::f64::consts::FRAC_PI_4;
    }
    let name = format!("typical {}, {width}x{height}, {rate} fps", coding.words());
    (name, settings.facts())
}

/// One reel that needs as much of everything as the one that needs most of it.
fn largest(all: &[&ReelFacts]) -> ReelFacts {
    let by = |of: fn(&ReelFacts) -> u64| all.iter().max_by_key(|facts| of(facts));
    let mut one =
        by(|f| f.largest_chunk.into()).map_or_else(|| ReelFacts::unmade(16, 16), |f| (*f).clone());
    if let Some(most) = by(|f| f.working_bytes.into()) {
        one.working_bytes = most.working_bytes;
        one.coding = most.coding;
    }
    if let Some(longest) = by(ReelFacts::slice_bytes) {
        one.slices.clone_from(&longest.slices);
    }
    one
}

fn has_room(reel: &str, largest: &ReelFacts, board: &Board) -> Result<(), FirmwareError> {
    let plan = MemoryPlan::new(largest, board);
    let memory = &board.memory;
    for (place, word, has) in [
        (Place::Internal, "internal", memory.internal_bytes),
        (Place::External, "external", memory.external_bytes),
    ] {
        let (need, has) = (plan.need(place), u64::from(has));
        if need > has {
            return Err(FirmwareError::Memory {
                reel: reel.into(),
                board: board.name.clone(),
                place: word,
                need,
                has,
            });
        }
    }
    Ok(())
}

/// The shortest sound queue of a power of two with which the longest stall of the
/// profile stops no sound wherever it falls; not shorter than the profile's. If none is
/// long enough, the one with which it is stopped least often.
fn choose_queue(board: &mut Board, largest: &ReelFacts, reels: &[&ReelFacts]) {
    let mut best: Option<(u64, u32)> = None;
    let mut queue = board.sound.queue_samples.next_power_of_two();
    let shortest = queue;
    while queue <= LONGEST_QUEUE.max(shortest) {
        board.sound.queue_samples = queue;
        if queue > shortest && has_room("", largest, board).is_err() {
            break;
        }
        let stopped = reels.iter().map(|reel| stops(reel, board, largest)).sum();
        if best.is_none_or(|(least, _)| stopped < least) {
            best = Some((stopped, queue));
        }
        if stopped == 0 {
            break;
        }
        queue *= 2;
    }
    board.sound.queue_samples = best.map_or(shortest, |(_, queue)| queue);
}

/// Plays in which a stall stops the sound.
fn stops(reel: &ReelFacts, board: &Board, largest: &ReelFacts) -> u64 {
    let conditions = Conditions {
        ring_buffer_bytes: Some(MemoryPlan::new(largest, board).room),
        ..Conditions::default()
    };
    let Ok(rehearsal) = Rehearsal::new(reel, board, Link::Card, &conditions) else {
        return u64::MAX / 64;
    };
    rehearsal
        .sweep()
        .map_or(0, |sweep| u64::from(sweep.tally.with_gaps))
}
