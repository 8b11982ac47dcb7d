//! What a clip hands out: pictures, sound, and the plain facts beside them; the
//! stages need no more of the source than these.

use ffmpeg_next::codec::decoder;
use ffmpeg_next::frame::side_data;
use ffmpeg_next::{chroma, color, format, frame};

use crate::units::{Nanos, Ratio};

/// Luma coefficients and how colour differences are formed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Matrix {
    /// Components are already red, green, blue.
    Rgb,
    /// ITU-R BT.601 (525 and 625 lines alike).
    Bt601,
    /// ITU-R BT.709.
    Bt709,
    /// ITU-R BT.2020, non-constant luminance.
    Bt2020,
    /// FCC Title 47 (1953).
    Fcc,
    /// SMPTE ST 240.
    Smpte240,
    /// YCgCo, ITU-T H.273.
    YCgCo,
}

/// Transfer characteristic, as far as it changes what is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Transfer {
    /// Any display-referred curve of standard range: shown unchanged.
    Sdr,
    /// Linear light.
    Linear,
    /// Perceptual quantizer, ITU-R BT.2100.
    Pq,
    /// Hybrid log-gamma, ITU-R BT.2100.
    Hlg,
}

/// Colour primaries, as far as they differ visibly from the panel's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Primaries {
    /// ITU-R BT.709, and the near primaries of BT.601.
    Bt709,
    /// ITU-R BT.2020.
    Bt2020,
    /// P3 primaries with a D65 white (SMPTE EG 432-1).
    P3,
}

/// Which code values mean black and white.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Range {
    /// Luma 16..=235 in 8 bits.
    Limited,
    /// Luma 0..=255 in 8 bits.
    Full,
}

/// Where a subsampled chroma sample sits among its luma samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ChromaSite {
    /// On the left column, between two rows (MPEG-2, H.264 default).
    Left,
    /// In the middle of its luma samples (JPEG, MPEG-1).
    Center,
    /// On the upper left luma sample (BT.2020, BT.2100).
    TopLeft,
    /// On the upper row, between two columns.
    Top,
    /// On the lower left luma sample.
    BottomLeft,
    /// On the lower row, between two columns.
    Bottom,
}

/// What the stream says about its colours; `None` where it says nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ColourTags {
    /// Matrix coefficients.
    pub matrix: Option<Matrix>,
    /// Transfer characteristic.
    pub transfer: Option<Transfer>,
    /// Colour primaries.
    pub primaries: Option<Primaries>,
    /// Code range.
    pub range: Option<Range>,
    /// Chroma siting.
    pub chroma_site: Option<ChromaSite>,
    /// Luminance of the mastering display or of the brightest pixel, in nits
    /// (cd/m2), where the stream states it.
    pub peak_nits: Option<f32>,
}

impl ColourTags {
    /// The tags a decoded frame carries.
    #[must_use]
    pub(crate) fn of(frame: &frame::Video) -> Self {
        Self {
            matrix: matrix_of(frame.color_space()),
            transfer: transfer_of(frame.color_transfer_characteristic()),
            primaries: primaries_of(frame.color_primaries()),
            range: range_of(frame.format(), frame.color_range()),
            chroma_site: site_of(frame.chroma_location()),
            peak_nits: peak_of(frame),
        }
    }

    /// The tags of a decoder that has seen the stream's parameters only.
    pub(super) fn of_decoder(decoder: &decoder::Video) -> Self {
        Self {
            matrix: matrix_of(decoder.color_space()),
            transfer: transfer_of(decoder.color_transfer_characteristic()),
            primaries: primaries_of(decoder.color_primaries()),
            range: range_of(decoder.format(), decoder.color_range()),
            chroma_site: site_of(decoder.chroma_location()),
            peak_nits: None,
        }
    }
}

/// Brightest light by the content's own statement, or else the mastering display's.
fn peak_of(frame: &frame::Video) -> Option<f32> {
    let content = frame.side_data(side_data::Type::ContentLightLevel);
    let content = content.and_then(|d| number(d.data(), 0)).map(|n| n as f32);
    let display = || {
        // Four chromaticities of two ratios, least light, then most light.
        let data = frame.side_data(side_data::Type::MasteringDisplayMetadata)?;
        let (num, den) = (number(data.data(), 18)?, number(data.data(), 19)?);
        (den > 0).then(|| num as f32 / den as f32)
    };
    let stated = content.filter(|n| *n > 0.0).or_else(display);
    stated.filter(|n| *n > 0.0)
}

fn number(bytes: &[u8], index: usize) -> Option<i32> {
    let (numbers, _) = bytes.as_chunks::<4>();
    numbers.get(index).map(|n| i32::from_ne_bytes(*n))
}

fn matrix_of(space: color::Space) -> Option<Matrix> {
    use color::Space as S;
    match space {
        S::RGB => Some(Matrix::Rgb),
        S::BT709 => Some(Matrix::Bt709),
        S::BT470BG | S::SMPTE170M => Some(Matrix::Bt601),
        S::BT2020NCL | S::BT2020CL => Some(Matrix::Bt2020),
        S::FCC => Some(Matrix::Fcc),
        S::SMPTE240M => Some(Matrix::Smpte240),
        S::YCGCO => Some(Matrix::YCgCo),
        _ => None,
    }
}

fn transfer_of(curve: color::TransferCharacteristic) -> Option<Transfer> {
    use color::TransferCharacteristic as T;
    match curve {
        T::Unspecified | T::Reserved | T::Reserved0 => None,
        T::SMPTE2084 => Some(Transfer::Pq),
        T::ARIB_STD_B67 => Some(Transfer::Hlg),
        T::Linear => Some(Transfer::Linear),
        _ => Some(Transfer::Sdr),
    }
}

fn primaries_of(primaries: color::Primaries) -> Option<Primaries> {
    use color::Primaries as P;
    match primaries {
        P::Unspecified | P::Reserved | P::Reserved0 => None,
        P::BT2020 => Some(Primaries::Bt2020),
        P::SMPTE431 | P::SMPTE432 => Some(Primaries::P3),
        _ => Some(Primaries::Bt709),
    }
}

fn range_of(format: format::Pixel, stated: color::Range) -> Option<Range> {
    use format::Pixel as P;
    if matches!(
        format,
        P::YUVJ420P | P::YUVJ422P | P::YUVJ444P | P::YUVJ440P | P::YUVJ411P
    ) {
        return Some(Range::Full);
    }
    match stated {
        color::Range::MPEG => Some(Range::Limited),
        color::Range::JPEG => Some(Range::Full),
        color::Range::Unspecified => None,
    }
}

fn site_of(location: chroma::Location) -> Option<ChromaSite> {
    use chroma::Location as L;
    match location {
        L::Unspecified => None,
        L::Left => Some(ChromaSite::Left),
        L::Center => Some(ChromaSite::Center),
        L::TopLeft => Some(ChromaSite::TopLeft),
        L::Top => Some(ChromaSite::Top),
        L::BottomLeft => Some(ChromaSite::BottomLeft),
        L::Bottom => Some(ChromaSite::Bottom),
    }
}

/// Clockwise quarter turns, 0..=3.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct QuarterTurns(u8);

impl QuarterTurns {
    /// `turns` clockwise quarter turns, of which whole turns are dropped.
    #[must_use]
    pub const fn clockwise(turns: i32) -> Self {
        Self(turns.rem_euclid(4) as u8)
    }

    /// The number of turns, 0..=3.
    #[must_use]
    pub const fn count(self) -> u8 {
        self.0
    }

    /// True if width and height change places.
    #[must_use]
    pub const fn swaps(self) -> bool {
        self.0 % 2 == 1
    }
}

/// How a picture's rows were captured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Interlace {
    /// All rows at one instant.
    #[default]
    Progressive,
    /// Two fields; the even rows (0, 2, ...) came first.
    TopFirst,
    /// Two fields; the odd rows came first.
    BottomFirst,
}

impl Interlace {
    /// What the decoded frame says.
    #[must_use]
    pub(crate) fn of(frame: &frame::Video) -> Self {
        match (frame.is_interlaced(), frame.is_top_first()) {
            (false, _) => Self::Progressive,
            (true, true) => Self::TopFirst,
            (true, false) => Self::BottomFirst,
        }
    }
}

/// The next thing that a clip holds.
pub enum Item {
    /// A decoded picture.
    Picture(SourcePicture),
    /// A block of sound that follows the one before without a gap.
    Sound(SourceSound),
}

/// The planes of a decoded picture, as the media library holds them.
///
/// That library's own type is behind it and is not part of this crate's
/// interface: what is hidden here may change with any version.
pub struct Frame(frame::Video);

impl Frame {
    /// Pixels across and down.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        (self.0.width(), self.0.height())
    }

    /// Planes of samples, one for packed formats.
    #[must_use]
    pub fn planes(&self) -> usize {
        self.0.planes()
    }

    /// The bytes of a plane and how many of them a row takes, padding
    /// included; none where there is no such plane.
    #[must_use]
    pub fn plane(&self, number: usize) -> Option<(&[u8], usize)> {
        (number < self.0.planes()).then(|| (self.0.data(number), self.0.stride(number)))
    }
}

#[doc(hidden)]
impl From<frame::Video> for Frame {
    fn from(frame: frame::Video) -> Self {
        Self(frame)
    }
}

#[doc(hidden)]
impl std::ops::Deref for Frame {
    type Target = frame::Video;

    fn deref(&self) -> &frame::Video {
        &self.0
    }
}

#[doc(hidden)]
impl std::ops::DerefMut for Frame {
    fn deref_mut(&mut self) -> &mut frame::Video {
        &mut self.0
    }
}

/// One decoded picture with everything needed to show it.
///
/// The frame's buffers are reference counted by the decoder: moving the picture
/// to another thread copies nothing. Rows never run backwards in memory.
pub struct SourcePicture {
    /// The decoder's frame.
    pub frame: Frame,
    /// When it is to be shown, from the wanted start. The first may be
    /// negative: it is on show when the wanted start falls between two.
    pub time: Nanos,
    /// How long it is to be shown, as the file states it or else by the rate.
    pub duration: Nanos,
    /// Its colour tags.
    pub colour: ColourTags,
    /// Turns needed to bring it upright.
    pub rotation: QuarterTurns,
    /// Whether left and right are to be swapped after turning it upright.
    pub mirrored: bool,
    /// Width to height of one sample.
    pub sample_aspect: Ratio,
    /// Progressive or fields.
    pub interlaced: Interlace,
}

/// A block of sound.
pub struct SourceSound {
    /// Samples between -1 and 1 (more where the source exceeds full scale),
    /// channels interleaved.
    pub samples: Vec<f32>,
    /// Channels, 1 or more.
    pub channels: usize,
    /// Which loudspeaker each channel is for: bits of a WAVE channel mask,
    /// channels in ascending order; 0 where the file does not say.
    pub mask: u64,
    /// Samples per second of each channel.
    pub rate: u32,
    /// Time of the first sample from the wanted start, never negative.
    pub time: Nanos,
}

impl SourceSound {
    /// Samples a channel.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.samples.len() / self.channels
    }
}

/// What could not be decoded, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Damage {
    /// Packets that were damaged or that a decoder refused.
    pub packets: u64,
    /// Pictures shown although the decoder had to conceal part of them.
    pub pictures_concealed: u64,
    /// Pictures left out because what they are predicted from is missing.
    pub pictures_undecodable: u64,
    /// Holes in the sound filled with silence (or overlaps cut), and jumps of
    /// the time stamps bridged.
    pub time_jumps: u64,
}

impl Damage {
    /// Whether anything was damaged at all.
    #[must_use]
    pub fn any(&self) -> bool {
        *self != Self::default()
    }
}
