//! A question of the calculator's page and its answer, both as JSON.

use serde::{Deserialize, Serialize};

use crate::board::{Board, Wifi};
use crate::budget::{
    Asked, Budget, Comparison, Link, PictureCoding, ReelFacts, Settings, SoundCoding, Terms,
    Verdict, best_change, mcs_at, reach_m,
};
use crate::rehearsal::{Judgement, USUAL_RUNS};
use crate::units::Ratio;

use super::{axis_end, bars, budget_line, change, convert_line, highest, limit, lines};

/// What the page asks.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Request {
    /// A built-in board, or the file name of `profile`.
    pub board: String,
    /// Text of a board profile, if it is not a built-in one.
    pub profile: Option<String>,
    /// Metres from the access point; else as the profile says.
    pub distance: Option<f64>,
    /// Width and height; else the panel's.
    pub size: Option<(u16, u16)>,
    /// Frames per second, numerator and denominator.
    pub rate: (u32, u32),
    /// Picture coding.
    pub coding: PictureCoding,
    /// Mean bits per pixel; else typical.
    pub bits_per_pixel: Option<f64>,
    /// Sound coding.
    pub sound: SoundCoding,
    /// Sample rate in Hz; else the board's.
    pub sound_rate: Option<u32>,
    /// Length in minutes.
    pub minutes: f64,
    /// Share of each capacity to keep free, in percent.
    pub margin: f64,
    /// How much is computed.
    pub depth: Depth,
}

/// How much of an answer is computed; each takes longer than the one before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Depth {
    /// Load and capacity by formula: at once.
    #[default]
    Formula,
    /// Also what to change, and card beside Wi-Fi.
    Changes,
    /// Also played in simulated time.
    Rehearsals,
}

impl Default for Request {
    fn default() -> Self {
        Self {
            board: "lantern-room".into(),
            profile: None,
            distance: None,
            size: None,
            rate: (24, 1),
            coding: PictureCoding::PatchFull,
            bits_per_pixel: None,
            sound: SoundCoding::Adpcm,
            sound_rate: None,
            minutes: 1.0,
            margin: Terms::default().margin * 100.0,
            depth: Depth::Formula,
        }
    }
}

/// One link of the answer.
#[derive(Clone, Debug, Serialize)]
pub struct LinkAnswer {
    /// The link.
    pub link: Link,
    /// Its name.
    pub name: &'static str,
    /// The verdict; the worse of formula and rehearsals, if it was rehearsed.
    pub verdict: Verdict,
    /// The verdict's word.
    pub word: &'static str,
    /// Whether it plays, and because of what not.
    pub sentence: String,
    /// What limits it.
    pub limit: String,
    /// What to change, from [`Depth::Changes`] on.
    pub change: Option<String>,
    /// The highest rate and the largest picture.
    pub highest: Vec<String>,
    /// A bar a part, HTML.
    pub bars: String,
    /// Every figure.
    pub budget: Budget,
}

/// What the page shows.
#[derive(Clone, Debug, Serialize)]
pub struct Answer {
    /// The board's name.
    pub board: String,
    /// The board in a line.
    pub summary: String,
    /// Width and height of the pictures.
    pub size: (u16, u16),
    /// Bits per pixel that were taken.
    pub bits_per_pixel: f64,
    /// Sample rate that was taken.
    pub sound_rate: u32,
    /// Metres from the access point, with its MCS; none without Wi-Fi.
    pub distance: Option<(f64, u8)>,
    /// Size of the reel in bytes.
    pub bytes: u64,
    /// The links that the board has.
    pub links: Vec<LinkAnswer>,
    /// Card or Wi-Fi, where the board has both, from [`Depth::Changes`] on.
    pub advice: Option<String>,
    /// The command that computes this.
    pub budget_line: String,
    /// The command that makes this reel.
    pub convert_line: String,
    /// Name of the profile's file.
    pub profile_name: String,
    /// The profile, ready to save.
    pub profile: String,
    /// Whether the command lines need the profile saved.
    pub save_first: bool,
}

impl Request {
    /// Asks for `board`: by its name if it is a built-in one, else with its profile.
    pub fn on(&mut self, board: &Board) {
        let built_in = Board::named(&board.name).is_ok_and(|known| known == *board);
        self.board.clone_from(&board.name);
        self.profile = None;
        if !built_in {
            self.board = format!("{}.toml", board.name);
            self.profile = Some(board.to_toml());
        }
    }

    /// Takes over settings.
    pub fn set(&mut self, asked: &Asked) {
        self.size = asked.size;
        self.rate = (asked.rate.num, asked.rate.den);
        self.coding = asked.coding;
        self.bits_per_pixel = asked.bits_per_pixel;
        self.sound = asked.sound;
        self.sound_rate = asked.sound_rate;
        self.minutes = asked.minutes;
    }

    /// As the page reads it.
    #[must_use]
    pub fn to_json(&self) -> String {
        // It holds numbers and text alone, which cannot fail.
        serde_json::to_string(self).unwrap_or_default()
    }

    /// The board, moved to where it is to stand, and its profile's file name: none for
    /// a built-in board as it is.
    fn board(&self) -> Result<(Board, Option<String>), String> {
        let (mut board, mut file) = match &self.profile {
            None => (Board::named(&self.board).map_err(|e| e.to_string())?, None),
            Some(text) => {
                let board = Board::parse(text, &self.board).map_err(|e| e.to_string())?;
                (board, Some(self.board.clone()))
            }
        };
        if let (Some(metres), Some(wifi)) = (self.distance, &mut board.wifi) {
            place(wifi, metres)?;
            board.name = lines::moved_name(&board, metres);
            file = Some(format!("{}.toml", board.name));
        }
        Ok((board, file))
    }

    fn asked(&self) -> Result<Asked, String> {
        let rate = Ratio::new(self.rate.0, self.rate.1);
        let in_range = |value: f64, low: f64, high: f64| value > low && value <= high;
        if !in_range(self.minutes, 0.0, 1e6)
            || !self.bits_per_pixel.is_none_or(|b| in_range(b, 0.0, 1e6))
        {
            return Err("length and bits per pixel must be above 0".into());
        }
        if !(0.0..=90.0).contains(&self.margin) {
            return Err("the margin must be 0 to 90 percent".into());
        }
        Ok(Asked {
            size: self.size,
            rate: rate.ok_or("the rate must be 0.1 to 120 frames per second")?,
            coding: self.coding,
            // Raw pictures have as many bits as they have.
            bits_per_pixel: self
                .bits_per_pixel
                .filter(|_| self.coding != PictureCoding::Raw),
            sound: self.sound,
            sound_rate: self.sound_rate.filter(|_| self.sound != SoundCoding::None),
            minutes: self.minutes,
        })
    }
}

/// Puts a board `metres` away from the access point: the highest MCS that reaches it.
fn place(wifi: &mut Wifi, metres: f64) -> Result<(), String> {
    wifi.mcs = mcs_at(metres).ok_or_else(|| {
        format!(
            "Wi-Fi does not reach {metres:.0} m: its slowest rate, MCS 0, reaches about {:.0} m",
            reach_m(0)
        )
    })?;
    wifi.link_bps = 0;
    Ok(())
}

/// Answers a request in JSON, in JSON: `{"answer": ...}` or `{"error": "..."}`.
#[must_use]
pub fn answer_json(request: &[u8]) -> Vec<u8> {
    #[derive(Serialize)]
    #[serde(rename_all = "kebab-case")]
    enum Reply {
        Answer(Box<Answer>),
        Error(String),
    }
    let request = serde_json::from_slice::<Request>(request).map_err(|e| e.to_string());
    let reply = match request.and_then(|request| answer(&request)) {
        Ok(answer) => Reply::Answer(Box::new(answer)),
        Err(error) => Reply::Error(error),
    };
    // It holds numbers and text alone, which cannot fail.
    serde_json::to_vec(&reply).unwrap_or_default()
}

/// Answers a request.
///
/// # Errors
/// A sentence: the profile cannot be used, or a setting is out of its range.
pub fn answer(request: &Request) -> Result<Answer, String> {
    let (board, file) = request.board()?;
    let asked = request.asked()?;
    let reel = asked.facts(&board)?;
    let terms = Terms {
        margin: request.margin / 100.0,
        ..Terms::default()
    };
    let budgets = Link::of(&board)
        .into_iter()
        .map(|link| Budget::new(&reel, &board, link, terms))
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| e.to_string())?;
    let axis = axis_end(&budgets);
    let name = file.as_deref().unwrap_or(&board.name);
    let mut links = Vec::new();
    for budget in &budgets {
        links.push(link(request, &reel, &board, budget, terms, axis)?);
    }
    let compared = (request.depth >= Depth::Changes).then(|| Comparison::new(&reel, &board, terms));
    let advice = compared.and_then(Result::ok).map(|c| {
        let better = c.advice.name();
        format!("{better}: {}", c.reason)
    });
    let typical = Settings::typical(16, 16, asked.rate, asked.coding).bits_per_pixel;
    Ok(Answer {
        summary: board.summary(),
        size: (reel.width, reel.height),
        bits_per_pixel: asked.bits_per_pixel.unwrap_or(typical),
        sound_rate: reel.clock_rate,
        distance: board.wifi.as_ref().map(|wifi| {
            let metres = request
                .distance
                .unwrap_or_else(|| reach_m(wifi.mcs).floor());
            (metres, wifi.mcs)
        }),
        bytes: reel.total_bytes,
        links,
        advice,
        budget_line: budget_line(&asked, name, request.margin),
        convert_line: convert_line(&asked, name, &budgets),
        profile_name: file
            .clone()
            .unwrap_or_else(|| format!("{}.toml", board.name)),
        profile: match (&request.profile, request.distance) {
            (Some(text), None) => text.clone(),
            _ => board.to_toml(),
        },
        save_first: request.distance.is_some() && file.is_some(),
        board: board.name,
    })
}

fn link(
    request: &Request,
    reel: &ReelFacts,
    board: &Board,
    budget: &Budget,
    terms: Terms,
    axis: (f64, f64),
) -> Result<LinkAnswer, String> {
    let judged = match request.depth {
        Depth::Rehearsals => Judgement::new(reel, board, budget.link, terms, USUAL_RUNS)
            .map(|j| (j.verdict(), j.line()))
            .map_err(|e| e.to_string())?,
        _ => (budget.verdict, Judgement::by_formula(budget)),
    };
    let change = (request.depth >= Depth::Changes)
        .then(|| best_change(reel, board, budget.link, terms))
        .transpose()
        .map_err(|e| e.to_string())?
        .map(|best| change(budget, judged.0, best.as_ref()));
    Ok(LinkAnswer {
        link: budget.link,
        name: budget.link.name(),
        verdict: judged.0,
        word: judged.0.word(),
        sentence: judged.1,
        limit: limit(budget),
        change,
        highest: highest(budget, board),
        bars: bars(budget, axis),
        budget: budget.clone(),
    })
}
