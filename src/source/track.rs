//! One decoder with what is needed to place its output in time.

use ffmpeg_next as ffmpeg;

use std::path::Path;

use ffmpeg::codec;
use ffmpeg::format::context::Input;

use super::av_sys;
use super::error::SourceError;
use super::options::OpenOptions;

/// The decoder of the picture track.
pub(super) struct PictureTrack {
    pub(super) stream: usize,
    pub(super) base: ffmpeg::Rational,
    pub(super) decoder: codec::decoder::Video,
    pub(super) start: Start,
    /// End of the latest picture, from the origin.
    pub(super) end: Option<i64>,
    pub(super) complete: bool,
}

/// The decoder of the sound track.
pub(super) struct SoundTrack {
    pub(super) stream: usize,
    pub(super) base: ffmpeg::Rational,
    pub(super) decoder: codec::decoder::Audio,
}

/// How a picture track begins. A clip cut inside a group of pictures begins
/// with pictures whose references are missing.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Start {
    /// No packet seen yet.
    Unknown,
    /// The first packet needs others: wait for a key picture, but not for ever,
    /// since streams with gradual refresh have none.
    Waiting(u32),
    /// Pictures are good.
    Running,
}

impl Start {
    /// Pictures after which to show what there is: ten seconds at 30 fps.
    const PATIENCE: u32 = 300;

    /// Learns from a packet's key flag.
    pub(super) fn packet(&mut self, key: bool) {
        if *self == Self::Unknown {
            *self = if key { Self::Running } else { Self::Waiting(0) };
        }
    }

    /// Whether a decoded picture may be shown.
    pub(super) fn shows(&mut self, key: bool) -> bool {
        match *self {
            Self::Waiting(n) if !key && n < Self::PATIENCE => {
                *self = Self::Waiting(n + 1);
                false
            }
            _ => {
                *self = Self::Running;
                true
            }
        }
    }
}

fn context(
    path: &Path,
    input: &Input,
    stream: usize,
    what: &'static str,
) -> Result<(codec::Context, ffmpeg::Rational), SourceError> {
    let stream = input
        .stream(stream)
        .ok_or_else(|| SourceError::NoPictures(path.into()))?;
    let base = stream.time_base();
    let codec = codec_name(stream.parameters().id());
    let context = codec::Context::from_parameters(stream.parameters());
    let context = context.map_err(|reason| no_decoder(path, what, codec, reason))?;
    Ok((context, base))
}

fn no_decoder(
    path: &Path,
    what: &'static str,
    codec: String,
    reason: ffmpeg::Error,
) -> SourceError {
    SourceError::NoDecoder {
        path: path.into(),
        what,
        codec,
        reason: reason.into(),
    }
}

impl PictureTrack {
    pub(super) fn open(
        path: &Path,
        input: &Input,
        stream: usize,
        options: &OpenOptions,
    ) -> Result<Self, SourceError> {
        let (mut context, base) = context(path, input, stream, "pictures")?;
        av_sys::set_threads(&mut context, options.threads());
        let codec = codec_name(context.id());
        let mut decoder = context.decoder();
        decoder.set_packet_time_base(base);
        let mut decoder = decoder
            .video()
            .map_err(|reason| no_decoder(path, "pictures", codec, reason))?;
        if options.shrunk {
            decoder.skip_loop_filter(ffmpeg::Discard::NonReference);
        }
        Ok(Self {
            stream,
            base,
            decoder,
            start: Start::Unknown,
            end: None,
            complete: false,
        })
    }
}

impl SoundTrack {
    pub(super) fn open(path: &Path, input: &Input, stream: usize) -> Result<Self, SourceError> {
        let (context, base) = context(path, input, stream, "sound")?;
        let codec = codec_name(context.id());
        let mut decoder = context.decoder();
        decoder.set_packet_time_base(base);
        let decoder = decoder
            .audio()
            .map_err(|reason| no_decoder(path, "sound", codec, reason))?;
        Ok(Self {
            stream,
            base,
            decoder,
        })
    }
}

/// A codec by the name of its standard; other codecs by the media library's
/// short name.
pub(super) fn codec_name(id: codec::Id) -> String {
    use codec::Id;
    let name = match id {
        Id::H264 => "H.264",
        Id::HEVC => "H.265",
        Id::MPEG1VIDEO => "MPEG-1",
        Id::MPEG2VIDEO => "MPEG-2",
        Id::MPEG4 => "MPEG-4 part 2",
        Id::MJPEG => "Motion JPEG",
        Id::VP8 => "VP8",
        Id::VP9 => "VP9",
        Id::AV1 => "AV1",
        Id::FFV1 => "FFV1",
        Id::THEORA => "Theora",
        Id::AAC => "AAC",
        Id::MP2 => "MPEG audio layer II",
        Id::MP3 => "MPEG audio layer III",
        Id::AC3 => "AC-3",
        Id::OPUS => "Opus",
        Id::VORBIS => "Vorbis",
        Id::FLAC => "FLAC",
        other if other.name().starts_with("pcm_") => "PCM",
        other => other.name(),
    };
    name.to_owned()
}
