//! The same reel with fewer or smaller pictures, as far as it can be told
//! without encoding: advice is tried on it before it is given.

use super::facts::{PictureCoding, PictureFacts, ReelFacts};

impl ReelFacts {
    /// With every `keep`th picture only. Pictures that follow each other less
    /// closely differ more (assumed: bytes by the square root, work by the
    /// fourth root).
    #[must_use]
    pub fn thinned(&self, keep: u32) -> Self {
        let apart = matches!(self.coding, PictureCoding::Raw | PictureCoding::Jpeg);
        let k = f64::from(keep.max(1));
        let (bytes, work) = if apart {
            (1.0, 1.0)
        } else {
            (k.sqrt(), k.powf(0.25))
        };
        let whole = u32::from(self.width) * u32::from(self.height);
        self.with(|number, picture| {
            let kept = number % u64::from(keep.max(1)) == 0;
            kept.then(|| PictureFacts {
                bytes: grown(picture.bytes, if picture.key { 1.0 } else { bytes }),
                instructions: grown(picture.instructions, work),
                pixels: grown(picture.pixels, work).min(whole),
                ..*picture
            })
        })
        .at(self.rate / k, self.width, self.height, self.working_bytes)
    }

    /// With pictures of another size.
    #[must_use]
    pub fn scaled(&self, width: u16, height: u16) -> Self {
        let area = |w: u16, h: u16| f64::from(w) * f64::from(h);
        let share = area(width, height) / area(self.width, self.height).max(1.0);
        self.with(|_, picture| {
            Some(PictureFacts {
                bytes: grown(picture.bytes, share),
                instructions: grown(picture.instructions, share),
                pixels: grown(picture.pixels, share),
                ..*picture
            })
        })
        .at(self.rate, width, height, grown(self.working_bytes, share))
    }

    fn at(mut self, rate: f64, width: u16, height: u16, working_bytes: u32) -> Self {
        self.rate = rate;
        self.width = width;
        self.height = height;
        self.working_bytes = working_bytes;
        self
    }

    /// The same slices with the pictures that `change` gives.
    fn with(&self, change: impl Fn(u64, &PictureFacts) -> Option<PictureFacts>) -> Self {
        let mut reel = self.clone();
        reel.assumed = true;
        reel.pictures.clear();
        for slice in &mut reel.slices {
            let first = slice.first_picture;
            let range = first as usize..(first + slice.pictures) as usize;
            let before: u64 = self.pictures[range.clone()]
                .iter()
                .map(|p| u64::from(p.bytes))
                .sum();
            slice.first_picture = reel.pictures.len() as u32;
            for (number, picture) in (u64::from(first)..).zip(&self.pictures[range]) {
                reel.pictures.extend(change(number, picture));
            }
            let after: u64 = reel.pictures[slice.first_picture as usize..]
                .iter()
                .map(|p| u64::from(p.bytes))
                .sum();
            slice.pictures = reel.pictures.len() as u32 - slice.first_picture;
            let bytes = (u64::from(slice.bytes) + after).saturating_sub(before);
            slice.bytes = (bytes as u32).next_multiple_of(512).max(512);
        }
        let largest = reel.slices.iter().map(|s| s.bytes).max().unwrap_or(0);
        let ahead = f64::from(self.prebuffer) / f64::from(self.largest_chunk.max(1));
        reel.largest_chunk = largest;
        reel.prebuffer = (ahead * f64::from(largest)) as u32;
        reel.total_bytes = u64::from(reel.lead_bytes) + reel.slice_bytes();
        reel
    }
}

fn grown(value: u32, factor: f64) -> u32 {
    (f64::from(value) * factor).round() as u32
}
