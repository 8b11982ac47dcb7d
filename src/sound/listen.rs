//! Listening copies: WAV files of what the reel holds, and of what its speaker
//! makes of it.

use std::io::{self, Seek, SeekFrom, Write};

use super::biquad::{Biquad, Coefficients};

/// Writes 16-bit mono WAV in pieces; the lengths are filled in at the end.
#[derive(Debug)]
pub struct WavWriter<W: Write + Seek> {
    sink: W,
    samples: u32,
}

impl<W: Write + Seek> WavWriter<W> {
    /// Begins a file at `rate` Hz.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn new(mut sink: W, rate: u32) -> io::Result<Self> {
        sink.write_all(&header(rate, 0))?;
        Ok(Self { sink, samples: 0 })
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
        let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
        self.sink.write_all(&bytes)
    }

    /// Fills in the lengths and gives the sink back.
    ///
    /// # Errors
    /// When the sink cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        let bytes = 2 * self.samples;
        for (place, value) in [(4, bytes + 36), (40, bytes)] {
            self.sink.seek(SeekFrom::Start(place))?;
            self.sink.write_all(&value.to_le_bytes())?;
        }
        self.sink.seek(SeekFrom::End(0))?;
        self.sink.flush()?;
        Ok(self.sink)
    }
}

fn header(rate: u32, bytes: u32) -> Vec<u8> {
    let mut head = Vec::with_capacity(44);
    head.extend(b"RIFF");
    head.extend((bytes + 36).to_le_bytes());
    head.extend(b"WAVEfmt ");
    head.extend(16u32.to_le_bytes());
    head.extend(1u16.to_le_bytes());
    head.extend(1u16.to_le_bytes());
    head.extend(rate.to_le_bytes());
    head.extend((2 * rate).to_le_bytes());
    head.extend(2u16.to_le_bytes());
    head.extend(16u16.to_le_bytes());
    head.extend(b"data");
    head.extend(bytes.to_le_bytes());
    head
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
