//! Sound blocks: sizes, round trips, and the published IMA ADPCM values.

use thumbreel::sound::adpcm::{INDEX_CHANGE, STEPS, State};
use thumbreel::sound::{BlockEncoder, BlockError, SoundCoding, block_bytes, decode_block};

use crate::signals::{db, rms, tone};

const CODINGS: [SoundCoding; 3] = [SoundCoding::Pcm16, SoundCoding::Pcm8, SoundCoding::Adpcm];

fn speechlike(samples: usize) -> Vec<i16> {
    let low = tone(16_000, 220.0, 0.3, 0.0, samples);
    let high = tone(16_000, 1730.0, 0.1, 40.0, samples);
    low.iter()
        .zip(&high)
        .map(|(a, b)| ((a + b) * 32_767.0) as i16)
        .collect()
}

#[test]
fn the_tables_are_those_of_the_recommendation() {
    // IMA 1992: 89 steps from 7 to 32767; index changes -1 -1 -1 -1 2 4 6 8.
    assert_eq!(STEPS.len(), 89);
    assert_eq!((STEPS[0], STEPS[88]), (7, 32_767));
    assert_eq!(STEPS.iter().map(|&s| i32::from(s)).sum::<i32>(), 360_393);
    assert_eq!(INDEX_CHANGE, [-1, -1, -1, -1, 2, 4, 6, 8]);
}

#[test]
fn the_decoder_gives_the_worked_values() {
    // Computed by hand from the recommendation's shift form, from state 0, 0.
    let mut state = State::default();
    let sevens: Vec<i16> = (0..8).map(|_| state.step(7)).collect();
    assert_eq!(sevens, [11, 41, 104, 240, 533, 1164, 2521, 5431]);
    let mut state = State::default();
    let all: Vec<i16> = (0..16).map(|code| state.step(code)).collect();
    assert_eq!(
        all,
        [
            0, 1, 4, 8, 15, 27, 47, 88, 82, 66, 41, 10, -28, -84, -181, -380
        ]
    );
}

#[test]
fn every_block_decodes_alone() {
    let samples = speechlike(5000);
    for coding in CODINGS {
        let mut encoder = BlockEncoder::new(coding);
        for size in [1, 2, 7, 505, 512, 0, 1601] {
            let block = encoder.encode(&samples[..size]);
            assert_eq!(block.len(), block_bytes(coding, size), "{coding:?} {size}");
            let mut out = vec![0; size];
            decode_block(coding, &block, &mut out).unwrap();
            if coding == SoundCoding::Pcm16 {
                assert_eq!(out, samples[..size]);
            }
            assert_eq!(out.is_empty(), size == 0);
        }
    }
}

#[test]
fn a_wav_block_of_256_bytes_holds_505_samples() {
    assert_eq!(block_bytes(SoundCoding::Adpcm, 505), 256);
}

#[test]
fn adpcm_follows_the_signal() {
    let samples = speechlike(16_000);
    let mut encoder = BlockEncoder::new(SoundCoding::Adpcm);
    let mut out = vec![0; samples.len()];
    for (wanted, got) in samples.chunks(640).zip(out.chunks_mut(640)) {
        decode_block(SoundCoding::Adpcm, &encoder.encode(wanted), got).unwrap();
    }
    let error: Vec<f64> = samples
        .iter()
        .zip(&out)
        .map(|(a, b)| f64::from(a - b))
        .collect();
    let signal: Vec<f64> = samples.iter().map(|&a| f64::from(a)).collect();
    let snr = db(rms(&signal) / rms(&error));
    assert!(snr > 25.0, "{snr} dB");
}

#[test]
fn damaged_blocks_are_refused() {
    let mut out = [0i16; 9];
    for coding in CODINGS {
        let bytes = vec![0u8; block_bytes(coding, 9) + 1];
        let error = decode_block(coding, &bytes, &mut out).unwrap_err();
        assert!(matches!(error, BlockError::Length { .. }), "{coding:?}");
    }
    let bad = |index, zero| [0, 0, index, zero, 0, 0, 0, 0];
    assert_eq!(
        decode_block(SoundCoding::Adpcm, &bad(89, 0), &mut out),
        Err(BlockError::Header)
    );
    assert_eq!(
        decode_block(SoundCoding::Adpcm, &bad(88, 1), &mut out),
        Err(BlockError::Header)
    );
    assert_eq!(
        decode_block(SoundCoding::Adpcm, &bad(88, 0), &mut out),
        Ok(())
    );
}
