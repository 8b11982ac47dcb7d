//! The one place with `unsafe`: what libav* offers and the safe crate lacks.
//!
//! Each function states why it is sound. Nothing here keeps a pointer.
#![allow(unsafe_code)]

use ffmpeg_next as ffmpeg;

use ffmpeg::ffi;
use ffmpeg::format::context::Input;

use crate::units::Ratio;

/// Lets a decoder that is not yet open use `threads` threads, for whole
/// pictures or for slices, whichever it knows (the safe crate allows one kind
/// only, which leaves slice decoders single-threaded).
pub(super) fn set_threads(context: &mut ffmpeg::codec::Context, threads: usize) {
    // SAFETY: the context is owned and alive; both fields are plain integers
    // that a caller may set before the decoder is opened.
    unsafe {
        let context = context.as_mut_ptr();
        (*context).thread_type = ffi::FF_THREAD_FRAME | ffi::FF_THREAD_SLICE;
        (*context).thread_count = i32::try_from(threads).unwrap_or(1);
    }
}

/// The shape of a pixel, from the container where it states one, else from the
/// frame; `None` if neither does or if it is beyond reason.
pub(super) fn sample_aspect(
    input: &Input,
    stream: usize,
    frame: Option<&ffmpeg::frame::Video>,
) -> Option<Ratio> {
    let stream = input.stream(stream)?;
    let frame = frame.map_or(std::ptr::null(), |frame| unsafe { frame.as_ptr() });
    // SAFETY: format context, stream and frame are alive for the call, which
    // only reads them; a null frame is allowed.
    let ratio = unsafe {
        ffi::av_guess_sample_aspect_ratio(
            input.as_ptr().cast_mut(),
            stream.as_ptr().cast_mut(),
            frame.cast_mut(),
        )
    };
    let (num, den) = (
        u32::try_from(ratio.num).ok()?,
        u32::try_from(ratio.den).ok()?,
    );
    let sane = num <= den.saturating_mul(16) && den <= num.saturating_mul(16);
    Ratio::new(num, den).filter(|_| sane)
}

/// Lets the demuxer leave out all streams but one.
pub(super) fn keep_only(input: &mut Input, keep: usize) {
    for mut stream in input.streams_mut() {
        let discard = match stream.index() == keep {
            true => ffi::AVDiscard::AVDISCARD_DEFAULT,
            false => ffi::AVDiscard::AVDISCARD_ALL,
        };
        // SAFETY: the stream is alive and borrowed alone; one enumerator is
        // written that the demuxer reads at its next packet.
        unsafe { (*stream.as_mut_ptr()).discard = discard };
    }
}

/// Stored width and height of a stream, 0 where unknown.
pub(super) fn picture_size(stream: &ffmpeg::Stream<'_>) -> (u32, u32) {
    let parameters = stream.parameters();
    // SAFETY: the parameters are alive while `parameters` is; two integers are read.
    let (w, h) = unsafe {
        let p = parameters.as_ptr();
        ((*p).width, (*p).height)
    };
    (u32::try_from(w).unwrap_or(0), u32::try_from(h).unwrap_or(0))
}

/// Samples per second, channels and channel mask of a sound stream.
pub(super) fn sound_shape(stream: &ffmpeg::Stream<'_>) -> (u32, usize, u64) {
    let parameters = stream.parameters();
    // SAFETY: as above; the mask is read only where the order says that it is one.
    unsafe {
        let p = parameters.as_ptr();
        let layout = &(*p).ch_layout;
        let native = layout.order == ffi::AVChannelOrder::AV_CHANNEL_ORDER_NATIVE;
        (
            u32::try_from((*p).sample_rate).unwrap_or(0),
            usize::try_from(layout.nb_channels).unwrap_or(0),
            if native { layout.u.mask } else { 0 },
        )
    }
}

/// Channels and channel mask of decoded sound.
pub(super) fn sound_layout(frame: &ffmpeg::frame::Audio) -> (usize, u64) {
    // SAFETY: the frame is alive; the mask is read only where it is one.
    unsafe {
        let layout = &(*frame.as_ptr()).ch_layout;
        let native = layout.order == ffi::AVChannelOrder::AV_CHANNEL_ORDER_NATIVE;
        (
            usize::try_from(layout.nb_channels).unwrap_or(0),
            if native { layout.u.mask } else { 0 },
        )
    }
}

/// The bytes of one plane of decoded sound: a channel, or all of them
/// interleaved if the format is packed. Empty if the plane does not exist.
pub(super) fn sound_plane(frame: &ffmpeg::frame::Audio, plane: usize) -> &[u8] {
    let channels = sound_layout(frame).0;
    let (planes, per_plane) = match frame.is_packed() {
        true => (1, channels),
        false => (channels, 1),
    };
    let bytes = frame.samples() * frame.format().bytes() * per_plane;
    if plane >= planes || bytes == 0 {
        return &[];
    }
    // SAFETY: `extended_data` has one pointer a plane, and libavutil allocates
    // at least samples x bytes (x channels if packed) for each; the slice lives
    // no longer than the frame that is borrowed.
    unsafe {
        let data = *(*frame.as_ptr()).extended_data.add(plane);
        if data.is_null() {
            return &[];
        }
        std::slice::from_raw_parts(data, bytes)
    }
}

/// Whether any plane's rows run backwards in memory (as stored bottom-up in
/// some files), for which the safe crate's slices are unsound.
pub(super) fn rows_run_backwards(frame: &ffmpeg::frame::Video) -> bool {
    // SAFETY: the frame is alive; an array of integers is read.
    unsafe { (*frame.as_ptr()).linesize.iter().any(|&size| size < 0) }
}

/// The frame's plane pointers are set: it holds a picture.
pub(super) fn holds_picture(frame: &ffmpeg::frame::Video) -> bool {
    // SAFETY: the frame is alive; one pointer is compared.
    unsafe { !frame.is_empty() }
}

/// The scanning order that the container states.
pub(super) fn field_order(stream: &ffmpeg::Stream<'_>) -> ffmpeg::FieldOrder {
    let parameters = stream.parameters();
    // SAFETY: the parameters are alive; one enumerator is read.
    ffmpeg::FieldOrder::from(unsafe { (*parameters.as_ptr()).field_order })
}

/// Bits of the first component of a pixel format, 0 where unknown.
pub(super) fn component_bits(format: ffmpeg::format::Pixel) -> i32 {
    let Some(descriptor) = format.descriptor() else {
        return 0;
    };
    // SAFETY: descriptors are static tables of libavutil.
    unsafe { (*descriptor.as_ptr()).comp[0].depth }
}
