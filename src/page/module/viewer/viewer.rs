//! The container reader and the decoders, for a page in the browser.
//!
//! The page writes bytes at `input`, calls, and reads the table of `facts` and
//! the memory that it points to. There is one viewer in an instance, and one
//! thread. Exported names must not be mangled, which is the only thing here
//! that the compiler calls unsafe.
#![no_std]

extern crate alloc;

mod jpeg;
mod panel;

use core::fmt::Write;

use spin::{Mutex, MutexGuard};
use thumbreel::reel::{Event, Header, MAX_CHUNK, Reader};
use thumbreel::sound::{SoundCoding, decode_block};

use panel::Panel;

/// Room for the largest chunk, and for the largest piece the page supplies.
const CHUNK: usize = MAX_CHUNK as usize;
/// Samples in the longest slice: ten seconds at 96 kHz.
const SAMPLES: usize = 960_000;
const FACTS: usize = 64;

/// Only JPEG pictures need one.
#[global_allocator]
static ALLOCATOR: dlmalloc::GlobalDlmalloc = dlmalloc::GlobalDlmalloc;

static BUFFER: Mutex<[u8; CHUNK]> = Mutex::new([0; CHUNK]);
static INPUT: Mutex<[u8; CHUNK]> = Mutex::new([0; CHUNK]);
static SOUND: Mutex<[i16; SAMPLES]> = Mutex::new([0; SAMPLES]);
static VIEWER: Mutex<Option<Viewer>> = Mutex::new(None);

struct Viewer {
    reader: Reader<&'static mut [u8]>,
    input: &'static mut [u8],
    sound: &'static mut [i16],
    panel: Panel,
    header: Option<Header>,
    facts: [f64; FACTS],
    message: Text,
}

/// A short text for the page.
struct Text {
    bytes: [u8; 256],
    length: usize,
}

impl Write for Text {
    fn write_str(&mut self, text: &str) -> core::fmt::Result {
        for c in text.chars() {
            let end = self.length + c.len_utf8();
            if end > self.bytes.len() {
                return Err(core::fmt::Error);
            }
            c.encode_utf8(&mut self.bytes[self.length..]);
            self.length = end;
        }
        Ok(())
    }
}

impl Text {
    fn set(&mut self, text: &dyn core::fmt::Display) {
        self.length = 0;
        // A text that is too long is cut.
        let _ = write!(self, "{text}");
    }
}

/// Numbers of the events, as `reel.js` has them.
mod code {
    pub const FAILED: i32 = -1;
    pub const HUNGRY: i32 = 0;
    pub const HEADER: i32 = 1;
    pub const CHUNK: i32 = 2;
    pub const SLICE: i32 = 3;
    pub const SOUND: i32 = 4;
    pub const PICTURE: i32 = 5;
    pub const STALE: i32 = 6;
    pub const DAMAGE: i32 = 7;
    pub const END: i32 = 8;
}

fn put<const N: usize>(facts: &mut [f64; FACTS], values: [f64; N]) {
    facts[..N].copy_from_slice(&values);
}

fn address<T>(items: &[T]) -> f64 {
    items.as_ptr() as usize as f64
}

impl Viewer {
    fn new() -> Self {
        Self {
            reader: Reader::new(MutexGuard::leak(BUFFER.lock()).as_mut_slice()),
            input: MutexGuard::leak(INPUT.lock()).as_mut_slice(),
            sound: MutexGuard::leak(SOUND.lock()).as_mut_slice(),
            panel: Panel::new(),
            header: None,
            facts: [0.0; FACTS],
            message: Text {
                bytes: [0; 256],
                length: 0,
            },
        }
    }

    fn next(&mut self) -> i32 {
        let event = match self.reader.next() {
            Ok(Some(event)) => event,
            Ok(None) => return code::HUNGRY,
            Err(error) => {
                self.message.set(&error);
                return code::FAILED;
            }
        };
        let facts = &mut self.facts;
        match event {
            Event::Header(header) => {
                self.header = Some(*header);
                header_facts(header, facts);
                self.message.set(&header.title());
                if let Err(error) = self.panel.open(header) {
                    self.message.set(&error);
                    return code::FAILED;
                }
                code::HEADER
            }
            Event::Chunk(head, bytes) => {
                self.panel.side_chunk(head.kind, bytes);
                put(facts, [head.kind.into(), address(bytes), bytes.len() as f64]);
                code::CHUNK
            }
            Event::Slice(head) => {
                let key = f64::from(u8::from(head.is_key()));
                put(facts, [head.time as f64, head.ticks.into(), key, head.length.into()]);
                code::SLICE
            }
            Event::Sound { tick, ticks, bytes } => {
                let coding = self.header.map_or(0, |header| header.sound as u8);
                let out = &mut self.sound[..SAMPLES.min(ticks as usize)];
                let decoded = SoundCoding::from_number(coding).map(|c| decode_block(c, bytes, out));
                if !matches!(decoded, Some(Ok(()))) {
                    out.fill(0);
                }
                put(facts, [tick as f64, out.len() as f64, address(out)]);
                code::SOUND
            }
            Event::Picture {
                tick,
                number,
                header: head,
                bytes,
            } => {
                let place = [address(bytes), bytes.len() as f64];
                let coding = self.header.map_or(0, |header| header.coding);
                put(facts, [tick as f64, number.into(), coding.into(), head.flags.into()]);
                facts[4..6].copy_from_slice(&place);
                code::PICTURE
            }
            Event::Stale { tick, number, .. } => {
                put(facts, [tick as f64, number.into()]);
                code::STALE
            }
            Event::Damage(damage) => {
                put(facts, [damage.from as f64, damage.to as f64]);
                self.message.set(&damage.error);
                code::DAMAGE
            }
            Event::End(end) => {
                put(facts, [f64::from(u8::from(end.is_some()))]);
                code::END
            }
        }
    }

    fn decode(&mut self, coding: u8, flags: u8, length: usize) -> i32 {
        match self.panel.decode(coding, flags, &self.input[..length.min(CHUNK)]) {
            Ok(count) => count as i32,
            Err(error) => {
                self.message.set(&error);
                code::FAILED
            }
        }
    }
}

/// The header's numbers in the order that `reel.js` names them.
fn header_facts(h: &Header, facts: &mut [f64; FACTS]) {
    let ticks = |t: u64| if t == u64::MAX { -1.0 } else { t as f64 };
    put(
        facts,
        [
            h.width.into(),
            h.height.into(),
            f64::from(h.shape as u8),
            f64::from(h.pixel_format as u8),
            h.coding.into(),
            h.level.into(),
            f64::from(h.sound as u8),
            h.clock_rate.into(),
            h.rate.num.into(),
            h.rate.den.into(),
            h.first_tick as f64,
            ticks(h.duration),
            ticks(h.reel_duration),
            h.file_length as f64,
            h.first_picture.into(),
            h.picture_count.into(),
            h.slice_count.into(),
            h.largest_chunk.into(),
            h.prebuffer.into(),
            h.mean_rate.into(),
            h.worst_rate.into(),
            h.poster_offset.into(),
            h.poster_length.into(),
            h.part.into(),
            h.parts.into(),
            h.worst_bus_bytes.into(),
            h.worst_instructions.into(),
            h.working_memory.into(),
            h.mounting.turns.into(),
            f64::from(u8::from(h.mounting.mirror)),
        ],
    );
}

/// Calls `work` with the viewer, if `start` was called.
fn with<T: Default>(work: impl FnOnce(&mut Viewer) -> T) -> T {
    VIEWER.lock().as_mut().map(work).unwrap_or_default()
}

/// Makes the viewer; once in an instance.
#[unsafe(no_mangle)]
pub extern "C" fn start() {
    let mut viewer = VIEWER.lock();
    if viewer.is_none() {
        *viewer = Some(Viewer::new());
    }
}

/// Where the page writes bytes, and how many it may.
#[unsafe(no_mangle)]
pub extern "C" fn input() -> usize {
    with(|v| v.input.as_ptr() as usize)
}

/// See [`input`].
#[unsafe(no_mangle)]
pub extern "C" fn input_size() -> usize {
    CHUNK
}

/// Gives the reader the first `count` bytes of the input; how many it took.
#[unsafe(no_mangle)]
pub extern "C" fn supply(count: usize) -> usize {
    with(|v| v.reader.supply(&v.input[..count.min(CHUNK)]))
}

/// Offset of the bytes that the reader wants.
#[unsafe(no_mangle)]
pub extern "C" fn need_offset() -> f64 {
    with(|v| v.reader.need().offset as f64)
}

/// How many it wants.
#[unsafe(no_mangle)]
pub extern "C" fn need_length() -> usize {
    with(|v| v.reader.need().length)
}

/// The next bytes supplied are those it wants.
#[unsafe(no_mangle)]
pub extern "C" fn jump() {
    with(|v| v.reader.jump());
}

/// There are no more bytes.
#[unsafe(no_mangle)]
pub extern "C" fn end_of_input() {
    with(|v| v.reader.end_of_input());
}

/// Goes to the key slice for `tick`.
#[unsafe(no_mangle)]
pub extern "C" fn seek(tick: f64) {
    with(|v| {
        v.reader.input_goes_on();
        v.reader.seek(tick as u64);
    });
}

/// The next event's number; its facts are in the table.
#[unsafe(no_mangle)]
pub extern "C" fn next() -> i32 {
    with(Viewer::next)
}

/// The table of facts.
#[unsafe(no_mangle)]
pub extern "C" fn facts() -> usize {
    with(|v| v.facts.as_ptr() as usize)
}

/// The last text: a title or what went wrong.
#[unsafe(no_mangle)]
pub extern "C" fn message() -> usize {
    with(|v| v.message.bytes.as_ptr() as usize)
}

/// Its length in bytes of UTF-8.
#[unsafe(no_mangle)]
pub extern "C" fn message_length() -> usize {
    with(|v| v.message.length)
}

/// Decodes the first `length` bytes of the input onto the panel; the number of
/// rectangles that were sent to it, or -1.
#[unsafe(no_mangle)]
pub extern "C" fn decode(coding: u32, flags: u32, length: usize) -> i32 {
    with(|v| v.decode(coding as u8, flags as u8, length))
}

/// Estimated instructions of a board's core for that picture; 0 if it is not patch.
#[unsafe(no_mangle)]
pub extern "C" fn instructions() -> u32 {
    with(|v| v.panel.instructions())
}

/// Those rectangles: x, y, w, h, 16 bits each.
#[unsafe(no_mangle)]
pub extern "C" fn rectangles() -> usize {
    with(|v| v.panel.rectangles().as_ptr() as usize)
}

/// The panel's pixels, RGB565 with R in the high bits.
#[unsafe(no_mangle)]
pub extern "C" fn pixels() -> usize {
    with(|v| v.panel.pixels().as_ptr() as usize)
}

/// The panel's pixels as RGBA, 8 bits each.
#[unsafe(no_mangle)]
pub extern "C" fn rgba() -> usize {
    with(|v| v.panel.rgba().as_ptr() as usize)
}

#[cfg(target_arch = "wasm32")]
#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    core::arch::wasm32::unreachable()
}
