//! Channel layouts: the loudspeaker of each channel.

/// A channel's place in the room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Channel {
    /// Front left.
    Left,
    /// Front right.
    Right,
    /// Front centre, and the only channel of mono sound.
    Centre,
    /// Low-frequency effects.
    Lfe,
    /// Between front left and centre.
    LeftOfCentre,
    /// Between front right and centre.
    RightOfCentre,
    /// Surround at the left side.
    LeftSide,
    /// Surround at the right side.
    RightSide,
    /// Surround behind, left.
    LeftBack,
    /// Surround behind, right.
    RightBack,
    /// Surround behind, centre.
    CentreBack,
    /// Any channel above the left half.
    LeftTop,
    /// Any channel above the right half.
    RightTop,
    /// Any channel above the middle.
    CentreTop,
    /// A place that is not known: heard like a surround channel.
    Unknown,
}

impl Channel {
    /// The channel of one bit of a WAVE channel mask (the order of the bits is
    /// also that of libav*'s native layouts).
    #[must_use]
    pub const fn from_mask_bit(bit: u32) -> Self {
        match bit {
            0 | 29 | 31 => Self::Left,
            1 | 30 | 32 => Self::Right,
            2 => Self::Centre,
            3 | 35 => Self::Lfe,
            4 => Self::LeftBack,
            5 => Self::RightBack,
            6 => Self::LeftOfCentre,
            7 => Self::RightOfCentre,
            8 => Self::CentreBack,
            9 | 33 => Self::LeftSide,
            10 | 34 => Self::RightSide,
            11 | 13 | 16 => Self::CentreTop,
            12 | 15 | 36 => Self::LeftTop,
            14 | 17 | 37 => Self::RightTop,
            _ => Self::Unknown,
        }
    }

    /// Side of the channel: -1 left, 0 middle, 1 right.
    #[must_use]
    pub const fn side(self) -> i8 {
        match self {
            Self::Left | Self::LeftOfCentre | Self::LeftSide | Self::LeftBack | Self::LeftTop => -1,
            Self::Right
            | Self::RightOfCentre
            | Self::RightSide
            | Self::RightBack
            | Self::RightTop => 1,
            _ => 0,
        }
    }
}

/// The channels of interleaved sound, in their order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout(Vec<Channel>);

impl Layout {
    /// Mono: one centre channel.
    #[must_use]
    pub fn mono() -> Self {
        Self(vec![Channel::Centre])
    }

    /// Left and right.
    #[must_use]
    pub fn stereo() -> Self {
        Self(vec![Channel::Left, Channel::Right])
    }

    /// A layout of these channels in this order.
    #[must_use]
    pub fn new(channels: Vec<Channel>) -> Self {
        Self(channels)
    }

    /// From a WAVE channel mask (bit 0 front left, 1 front right, 2 centre,
    /// 3 LFE, ...). When the mask does not name `channels` channels, the usual
    /// layout of that many is assumed.
    #[must_use]
    pub fn from_mask(mask: u64, channels: usize) -> Self {
        if mask.count_ones() as usize != channels {
            return Self::usual(channels);
        }
        let bits = (0..64u32).filter(|bit| mask >> bit & 1 == 1);
        Self(bits.map(Channel::from_mask_bit).collect())
    }

    /// The usual layout of `channels` channels when the source names none.
    #[must_use]
    pub fn usual(channels: usize) -> Self {
        let mask = match channels {
            1 => return Self::mono(),
            2 => 0x3,
            3 => 0x7,
            4 => 0x107,
            5 => 0x607,
            6 => 0x60F,
            7 => 0x70F,
            8 => 0x63F,
            _ => return Self(vec![Channel::Unknown; channels]),
        };
        Self::from_mask(mask, channels)
    }

    /// The channels in their order.
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        &self.0
    }

    /// How many channels a frame has.
    #[must_use]
    pub fn count(&self) -> usize {
        self.0.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mask_and_usual_layouts_agree_on_the_common_ones() {
        assert_eq!(Layout::from_mask(0x3, 2), Layout::stereo());
        assert_eq!(Layout::from_mask(0x4, 1), Layout::mono());
        assert_eq!(Layout::from_mask(0, 6), Layout::usual(6));
        let five_one = Layout::from_mask(0x60F, 6);
        assert_eq!(
            five_one.channels(),
            [
                Channel::Left,
                Channel::Right,
                Channel::Centre,
                Channel::Lfe,
                Channel::LeftSide,
                Channel::RightSide
            ]
        );
    }

    #[test]
    fn every_left_bit_has_its_right_neighbour() {
        for (left, right) in [
            (0, 1),
            (4, 5),
            (6, 7),
            (9, 10),
            (12, 14),
            (15, 17),
            (29, 30),
        ] {
            assert_eq!(Channel::from_mask_bit(left).side(), -1, "bit {left}");
            assert_eq!(Channel::from_mask_bit(right).side(), 1, "bit {right}");
        }
    }
}
