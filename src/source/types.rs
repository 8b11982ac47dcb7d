//! Plain values that describe a decoded picture; the picture stage needs no
//! more of the source than these.

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
    /// The tags a decoded frame carries. `peak_nits` is side data, which the
    /// opener of the stream fills in.
    #[must_use]
    pub fn of(frame: &frame::Video) -> Self {
        Self {
            matrix: matrix_of(frame.color_space()),
            transfer: transfer_of(frame.color_transfer_characteristic()),
            primaries: primaries_of(frame.color_primaries()),
            range: range_of(frame),
            chroma_site: site_of(frame.chroma_location()),
            peak_nits: None,
        }
    }
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

fn range_of(frame: &frame::Video) -> Option<Range> {
    use format::Pixel as P;
    if matches!(
        frame.format(),
        P::YUVJ420P | P::YUVJ422P | P::YUVJ444P | P::YUVJ440P | P::YUVJ411P
    ) {
        return Some(Range::Full);
    }
    match frame.color_range() {
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
    pub fn of(frame: &frame::Video) -> Self {
        match (frame.is_interlaced(), frame.is_top_first()) {
            (false, _) => Self::Progressive,
            (true, true) => Self::TopFirst,
            (true, false) => Self::BottomFirst,
        }
    }
}

/// One decoded picture with everything needed to show it.
pub struct SourcePicture {
    /// The decoder's frame; reference counted, not copied.
    pub frame: frame::Video,
    /// When it is to be shown.
    pub time: Nanos,
    /// How long it is to be shown; zero if unknown.
    pub duration: Nanos,
    /// Its colour tags.
    pub colour: ColourTags,
    /// Turns needed to bring it upright.
    pub rotation: QuarterTurns,
    /// Width to height of one sample.
    pub sample_aspect: Ratio,
    /// Progressive or fields.
    pub interlaced: Interlace,
}
