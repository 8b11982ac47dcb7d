//! Going to the wanted start: to the key picture before it, then forward.

use ffmpeg_next as ffmpeg;

use super::clip::Clip;
use super::error::SourceError;
use super::timeline::SECOND;

impl Clip {
    /// Sound decoders need some packets before what they decode is right:
    /// twice the 80 ms that Opus asks for (RFC 7845, section 4.6).
    const RUN_IN: i64 = SECOND * 16 / 100;

    /// Moves so that the next picture handed out is the one on show at the
    /// wanted start. Some formats land behind the place asked for, so earlier
    /// ones are tried, and the beginning last.
    pub(super) fn go_to_start(&mut self) -> Result<(), SourceError> {
        if self.from <= 0 {
            return Ok(());
        }
        if self.is_sound_only() {
            // Where no picture tells how far the jump went, the stamps do.
            return match self.jump(self.from - Self::RUN_IN) {
                Ok(()) => Ok(()),
                Err(_) => self.reopen(),
            };
        }
        for margin in [Self::RUN_IN, 3 * SECOND, 15 * SECOND] {
            let target = self.from - margin;
            if target <= 0 {
                break;
            }
            if self.jump(target).is_ok() && self.lands_before_start()? {
                return Ok(());
            }
        }
        self.reopen()
    }

    fn jump(&mut self, target: i64) -> Result<(), ffmpeg::Error> {
        // The demuxer seeks in microseconds of the file's clock.
        let stamp = (target + self.file_start()) / 1000;
        self.input.seek(stamp, ..stamp + 1)?;
        self.forget();
        Ok(())
    }

    /// Decodes up to the first picture; whether it is shown by the wanted start.
    fn lands_before_start(&mut self) -> Result<bool, SourceError> {
        self.fill_to_first_picture()?;
        Ok(self.first_picture_time().is_some_and(|time| time <= 0))
    }
}
