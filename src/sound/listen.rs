//! WAV files, and the simulation of a speaker.

use std::io::{self, Seek, SeekFrom, Write};

use byteorder::{ByteOrder as _, LE, WriteBytesExt as _};

use super::biquad::{Biquad, Coefficients};

/// Writes 16-bit mono WAV in pieces; the lengths are filled in at the end.
#[derive(Debug)]
pub struct WavWriter<W: Write + Seek> {
    sink: W,
    /// Samples per second.
    rate: u32,
    samples: u32,
}

impl<W: Write + Seek> WavWriter<W> {
    /// Begins a file at `rate` Hz.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn new(mut sink: W, rate: u32) -> io::Result<Self> {
        header(&mut sink, rate, 0)?;
        Ok(Self {
            sink,
            rate,
            samples: 0,
        })
    }

    /// Appends samples.
    ///
    /// # Errors
    /// When the sink cannot be written, or past 4 GiB.
    pub fn push(&mut self, samples: &[i16]) -> io::Result<()> {
        let count = u32::try_from(samples.len())
            .ok()
            .and_then(|n| self.samples.checked_add(n));
        let fits = count.filter(|n| *n < (u32::MAX - 44) / 2);
        self.samples = fits.ok_or_else(|| io::Error::other("a WAV file holds 4 GiB at most"))?;
        let mut bytes = vec![0; 2 * samples.len()];
        LE::write_i16_into(samples, &mut bytes);
        self.sink.write_all(&bytes)
    }

    /// Fills in the lengths and gives the sink back.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        self.sink.seek(SeekFrom::Start(0))?;
        header(&mut self.sink, self.rate, 2 * self.samples)?;
        self.sink.seek(SeekFrom::End(0))?;
        self.sink.flush()?;
        Ok(self.sink)
    }
}

/// RIFF WAVE header for 16-bit mono PCM (Multimedia Programming Interface and
/// Data Specifications 1.0, 1991); `bytes` of samples follow.
fn header(to: &mut impl Write, rate: u32, bytes: u32) -> io::Result<()> {
    to.write_all(b"RIFF")?;
    to.write_u32::<LE>(bytes + 36)?;
    to.write_all(b"WAVEfmt ")?;
    to.write_u32::<LE>(16)?;
    // PCM, one channel.
    to.write_u16::<LE>(1)?;
    to.write_u16::<LE>(1)?;
    to.write_u32::<LE>(rate)?;
    to.write_u32::<LE>(2 * rate)?;
    // Bytes per frame, bits per sample.
    to.write_u16::<LE>(2)?;
    to.write_u16::<LE>(16)?;
    to.write_all(b"data")?;
    to.write_u32::<LE>(bytes)
}

/// Renders samples as a speaker would.
#[derive(Debug)]
pub struct Rendering(Vec<Biquad>);

impl Rendering {
    /// With the speaker's filters, from [`super::enclosure::Enclosure::rendering`].
    #[must_use]
    pub fn new(sections: Vec<Coefficients>) -> Self {
        Self(sections.into_iter().map(Biquad::new).collect())
    }

    /// Renders in place. A peak of the box may clip; 6 dB are kept free.
    pub fn run(&mut self, samples: &mut [i16]) {
        for sample in samples {
            let x = 0.5 * f64::from(*sample);
            let y = self.0.iter_mut().fold(x, |y, s| s.push(y));
            *sample = y.round().clamp(-32_768.0, 32_767.0) as i16;
        }
    }
}
