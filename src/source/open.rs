//! Opening a clip: streams are found, one of each kind is chosen, and what the
//! file states of itself is noted.

use ffmpeg_next as ffmpeg;

use std::fs::File;
use std::path::Path;

use ffmpeg::format::context::{Input, StreamIo};
use ffmpeg::format::stream::Disposition;
use ffmpeg::{codec, media};

use super::av_sys;
use super::error::SourceError;
use super::info::{ClipInfo, PictureInfo, SoundInfo, SubtitleInfo};
use super::options::{OpenOptions, SoundChoice};
use super::timeline::{SECOND, nanos};
use super::track::{PictureTrack, codec_name};
use super::types::{ColourTags, Interlace, QuarterTurns};
use crate::units::{Nanos, Ratio};

/// Opens the container. The file is read through our own handle, so that no
/// name is taken for a protocol or a pattern, and any bytes may be in a name.
pub(super) fn container(path: &Path) -> Result<Input, SourceError> {
    quiet_libraries();
    let file = File::open(path).map_err(|reason| SourceError::Open {
        path: path.into(),
        reason,
    })?;
    if path.is_dir() {
        return Err(SourceError::Folder(path.into()));
    }
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned());
    let input = StreamIo::from_read_seek(file)
        .and_then(|io| ffmpeg::format::input_from_stream(io, name.as_deref(), None))
        .map_err(|reason| SourceError::NotAClip {
            path: path.into(),
            reason: reason.into(),
        })?;
    // The library draws the letters of any text.
    match input.format().name() {
        "tty" => Err(SourceError::NoPictures(path.into())),
        _ => Ok(input),
    }
}

/// Keeps the libraries from writing to standard error: damage is counted and
/// reported by us. Opening a clip does this too.
pub fn quiet_libraries() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| {
        // Fills in the texts of the libraries' errors.
        let _ = ffmpeg::init();
        ffmpeg::log::set_level(ffmpeg::log::Level::Quiet);
    });
}

/// The stream number of the pictures.
pub(super) fn picture_stream(path: &Path, input: &Input) -> Result<usize, SourceError> {
    let best = input.streams().best(media::Type::Video);
    let moving = |s: &ffmpeg::Stream<'_>| !s.disposition().contains(Disposition::ATTACHED_PIC);
    if let Some(stream) = best.filter(moving) {
        return Ok(stream.index());
    }
    let mut others = input.streams().filter(|s| kind(s) == media::Type::Video);
    if let Some(stream) = others.find(moving) {
        return Ok(stream.index());
    }
    Err(
        match input.streams().any(|s| kind(&s) == media::Type::Audio) {
            true => SourceError::SoundOnly(path.into()),
            false => SourceError::NoPictures(path.into()),
        },
    )
}

fn kind(stream: &ffmpeg::Stream<'_>) -> media::Type {
    stream.parameters().medium()
}

fn language(stream: &ffmpeg::Stream<'_>) -> Option<String> {
    let tag = stream.metadata().get("language")?.to_owned();
    (tag != "und" && !tag.is_empty()).then_some(tag)
}

fn sound_tracks(input: &Input) -> Vec<SoundInfo> {
    let streams = input.streams().filter(|s| kind(s) == media::Type::Audio);
    let shaped = streams.map(|s| {
        let (rate, channels, mask) = av_sys::sound_shape(&s);
        SoundInfo {
            number: 0,
            rate,
            channels,
            mask,
            language: language(&s),
            codec: codec_name(s.parameters().id()),
            stream: s.index(),
        }
    });
    // A track that never sent a packet has no shape and cannot be heard.
    let mut tracks: Vec<_> = shaped.filter(|t| t.rate > 0 && t.channels > 0).collect();
    for (i, track) in tracks.iter_mut().enumerate() {
        track.number = i + 1;
    }
    tracks
}

fn subtitle_tracks(input: &Input) -> Vec<SubtitleInfo> {
    let pictures = [
        codec::Id::DVD_SUBTITLE,
        codec::Id::DVB_SUBTITLE,
        codec::Id::HDMV_PGS_SUBTITLE,
        codec::Id::XSUB,
    ];
    let streams = input.streams().filter(|s| kind(s) == media::Type::Subtitle);
    let tracks = streams.enumerate().map(|(i, s)| SubtitleInfo {
        number: i + 1,
        language: language(&s),
        codec: codec_name(s.parameters().id()),
        text: !pictures.contains(&s.parameters().id()),
    });
    tracks.collect()
}

/// The chosen sound track.
pub(super) fn choose_sound(
    path: &Path,
    input: &Input,
    tracks: &[SoundInfo],
    choice: &SoundChoice,
) -> Result<Option<SoundInfo>, SourceError> {
    let missing = |wanted: String| SourceError::NoSuchTrack {
        path: path.into(),
        wanted,
        has: describe(tracks),
    };
    match choice {
        SoundChoice::Silent => Ok(None),
        SoundChoice::Default => Ok(default_sound(input, tracks).cloned()),
        SoundChoice::Number(n) => match tracks.iter().find(|t| t.number == *n) {
            Some(track) => Ok(Some(track.clone())),
            None => Err(missing(n.to_string())),
        },
        SoundChoice::Language(tag) => {
            let speaks = |t: &&SoundInfo| t.language.as_deref().is_some_and(|l| same(l, tag));
            match tracks.iter().find(speaks) {
                Some(track) => Ok(Some(track.clone())),
                None => Err(missing(format!("in {tag:?}"))),
            }
        }
    }
}

fn default_sound<'a>(input: &Input, tracks: &'a [SoundInfo]) -> Option<&'a SoundInfo> {
    let marked = |t: &&SoundInfo| {
        let stream = input.stream(t.stream);
        stream.is_some_and(|s| s.disposition().contains(Disposition::DEFAULT))
    };
    let best = input.streams().best(media::Type::Audio).map(|s| s.index());
    let ranked = || tracks.iter().find(|t| Some(t.stream) == best);
    tracks
        .iter()
        .find(marked)
        .or_else(ranked)
        .or(tracks.first())
}

fn describe(tracks: &[SoundInfo]) -> String {
    if tracks.is_empty() {
        return "it has none".into();
    }
    let one = |t: &SoundInfo| match &t.language {
        Some(language) => format!("{} ({language})", t.number),
        None => t.number.to_string(),
    };
    let all: Vec<_> = tracks.iter().map(one).collect();
    format!("it has: {}", all.join(", "))
}

/// Whether two language tags mean the same: ISO 639-1 against either form of
/// ISO 639-2 for the languages most met with, anything else letter by letter.
pub(super) fn same(a: &str, b: &str) -> bool {
    const FORMS: [&[&str]; 24] = [
        &["ar", "ara"],
        &["cs", "cze", "ces"],
        &["da", "dan"],
        &["de", "ger", "deu"],
        &["el", "gre", "ell"],
        &["en", "eng"],
        &["es", "spa"],
        &["fi", "fin"],
        &["fr", "fre", "fra"],
        &["he", "heb"],
        &["hi", "hin"],
        &["hu", "hun"],
        &["it", "ita"],
        &["ja", "jpn"],
        &["ko", "kor"],
        &["nl", "dut", "nld"],
        &["no", "nor"],
        &["pl", "pol"],
        &["pt", "por"],
        &["ru", "rus"],
        &["sv", "swe"],
        &["tr", "tur"],
        &["uk", "ukr"],
        &["zh", "chi", "zho"],
    ];
    let (a, b) = (a.to_lowercase(), b.to_lowercase());
    let both = |forms: &&&[&str]| forms.contains(&a.as_str()) && forms.contains(&b.as_str());
    a == b || FORMS.iter().find(both).is_some()
}

/// Everything that is known before decoding.
pub(super) fn describe_clip(
    path: &Path,
    input: &Input,
    track: &PictureTrack,
    options: &OpenOptions,
) -> Result<ClipInfo, SourceError> {
    let sound_tracks = sound_tracks(input);
    let sound = choose_sound(path, input, &sound_tracks, &options.sound)?;
    let picture = picture_info(input, track);
    let origin = origin(input, track, &sound_tracks, picture.rate);
    Ok(ClipInfo {
        format: input.format().name().to_owned(),
        picture,
        sound,
        sound_tracks,
        subtitles: subtitle_tracks(input),
        duration: duration(input),
        origin: Nanos(origin),
        title: input.metadata().get("title").map(str::to_owned),
    })
}

fn duration(input: &Input) -> Option<Nanos> {
    // Microseconds; unknown is the least number that there is.
    let micros = input.duration();
    (micros > 0).then(|| Nanos(micros.saturating_mul(1000)))
}

/// The clip's beginning in nanoseconds of the file's clock: the earliest start
/// of pictures and sound, whichever track is chosen. Sound that starts less
/// than a picture earlier, as encoders' lead-in makes it, does not count: else
/// every picture would fall just behind its place in an even row.
fn origin(input: &Input, picture: &PictureTrack, sounds: &[SoundInfo], rate: Ratio) -> i64 {
    let start = |index: usize| {
        let stream = input.stream(index)?;
        let start = stream.start_time();
        (start != ffmpeg::ffi::AV_NOPTS_VALUE).then(|| nanos(start, stream.time_base()))
    };
    let sound = sounds.iter().filter_map(|s| start(s.stream)).min();
    let step = SECOND * i64::from(rate.den) / i64::from(rate.num);
    match (start(picture.stream), sound) {
        (Some(picture), Some(sound)) if (0..step).contains(&(picture - sound)) => picture,
        (picture, sound) => picture.into_iter().chain(sound).min().unwrap_or(0),
    }
}

fn picture_info(input: &Input, track: &PictureTrack) -> PictureInfo {
    let decoder = &track.decoder;
    let stream = input.stream(track.stream);
    let (width, height) = stream.as_ref().map_or((0, 0), av_sys::picture_size);
    let (rotation, mirrored) = stream.as_ref().and_then(stream_matrix).unwrap_or_default();
    let (rate, variable_rate) = stream.as_ref().map_or((RATE_UNKNOWN, false), rates);
    PictureInfo {
        width,
        height,
        sample_aspect: av_sys::sample_aspect(input, track.stream, None).unwrap_or(SQUARE),
        rotation,
        mirrored,
        rate,
        variable_rate,
        colour: ColourTags::of_decoder(decoder),
        bits: bits(decoder.format()),
        interlaced: stream.as_ref().map_or(Interlace::Progressive, field_order),
        codec: codec_name(decoder.id()),
    }
}

fn field_order(stream: &ffmpeg::Stream<'_>) -> Interlace {
    use ffmpeg::FieldOrder::{BB, BT, TB, TT};
    match av_sys::field_order(stream) {
        TT | TB => Interlace::TopFirst,
        BB | BT => Interlace::BottomFirst,
        _ => Interlace::Progressive,
    }
}

pub(super) const SQUARE: Ratio = Ratio { num: 1, den: 1 };
const RATE_UNKNOWN: Ratio = Ratio { num: 25, den: 1 };

/// Bits of a component of a pixel format, 8 where unknown.
fn bits(format: ffmpeg::format::Pixel) -> u8 {
    let deepest = av_sys::component_bits(format);
    deepest.clamp(8, 32) as u8
}

/// The rate to convert at by default, and whether it varies.
fn rates(stream: &ffmpeg::Stream<'_>) -> (Ratio, bool) {
    let least = ratio(stream.rate());
    let mean = ratio(stream.avg_frame_rate());
    match (least, mean) {
        (None, None) => (RATE_UNKNOWN, false),
        (Some(rate), None) | (None, Some(rate)) => (rate, false),
        (Some(least), Some(mean)) => {
            let (l, m) = (hertz(least), hertz(mean));
            if (l / m - 1.0).abs() < 0.003 {
                return (least, false);
            }
            // Field rates and one-off oddities show as a rate far above the mean.
            let keeps_all = l > m && l <= 60.0 && l < 1.9 * m;
            (if keeps_all { least } else { tidy(mean) }, true)
        }
    }
}

fn ratio(rate: ffmpeg::Rational) -> Option<Ratio> {
    let num = u32::try_from(rate.numerator()).ok()?;
    let den = u32::try_from(rate.denominator()).ok()?;
    Ratio::new(num, den).filter(|r| hertz(*r) <= 1000.0)
}

pub(super) fn hertz(rate: Ratio) -> f64 {
    f64::from(rate.num) / f64::from(rate.den)
}

/// A mean rate as a ratio that a person can read: a whole number, one of the
/// 1001 family, or hundredths.
fn tidy(mean: Ratio) -> Ratio {
    let value = hertz(mean);
    let whole = value.round().max(1.0);
    let near = |target: f64| (value / target - 1.0).abs() < 0.001;
    if near(whole) {
        return Ratio::new(whole as u32, 1).unwrap_or(mean);
    }
    if near(whole * 1000.0 / 1001.0) {
        return Ratio::new(whole as u32 * 1000, 1001).unwrap_or(mean);
    }
    Ratio::new((value * 100.0).round().max(1.0) as u32, 100).unwrap_or(mean)
}

fn stream_matrix(stream: &ffmpeg::Stream<'_>) -> Option<(QuarterTurns, bool)> {
    let kind = codec::packet::side_data::Type::DisplayMatrix;
    let matrix = stream.side_data().find(|s| s.kind() == kind)?;
    orientation(matrix.data())
}

/// Clockwise quarter turns, and whether left and right are swapped after them,
/// from a display matrix: nine 32-bit numbers, row by row, of which the upper
/// left 2x2 maps stored to shown coordinates (ISO/IEC 14496-12, track header).
pub(super) fn orientation(matrix: &[u8]) -> Option<(QuarterTurns, bool)> {
    let (numbers, _) = matrix.as_chunks::<4>();
    let at = |i: usize| numbers.get(i).map(|n| f64::from(i32::from_ne_bytes(*n)));
    let (a, b, c, d) = (at(0)?, at(1)?, at(3)?, at(4)?);
    let mirrored = a * d - b * c < 0.0;
    // A stored step to the right is shown as a step of (a, b), y downwards.
    // Undoing the mirror swaps its horizontal part.
    let (x, y) = if mirrored { (-a, b) } else { (a, b) };
    if x == 0.0 && y == 0.0 {
        return None;
    }
    let quarter = (y.atan2(x) / std::f64::consts::FRAC_PI_2).round() as i32;
    Some((QuarterTurns::clockwise(quarter), mirrored))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matrix(a: i32, b: i32, c: i32, d: i32) -> Vec<u8> {
        let one = 1 << 16;
        [a * one, b * one, 0, c * one, d * one, 0, 0, 0, 1 << 30]
            .iter()
            .flat_map(|n: &i32| n.to_ne_bytes())
            .collect()
    }

    #[test]
    fn display_matrices_turn_as_their_axes_say() {
        let turn = |a, b, c, d| {
            let (turns, mirrored) = orientation(&matrix(a, b, c, d)).unwrap();
            (turns.count(), mirrored)
        };
        assert_eq!(turn(1, 0, 0, 1), (0, false));
        assert_eq!(turn(0, 1, -1, 0), (1, false)); // right becomes down
        assert_eq!(turn(-1, 0, 0, -1), (2, false));
        assert_eq!(turn(0, -1, 1, 0), (3, false));
        assert_eq!(turn(-1, 0, 0, 1), (0, true)); // left and right swapped
        assert_eq!(turn(1, 0, 0, -1), (2, true)); // top and bottom swapped
        assert_eq!(orientation(&matrix(0, 0, 0, 0)), None);
    }

    #[test]
    fn languages_match_across_the_forms_of_iso_639() {
        assert!(same("ger", "de") && same("DEU", "ger") && same("gle", "GLE"));
        assert!(!same("eng", "de") && !same("est", "es"));
    }

    #[test]
    fn mean_rates_are_tidied() {
        let tidy = |num, den| tidy(Ratio::new(num, den).unwrap());
        assert_eq!(tidy(29_998, 1000), Ratio { num: 30, den: 1 });
        assert_eq!(
            tidy(23_976, 1000),
            Ratio {
                num: 24000,
                den: 1001
            }
        );
        assert_eq!(tidy(267_541, 10_000), Ratio { num: 107, den: 4 });
    }
}
