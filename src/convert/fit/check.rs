//! What a way, a trial or a finished reel is held against.

use super::super::ConvertPlan;
use super::super::allowance::{Allowance, LARGEST_SLICE};
use super::super::encoder::picture_bucket;
use super::{Way, hertz};
use crate::board::Board;
use crate::budget::{Line, MEMORY_MARGIN, Part, PictureCoding, PictureFacts, ReelFacts};
use crate::coding::{Bucket, Limits};
use crate::sound;

/// Seconds of the link that a burst may take.
const BURST: f64 = 0.3;
/// Share of its fair size that a key picture must be able to have.
const KEY_SHARE: f64 = 0.75;

/// So many times the stalls of the profile: two that follow each other closely
/// are rare, and must be met in a few hundred rehearsals.
const STORMY: f64 = 4.0;

/// Lines that encoding can do something about; power is told, not fitted.
pub(super) fn is_ours(line: &Line) -> bool {
    !matches!(
        line.part,
        Part::Regulator | Part::Heat | Part::Source | Part::Space
    )
}

pub(super) fn short_of(line: &Line) -> String {
    let over = (line.ratio() - 1.0) * 100.0;
    if over > 0.0 {
        format!(
            "{} is short by {over:.0} %: {:.0} of {:.0} {}",
            line.part.name(),
            line.need,
            line.capacity,
            line.unit
        )
    } else {
        format!(
            "{} keeps only {:.0} %: {:.0} of {:.0} {}",
            line.part.name(),
            -over,
            line.need,
            line.capacity,
            line.unit
        )
    }
}

/// What holds the bytes per second down: the link itself, or the little that
/// the ring buffer keeps for a stall.
const fn link_words(allowed: &Allowance) -> &'static str {
    if allowed.by_ring {
        "the ring buffer that memory leaves for the worst stall"
    } else {
        "the link"
    }
}

/// A need that is not met, by how much.
pub(super) fn lacks(what: &str, need: f64, most: f64, unit: &str) -> String {
    if most < 1.0 {
        return format!("{what} allows nothing, {need:.0} {unit} are needed");
    }
    format!(
        "{what} is short by {:.0} %: {need:.0} {unit} are needed, {most:.0} allowed",
        (need / most - 1.0) * 100.0
    )
}

/// Whether whole raw pictures fit link and bus.
pub(super) fn raw_fits(plan: &ConvertPlan, way: &Way, allowed: &Allowance) -> Result<(), String> {
    let pixels = f64::from(plan.picture.width) * f64::from(plan.picture.height);
    let round = plan.picture.shape == crate::picture::Shape::Ellipse;
    let visible = if round {
        pixels * std::f64::consts::FRAC_PI_4
    } else {
        pixels
    };
    let sound = plan.sound.as_ref().map_or(0.0, |s| {
        sound::block_bytes(s.coding, s.rate as usize) as f64
    });
    let need = visible * 2.05 * hertz(way.rate) + sound + 4096.0;
    if need > allowed.link {
        return Err(lacks(link_words(allowed), need, allowed.link, "bytes/s"));
    }
    if !allowed.whole {
        return Err("the panel's bus cannot redraw all of it in one picture's time".into());
    }
    Ok(())
}

/// Whether the means of a trial fit with some room for its peaks, and its key
/// pictures, which look coarse for a while where they must be small.
pub(super) fn fair(
    facts: &ReelFacts,
    plan: &ConvertPlan,
    way: &Way,
    allowed: &Allowance,
) -> Result<(), String> {
    let count = facts.pictures.len().max(1) as f64;
    let mean = |f: &dyn Fn(&PictureFacts) -> u32| {
        facts.pictures.iter().map(|p| f64::from(f(p))).sum::<f64>() / count
    };
    // Fewer pictures differ more from each other.
    let step = hertz(way.rate) / facts.rate.max(0.1);
    let slower = (1.0 / step).max(1.0);
    let pictures = mean(&|p| p.bytes) * slower.sqrt() * hertz(way.rate);
    let fixed =
        (facts.slice_bytes() as f64 - mean(&|p| p.bytes) * count) / facts.seconds().max(0.1);
    let keys = facts.pictures.iter().filter(|p| p.key);
    let (keys, bytes) = keys.fold((0.0, 0.0), |(n, sum), p| {
        (n + 1.0, sum + f64::from(p.bytes))
    });
    let key = bytes / f64::max(keys, 1.0);
    let bucket = link_bucket(plan, way, allowed)?;
    let at_once = f64::from(bucket.depth) + f64::from(bucket.rate) / hertz(way.rate);
    let checks = [
        (
            link_words(allowed),
            pictures + fixed,
            allowed.link * 0.85,
            "bytes/s",
        ),
        (
            link_words(allowed),
            key * KEY_SHARE,
            at_once,
            "bytes a key picture",
        ),
        (
            "decoding",
            mean(&|p| p.instructions) * slower.powf(0.25),
            f64::from(allowed.instructions) * 0.85,
            "instructions per picture",
        ),
        (
            "the panel's bus",
            mean(&|p| p.pixels * 2) * slower.powf(0.25),
            f64::from(allowed.bus) * 0.95,
            "bytes per picture",
        ),
    ];
    for (what, need, most, unit) in checks {
        if need > most {
            return Err(lacks(what, need, most, unit));
        }
    }
    Ok(())
}

/// A limit of the board's, or the lower one that is asked for.
pub(super) fn bound(asked: Option<u32>, own: u32) -> u32 {
    asked.map_or(own, |asked| asked.min(own))
}

/// What pictures may take of the link at once and in the long run.
fn link_bucket(plan: &ConvertPlan, way: &Way, allowed: &Allowance) -> Result<Bucket, String> {
    let rate = bound(plan.coding.choice.peak_rate, allowed.link.min(4e9) as u32);
    let bucket = picture_bucket(plan, rate).map_err(|e| e.to_string())?;
    // Bytes in any second are at most the rate and the burst together.
    let steady = f64::from(bucket.rate) / (1.0 + BURST);
    // Where the ring buffer is small, a slice of one large picture must go into it
    // beside a read.
    let slice = f64::from(allowed.slice);
    let room = if allowed.slice < LARGEST_SLICE {
        (3.0 * slice - steady / hertz(way.rate)).max(slice)
    } else {
        f64::INFINITY
    };
    Ok(Bucket {
        rate: steady as u32,
        depth: (steady * BURST).min(room) as u32,
    })
}

/// Puts an allowance into a plan as hard limits.
pub(super) fn limit(plan: &mut ConvertPlan, way: &Way, allowed: &Allowance) -> Result<(), String> {
    let bucket = link_bucket(plan, way, allowed)?;
    plan.coding.choice.peak_rate = None;
    let coded = way.coding != PictureCoding::Raw;
    plan.coding.choice.limits = Limits {
        mean: plan.coding.choice.limits.mean,
        link: Some(bucket).filter(|_| coded),
        bus: Some(bound(plan.coding.choice.limits.bus, allowed.bus))
            .filter(|_| coded && !allowed.whole),
        instructions: Some(bound(
            plan.coding.choice.limits.instructions,
            allowed.instructions,
        ))
        .filter(|_| coded),
    };
    plan.slice_bytes = plan.slice_bytes.min(allowed.slice);
    plan.ride_out = allowed.ride_out;
    Ok(())
}

/// Boards with one limit less by the margin; memory, which is counted to the
/// byte, by what the budget keeps of it.
pub(super) fn tightened(board: &Board, margin: f64) -> Vec<(&'static str, Board)> {
    let keep = 1.0 - margin;
    let mut all = Vec::new();
    let mut with = |what, edit: &dyn Fn(&mut Board)| {
        let mut changed = board.clone();
        edit(&mut changed);
        all.push((what, changed));
    };
    let scaled = |hz: u32| (f64::from(hz) * keep) as u32;
    with("the link", &|b| {
        if let Some(card) = &mut b.card {
            card.clock_hz = scaled(card.clock_hz);
            card.access_us /= keep;
            card.block_us /= keep;
        }
        if let Some(wifi) = &mut b.wifi {
            wifi.usable_share *= keep;
            wifi.round_trip_ms /= keep;
        }
    });
    with("the panel's bus", &|b| {
        b.panel.clock_hz = scaled(b.panel.clock_hz)
    });
    with("the cores", &|b| b.cpu.clock_hz = scaled(b.cpu.clock_hz));
    let room = |bytes: u32| (f64::from(bytes) * (1.0 - margin.min(MEMORY_MARGIN))) as u32;
    with("memory", &|b| {
        b.memory.internal_bytes = room(b.memory.internal_bytes);
        b.memory.external_bytes = room(b.memory.external_bytes);
    });
    with("the calm of the link", &|b| {
        let stalls = [
            b.card.as_mut().map(|c| &mut c.stalls),
            b.wifi.as_mut().map(|w| &mut w.stalls),
        ];
        for stalls in stalls.into_iter().flatten() {
            stalls.worst_ms /= keep;
            stalls.per_minute *= STORMY;
            stalls.per_megabyte *= STORMY;
        }
    });
    all
}
