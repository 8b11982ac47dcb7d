//! Frames as the rest may use them: rows forward in memory.

use ffmpeg_next as ffmpeg;

use super::av_sys;

/// The same picture with rows that run forward, copied only if they do not.
pub(super) fn forward(frame: ffmpeg::frame::Video) -> ffmpeg::frame::Video {
    if av_sys::rows_run_backwards(&frame) {
        // A clone has buffers of its own, filled row by row.
        return frame.clone();
    }
    frame
}
