//! Which pictures a lower rate needs.

use super::info::PictureInfo;
use super::open::hertz;
use crate::units::Ratio;

/// One picture in how many is needed at `rate`, if that is a whole number of 2
/// or more and the clip's pictures come evenly.
pub(super) fn one_in(picture: &PictureInfo, rate: Ratio) -> Option<u32> {
    let num = u64::from(picture.rate.num) * u64::from(rate.den);
    let den = u64::from(picture.rate.den) * u64::from(rate.num);
    let whole = num.is_multiple_of(den) && !picture.variable_rate;
    let one_in = u32::try_from(num / den.max(1)).ok()?;
    (whole && one_in >= 2).then_some(one_in)
}

/// Whether the picture at `time` (nanoseconds from the wanted start) may be the
/// one on show when a picture of the lower rate begins. A picture may begin up
/// to a quarter of its duration late and still count, as the pacer has it; a
/// little is added for rounded stamps.
pub(super) fn is_needed(time: i64, rate: Ratio, one_in: u32) -> bool {
    const ROUNDED: f64 = 0.05;
    let place = time as f64 * 1e-9 * hertz(rate) - 0.25;
    if place < 1.0 {
        // What is on show at the start is settled by the clip.
        return true;
    }
    let one_in = f64::from(one_in);
    let begins = ((place - ROUNDED) / one_in).ceil() * one_in;
    begins < place + 1.0 + ROUNDED
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_picture_that_is_shown_is_needed_and_few_others() {
        let rate = Ratio { num: 30, den: 1 };
        let time = |n: i64, phase: f64| ((n as f64 + phase) / 30.0 * 1e9) as i64;
        for one_in in [2, 3, 5] {
            for phase in [0.0, 0.1, 0.5, 0.9] {
                let needed = (0..300).filter(|n| is_needed(time(*n, phase), rate, one_in));
                let needed: Vec<_> = needed.collect();
                // At lower-rate picture k, what began by a quarter picture later.
                for k in 1..300 / i64::from(one_in) - 1 {
                    let begins = (k * i64::from(one_in)) as f64 + 0.25 - phase;
                    assert!(
                        needed.contains(&(begins.floor() as i64)),
                        "{one_in} {phase} {k}"
                    );
                }
                assert!(
                    needed.len() <= 300 / one_in as usize + 4,
                    "{one_in} {phase}"
                );
            }
        }
    }
}
