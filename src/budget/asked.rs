//! Settings as a person gives them, on the command line or on the calculator's page.

use crate::board::{Board, Shape};
use crate::units::Ratio;

use super::facts::{PictureCoding, ReelFacts, SoundCoding};
use super::settings::Settings;

/// What is asked for before there is a reel.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// Width and height in pixels; else the panel's, as the viewer sees it.
    pub size: Option<(u16, u16)>,
    /// Frames per second.
    pub rate: Ratio,
    /// Picture coding.
    pub coding: PictureCoding,
    /// Mean bits per pixel; else typical of the coding.
    pub bits_per_pixel: Option<f64>,
    /// Sound coding.
    pub sound: SoundCoding,
    /// Sample rate in Hz; else the board's.
    pub sound_rate: Option<u32>,
    /// Length in minutes.
    pub minutes: f64,
}

impl Asked {
    /// The reel that such settings would make on `board`.
    ///
    /// # Errors
    /// A sentence on a size or rate that no panel has.
    pub fn facts(&self, board: &Board) -> Result<ReelFacts, String> {
        let (width, height) = self.size.unwrap_or_else(|| board.panel.upright_size());
        if !(16..=1024).contains(&width) || !(16..=1024).contains(&height) {
            return Err(format!(
                "--size is {width}x{height}, but width and height must be 16 to 1024 pixels"
            ));
        }
        if !(0.1..=120.0).contains(&(f64::from(self.rate.num) / f64::from(self.rate.den))) {
            return Err("the rate must be 0.1 to 120 frames per second".into());
        }
        let mut settings = Settings::typical(width, height, self.rate, self.coding);
        settings.sound = self.sound;
        settings.sound_rate = self.sound_rate.unwrap_or(board.sound.sample_rate);
        settings.seconds = self.minutes * 60.0;
        settings.bits_per_pixel = self.bits_per_pixel.unwrap_or(settings.bits_per_pixel);
        if board.panel.shape == Shape::Ellipse {
            settings.visible = std::f64::consts::FRAC_PI_4;
        }
        Ok(settings.facts())
    }
}
