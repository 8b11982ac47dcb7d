//! The film as an mp4 file.

use ffmpeg_next as ffmpeg;

use std::fs::File;
use std::path::{Path, PathBuf};

use ffmpeg::codec::{self, encoder};
use ffmpeg::format::context::{Output, StreamIo};
use ffmpeg::format::{self, Pixel, sample};
use ffmpeg::software::scaling;
use ffmpeg::{ChannelLayout, Dictionary, Packet, Rational, color, frame};

use super::scene::Scene;
use crate::export::unsigned::{name_track, without_messages, write_header};
use crate::source::MediaError;

use super::{HEIGHT, RATE, SOUND_RATE, WIDTH, play};

/// Why the film could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FilmError {
    /// The file cannot be made.
    #[error("cannot write {path}: {why}", path = .path.display(), why = crate::files::reason(.reason))]
    Write {
        /// The film.
        path: PathBuf,
        /// What the operating system says.
        reason: std::io::Error,
    },
    /// The media library was built without an encoder.
    #[error("the media library has no encoder for {0}; install its usual build")]
    NoEncoder(&'static str),
    /// The media library refused.
    #[error("encoding the film failed: {0}")]
    Encode(MediaError),
}

impl From<ffmpeg::Error> for FilmError {
    fn from(error: ffmpeg::Error) -> Self {
        Self::Encode(error.into())
    }
}

const MOVING: Rational = Rational(1, RATE as i32);
const SOUNDING: Rational = Rational(1, SOUND_RATE as i32);

/// Draws, plays and encodes the film into a file that is made or replaced.
/// Calls `told` with the number of each picture drawn.
///
/// # Errors
/// See [`FilmError`].
pub fn write_film(path: &Path, told: &dyn Fn(u32)) -> Result<(), FilmError> {
    crate::source::quiet_libraries();
    let file = File::create(path).map_err(|reason| FilmError::Write {
        path: path.into(),
        reason,
    })?;
    let io = StreamIo::from_write_seek(file)?;
    let mut out = format::output_to_stream(io, None, Some("mp4"))?;
    let pictures = picture_encoder(&mut out)?;
    let sounds = sound_encoder(&mut out)?;
    write_header(&mut out)?;
    Muxer::new(out, pictures, sounds)?.film(told)
}

fn picture_encoder(out: &mut Output) -> Result<encoder::Video, FilmError> {
    let codec = encoder::find_by_name("libx264").or_else(|| encoder::find(codec::Id::MPEG4));
    let codec = codec.ok_or(FilmError::NoEncoder("H.264 or MPEG-4 pictures"))?;
    let mut video = codec::Context::new_with_codec(codec).encoder().video()?;
    video.set_width(WIDTH as u32);
    video.set_height(HEIGHT as u32);
    video.set_format(Pixel::YUV420P);
    video.set_time_base(MOVING);
    video.set_frame_rate(Some(Rational(RATE as i32, 1)));
    video.set_gop(RATE * 2);
    // libswscale's usual matrix, said in the open.
    video.set_colorspace(color::Space::SMPTE170M);
    video.set_color_range(color::Range::MPEG);
    if out.format().flags().contains(format::Flags::GLOBAL_HEADER) {
        video.set_flags(codec::Flags::GLOBAL_HEADER | codec::Flags::BITEXACT);
    }
    let mut options = Dictionary::new();
    if codec.name() != "libx264" {
        video.set_bit_rate(2_500_000);
    } else {
        options.set("preset", "veryfast");
        options.set("crf", "18");
        options.set("threads", "1");
    }
    let video = video.open_as_with(codec, options)?;
    let mut stream = out.add_stream(codec)?;
    stream.set_parameters(&video);
    stream.set_time_base(MOVING);
    stream.set_avg_frame_rate(Rational(RATE as i32, 1));
    name_track(&mut stream, "Pictures of the harbour");
    Ok(video)
}

fn sound_encoder(out: &mut Output) -> Result<encoder::Audio, FilmError> {
    let codec = encoder::find(codec::Id::AAC).ok_or(FilmError::NoEncoder("AAC sound"))?;
    let mut audio = codec::Context::new_with_codec(codec).encoder().audio()?;
    audio.set_rate(SOUND_RATE as i32);
    audio.set_channel_layout(ChannelLayout::STEREO);
    audio.set_channels(2);
    audio.set_format(format::Sample::F32(sample::Type::Planar));
    audio.set_bit_rate(160_000);
    audio.set_time_base(SOUNDING);
    if out.format().flags().contains(format::Flags::GLOBAL_HEADER) {
        audio.set_flags(codec::Flags::GLOBAL_HEADER | codec::Flags::BITEXACT);
    }
    let audio = audio.open_as(codec)?;
    let mut stream = out.add_stream(codec)?;
    stream.set_parameters(&audio);
    stream.set_time_base(SOUNDING);
    name_track(&mut stream, "Sound of the harbour");
    Ok(audio)
}

struct Muxer {
    out: Output,
    pictures: encoder::Video,
    sounds: encoder::Audio,
    /// Time bases of both streams, which the header may have changed.
    bases: [Rational; 2],
    scaler: scaling::Context,
}

impl Muxer {
    fn new(
        out: Output,
        pictures: encoder::Video,
        sounds: encoder::Audio,
    ) -> Result<Self, FilmError> {
        let base = |i| out.stream(i).map_or(MOVING, |s| s.time_base());
        let (w, h) = (WIDTH as u32, HEIGHT as u32);
        let flags = scaling::Flags::BICUBIC | scaling::Flags::ACCURATE_RND;
        Ok(Self {
            bases: [base(0), base(1)],
            scaler: scaling::Context::get(Pixel::RGB24, w, h, Pixel::YUV420P, w, h, flags)?,
            out,
            pictures,
            sounds,
        })
    }

    fn film(mut self, told: &dyn Fn(u32)) -> Result<(), FilmError> {
        let scene = Scene::new();
        let tracks = play::sound();
        let block = (self.sounds.frame_size() as usize).max(256);
        let mut played = 0;
        for number in 0..Scene::pictures() {
            self.picture(&scene, number)?;
            told(number);
            let heard = (number + 1) as usize * SOUND_RATE as usize / RATE as usize;
            while played < heard.min(tracks[0].len()) {
                self.sound(&tracks, played, block)?;
                played += block;
            }
        }
        self.pictures.send_eof()?;
        self.packets(0)?;
        self.sounds.send_eof()?;
        self.packets(1)?;
        self.out.write_trailer()?;
        Ok(())
    }

    fn picture(&mut self, scene: &Scene, number: u32) -> Result<(), FilmError> {
        let rgb = scene.picture(number);
        let mut input = frame::Video::new(Pixel::RGB24, WIDTH as u32, HEIGHT as u32);
        let stride = input.stride(0);
        let rows = input.data_mut(0).chunks_mut(stride);
        for (to, from) in rows.zip(rgb.chunks(WIDTH * 3)) {
            to[..WIDTH * 3].copy_from_slice(from);
        }
        let mut coded = frame::Video::empty();
        self.scaler.run(&input, &mut coded)?;
        coded.set_pts(Some(number.into()));
        self.pictures.send_frame(&coded)?;
        self.packets(0)
    }

    fn sound(
        &mut self,
        tracks: &[Vec<f32>; 2],
        from: usize,
        block: usize,
    ) -> Result<(), FilmError> {
        let end = (from + block).min(tracks[0].len());
        let planar = format::Sample::F32(sample::Type::Planar);
        let mut coded = frame::Audio::new(planar, end - from, ChannelLayout::STEREO);
        coded.set_rate(SOUND_RATE);
        for (side, track) in tracks.iter().enumerate() {
            coded
                .plane_mut::<f32>(side)
                .copy_from_slice(&track[from..end]);
        }
        coded.set_pts(Some(from as i64));
        self.sounds.send_frame(&coded)?;
        self.packets(1)
    }

    /// Writes what an encoder has ready.
    fn packets(&mut self, stream: usize) -> Result<(), FilmError> {
        let mut packet = Packet::empty();
        loop {
            let (received, from) = match stream {
                0 => (self.pictures.receive_packet(&mut packet), MOVING),
                _ => (self.sounds.receive_packet(&mut packet), SOUNDING),
            };
            match received {
                Ok(()) => {}
                Err(ffmpeg::Error::Eof | ffmpeg::Error::Other { .. }) => return Ok(()),
                Err(error) => return Err(error.into()),
            }
            if stream == 0 {
                packet = without_messages(packet);
                if packet.duration() == 0 {
                    packet.set_duration(1);
                }
            }
            packet.set_stream(stream);
            packet.rescale_ts(from, self.bases[stream]);
            packet.write_interleaved(&mut self.out)?;
            packet = Packet::empty();
        }
    }
}
