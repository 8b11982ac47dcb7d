//! The ways that are tried, the best first.

use super::{SLOWEST, Search, Way, hertz};
use crate::budget::{Link, PictureCoding};
use crate::coding::Coding;
use crate::units::Ratio;

/// Frames per second that look smooth; common practice, no source.
const SMOOTH: f64 = 30.0;

impl Search<'_> {
    /// All ways, the best first: what shows most pixels per second, and of two
    /// that show as many the larger, then the faster, then the one of least
    /// loss.
    pub(super) fn ways(&self) -> Vec<Way> {
        let links = self
            .goal
            .link
            .map_or_else(|| Link::of(self.board()), |link| vec![link]);
        let mut ways = Vec::new();
        for link in links {
            let mut of_link = Vec::new();
            for size in self.sizes() {
                for (divisor, rate) in self.rates() {
                    for coding in self.codings() {
                        of_link.push(Way {
                            link,
                            size,
                            divisor,
                            rate,
                            coding,
                        });
                    }
                }
            }
            of_link.sort_by(|a, b| self.shown(b).total_cmp(&self.shown(a)));
            ways.extend(of_link);
        }
        ways
    }

    /// Pixels per second; motion gains little above [`SMOOTH`].
    fn shown(&self, way: &Way) -> f64 {
        let (w, h) = self.size_of(way);
        f64::from(w) * f64::from(h) * hertz(way.rate).min(SMOOTH)
    }

    fn sizes(&self) -> Vec<Option<(u16, u16)>> {
        let (w, h) = self.board().panel.upright_size();
        let part = |v: u16, eighths: u16| (v / 8 * eighths / 8 * 8).max(8);
        match self.choices.size {
            Some(size) => vec![Some(size)],
            None => {
                let smaller = (4..8).rev().map(|n| Some((part(w, n), part(h, n))));
                [None].into_iter().chain(smaller).collect()
            }
        }
    }

    /// Sizes between a way's and the next larger of [`Self::sizes`], the smallest first,
    /// in steps of 8 pixels and within one such step of the panel's proportions.
    pub(super) fn between(&self, way: &Way) -> Vec<(u16, u16)> {
        let panel = self.board().panel.upright_size();
        let pixels = |(w, h): (u16, u16)| u32::from(w) * u32::from(h);
        let least = self.size_of(way);
        let sizes = self.sizes().into_iter().map(|size| size.unwrap_or(panel));
        let larger = sizes.filter(|size| pixels(*size) > pixels(least));
        let Some(most) = larger.min_by_key(|size| pixels(*size)) else {
            return Vec::new();
        };
        let (wide, high) = (u32::from(panel.0), u32::from(panel.1));
        let alike = |w: u16, h: u16| {
            (u32::from(w) * high).abs_diff(u32::from(h) * wide) <= 8 * wide.max(high)
        };
        let rows = || (least.1..=most.1).step_by(8);
        let all = (least.0..=most.0)
            .step_by(8)
            .flat_map(|w| rows().map(move |h| (w, h)));
        let mut all: Vec<_> = all
            .filter(|&(w, h)| alike(w, h) && (w, h) != least && (w, h) != most)
            .collect();
        all.sort_by_key(|size| pixels(*size));
        all
    }

    fn rates(&self) -> Vec<(u32, Ratio)> {
        if let Some(rate) = self.choices.rate {
            return vec![(1, rate)];
        }
        let clip = self.base.clip.picture.rate;
        let slower = |divisor: u32| {
            Some((
                divisor,
                Ratio::new(clip.num, clip.den.checked_mul(divisor)?)?,
            ))
        };
        let fast = |rate: &Ratio| hertz(*rate) <= self.board().panel.refresh_hz.min(60.0);
        let rates: Vec<_> = (1..=10)
            .filter_map(slower)
            .filter(|(d, r)| fast(r) && (*d == 1 || hertz(*r) >= SLOWEST))
            .collect();
        if rates.is_empty() {
            vec![(1, clip)]
        } else {
            rates
        }
    }

    fn codings(&self) -> Vec<PictureCoding> {
        let jpeg = self.board().cpu.jpeg_pixels_per_second > 0.0;
        match self.choices.coding.coding {
            Some(Coding::Raw) => vec![PictureCoding::Raw],
            Some(Coding::Jpeg) => vec![PictureCoding::Jpeg],
            Some(Coding::Patch) => vec![PictureCoding::PatchFull, PictureCoding::PatchLight],
            None if jpeg => vec![
                PictureCoding::Raw,
                PictureCoding::PatchFull,
                PictureCoding::PatchLight,
                PictureCoding::Jpeg,
            ],
            None => vec![
                PictureCoding::Raw,
                PictureCoding::PatchFull,
                PictureCoding::PatchLight,
            ],
        }
    }
}
