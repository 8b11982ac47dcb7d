//! Errors of the sound stage.

/// An error of the sound stage.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// A plan's value is out of range.
    #[error("{what} is {value}, but must be between {min} and {max} {unit}")]
    Range {
        /// The value's name.
        what: &'static str,
        /// What was asked for.
        value: f64,
        /// Least that is possible.
        min: f64,
        /// Most that is possible.
        max: f64,
        /// The unit of all three.
        unit: &'static str,
    },
    /// The source has no channel to make mono from.
    #[error("the sound track has no channels")]
    NoChannels,
    /// A push that does not hold whole frames.
    #[error("{samples} samples do not divide into frames of {channels} channels")]
    Frames {
        /// Samples pushed.
        samples: usize,
        /// Channels of the layout.
        channels: usize,
    },
    /// The resampling library refused its parameters.
    #[error("cannot resample from {from} Hz to {to} Hz: {cause}")]
    Resample {
        /// Source rate.
        from: u32,
        /// Reel rate.
        to: u32,
        /// The library's words.
        cause: String,
    },
    /// The loudness library refused its parameters.
    #[error("cannot measure loudness: {0}")]
    #[cfg(feature = "convert")]
    Loudness(#[from] ebur128::Error),
}

/// Checks that `value` is in `min..=max`; NaN is an error.
pub(super) fn in_range(
    what: &'static str,
    value: f64,
    (min, max): (f64, f64),
    unit: &'static str,
) -> Result<(), SoundError> {
    if value >= min && value <= max {
        Ok(())
    } else {
        Err(SoundError::Range {
            what,
            value,
            min,
            max,
            unit,
        })
    }
}
