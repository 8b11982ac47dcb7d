//! Sound blocks: sizes, round trips, and the published IMA ADPCM values.

use thumbreel::sound::adpcm::{INDEX_CHANGE, STEPS, State};
use thumbreel::sound::{
    BlockEncoder, BlockError, BlockReader, SoundCoding, block_bytes, decode_block,
};

use crate::python::{bytes, numbers};
use crate::signals::{amplitude_at, db, rms, tone};

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
        let mut encoder = BlockEncoder::new(coding, 16_000);
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
    let mut encoder = BlockEncoder::new(SoundCoding::Adpcm, 16_000);
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

/// Level of the error of 8-bit coding against plain triangular dither, dB:
/// weighted by the table of ITU-R BS.468-4, and in all.
fn noise(rate: u32, samples: &[i16]) -> (f64, f64) {
    let block = BlockEncoder::new(SoundCoding::Pcm8, rate).encode(samples);
    let mut out = vec![0; samples.len()];
    decode_block(SoundCoding::Pcm8, &block, &mut out).unwrap();
    let error: Vec<f32> = samples
        .iter()
        .zip(&out)
        .map(|(a, b)| f32::from(b - a) / 256.0)
        .collect();
    // Plain triangular dither has three times the noise of rounding, 3/12 of a
    // step squared, even over the band.
    let script = "
import sys, numpy as np
x = np.frombuffer(sys.stdin.buffer.read(), '<f4').astype(float)
f = np.fft.rfftfreq(len(x), 1 / float(sys.argv[1]))
p = np.abs(np.fft.rfft(x))**2 / len(x)
hz = [31.5, 63, 100, 200, 400, 800, 1000, 2000, 3150, 4000, 5000, 6300, 7100, 8000, 9000, 10000, 12500, 14000, 16000, 20000, 31500]
db = [-29.9, -23.9, -19.8, -13.8, -7.8, -1.9, 0, 5.6, 9.0, 10.5, 11.7, 12.2, 12.0, 11.4, 10.1, 8.1, 0, -5.3, -11.7, -22.2, -42.7]
w = 10**(np.interp(np.log(np.maximum(f, 10)), np.log(hz), db) / 10)
print(10*np.log10((p*w).sum() / (0.25*w).sum()), 10*np.log10(p.mean() / 0.25))
";
    let found = numbers(script, &[rate.to_string()], &bytes(&error));
    (found[0], found[1])
}

#[test]
fn eight_bit_noise_goes_where_the_ear_is_dull() {
    let least = [
        (48_000, 6.0),
        (44_100, 5.5),
        (32_000, 2.5),
        (16_000, 1.2),
        (8_000, 2.0),
    ];
    for (rate, gain) in least {
        let samples: Vec<i16> = tone(rate, 1000.0, 0.25, 0.0, 1 << 16)
            .iter()
            .map(|s| (s * 32_767.0) as i16)
            .collect();
        let (heard, all) = noise(rate, &samples);
        println!("{rate} Hz: {heard:.2} dB heard, {all:.2} dB in all");
        assert!(heard < -gain, "{rate}: {heard} dB heard");
        assert!(all < 10.0, "{rate}: {all} dB in all");
    }
}

#[test]
fn eight_bit_silence_is_silent_and_full_scale_does_not_wrap() {
    let mut encoder = BlockEncoder::new(SoundCoding::Pcm8, 16_000);
    assert!(encoder.encode(&[0; 1000]).iter().all(|&b| b == 128));
    let top = encoder.encode(&[32_767; 1000]);
    assert!(top.iter().all(|&b| b > 250));
    let bottom = encoder.encode(&[-32_768; 1000]);
    assert!(bottom[2..].iter().all(|&b| b < 5));
}

#[test]
fn no_coding_lets_a_sample_pass_the_ceiling() {
    // Hard against the ceiling, as a limiter leaves it: a clipped two-tone, and
    // jumps from rail to rail.
    for ceiling in [0.0, -1.0, -6.0, -20.0] {
        let most = (32_768.0 * 10f64.powf(ceiling / 20.0))
            .floor()
            .min(32_767.0);
        let pair = tone(16_000, 97.0, 3.0, 0.0, 16_000);
        let other = tone(16_000, 3100.0, 2.0, 10.0, 16_000);
        let loud = pair
            .iter()
            .zip(&other)
            .map(|(a, b)| f64::from(a + b).clamp(-1.0, 1.0));
        let jumps = (0..2000).map(|i| if i / 7 % 2 == 0 { 1.0 } else { -1.0 });
        let samples: Vec<i16> = loud.chain(jumps).map(|x| (x * most) as i16).collect();
        for coding in CODINGS {
            let mut encoder = BlockEncoder::new(coding, 16_000).below(ceiling);
            let mut out = vec![0; samples.len()];
            for (slice, back) in samples.chunks(733).zip(out.chunks_mut(733)) {
                decode_block(coding, &encoder.encode(slice), back).unwrap();
            }
            let highest = out.iter().map(|s| i32::from(*s).abs()).max().unwrap();
            let limit = 32_768.0 * 10f64.powf(ceiling / 20.0);
            assert!(
                f64::from(highest) <= limit,
                "{coding:?} at {ceiling} dBFS: {highest} over {limit}"
            );
            // And it is still that sound.
            let error: Vec<f64> = samples
                .iter()
                .zip(&out)
                .map(|(a, b)| f64::from(*a) - f64::from(*b))
                .collect();
            let signal: Vec<f64> = samples.iter().map(|&a| f64::from(a)).collect();
            let snr = db(rms(&signal) / rms(&error));
            println!("{coding:?} at {ceiling}: {snr:.1} dB");
            assert!(snr > 5.0, "{coding:?} at {ceiling}: {snr} dB");
        }
    }
}

#[test]
fn eight_bit_errors_do_not_follow_the_signal() {
    // A tone of half a step would vanish or distort without dither; with it,
    // it is there at its level.
    let samples: Vec<i16> = tone(16_000, 500.0, 100.0 / 32_768.0, 0.0, 1 << 17)
        .iter()
        .map(|s| (s * 32_768.0).round() as i16)
        .collect();
    let block = BlockEncoder::new(SoundCoding::Pcm8, 16_000).encode(&samples);
    let mut out = vec![0; samples.len()];
    decode_block(SoundCoding::Pcm8, &block, &mut out).unwrap();
    let out: Vec<f64> = out.iter().map(|&s| f64::from(s)).collect();
    let level = db(amplitude_at(&out, 16_000, 500.0) / 100.0);
    assert!(level.abs() < 1.0, "{level} dB");
    let third = amplitude_at(&out, 16_000, 1500.0);
    assert!(third < 5.0, "third harmonic {third}");
}

#[test]
fn an_independent_decoder_agrees_bit_for_bit() {
    // Blocks of 505 samples are the mono blocks of a WAV file (format 0x11);
    // libavcodec's decoder, through PyAV, must give the same samples.
    let samples: Vec<i16> = {
        let loud = tone(22_050, 313.0, 0.9, 0.0, 505 * 40);
        loud.iter()
            .enumerate()
            .map(|(i, s)| (s * ((i % 5000) as f32 / 5000.0) * 32_767.0) as i16)
            .collect()
    };
    let mut encoder = BlockEncoder::new(SoundCoding::Adpcm, 22_050);
    let mut ours = vec![0; samples.len()];
    let mut data = Vec::new();
    for (wanted, got) in samples.chunks(505).zip(ours.chunks_mut(505)) {
        let block = encoder.encode(wanted);
        decode_block(SoundCoding::Adpcm, &block, got).unwrap();
        data.extend(block);
    }
    let mut wav = Vec::new();
    wav.extend(b"RIFF");
    wav.extend((52 + data.len() as u32).to_le_bytes());
    wav.extend(b"WAVEfmt ");
    wav.extend(20u32.to_le_bytes());
    for field in [0x11u16, 1] {
        wav.extend(field.to_le_bytes());
    }
    wav.extend(22_050u32.to_le_bytes());
    wav.extend((22_050u32 * 256 / 505).to_le_bytes());
    for field in [256u16, 4, 2, 505] {
        wav.extend(field.to_le_bytes());
    }
    wav.extend(b"fact");
    wav.extend(4u32.to_le_bytes());
    wav.extend((samples.len() as u32).to_le_bytes());
    wav.extend(b"data");
    wav.extend((data.len() as u32).to_le_bytes());
    wav.extend(&data);
    let script = "
import sys, io, av, numpy as np
c = av.open(io.BytesIO(sys.stdin.buffer.read()))
x = np.concatenate([f.to_ndarray().reshape(-1) for f in c.decode(audio=0)])
print(' '.join(str(v) for v in x))
";
    let theirs = numbers(script, &[], &wav);
    assert_eq!(theirs.len(), ours.len());
    assert!(ours.iter().zip(&theirs).all(|(a, b)| f64::from(*a) == *b));
}

/// A block in pieces, odd ones among them, gives the samples of the whole one.
#[test]
fn pieces_of_a_block_are_the_whole_block() {
    let wanted: Vec<i16> = (0..501).map(|i| (i * i % 9973 * 3) as i16).collect();
    for coding in [SoundCoding::Pcm16, SoundCoding::Pcm8, SoundCoding::Adpcm] {
        let block = BlockEncoder::new(coding, 16_000).encode(&wanted);
        let mut whole = vec![0; wanted.len()];
        decode_block(coding, &block, &mut whole).unwrap();
        for first in 0..6 {
            let mut pieces = vec![1; wanted.len()];
            let mut reader = BlockReader::open(coding, &block, wanted.len()).unwrap();
            let (start, rest) = pieces.split_at_mut(first);
            reader.read(&block, start);
            for piece in rest.chunks_mut(7) {
                reader.read(&block, piece);
            }
            assert_eq!(pieces, whole, "{coding:?} {first}");
        }
    }
}
