//! The Rust reader's and decoders' account of a reel, in the words of
//! `board/dump.c`.

use std::fmt::Write;
use thumbreel::coding::{CodingError, DecodeError, PanelDecoder, PanelSettings};
use thumbreel::reel::{
    ByteOrder, ErrorKind, Event, Header, PartName, PictureHeader, Reader, ReelError, SoundCoding,
    crc32,
};
use thumbreel::sound::decode_block;

/// Bytes of the C side's buffer.
pub const BUFFER: usize = 1 << 19;

/// The C header's number for an error.
pub fn code(kind: ErrorKind) -> i32 {
    match kind {
        ErrorKind::NotAReel => -101,
        ErrorKind::TextMode => -102,
        ErrorKind::Checksum { .. } => -103,
        ErrorKind::Truncated => -104,
        ErrorKind::NoSync => -105,
        ErrorKind::OtherReel => -106,
        ErrorKind::Sequence { .. } => -107,
        ErrorKind::Field { .. } => -108,
        ErrorKind::Reserved => -109,
        ErrorKind::Version { .. } => -201,
        ErrorKind::MustKnow { .. } => -202,
        ErrorKind::UnknownKind { .. } => -203,
        ErrorKind::Coding { .. } => -204,
        ErrorKind::Limit { .. } => -301,
        ErrorKind::Buffer { .. } => -401,
        other => panic!("the reader does not say {other:?}"),
    }
}

/// One reader and what it needs to tell its story.
struct Story {
    text: String,
    decoder: Option<PanelDecoder>,
    header: Option<Header>,
}

/// The events of `reel`, given in pieces of `piece` bytes.
pub fn events(path: &str, reel: &[u8], piece: usize, seek: Option<u64>) -> String {
    let mut story = Story {
        text: format!("reel {path}\n"),
        decoder: None,
        header: None,
    };
    if let Err(error) = story.read(reel, piece, seek) {
        writeln!(story.text, "error {}", code(error.kind)).unwrap();
    }
    story.text
}

impl Story {
    fn read(&mut self, reel: &[u8], piece: usize, seek: Option<u64>) -> Result<(), ReelError> {
        let mut reader = Reader::new(vec![0; BUFFER]);
        loop {
            let mut started = false;
            let mut ended = false;
            while let Some(event) = reader.next()? {
                started |= matches!(event, Event::Header(_));
                ended |= matches!(event, Event::End(_));
                self.say(&event);
                if started && seek.is_some() {
                    break;
                }
            }
            if ended {
                return Ok(());
            }
            if let (true, Some(tick)) = (started, seek) {
                reader.seek(tick);
            }
            if seek.is_some() {
                reader.jump();
            }
            let from = reader.position() as usize;
            let rest = reel.get(from..).unwrap_or(&[]);
            if rest.is_empty() {
                reader.end_of_input();
            } else {
                reader.supply(&rest[..piece.min(rest.len())]);
            }
        }
    }

    fn say(&mut self, event: &Event<'_>) {
        match event {
            Event::Header(header) => self.say_header(header),
            Event::Chunk(h, bytes) => {
                let line = format!("chunk {} {} {}", h.number, h.kind, crc32(bytes));
                self.line(&line);
            }
            Event::Slice(h) => {
                let line = format!("slice {} {} {} {}", h.number, h.flags, h.time, h.ticks);
                self.line(&line);
            }
            Event::Sound { tick, ticks, bytes } => self.say_sound(*tick, *ticks, bytes),
            Event::Picture {
                tick,
                number,
                header,
                bytes,
            } => self.say_picture(*tick, *number, header, bytes),
            Event::Stale { tick, number, .. } => self.line(&format!("stale {tick} {number}")),
            // The C side leaves what fills a slice up unread.
            Event::Damage(d) if d.error.part == Some(PartName::Padding) => {}
            Event::Damage(d) => {
                let chunk = d
                    .error
                    .chunk
                    .map_or(String::new(), |n| format!(" chunk {n}"));
                let line = format!(
                    "damage {} at {} + {} ticks {} to {}{chunk}",
                    code(d.error.kind),
                    d.error.offset,
                    d.length,
                    d.from,
                    d.to
                );
                self.line(&line);
            }
            Event::End(end) => self.line(&format!("end {}", u8::from(end.is_some()))),
        }
    }

    fn line(&mut self, text: &str) {
        self.text.push_str(text);
        self.text.push('\n');
    }

    fn say_header(&mut self, h: &Header) {
        self.header = Some(*h);
        let decoder = panel_decoder(h).ok().filter(|_| h.coding != 1);
        let opened = if decoder.is_some() { 0 } else { -204 };
        self.decoder = decoder;
        let line = format!(
            "header {} {}x{}+{}+{} {} {} {} {}/{} {} {} {opened}",
            h.reel_id,
            h.width,
            h.height,
            h.x_offset,
            h.y_offset,
            h.duration,
            h.largest_chunk,
            h.working_memory,
            h.rate.num,
            h.rate.den,
            h.clock_rate,
            h.title()
        );
        self.line(&line);
    }

    fn say_sound(&mut self, tick: u64, ticks: u32, bytes: &[u8]) {
        let sound = self.header.map_or(SoundCoding::None, |h| h.sound);
        let Some(coding) = super::films::block_coding(sound) else {
            return;
        };
        let mut samples = vec![0; ticks as usize];
        let told = match decode_block(coding, bytes, &mut samples) {
            Ok(()) => {
                let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
                crc32(&bytes).to_string()
            }
            Err(_) => "broken".into(),
        };
        self.line(&format!("sound {tick} {ticks} {told}"));
    }

    fn say_picture(&mut self, tick: u64, number: u32, h: &PictureHeader, bytes: &[u8]) {
        let mut line = format!(
            "picture {tick} {number} {} {} {} :",
            h.flags,
            h.length,
            crc32(bytes)
        );
        match &mut self.decoder {
            None => line += " -204 0",
            Some(decoder) => {
                let coding = self.header.map_or(0, |h| h.coding);
                let (told, rectangles) = match decoder.decode(coding, h.flags, bytes) {
                    Ok(rectangles) => (0, rectangles.to_vec()),
                    Err(error) => (decode_code(&error), Vec::new()),
                };
                let (x, y) = self.header.map_or((0, 0), |h| (h.x_offset, h.y_offset));
                for r in rectangles {
                    write!(line, " {},{},{},{}", r.x + x, r.y + y, r.w, r.h).unwrap();
                }
                let order = self.header.map_or(ByteOrder::HighFirst, |h| h.pixel_format);
                write!(line, " {told} {}", crc32(&wire(decoder, order))).unwrap();
            }
        }
        self.line(&line);
    }
}

fn decode_code(error: &CodingError) -> i32 {
    match error {
        CodingError::Decode(DecodeError::Unsuited(_)) => -204,
        _ => -110,
    }
}

/// Tells `see` every event of a whole reel without damage.
pub fn walk(reel: &[u8], mut see: impl FnMut(&Event<'_>)) {
    let mut reader = Reader::new(vec![0; 1 << 20]);
    let mut rest = reel;
    loop {
        match reader.next().unwrap() {
            Some(Event::Damage(damage)) => panic!("{damage:?}"),
            Some(event) => {
                see(&event);
                if matches!(event, Event::End(_)) {
                    return;
                }
            }
            None => {
                let taken = reader.supply(rest);
                rest = &rest[taken..];
            }
        }
    }
}

/// A decoder of the host's for the pictures of a reel.
pub fn panel_decoder(h: &Header) -> Result<PanelDecoder, CodingError> {
    PanelDecoder::new(PanelSettings::from(h))
}

/// What the panel shows, in the order in which it was sent.
pub fn wire(decoder: &PanelDecoder, order: ByteOrder) -> Vec<u8> {
    decoder
        .pixels()
        .iter()
        .flat_map(|&p| order.bytes(p))
        .collect()
}
