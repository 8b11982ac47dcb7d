//! The poster: the picture of the first seconds that shows most.

use std::sync::Arc;

use crate::picture::PanelPicture;

/// Looks for a poster while the first pictures pass.
pub(super) struct PosterSearch {
    best: Option<(u64, Arc<PanelPicture>)>,
    left: u32,
}

impl PosterSearch {
    /// Pictures to examine.
    pub(super) fn among(pictures: u32) -> Self {
        Self {
            best: None,
            left: pictures.max(1),
        }
    }

    /// Looks at a picture; whether the search is over.
    pub(super) fn look(&mut self, picture: &Arc<PanelPicture>) -> bool {
        let shows = contrast(&picture.rgb);
        if self.best.as_ref().is_none_or(|(best, _)| shows > *best) {
            self.best = Some((shows, Arc::clone(picture)));
        }
        self.left = self.left.saturating_sub(1);
        self.left == 0
    }

    /// The best of those seen.
    pub(super) fn best(self) -> Option<Arc<PanelPicture>> {
        self.best.map(|(_, picture)| picture)
    }
}

/// Variance of the green values, times the square of their number: dark,
/// white and empty pictures have little of it.
fn contrast(rgb: &[u8]) -> u64 {
    let (mut sum, mut squares, mut n) = (0_u64, 0_u64, 0_u64);
    for value in rgb.iter().skip(1).step_by(3).map(|v| u64::from(*v)) {
        sum += value;
        squares += value * value;
        n += 1;
    }
    n * squares - sum * sum
}
