//! Any sample format as interleaved 32-bit float.

use byteorder::{ByteOrder as _, NativeEndian};

use ffmpeg_next as ffmpeg;

use ffmpeg::format::Sample;

use super::av_sys;

/// The frame's samples, channels interleaved, full scale at +-1. Empty if the
/// format is unknown.
pub(super) fn interleaved(frame: &ffmpeg::frame::Audio, channels: usize) -> Vec<f32> {
    let frames = frame.samples();
    let mut out = vec![0.0; frames * channels];
    if frame.is_packed() {
        decode(
            frame.format(),
            av_sys::sound_plane(frame, 0),
            &mut out,
            0,
            1,
        );
    } else {
        for channel in 0..channels {
            let plane = av_sys::sound_plane(frame, channel);
            decode(frame.format(), plane, &mut out, channel, channels);
        }
    }
    out
}

/// Writes the samples in `bytes` to `out[first]`, `out[first + step]`, ...
fn decode(format: Sample, bytes: &[u8], out: &mut [f32], first: usize, step: usize) {
    let places = out.iter_mut().skip(first).step_by(step);
    match format {
        Sample::U8(_) => fill(bytes, places, |[b]: [u8; 1]| (f32::from(b) - 128.0) / 128.0),
        Sample::I16(_) => fill(bytes, places, |b: [u8; 2]| {
            f32::from(NativeEndian::read_i16(&b)) / 32768.0
        }),
        Sample::I32(_) => fill(bytes, places, |b: [u8; 4]| {
            (f64::from(NativeEndian::read_i32(&b)) / 2_147_483_648.0) as f32
        }),
        Sample::I64(_) => fill(bytes, places, |b: [u8; 8]| {
            (NativeEndian::read_i64(&b) as f64 / 9_223_372_036_854_775_808.0) as f32
        }),
        Sample::F32(_) => fill(bytes, places, |b: [u8; 4]| {
            finite(NativeEndian::read_f32(&b))
        }),
        Sample::F64(_) => fill(bytes, places, |b: [u8; 8]| {
            finite(NativeEndian::read_f64(&b) as f32)
        }),
        Sample::None => {}
    }
}

fn fill<'a, const N: usize>(
    bytes: &[u8],
    places: impl Iterator<Item = &'a mut f32>,
    value: impl Fn([u8; N]) -> f32,
) {
    let (items, _) = bytes.as_chunks::<N>();
    for (place, item) in places.zip(items) {
        *place = value(*item);
    }
}

/// Damaged float sound may hold anything; what is not a number is silent.
fn finite(value: f32) -> f32 {
    if value.is_finite() { value } else { 0.0 }
}
