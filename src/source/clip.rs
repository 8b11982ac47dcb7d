//! A clip being decoded.

use ffmpeg_next as ffmpeg;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use ffmpeg::codec::packet::Flags;
use ffmpeg::error::EAGAIN;
use ffmpeg::format::context::Input;
use ffmpeg::frame::side_data;

use super::error::SourceError;
use super::info::ClipInfo;
use super::open::{self, SQUARE};
use super::options::OpenOptions;
use super::timeline::{JumpBridge, SECOND, SoundRun, frames_to_nanos, nanos};
use super::track::{PictureTrack, SoundTrack};
use super::types::{ColourTags, Damage, Interlace, Item, SourcePicture, SourceSound};
use super::{av_sys, needed, rows, samples};
use crate::units::Nanos;

/// A clip, decoded item by item.
pub struct Clip {
    path: PathBuf,
    options: OpenOptions,
    pub(super) input: Input,
    info: ClipInfo,
    /// The wanted start, from the clip's beginning.
    pub(super) from: i64,
    picture: PictureTrack,
    sound: Option<SoundTrack>,
    run: SoundRun,
    bridge: JumpBridge,
    ready: VecDeque<Ready>,
    /// The picture on show at the wanted start, while a later one may replace it.
    held: Option<SourcePicture>,
    pictures: u64,
    /// One picture in how many is needed, if not all.
    one_in: Option<u32>,
    ended: bool,
    damage: Damage,
}

enum Ready {
    Picture(SourcePicture),
    Sound(SourceSound),
    Silence(Silence),
}

/// Silence not yet made into samples: a hole may be hours long.
struct Silence {
    frames: u64,
    channels: usize,
    mask: u64,
    rate: u32,
    time: i64,
}

impl Clip {
    /// Opens a clip and goes to the wanted start.
    ///
    /// # Errors
    /// The file cannot be opened, is not a clip, has no pictures or not the
    /// wanted sound track, or ends before the wanted start.
    pub fn open(path: &Path, options: &OpenOptions) -> Result<Self, SourceError> {
        let mut clip = Self::begin(open::container(path)?, path, options)?;
        clip.go_to_start()?;
        Ok(clip)
    }

    /// What is known of a clip.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn look(path: &Path, options: &OpenOptions) -> Result<ClipInfo, SourceError> {
        Ok(Self::begin(open::container(path)?, path, options)?.info)
    }

    fn begin(mut input: Input, path: &Path, options: &OpenOptions) -> Result<Self, SourceError> {
        let stream = open::picture_stream(path, &input)?;
        let mut picture = PictureTrack::open(path, &input, stream, options)?;
        let mut info = open::describe_clip(path, &input, &picture, options)?;
        let sound = match &info.sound {
            Some(chosen) => Some(SoundTrack::open(path, &input, chosen.stream)?),
            None => None,
        };
        if let Some(sound) = sound.as_ref().filter(|_| options.sound_only) {
            av_sys::keep_only(&mut input, sound.stream);
        }
        picture.complete = options.sound_only;
        let one_in = options
            .rate
            .and_then(|rate| needed::one_in(&info.picture, rate));
        let from = options.from.0.max(0);
        info.origin = Nanos(info.origin.0 + from);
        Ok(Self {
            path: path.into(),
            options: options.clone(),
            input,
            info,
            from,
            picture,
            sound,
            run: SoundRun::new(options.length),
            bridge: JumpBridge::default(),
            ready: VecDeque::new(),
            held: None,
            pictures: 0,
            one_in,
            ended: false,
            damage: Damage::default(),
        })
    }

    /// What is known of the clip.
    #[must_use]
    pub fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// What could not be decoded so far.
    #[must_use]
    pub fn damage(&self) -> Damage {
        let mut damage = self.damage;
        damage.time_jumps += self.bridge.jumps;
        damage
    }

    /// The next picture or block of sound; `None` at the end.
    ///
    /// # Errors
    /// Reading failed, or the end came before any picture.
    pub fn next_item(&mut self) -> Result<Option<Item>, SourceError> {
        loop {
            if let Some(item) = self.take_ready() {
                return Ok(Some(item));
            }
            if self.ended {
                return Ok(None);
            }
            self.step()?;
        }
    }

    fn take_ready(&mut self) -> Option<Item> {
        match self.ready.pop_front()? {
            Ready::Picture(picture) => Some(Item::Picture(picture)),
            Ready::Sound(sound) => Some(Item::Sound(sound)),
            Ready::Silence(mut silence) => {
                let sound = silence.take();
                if silence.frames > 0 {
                    self.ready.push_front(Ready::Silence(silence));
                }
                Some(Item::Sound(sound))
            }
        }
    }

    /// Reads and decodes one packet.
    fn step(&mut self) -> Result<(), SourceError> {
        if self.complete() {
            return self.end();
        }
        match self.read()? {
            Some(packet) => self.decode(packet),
            None => {
                self.drain();
                return self.end();
            }
        }
        Ok(())
    }

    fn complete(&self) -> bool {
        self.picture.complete && (self.sound.is_none() || self.run.complete())
    }

    fn end(&mut self) -> Result<(), SourceError> {
        if let Some(picture) = self.held.take() {
            let ended = picture.time.0 + picture.duration.0 <= 0;
            self.pictures += u64::from(!ended || self.run.started());
            self.ready.push_back(Ready::Picture(picture));
        }
        self.ended = true;
        match self.pictures {
            0 if self.options.sound_only => Ok(()),
            0 if self.from > 0 && self.damage.packets == 0 => Err(SourceError::StartBehindEnd {
                path: self.path.clone(),
                from: self.from as f64 / 1e9,
            }),
            0 => Err(SourceError::NothingDecoded {
                path: self.path.clone(),
                packets: self.damage.packets,
            }),
            _ => Ok(()),
        }
    }

    /// The next packet on the steady clock; `None` at the end.
    fn read(&mut self) -> Result<Option<ffmpeg::Packet>, SourceError> {
        /// Unreadable stretches in a row after which a file counts as ended.
        const PATIENCE: u32 = 1000;
        for _ in 0..PATIENCE {
            let mut packet = ffmpeg::Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) => {
                    if let Some(base) = self.base_of(packet.stream()) {
                        self.bridge.pass(&mut packet, base);
                    }
                    return Ok(Some(packet));
                }
                Err(ffmpeg::Error::Eof) => return Ok(None),
                Err(ffmpeg::Error::InvalidData) => self.damage.packets += 1,
                Err(reason) => {
                    return Err(SourceError::Read {
                        path: self.path.clone(),
                        reason: reason.into(),
                    });
                }
            }
        }
        Ok(None)
    }

    fn base_of(&self, stream: usize) -> Option<ffmpeg::Rational> {
        if stream == self.picture.stream {
            return Some(self.picture.base);
        }
        self.sound
            .as_ref()
            .filter(|s| s.stream == stream)
            .map(|s| s.base)
    }

    fn decode(&mut self, packet: ffmpeg::Packet) {
        if packet.stream() == self.picture.stream {
            self.decode_picture(&packet);
        } else if self
            .sound
            .as_ref()
            .is_some_and(|s| s.stream == packet.stream())
        {
            self.decode_sound(&packet);
        }
    }

    fn decode_picture(&mut self, packet: &ffmpeg::Packet) {
        if self.picture.complete {
            return;
        }
        self.damage.packets += u64::from(packet.is_corrupt());
        self.picture
            .start
            .packet(packet.flags().contains(Flags::KEY));
        self.skip_unneeded(packet);
        let sent = self.picture.decoder.send_packet(packet);
        self.take_pictures();
        // A full decoder takes the packet once its pictures are taken.
        let sent = match sent {
            Err(ffmpeg::Error::Other { errno: EAGAIN }) => self.picture.decoder.send_packet(packet),
            other => other,
        };
        self.damage.packets += u64::from(sent.is_err() && !packet.is_corrupt());
        self.take_pictures();
    }

    /// Tells the decoder whether it may leave out this packet's picture if no
    /// other is predicted from it.
    fn skip_unneeded(&mut self, packet: &ffmpeg::Packet) {
        let Some(one_in) = self.one_in else { return };
        let time = packet
            .pts()
            .map(|t| nanos(t, self.picture.base) - self.info.origin.0);
        let rate = self.info.picture.rate;
        let needed = time.is_none_or(|time| needed::is_needed(time, rate, one_in));
        self.picture.decoder.skip_frame(match needed {
            true => ffmpeg::Discard::Default,
            false => ffmpeg::Discard::NonReference,
        });
    }

    fn take_pictures(&mut self) {
        loop {
            let mut frame = ffmpeg::frame::Video::empty();
            match self.picture.decoder.receive_frame(&mut frame) {
                Ok(()) if av_sys::holds_picture(&frame) => self.accept_picture(frame),
                Ok(()) => {}
                Err(ffmpeg::Error::Other { errno: EAGAIN } | ffmpeg::Error::Eof) => return,
                Err(_) => {
                    self.damage.packets += 1;
                    return;
                }
            }
        }
    }

    fn accept_picture(&mut self, frame: ffmpeg::frame::Video) {
        if !self.picture.start.shows(frame.is_key()) {
            self.damage.pictures_undecodable += 1;
            return;
        }
        let concealed = frame.is_corrupt() || frame.has_decode_errors();
        self.damage.pictures_concealed += u64::from(concealed);
        let picture = self.describe(rows::forward(frame));
        let end = picture.time.0 + picture.duration.0;
        self.picture.end = Some(end);
        if self
            .options
            .length
            .is_some_and(|length| picture.time >= length)
        {
            self.picture.complete = true;
            return;
        }
        if picture.time.0 <= 0 {
            // Later pictures may still come before the wanted start.
            self.held = Some(picture);
            return;
        }
        if let Some(first) = self.held.take() {
            self.pictures += 1;
            self.ready.push_back(Ready::Picture(first));
        }
        self.pictures += 1;
        self.ready.push_back(Ready::Picture(picture));
    }

    fn describe(&self, frame: ffmpeg::frame::Video) -> SourcePicture {
        let base = self.picture.base;
        let origin = self.info.origin.0;
        let stated = nanos(frame.packet().duration.max(0), base);
        let rate = self.info.picture.rate;
        let usual = SECOND * i64::from(rate.den) / i64::from(rate.num);
        let duration = if stated > 0 { stated } else { usual };
        let stamp = frame.timestamp().map(|t| nanos(t, base) - origin);
        let next = self.picture.end;
        let time = match (stamp, next) {
            (Some(time), _) => time,
            (None, Some(end)) => end,
            (None, None) => -self.from,
        };
        let turned = frame.side_data(side_data::Type::DisplayMatrix);
        let turned = turned.and_then(|matrix| open::orientation(matrix.data()));
        let stored = (self.info.picture.rotation, self.info.picture.mirrored);
        let (rotation, mirrored) = turned.unwrap_or(stored);
        let aspect = av_sys::sample_aspect(&self.input, self.picture.stream, Some(&frame));
        SourcePicture {
            time: Nanos(time),
            duration: Nanos(duration),
            colour: ColourTags::of(&frame),
            rotation,
            mirrored,
            sample_aspect: aspect.unwrap_or(SQUARE),
            interlaced: Interlace::of(&frame),
            frame: frame.into(),
        }
    }

    fn decode_sound(&mut self, packet: &ffmpeg::Packet) {
        if self.run.complete() {
            return;
        }
        let Some(track) = &mut self.sound else { return };
        let sent = track.decoder.send_packet(packet);
        self.damage.packets += u64::from(packet.is_corrupt() || sent.is_err());
        self.take_sound();
    }

    fn take_sound(&mut self) {
        loop {
            let Some(track) = &mut self.sound else { return };
            let mut frame = ffmpeg::frame::Audio::empty();
            match track.decoder.receive_frame(&mut frame) {
                Ok(()) => {
                    let stamp = frame.timestamp().map(|t| nanos(t, track.base));
                    self.accept_sound(&frame, stamp);
                }
                Err(ffmpeg::Error::Other { errno: EAGAIN } | ffmpeg::Error::Eof) => return,
                Err(_) => {
                    self.damage.packets += 1;
                    return;
                }
            }
        }
    }

    fn accept_sound(&mut self, frame: &ffmpeg::frame::Audio, stamp: Option<i64>) {
        let (channels, mask) = av_sys::sound_layout(frame);
        let rate = frame.rate();
        if channels == 0 || rate == 0 {
            return;
        }
        let stamp = stamp.map(|t| t - self.info.origin.0);
        let place = self.run.place(frame.samples() as u64, rate, stamp);
        self.damage.time_jumps += u64::from(place.mends);
        if place.silence > 0 {
            self.ready.push_back(Ready::Silence(Silence {
                frames: place.silence,
                channels,
                mask,
                rate,
                time: place.time.0,
            }));
        }
        if place.keep > 0 {
            let mut samples = samples::interleaved(frame, channels);
            samples.drain(..place.skip as usize * channels);
            samples.truncate(place.keep as usize * channels);
            let after = frames_to_nanos(place.silence, rate);
            self.ready.push_back(Ready::Sound(SourceSound {
                samples,
                channels,
                mask,
                rate,
                time: Nanos(place.time.0 + after),
            }));
        }
    }

    /// Takes what the decoders still hold.
    fn drain(&mut self) {
        if !self.options.sound_only && self.picture.decoder.send_eof().is_ok() {
            self.take_pictures();
        }
        if let Some(track) = &mut self.sound
            && track.decoder.send_eof().is_ok()
        {
            self.take_sound();
        }
    }

    pub(super) fn is_sound_only(&self) -> bool {
        self.options.sound_only
    }

    /// The clip's beginning on the file's clock.
    pub(super) fn file_start(&self) -> i64 {
        self.info.origin.0 - self.from
    }

    /// Forgets all that was decoded, after a jump.
    pub(super) fn forget(&mut self) {
        self.picture.decoder.flush();
        self.picture.end = None;
        if let Some(sound) = &mut self.sound {
            sound.decoder.flush();
        }
        self.run = SoundRun::new(self.options.length);
        self.bridge = JumpBridge::default();
        self.ready.clear();
        self.held = None;
        self.pictures = 0;
        self.ended = false;
        self.damage = Damage::default();
    }

    /// Starts over without a jump.
    pub(super) fn reopen(&mut self) -> Result<(), SourceError> {
        let input = open::container(&self.path)?;
        *self = Self::begin(input, &self.path.clone(), &self.options.clone())?;
        Ok(())
    }

    /// Decodes until a picture is there or the end is reached.
    pub(super) fn fill_to_first_picture(&mut self) -> Result<(), SourceError> {
        while self.first_picture_time().is_none() && !self.ended {
            match self.step() {
                Err(SourceError::StartBehindEnd { .. } | SourceError::NothingDecoded { .. }) => {}
                other => other?,
            }
        }
        Ok(())
    }

    pub(super) fn first_picture_time(&self) -> Option<i64> {
        let ready = self.ready.iter().find_map(|item| match item {
            Ready::Picture(picture) => Some(picture.time.0),
            _ => None,
        });
        self.held.as_ref().map(|held| held.time.0).or(ready)
    }
}

impl Silence {
    /// Up to a second of it as samples.
    fn take(&mut self) -> SourceSound {
        let frames = self.frames.min(u64::from(self.rate));
        let time = self.time;
        self.frames -= frames;
        self.time += frames_to_nanos(frames, self.rate);
        SourceSound {
            samples: vec![0.0; frames as usize * self.channels],
            channels: self.channels,
            mask: self.mask,
            rate: self.rate,
            time: Nanos(time),
        }
    }
}
