//! Pictures of three bytes per pixel, for files and pages.

use std::io;

/// An 8-bit sRGB picture, row by row from the top.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image {
    width: u32,
    height: u32,
    bytes: Vec<u8>,
}

impl Image {
    /// A picture of `width` x `height` pixels of one colour.
    #[must_use]
    pub fn filled(width: u32, height: u32, colour: [u8; 3]) -> Self {
        Self::from_fn(width, height, |_, _| colour)
    }

    /// A picture whose pixel at column `x` and row `y` is `colour(x, y)`.
    #[must_use]
    pub fn from_fn(width: u32, height: u32, mut colour: impl FnMut(u32, u32) -> [u8; 3]) -> Self {
        let mut bytes = Vec::with_capacity(3 * width as usize * height as usize);
        for y in 0..height {
            for x in 0..width {
                bytes.extend(colour(x, y));
            }
        }
        Self {
            width,
            height,
            bytes,
        }
    }

    /// Pixels across.
    #[must_use]
    pub const fn width(&self) -> u32 {
        self.width
    }

    /// Pixels down.
    #[must_use]
    pub const fn height(&self) -> u32 {
        self.height
    }

    /// Pixels across and down.
    #[must_use]
    pub const fn size(&self) -> (u32, u32) {
        (self.width, self.height)
    }

    /// Red, green and blue of every pixel.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The same, to be changed.
    #[must_use]
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        &mut self.bytes
    }

    /// The pixel at column `x` and row `y`.
    ///
    /// # Panics
    /// Outside the picture.
    #[must_use]
    pub fn pixel(&self, x: u32, y: u32) -> [u8; 3] {
        let at = self.at(x, y);
        [self.bytes[at], self.bytes[at + 1], self.bytes[at + 2]]
    }

    /// Sets the pixel at column `x` and row `y`.
    ///
    /// # Panics
    /// Outside the picture.
    pub fn set(&mut self, x: u32, y: u32, colour: [u8; 3]) {
        let at = self.at(x, y);
        self.bytes[at..at + 3].copy_from_slice(&colour);
    }

    fn at(&self, x: u32, y: u32) -> usize {
        assert!(x < self.width && y < self.height, "outside the picture");
        3 * (y as usize * self.width as usize + x as usize)
    }

    /// Lays `other` over this picture, its upper left corner at `x`, `y`; what
    /// is outside is left out.
    pub fn place(&mut self, other: &Self, x: u32, y: u32) {
        let columns = other.width.min(self.width.saturating_sub(x)) as usize;
        for row in 0..other.height.min(self.height.saturating_sub(y)) {
            if columns > 0 {
                let (to, from) = (self.at(x, y + row), other.at(0, row));
                self.bytes[to..to + 3 * columns]
                    .copy_from_slice(&other.bytes[from..from + 3 * columns]);
            }
        }
    }

    /// Left and right exchanged.
    #[must_use]
    pub fn mirrored(&self) -> Self {
        let (width, height) = self.size();
        Self::from_fn(width, height, |x, y| self.pixel(width - 1 - x, y))
    }

    /// Turned clockwise by `quarters` of a turn.
    #[must_use]
    pub fn turned(self, quarters: u8) -> Self {
        let (width, height) = self.size();
        match quarters % 4 {
            0 => self,
            1 => Self::from_fn(height, width, |x, y| self.pixel(y, height - 1 - x)),
            2 => Self::from_fn(width, height, |x, y| {
                self.pixel(width - 1 - x, height - 1 - y)
            }),
            _ => Self::from_fn(height, width, |x, y| self.pixel(width - 1 - y, x)),
        }
    }

    /// Each pixel a square of `by` x `by`.
    #[must_use]
    pub fn enlarged(self, by: u16) -> Self {
        let by = u32::from(by);
        match by {
            0 | 1 => self,
            _ => Self::from_fn(self.width * by, self.height * by, |x, y| {
                self.pixel(x / by, y / by)
            }),
        }
    }

    /// The picture as a PNG file.
    ///
    /// # Errors
    /// A picture without pixels.
    pub fn png(&self) -> io::Result<Vec<u8>> {
        let mut file = Vec::new();
        let mut encoder = png::Encoder::new(&mut file, self.width, self.height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_compression(png::Compression::Fast);
        encoder.set_filter(png::Filter::Adaptive);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&self.bytes)?;
        writer.finish()?;
        Ok(file)
    }
}

#[cfg(test)]
mod tests {
    use super::Image;
    use image::{RgbImage, imageops};

    /// A picture whose pixels all differ, here and in a general-purpose library.
    fn both(width: u32, height: u32, first: u8) -> (Image, RgbImage) {
        let colour = |x: u32, y: u32| [first + (x + width * y) as u8, x as u8, y as u8];
        (
            Image::from_fn(width, height, colour),
            RgbImage::from_fn(width, height, |x, y| image::Rgb(colour(x, y))),
        )
    }

    fn same(ours: &Image, theirs: &RgbImage) {
        assert_eq!(ours.size(), theirs.dimensions());
        assert_eq!(ours.bytes(), theirs.as_raw());
    }

    /// Against the crate `image`.
    #[test]
    fn turns_and_mirrors_as_another_library_does() {
        let (ours, theirs) = both(5, 3, 0);
        same(&ours.mirrored(), &imageops::flip_horizontal(&theirs));
        same(&ours.clone().turned(0), &theirs);
        same(&ours.clone().turned(1), &imageops::rotate90(&theirs));
        same(&ours.clone().turned(2), &imageops::rotate180(&theirs));
        same(&ours.clone().turned(3), &imageops::rotate270(&theirs));
        let large = imageops::resize(&theirs, 15, 9, imageops::FilterType::Nearest);
        same(&ours.enlarged(3), &large);
    }

    #[test]
    fn places_a_picture_as_another_library_does() {
        for (x, y) in [(0, 0), (2, 1), (4, 3), (9, 0), (0, 9)] {
            let (mut ours, mut theirs) = both(6, 4, 0);
            let (small, their_small) = both(3, 2, 100);
            ours.place(&small, x, y);
            imageops::replace(&mut theirs, &their_small, x.into(), y.into());
            same(&ours, &theirs);
        }
    }

    #[test]
    fn another_library_reads_the_png() {
        let (ours, _) = both(7, 11, 3);
        let read = image::load_from_memory(&ours.png().unwrap()).unwrap();
        same(&ours, &read.into_rgb8());
        Image::default().png().unwrap_err();
    }
}
