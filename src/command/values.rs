//! Values as they are typed: sizes, rates, times, places.

use std::path::Path;

use crate::convert::SubtitleSource;
use crate::picture::Anchor;
use crate::source::{SoundChoice, SubtitleChoice};
use crate::units::{Nanos, Ratio};

/// A number of a unit, within its range.
pub(crate) fn within(
    low: f64,
    high: f64,
    unit: &'static str,
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("write a number from {low} to {high} {unit}")),
    }
}

/// A whole number within its range.
pub(crate) fn whole<T: TryFrom<u64>>(
    low: u64,
    high: u64,
) -> impl Fn(&str) -> Result<T, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value = text.parse::<u64>().ok();
        let value = value.filter(|v| (low..=high).contains(v));
        value
            .and_then(|v| T::try_from(v).ok())
            .ok_or_else(|| match high {
                u64::MAX => format!("write a whole number of {low} or more"),
                _ => format!("write a whole number from {low} to {high}"),
            })
    }
}

/// `0.0.0.0:8461`: an address and a port.
pub(crate) fn address(text: &str) -> Result<std::net::SocketAddr, String> {
    let read = text.parse().ok();
    read.ok_or_else(|| "write it as ADDRESS:PORT, for example 0.0.0.0:8461 or [::1]:8461".into())
}

/// `240x240`: width and height in pixels.
pub(crate) fn size(text: &str) -> Result<(u16, u16), String> {
    let parts = text.split_once(['x', 'X']);
    let parts = parts.and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
    parts.ok_or_else(|| "write it as WIDTHxHEIGHT in pixels, for example 240x240".into())
}

/// `25`, `12.5` or `30000/1001`: frames per second.
pub(crate) fn rate(text: &str) -> Result<Ratio, String> {
    let ratio = match text.split_once('/') {
        Some((num, den)) => Ratio::new(num.parse().unwrap_or(0), den.parse().unwrap_or(0)),
        None => decimal(text),
    };
    ratio.ok_or_else(|| {
        "write it as a number above 0, for example 12.5, or as a fraction, 30000/1001".into()
    })
}

/// A decimal number with at most three places, as an exact ratio.
fn decimal(text: &str) -> Option<Ratio> {
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    if part.len() > 3 || !part.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let scale = 10_u32.pow(part.len() as u32);
    let part: u32 = if part.is_empty() {
        0
    } else {
        part.parse().ok()?
    };
    let whole: u32 = whole.parse().ok()?;
    Ratio::new(whole.checked_mul(scale)?.checked_add(part)?, scale)
}

/// `90`, `1:30` or `0:01:30.5`: seconds, minutes and hours.
pub(crate) fn time(text: &str) -> Result<Nanos, String> {
    let mut total = 0.0;
    let parts: Vec<&str> = text.split(':').collect();
    for (i, part) in parts.iter().enumerate() {
        let value: f64 = part.parse().unwrap_or(-1.0);
        let whole = i + 1 == parts.len() || value.fract() == 0.0;
        let within = i == 0 || value < 60.0;
        if parts.len() > 3 || !(0.0..1e7).contains(&value) || !whole || !within {
            return Err("write it as seconds, 90 or 90.5, or as 1:30 or 1:02:03.5".into());
        }
        total = total * 60.0 + value;
    }
    Ok(Nanos((total * 1e9).round() as i64))
}

/// `90`: degrees, as clockwise quarter turns.
pub(crate) fn rotation(text: &str) -> Result<u8, String> {
    let turns = ["0", "90", "180", "270"].iter().position(|&d| d == text);
    turns
        .map(|n| n as u8)
        .ok_or_else(|| "write 0, 90, 180 or 270 degrees".into())
}

/// A side, a corner or a place: `left`, `top-right`, `0.5,0.2`.
pub(crate) fn anchor(text: &str) -> Result<Anchor, String> {
    let middle = Anchor::default();
    let named = match text {
        "middle" => middle,
        "left" => Anchor { x: 0.0, ..middle },
        "right" => Anchor { x: 1.0, ..middle },
        "top" => Anchor { y: 0.0, ..middle },
        "bottom" => Anchor { y: 1.0, ..middle },
        "top-left" => Anchor { x: 0.0, y: 0.0 },
        "top-right" => Anchor { x: 1.0, y: 0.0 },
        "bottom-left" => Anchor { x: 0.0, y: 1.0 },
        "bottom-right" => Anchor { x: 1.0, y: 1.0 },
        _ => return place(text),
    };
    Ok(named)
}

fn place(text: &str) -> Result<Anchor, String> {
    let parts = text.split_once(',');
    let parts = parts.and_then(|(x, y)| Some((x.parse().ok()?, y.parse().ok()?)));
    let inside = |(x, y): &(f32, f32)| (0.0..=1.0).contains(x) && (0.0..=1.0).contains(y);
    parts
        .filter(inside)
        .map(|(x, y)| Anchor { x, y })
        .ok_or_else(|| {
            "write middle, a side (left), a corner (top-left), or X,Y with both from 0 to 1".into()
        })
}

/// A sound track's number or language.
#[allow(clippy::unnecessary_wraps, reason = "the form that clap asks for")]
pub(crate) fn sound_track(text: &str) -> Result<SoundChoice, String> {
    Ok(match text.parse() {
        Ok(number) => SoundChoice::Number(number),
        Err(_) => SoundChoice::Language(text.into()),
    })
}

/// A file, or a subtitle track by number or language. What is neither a number
/// nor two or three letters is a file.
pub(crate) fn subtitles(text: &str) -> Result<SubtitleSource, String> {
    let letters = (2..=3).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphabetic());
    match text.parse() {
        _ if Path::new(text).is_file() => Ok(SubtitleSource::File(text.into())),
        Ok(0) => Err("write the number of a track, from 1".into()),
        Ok(number) => Ok(SubtitleSource::Track(SubtitleChoice::Number(number))),
        Err(_) if letters => {
            let language = text.to_lowercase();
            Ok(SubtitleSource::Track(SubtitleChoice::Language(language)))
        }
        Err(_) => Ok(SubtitleSource::File(text.into())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_they_are_written() {
        assert_eq!(size("240x135"), Ok((240, 135)));
        assert!(size("240").is_err() && size("x240").is_err() && size("-1x3").is_err());
        assert_eq!(rate("12.5"), Ok(Ratio { num: 25, den: 2 }));
        assert_eq!(
            rate("30000/1001"),
            Ok(Ratio {
                num: 30_000,
                den: 1001
            })
        );
        assert!(
            ["0", "1/0", "x", "1.23456", "-5", ""]
                .iter()
                .all(|t| rate(t).is_err())
        );
        assert_eq!(time("1:02:03.5"), Ok(Nanos(3_723_500_000_000)));
        assert_eq!(time("90.25"), Ok(Nanos(90_250_000_000)));
        assert!(
            ["-1", "1:60", "1.5:00", "", "1:2:3:4", "nan"]
                .iter()
                .all(|t| time(t).is_err())
        );
        assert_eq!(anchor("0.25,1"), Ok(Anchor { x: 0.25, y: 1.0 }));
        assert!(anchor("2,0").is_err() && anchor("centre-ish").is_err());
        assert_eq!((rotation("270"), rotation("0")), (Ok(3), Ok(0)));
        assert!(rotation("45").is_err() && rotation("1").is_err());
    }
}
