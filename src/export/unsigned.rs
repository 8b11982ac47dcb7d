//! Films without the signatures of the libraries that encode and mux them.

use ffmpeg_next::format::context::Output;
use ffmpeg_next::format::stream::StreamMut;
use ffmpeg_next::{Dictionary, Error, Packet};

/// Writes the file's header; names and versions of the muxer stay out.
pub(crate) fn write_header(out: &mut Output) -> Result<(), Error> {
    let mut options = Dictionary::new();
    options.set("fflags", "+bitexact");
    out.write_header_with(options).map(|_| ())
}

/// Names a track, in place of the muxer's own word.
pub(crate) fn name_track(stream: &mut StreamMut<'_>, name: &str) {
    let mut tags = Dictionary::new();
    tags.set("handler_name", name);
    stream.set_metadata(tags);
}

/// An H.264 packet without its supplemental messages (NAL unit type 6, ITU-T
/// H.264 table 7-1), in which an encoder states its name and options. Start
/// codes are those of annex B.
pub(crate) fn without_messages(packet: Packet) -> Packet {
    let Some(kept) = packet.data().and_then(without_type_6) else {
        return packet;
    };
    let mut plain = Packet::copy(&kept);
    plain.set_pts(packet.pts());
    plain.set_dts(packet.dts());
    plain.set_duration(packet.duration());
    plain.set_flags(packet.flags());
    plain
}

/// The bytes without NAL units of type 6; `None` if there are none.
fn without_type_6(bytes: &[u8]) -> Option<Vec<u8>> {
    let starts = bytes.windows(3).enumerate();
    let mut starts: Vec<usize> = starts
        .filter(|(_, w)| w == &[0, 0, 1])
        .map(|s| s.0)
        .collect();
    let types = |at: usize| bytes.get(at + 3).map(|b| b & 31);
    starts
        .iter()
        .any(|&at| types(at) == Some(6))
        .then_some(())?;
    let first = starts[0];
    starts.push(bytes.len());
    let mut kept = bytes[..first].to_vec();
    for unit in starts.windows(2).filter(|unit| types(unit[0]) != Some(6)) {
        kept.extend_from_slice(&bytes[unit[0]..unit[1]]);
    }
    Some(kept)
}

#[cfg(test)]
mod tests {
    use super::without_type_6;

    #[test]
    fn only_messages_are_left_out() {
        let packet = [0, 0, 0, 1, 0x06, 5, 9, 0, 0, 1, 0x65, 7, 0, 0, 1, 0x41, 8];
        let kept = [0, 0, 0, 1, 0x65, 7, 0, 0, 1, 0x41, 8];
        assert_eq!(without_type_6(&packet).as_deref(), Some(&kept[..]));
        assert_eq!(without_type_6(&kept), None);
        assert_eq!(without_type_6(&[]), None);
    }
}
