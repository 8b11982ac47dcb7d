//! Clocks of panel, card and I2S against what is usual, exact dividers, and
//! the latency of the sound's DMA blocks.

use super::{Advice, Board, CardBus};

/// Bytes that one DMA block may have on many microcontrollers (a 12-bit count;
/// common practice, no source).
const DMA_BLOCK: u32 = 4092;

/// A clock divided down to a bit clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divider {
    /// The nearest whole divider, 1 or more.
    pub whole: u64,
    /// What the rate is off by with it, parts per million; 0 is exact.
    pub ppm: f64,
}

impl Divider {
    /// From `master_hz` to the bit clock of a stereo rate with these slots.
    #[must_use]
    pub fn new(master_hz: f64, rate: u32, slot_bits: u8) -> Self {
        let wanted = f64::from(rate) * 2.0 * f64::from(slot_bits);
        let whole = (master_hz / wanted).round().max(1.0);
        Self {
            whole: whole as u64,
            ppm: (master_hz / whole / wanted - 1.0) * 1e6,
        }
    }

    /// The divider gives the very rate.
    #[must_use]
    pub fn is_exact(&self) -> bool {
        self.ppm.abs() < 0.01
    }
}

/// Clocks of panel and card that are above what is usual.
pub(super) fn advice(board: &Board) -> Vec<Advice> {
    let mut all = Vec::new();
    let mut say = |key: &str, text: String| {
        all.push(Advice {
            key: key.into(),
            text,
        })
    };
    let panel = &board.panel;
    let megahertz = |hz: u32| f64::from(hz) / 1e6;
    if panel.lines == 1 && panel.clock_hz > 40_000_000 {
        say(
            "panel.clock_hz",
            format!(
                "{:.1} MHz is above the 40 MHz that small SPI panels usually bear, and many datasheets state 15 MHz \
                 (a write cycle of 66 ns; common practice, no source): show a fine chequerboard and look for wrong pixels",
                megahertz(panel.clock_hz)
            ),
        );
    }
    if panel.lines >= 8 && panel.clock_hz > 20_000_000 {
        say(
            "panel.clock_hz",
            format!(
                "{:.1} MHz is above the 20 MHz of usual parallel buses (common practice, no source)",
                megahertz(panel.clock_hz)
            ),
        );
    }
    if let Some(card) = board.card.as_ref() {
        let usual = if card.bus == CardBus::Spi {
            25_000_000
        } else {
            50_000_000
        };
        if card.clock_hz > usual {
            say(
                "card.clock_hz",
                format!(
                    "{:.1} MHz is above the {:.0} MHz of its mode (SD specification); many cards fail there",
                    megahertz(card.clock_hz),
                    megahertz(usual)
                ),
            );
        }
    }
    all
}

/// What the I2S clock and its blocks come to.
pub(super) fn notes(board: &Board) -> [String; 3] {
    let sound = &board.sound;
    let word = |rate: &u32| {
        let divider = Divider::new(sound.master_clock_hz, *rate, sound.slot_bits);
        if divider.is_exact() {
            format!("{rate} Hz exactly (/{})", divider.whole)
        } else {
            format!("{rate} Hz {:+.0} ppm (/{})", divider.ppm, divider.whole)
        }
    };
    let rates: Vec<String> = sound.sample_rates.iter().map(word).collect();
    let bit_clock = f64::from(sound.sample_rate) * 2.0 * f64::from(sound.slot_bits);
    let means = if sound.fractional_clock {
        "its divider takes fractions, which meet every rate on average, with some jitter"
    } else {
        "whole dividers only: sound and pictures run that much fast or slow together"
    };
    let block_bytes = sound.block_samples * 2 * u32::from(sound.slot_bits) / 8;
    let block = if block_bytes > DMA_BLOCK {
        format!(
            "; a block of {block_bytes} bytes is more than the {DMA_BLOCK} that many DMA units take"
        )
    } else {
        String::new()
    };
    let ms = |samples: u32| 1e3 * f64::from(samples) / f64::from(sound.sample_rate);
    [
        format!(
            "I2S from {:.4} MHz: {}; {means}",
            sound.master_clock_hz / 1e6,
            rates.join(", ")
        ),
        format!(
            "I2S: a bit clock of {:.3} MHz, slots of {} bits, words of 16",
            bit_clock / 1e6,
            sound.slot_bits
        ),
        format!(
            "sound queue: {} blocks of {} samples, {:.1} ms each; {:.0} ms from filling to hearing{block}",
            sound.queue_samples.div_ceil(sound.block_samples),
            sound.block_samples,
            ms(sound.block_samples),
            ms(sound.queue_samples)
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::Divider;

    /// Audio crystals (IEC 60958 and common practice): 24.576 and 12.288 MHz are
    /// 512 and 256 times 48 kHz, 22.5792 and 11.2896 MHz the same of 44.1 kHz.
    #[test]
    fn audio_crystals_divide_exactly() {
        for (master, rate, slot, whole) in [
            (24.576e6, 48_000, 16, 16),
            (24.576e6, 48_000, 32, 8),
            (24.576e6, 16_000, 16, 48),
            (24.576e6, 24_000, 16, 32),
            (24.576e6, 32_000, 16, 24),
            (12.288e6, 48_000, 32, 4),
            (22.5792e6, 44_100, 16, 16),
            (11.2896e6, 44_100, 32, 4),
            (11.2896e6, 22_050, 16, 16),
        ] {
            let found = Divider::new(master, rate, slot);
            assert!(
                found.is_exact() && found.whole == whole,
                "{master} {rate} {found:?}"
            );
        }
    }

    /// By hand: 160 MHz / (44,100 x 32) = 113.379; / 113 is 3,352 ppm fast.
    /// 160 MHz / (16,000 x 32) = 312.5; / 313 is 1,597 ppm slow.
    #[test]
    fn other_clocks_are_off() {
        let found = Divider::new(160e6, 44_100, 16);
        assert!(
            found.whole == 113 && (found.ppm - 3352.0).abs() < 1.0,
            "{found:?}"
        );
        let found = Divider::new(160e6, 16_000, 16);
        assert!(
            found.whole == 313 && (found.ppm + 1597.0).abs() < 1.0,
            "{found:?}"
        );
        // 160 MHz / (22,050 x 64) = 113.379 as well; 20 MHz x 8 is no multiple.
        assert!(!Divider::new(160e6, 22_050, 32).is_exact());
    }
}
