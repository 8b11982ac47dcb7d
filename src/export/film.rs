//! Pictures and sound as an mp4 film that any player opens.

use std::io;

use ffmpeg_next::codec::{self, encoder};
use ffmpeg_next::format::{self, context::Output};
use ffmpeg_next::util::{channel_layout::ChannelLayout, color};
use ffmpeg_next::{Dictionary, Error, Packet, Rational, frame};

use super::unsigned::{name_track, without_messages, write_header};
use super::{Damages, ExportError, Look, Span, Step, Walk};
use crate::files::{Draft, OutputError};
use crate::picture::Image;
use crate::sound::resample::Resampler;
use crate::source::MediaError;

/// Constant rate factor of the H.264 encoder: near to the eye's limit.
const QUALITY: &str = "12";
/// Bits per second of the AAC encoder; one channel.
const SOUND_BITS: usize = 128_000;
/// Sampling frequencies of AAC (ISO/IEC 14496-3 table 1.18).
const SOUND_RATES: [u32; 12] = [
    96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8_000,
];

/// Writes the pictures and the sound of `span`.
///
/// # Errors
/// When there are no pictures, the media library lacks an encoder, or reading
/// or writing fails.
pub fn film(
    walk: &mut Walk,
    span: Span,
    look: Look,
    target: Draft,
) -> Result<Damages, ExportError> {
    let path = target.path().to_owned();
    let failed = |what: &'static str| {
        let path = path.clone();
        move |error| {
            let error = MediaError::from(error);
            match error.system() {
                Some(reason) => OutputError::io(&path, reason).into(),
                None => ExportError::Media(path.clone(), what, error),
            }
        }
    };
    if target.place().to_str().is_none() {
        let why = "the media library writes only to names that are Unicode; choose another folder";
        return Err(OutputError::io(&path, io::Error::other(why)).into());
    }
    let mut film = Film::new(walk, span, look, &target).map_err(failed("cannot start the film"))?;
    let damages = walk.run(span, |step| match step {
        Step::Picture(shown) if shown.coded.unchanged && film.shown_any => Ok(()),
        Step::Picture(shown) => {
            let image = look.image(shown.pixels);
            film.picture(&image, shown.tick)
                .map_err(failed("cannot encode a picture"))
        }
        Step::Sound(sound) => film
            .sound(&sound.samples)
            .map_err(failed("cannot encode sound")),
        Step::Slice { time, ticks, .. } => {
            film.end = (time + u64::from(ticks)).min(span.to);
            Ok(())
        }
    })?;
    if !film.shown_any {
        return Err(ExportError::Nothing(
            walk.path().to_owned(),
            "no pictures in that time",
        ));
    }
    film.finish().map_err(failed("cannot finish the film"))?;
    target.publish()?;
    Ok(damages)
}

struct Film {
    out: Output,
    video: Stream<encoder::video::Encoder>,
    audio: Option<Audio>,
    look: Look,
    from: u64,
    end: u64,
    last: Option<frame::Video>,
    shown_any: bool,
}

/// An open encoder and its stream in the file.
struct Stream<E> {
    encoder: E,
    index: usize,
    /// Time base of the encoder, and of the stream once the header is written.
    base: Rational,
    written: Rational,
}

struct Audio {
    stream: Stream<encoder::audio::Encoder>,
    resampler: Option<Resampler>,
    waiting: Vec<f32>,
    sent: i64,
}

impl Film {
    fn new(walk: &Walk, span: Span, look: Look, target: &Draft) -> Result<Self, Error> {
        // Once is enough, more does no harm.
        ffmpeg_next::init()?;
        // Encoder statistics are not printed.
        ffmpeg_next::log::set_level(ffmpeg_next::log::Level::Quiet);
        let header = walk.header();
        let mut out = format::output_as(target.place(), "mp4")?;
        let base = Rational(1, header.clock_rate as i32);
        let rate = Rational(header.rate.num as i32, header.rate.den as i32);
        let mut video = open_video(&mut out, look, base, rate)?;
        let mut audio = None;
        if walk.has_sound() {
            audio = Some(Audio::open(&mut out, header.clock_rate)?);
        }
        let mut tags = Dictionary::new();
        tags.set("title", header.title());
        out.set_metadata(tags);
        write_header(&mut out)?;
        let written = |index: usize| out.stream(index).map_or(base, |stream| stream.time_base());
        video.written = written(video.index);
        if let Some(audio) = &mut audio {
            audio.stream.written = written(audio.stream.index);
        }
        Ok(Self {
            out,
            video,
            audio,
            look,
            from: span.from.max(header.first_tick),
            end: 0,
            last: None,
            shown_any: false,
        })
    }

    fn picture(&mut self, image: &Image, tick: u64) -> Result<(), Error> {
        let mut frame = to_yuv(image, even(self.look.size()));
        frame.set_pts(Some((tick - self.from) as i64));
        self.video.encoder.send_frame(&frame)?;
        self.shown_any = true;
        self.last = Some(frame);
        self.video.drain_video(&mut self.out)
    }

    fn sound(&mut self, samples: &[i16]) -> Result<(), Error> {
        match &mut self.audio {
            Some(audio) => audio.push(samples, &mut self.out),
            None => Ok(()),
        }
    }

    fn finish(mut self) -> Result<(), Error> {
        // The last picture lasts to the end: it is sent again just before it.
        let end = self.end.saturating_sub(self.from) as i64 - 1;
        if let Some(mut frame) = self.last.take()
            && frame.pts().is_some_and(|at| at < end)
        {
            frame.set_pts(Some(end));
            self.video.encoder.send_frame(&frame)?;
        }
        self.video.encoder.send_eof()?;
        self.video.drain_video(&mut self.out)?;
        if let Some(audio) = self.audio {
            audio.finish(&mut self.out)?;
        }
        self.out.write_trailer()
    }
}

/// 4:2:0 needs even sides; an odd last row or column is doubled.
fn even((width, height): (u32, u32)) -> (u32, u32) {
    (width.next_multiple_of(2), height.next_multiple_of(2))
}

fn open_video(
    out: &mut Output,
    look: Look,
    base: Rational,
    rate: Rational,
) -> Result<Stream<encoder::video::Encoder>, Error> {
    // Where the library was built without an H.264 encoder, MPEG-4 part 2 serves.
    let codec = encoder::find(codec::Id::H264).or_else(|| encoder::find(codec::Id::MPEG4));
    let codec = codec.ok_or(Error::EncoderNotFound)?;
    let index = out.add_stream(codec)?.index();
    let mut settings = codec::Context::new_with_codec(codec).encoder().video()?;
    let (width, height) = even(look.size());
    settings.set_width(width);
    settings.set_height(height);
    settings.set_format(format::Pixel::YUV420P);
    settings.set_frame_rate(Some(rate));
    // MPEG-4 part 2 has no time base finer than 1/65535 s.
    let base = if codec.id() == codec::Id::MPEG4 {
        rate.invert()
    } else {
        base
    };
    settings.set_time_base(base);
    settings.set_colorspace(color::Space::BT709);
    settings.set_color_range(color::Range::MPEG);
    settings.set_color_primaries(color::Primaries::BT709);
    settings.set_color_transfer_characteristic(color::TransferCharacteristic::BT709);
    settings.set_bit_rate(20_000_000);
    settings.set_flags(codec::Flags::GLOBAL_HEADER | codec::Flags::BITEXACT);
    let mut options = Dictionary::new();
    options.set("crf", QUALITY);
    let encoder = settings.open_with(options)?;
    if let Some(mut stream) = out.stream_mut(index) {
        stream.set_parameters(&encoder);
        stream.set_time_base(base);
        name_track(&mut stream, "Pictures of the panel");
    }
    Ok(Stream {
        encoder,
        index,
        base,
        written: base,
    })
}

impl Stream<encoder::video::Encoder> {
    fn drain_video(&mut self, out: &mut Output) -> Result<(), Error> {
        let mut packet = Packet::empty();
        while self.encoder.receive_packet(&mut packet).is_ok() {
            self.write(&mut without_messages(packet), out)?;
            packet = Packet::empty();
        }
        Ok(())
    }
}

impl<E> Stream<E> {
    fn write(&self, packet: &mut Packet, out: &mut Output) -> Result<(), Error> {
        packet.set_stream(self.index);
        packet.rescale_ts(self.base, self.written);
        packet.write_interleaved(out)
    }
}

impl Audio {
    fn open(out: &mut Output, from: u32) -> Result<Self, Error> {
        // The next higher frequency that AAC knows.
        let above = SOUND_RATES.iter().rev().copied().find(|rate| *rate >= from);
        let rate = above.unwrap_or(SOUND_RATES[0]);
        let codec = encoder::find(codec::Id::AAC).ok_or(Error::EncoderNotFound)?;
        let index = out.add_stream(codec)?.index();
        let mut settings = codec::Context::new_with_codec(codec).encoder().audio()?;
        settings.set_rate(rate as i32);
        settings.set_channel_layout(ChannelLayout::MONO);
        settings.set_format(format::Sample::F32(format::sample::Type::Planar));
        settings.set_bit_rate(SOUND_BITS);
        let base = Rational(1, rate as i32);
        settings.set_time_base(base);
        settings.set_flags(codec::Flags::GLOBAL_HEADER | codec::Flags::BITEXACT);
        let encoder = settings.open()?;
        if let Some(mut stream) = out.stream_mut(index) {
            stream.set_parameters(&encoder);
            stream.set_time_base(base);
            name_track(&mut stream, "Sound of the reel");
        }
        let resampler = if rate == from {
            None
        } else {
            Resampler::new(from, rate).ok()
        };
        let stream = Stream {
            encoder,
            index,
            base,
            written: base,
        };
        Ok(Self {
            stream,
            resampler,
            waiting: Vec::new(),
            sent: 0,
        })
    }

    fn push(&mut self, samples: &[i16], out: &mut Output) -> Result<(), Error> {
        let samples = samples.iter().map(|&s| f32::from(s) / 32768.0);
        match &mut self.resampler {
            Some(resampler) => {
                let samples: Vec<f32> = samples.collect();
                resampler
                    .push(&samples, &mut self.waiting)
                    .map_err(|_| Error::InvalidData)?;
            }
            None => self.waiting.extend(samples),
        }
        self.encode(out, false)
    }

    /// Encodes whole frames; with `all` also the rest.
    fn encode(&mut self, out: &mut Output, all: bool) -> Result<(), Error> {
        let size = (self.stream.encoder.frame_size() as usize).max(1);
        while self.waiting.len() >= size || (all && !self.waiting.is_empty()) {
            let count = size.min(self.waiting.len());
            let layout = ChannelLayout::MONO;
            let kind = format::Sample::F32(format::sample::Type::Planar);
            let mut frame = frame::Audio::new(kind, count, layout);
            frame.set_rate(self.stream.base.denominator() as u32);
            frame.plane_mut::<f32>(0)[..count].copy_from_slice(&self.waiting[..count]);
            frame.set_pts(Some(self.sent));
            self.sent += count as i64;
            self.waiting.drain(..count);
            self.stream.encoder.send_frame(&frame)?;
            self.drain(out)?;
        }
        Ok(())
    }

    fn drain(&mut self, out: &mut Output) -> Result<(), Error> {
        let mut packet = Packet::empty();
        while self.stream.encoder.receive_packet(&mut packet).is_ok() {
            self.stream.write(&mut packet, out)?;
        }
        Ok(())
    }

    fn finish(mut self, out: &mut Output) -> Result<(), Error> {
        if let Some(resampler) = &mut self.resampler {
            resampler
                .finish(&mut self.waiting)
                .map_err(|_| Error::InvalidData)?;
        }
        self.encode(out, true)?;
        self.stream.encoder.send_eof()?;
        self.drain(out)
    }
}

/// 8-bit RGB as limited-range BT.709 (ITU-R BT.709-6 section 3) in 4:2:0, each
/// chroma sample the mean of its four pixels.
fn to_yuv(image: &Image, (width, height): (u32, u32)) -> frame::Video {
    let mut frame = frame::Video::new(format::Pixel::YUV420P, width, height);
    frame.set_color_space(color::Space::BT709);
    frame.set_color_range(color::Range::MPEG);
    let pixel = |x: u32, y: u32| {
        let at = image.pixel(x.min(image.width() - 1), y.min(image.height() - 1));
        at.map(|c| f64::from(c) / 255.0)
    };
    let luma = |[r, g, b]: [f64; 3]| 0.2126 * r + 0.7152 * g + 0.0722 * b;
    let stride = frame.stride(0);
    for y in 0..height {
        for x in 0..width {
            let at = y as usize * stride + x as usize;
            frame.data_mut(0)[at] = (16.0 + 219.0 * luma(pixel(x, y))).round() as u8;
        }
    }
    for y in 0..height / 2 {
        for x in 0..width / 2 {
            let four =
                [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(dx, dy)| pixel(2 * x + dx, 2 * y + dy));
            let mean = |c: usize| four.iter().map(|p| p[c]).sum::<f64>() / 4.0;
            let rgb = [mean(0), mean(1), mean(2)];
            let chroma = |c: f64, span: f64| (128.0 + 224.0 * (c - luma(rgb)) / span).round() as u8;
            let (cb, cr) = (chroma(rgb[2], 1.8556), chroma(rgb[0], 1.5748));
            for (plane, value) in [(1, cb), (2, cr)] {
                let at = y as usize * frame.stride(plane) + x as usize;
                frame.data_mut(plane)[at] = value;
            }
        }
    }
    frame
}
