//! What the media library reports, in our own words.

use ffmpeg_next::Error;

use crate::files::reason;

/// A reason in plain words, by the library's code; its sentences stay inside.
#[must_use]
pub fn media_reason(error: &Error) -> String {
    let words = match error {
        Error::Other { errno } => return reason(&std::io::Error::from_raw_os_error(*errno)),
        Error::Eof => "it ends too early",
        Error::InvalidData => "its data makes no sense",
        Error::PatchWelcome | Error::Experimental => "it uses a feature that is not supported",
        Error::DecoderNotFound | Error::EncoderNotFound => {
            "this system's media library lacks the codec"
        }
        Error::DemuxerNotFound | Error::MuxerNotFound => {
            "this system's media library does not know the format"
        }
        Error::ProtocolNotFound => "such an address cannot be opened here",
        Error::StreamNotFound => "a track is missing",
        Error::OptionNotFound | Error::BsfNotFound | Error::FilterNotFound => {
            "this system's media library lacks a part"
        }
        Error::HttpNotFound => "the server does not have it",
        Error::HttpForbidden | Error::HttpUnauthorized => "the server refuses it",
        Error::HttpBadRequest | Error::HttpOther4xx | Error::HttpServerError => {
            "the server cannot send it"
        }
        Error::Exit => "it was stopped",
        Error::InputChanged | Error::OutputChanged => "it changed while it was read",
        Error::BufferTooSmall => "a part of it is too large",
        Error::Bug | Error::Bug2 | Error::External | Error::Unknown => {
            "the media library failed on it"
        }
    };
    words.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_sentence_of_the_library_is_passed_on() {
        for code in (-200..0)
            .map(Error::from)
            .chain([Error::InvalidData, Error::Eof])
        {
            let own = media_reason(&code);
            assert!(!own.is_empty() && own != code.to_string(), "{own}");
        }
    }
}
