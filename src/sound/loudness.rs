//! Loudness by ITU-R BS.1770-4 and EBU R 128, through the library `ebur128`.

use ebur128::{Channel as Place, EbuR128, Mode};

use super::error::SoundError;
use super::layout::{Channel, Layout};

/// Loudness figures of a piece of sound; -infinity where there is only silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Integrated loudness, LUFS.
    pub integrated: f64,
    /// Loudest 3 s, LUFS.
    pub short_term: f64,
    /// Loudest 400 ms, LUFS.
    pub momentary: f64,
    /// Loudness range, LU (EBU Tech 3342).
    pub range: f64,
    /// True peak, dBTP, 4x oversampled below 96 kHz.
    pub true_peak: f64,
    /// Largest sample, dBFS.
    pub sample_peak: f64,
}

/// Measures loudness in pieces of any size; memory does not grow with length.
pub struct LoudnessMeter {
    meter: EbuR128,
    channels: usize,
    piece: usize,
    filled: usize,
    short_term: f64,
    momentary: f64,
}

impl LoudnessMeter {
    /// A meter for sound at `rate` Hz in this layout.
    ///
    /// # Errors
    /// When the library cannot do the rate or the number of channels.
    pub fn new(rate: u32, layout: &Layout) -> Result<Self, SoundError> {
        Self::with(
            rate,
            layout,
            Mode::I | Mode::LRA | Mode::TRUE_PEAK | Mode::HISTOGRAM,
        )
    }

    /// A meter of mono sound for [`LoudnessMeter::integrated`] alone; it costs less.
    ///
    /// # Errors
    /// When the library cannot do the rate.
    pub fn integrated_only(rate: u32) -> Result<Self, SoundError> {
        Self::with(rate, &Layout::mono(), Mode::I | Mode::HISTOGRAM)
    }

    /// A meter of mono sound without its true peak, which costs most.
    ///
    /// # Errors
    /// When the library cannot do the rate.
    pub(super) fn without_true_peak(rate: u32) -> Result<Self, SoundError> {
        Self::with(
            rate,
            &Layout::mono(),
            Mode::I | Mode::LRA | Mode::SAMPLE_PEAK | Mode::HISTOGRAM,
        )
    }

    fn with(rate: u32, layout: &Layout, mode: Mode) -> Result<Self, SoundError> {
        let channels = layout.count();
        let count = u32::try_from(channels).map_err(|_| SoundError::NoChannels)?;
        let mut meter = EbuR128::new(count, rate, mode)?;
        if channels > 1 {
            // Without channels at the sides, those behind are the surround pair.
            let sides = layout.channels().contains(&Channel::LeftSide);
            let places: Vec<Place> = layout.channels().iter().map(|&c| place(c, sides)).collect();
            meter.set_channel_map(&places)?;
        }
        Ok(Self {
            meter,
            channels,
            // The loudest window is looked for every 100 ms, as the gates are.
            piece: rate as usize / 10 * channels,
            filled: 0,
            short_term: f64::NEG_INFINITY,
            momentary: f64::NEG_INFINITY,
        })
    }

    /// Takes whole interleaved frames.
    ///
    /// # Errors
    /// When the library refuses them.
    pub fn push(&mut self, mut frames: &[f32]) -> Result<(), SoundError> {
        while !frames.is_empty() {
            let (now, later) = frames.split_at((self.piece - self.filled).min(frames.len()));
            self.meter.add_frames_f32(now)?;
            self.filled += now.len();
            frames = later;
            if self.filled == self.piece {
                self.filled = 0;
                self.note_windows()?;
            }
        }
        Ok(())
    }

    fn note_windows(&mut self) -> Result<(), SoundError> {
        if self.meter.mode().contains(Mode::LRA) {
            self.short_term = self.short_term.max(self.meter.loudness_shortterm()?);
            self.momentary = self.momentary.max(self.meter.loudness_momentary()?);
        }
        Ok(())
    }

    /// Integrated loudness so far, LUFS.
    ///
    /// # Errors
    /// When the library cannot give it.
    pub fn integrated(&self) -> Result<f64, SoundError> {
        Ok(self.meter.loudness_global()?)
    }

    /// The figures so far; not for a meter of integrated loudness only.
    ///
    /// # Errors
    /// When the library cannot give them.
    pub fn loudness(&self) -> Result<Loudness, SoundError> {
        let count = self.channels as u32;
        let most = |of: fn(&EbuR128, u32) -> Result<f64, ebur128::Error>| {
            (0..count).try_fold(0.0f64, |m, c| {
                Ok::<_, ebur128::Error>(m.max(of(&self.meter, c)?))
            })
        };
        Ok(Loudness {
            integrated: self.meter.loudness_global()?,
            short_term: self.short_term,
            momentary: self.momentary,
            range: self.meter.loudness_range()?,
            true_peak: match self.meter.mode().contains(Mode::TRUE_PEAK) {
                true => db(most(EbuR128::true_peak)?),
                false => f64::NAN,
            },
            sample_peak: db(most(EbuR128::sample_peak)?),
        })
    }
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// The place of a channel in BS.1770: surrounds at the sides count 1.41, those
/// behind 1, the LFE channel not at all.
const fn place(channel: Channel, sides: bool) -> Place {
    match channel {
        Channel::LeftBack if !sides => Place::LeftSurround,
        Channel::RightBack if !sides => Place::RightSurround,
        Channel::Left | Channel::LeftOfCentre | Channel::Unknown => Place::Left,
        Channel::Right | Channel::RightOfCentre => Place::Right,
        Channel::Centre => Place::Center,
        Channel::Lfe => Place::Unused,
        Channel::LeftSide => Place::LeftSurround,
        Channel::RightSide => Place::RightSurround,
        Channel::LeftBack => Place::Mp135,
        Channel::RightBack => Place::Mm135,
        Channel::CentreBack => Place::Mp180,
        Channel::LeftTop => Place::Up045,
        Channel::RightTop => Place::Um045,
        Channel::CentreTop => Place::Tp000,
    }
}
