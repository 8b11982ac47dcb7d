//! The command lines that compute and make what was asked for.

use crate::board::Board;
use crate::budget::{Asked, Budget, PictureCoding, SoundCoding, Terms};
use crate::units::Ratio;

/// The command that computes the same budget.
#[must_use]
pub fn budget_line(asked: &Asked, profile: &str, margin: f64) -> String {
    let mut words = vec!["thumbreel budget --board".to_owned(), quoted(profile)];
    words.extend(common(asked));
    words.push(format!("--coding {}", budget_coding(asked.coding)));
    if let Some(bits) = asked.bits_per_pixel {
        words.push(format!("--bits-per-pixel {bits}"));
    }
    words.push(format!("--sound {}", sound(asked.sound)));
    if let Some(rate) = asked
        .sound_rate
        .filter(|_| asked.sound != SoundCoding::None)
    {
        words.push(format!("--sound-rate {rate}"));
    }
    words.push(format!("--minutes {}", asked.minutes));
    if (margin - Terms::default().margin * 100.0).abs() > 1e-9 {
        words.push(format!("--margin {margin}"));
    }
    words.join(" ")
}

/// The command that makes the reel from a clip; `budgets` are those of its links.
#[must_use]
pub fn convert_line(asked: &Asked, profile: &str, budgets: &[Budget]) -> String {
    let mut words = vec![
        "thumbreel convert clip.mp4 --board".to_owned(),
        quoted(profile),
    ];
    words.extend(common(asked));
    let coding = match asked.coding {
        PictureCoding::Raw => "raw",
        PictureCoding::Jpeg => "jpeg",
        PictureCoding::PatchLight | PictureCoding::PatchFull => "patch",
    };
    words.push(format!("--coding {coding}"));
    // The bytes of the worst second are what the settings stand for.
    let need = budgets.iter().map(|b| b.lines[0].need).fold(0.0, f64::max);
    if asked.coding != PictureCoding::Raw && need > 0.0 {
        words.push(format!("--peak-rate {:.0}", need.ceil()));
    }
    if asked.sound == SoundCoding::None {
        words.push("--no-sound".into());
    } else {
        words.push(format!("--sound-coding {}", sound(asked.sound)));
        if let Some(rate) = asked.sound_rate {
            words.push(format!("--sound-rate {rate}"));
        }
    }
    words.push("-o clip.tbr".into());
    words.join(" ")
}

fn common(asked: &Asked) -> Vec<String> {
    let size = asked.size.map(|(w, h)| format!("--size {w}x{h}"));
    let rate = format!("--frame-rate {}", rate(asked.rate));
    size.into_iter().chain([rate]).collect()
}

/// A decimal number where that is exact, else a fraction.
fn rate(rate: Ratio) -> String {
    match 1000 % rate.den {
        0 => format!("{}", f64::from(rate.num) / f64::from(rate.den)),
        _ => format!("{}/{}", rate.num, rate.den),
    }
}

const fn budget_coding(coding: PictureCoding) -> &'static str {
    match coding {
        PictureCoding::Raw => "raw",
        PictureCoding::Jpeg => "jpeg",
        PictureCoding::PatchLight => "patch-light",
        PictureCoding::PatchFull => "patch",
    }
}

const fn sound(coding: SoundCoding) -> &'static str {
    match coding {
        SoundCoding::None => "none",
        SoundCoding::Pcm16 => "pcm16",
        SoundCoding::Pcm8 => "pcm8",
        SoundCoding::Adpcm => "adpcm",
    }
}

/// For a shell: in single quotes where a character may mean something else there.
fn quoted(name: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./+".contains(c);
    if !name.is_empty() && name.chars().all(plain) && !name.starts_with('-') {
        return name.to_owned();
    }
    let dash = if name.starts_with('-') { "./" } else { "" };
    format!("'{dash}{}'", name.replace('\'', r"'\''"))
}

/// The board's name for a profile that was changed to stand `metres` from the access point.
pub(super) fn moved_name(board: &Board, metres: f64) -> String {
    format!("{}-{metres:.0}-m", board.name)
}
