//! Parse and emit are each other's inverse, and input may come in any pieces.

use crate::common::faults::{Chance, Fault};
use crate::common::reels::{events, tiny_poster, tiny_reel, tiny_settings, write_reel};
use proptest::prelude::*;
use std::io::Cursor;
use thumbreel::reel::{
    CHUNK_HEADER, ChunkHeader, End, Header, INDEX_BLOCK, IndexBlock, IndexEntry, MOST_ENTRY,
    Picture, PictureHeader, SECTOR, Settings, Slice, SoundCoding, crc32, verify,
};

fn seal<const N: usize>(mut bytes: [u8; N]) -> [u8; N] {
    let crc = crc32(&bytes[..N - 4]);
    bytes[N - 4..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

/// A header sector in order with a few bytes changed and the checksum set right.
fn changed_header(changes: &[(usize, u8)]) -> [u8; SECTOR] {
    let mut sector: [u8; SECTOR] = tiny_reel(3)[..SECTOR].try_into().unwrap();
    for &(at, byte) in changes {
        sector[at] = byte;
    }
    seal(sector)
}

proptest! {
    #[test]
    fn what_parses_as_a_header_is_emitted_as_it_was(
        changes in prop::collection::vec((8..SECTOR - 4, prop::sample::select(vec![0, 1, 2, 3, 4, 8, 64, 127, 255_u8])), 0..3)
    ) {
        let sector = changed_header(&changes);
        if let Some(header) = Header::parse(&sector).ok().filter(|h| !h.is_newer()) {
            let mut again = [0; SECTOR];
            header.emit(&mut again);
            prop_assert_eq!(again, sector);
        }
    }

    #[test]
    fn what_is_emitted_as_a_header_parses_as_it_was(
        first_tick in 0..1_u64 << 39, ticks in 1..1_u64 << 39, id in 1..u64::MAX,
        (width, height) in (1..=512_u16, 1..=512_u16), title in "\\PC{0,40}", part in 1..9_u16,
    ) {
        let header = Header {
            first_tick, duration: ticks, reel_duration: ticks, reel_id: id, part, parts: 9,
            width, height, working_memory: Header::least_memory(2, width, height), title: Header::title_bytes(&title),
            ..Header::parse(tiny_reel(3).first_chunk().unwrap()).unwrap()
        };
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        prop_assert_eq!(Header::parse(&sector), Ok(header));
        prop_assert!(title.starts_with(header.title()));
    }

    #[test]
    fn chunk_headers_obey_the_round_trip_law(bytes in any::<[u8; CHUNK_HEADER]>(), kind in 0..8_u8, used in 0..1000_u32) {
        // Random bytes hardly ever parse: set right what a parser checks first.
        let mut bytes = bytes;
        bytes[..4].copy_from_slice(&thumbreel::reel::SYNC);
        bytes[4] = kind;
        bytes[5] &= 0x83;
        bytes[12..16].copy_from_slice(&(thumbreel::reel::chunk_length(used.into()) as u32).to_le_bytes());
        bytes[16..20].copy_from_slice(&used.to_le_bytes());
        bytes[29..32].fill(0);
        bytes[32..36].copy_from_slice(&(used.saturating_sub(4) & !3).min(8000).to_le_bytes());
        let bytes = seal(bytes);
        if let Ok(header) = ChunkHeader::parse(&bytes, false) {
            let mut again = [0; CHUNK_HEADER];
            header.emit(&mut again);
            prop_assert_eq!(again, bytes);
        }
    }

    #[test]
    fn directory_entries_obey_the_round_trip_law(bytes in any::<[u8; MOST_ENTRY]>(), even: bool, i in 0..16_u16, ticks in 1..=960_000_u32) {
        let flags = if even { ChunkHeader::EVEN } else { 0 };
        let h = ChunkHeader { flags, pictures: 16, ticks, ..slice_header() };
        if let Ok(header) = PictureHeader::parse(&bytes, &h, i) {
            let n = h.entry_bytes();
            prop_assert_eq!(&header.emit()[..n], &bytes[..n]);
            // The formula of the text, 6.2.
            if even {
                prop_assert_eq!(u64::from(header.tick_offset), u64::from(i) * u64::from(ticks) / 16);
            }
        }
    }

    #[test]
    fn index_blocks_obey_the_round_trip_law(first in 0..1000_u32, step: u32, id_low: u32, seed: u64) {
        let mut chance = Chance::new(seed);
        let mut entry = || IndexEntry { place: chance.below(1 << 32) as u32, number: chance.below(1 << 32) as u32 };
        let block = IndexBlock { first: first * 14, id_low, step, entries: std::array::from_fn(|_| entry()) };
        let mut bytes = [0; INDEX_BLOCK];
        block.emit(&mut bytes);
        prop_assert_eq!(IndexBlock::parse(&bytes), Ok(block));
    }

    #[test]
    fn totals_obey_the_round_trip_law(ticks: u64, offset: u64, sound_bytes: u64, pictures: u32, slices: u32, gaps: u32) {
        let end = End { ticks, offset, sound_bytes, pictures, slices, gaps };
        let mut payload = [0; thumbreel::reel::END_PAYLOAD];
        end.emit(&[7; SECTOR], &mut payload);
        prop_assert_eq!(End::parse(&payload, false), Ok(end));
        prop_assert_eq!(End::header_copy(&payload), Some(&[7; SECTOR]));
    }

    #[test]
    fn any_reel_comes_back_whole(seed: u64, n in 1..12_u64, sound in 0..4_usize) {
        let (settings, slices) = random_reel(seed, n, sound);
        let (reel, summary) = write_reel(&settings, Some(&tiny_poster()), &slices);
        prop_assert!(crate::common::reels::read_slices(&reel) == slices);
        prop_assert_eq!(summary.length, reel.len() as u64);
        let verdict = verify(Cursor::new(&reel)).unwrap();
        prop_assert!(verdict.is_whole(), "{:?}", verdict);
    }

    #[test]
    fn the_pieces_do_not_matter(seed: u64, faults in 0..4_u64) {
        let mut chance = Chance::new(seed);
        let mut reel = tiny_reel(1 + chance.below(12));
        for _ in 0..faults {
            if reel.len() >= SECTOR {
                Fault::any(&mut chance, reel.len() as u64).apply(&mut reel);
            }
        }
        let whole = events(&reel, || usize::MAX >> 1);
        prop_assert_eq!(&events(&reel, || 1), &whole);
        let most = [2, 64, 700, 5000][chance.below(4) as usize];
        prop_assert_eq!(&events(&reel, || 1 + chance.below(most) as usize), &whole);
    }
}

/// Slices of random length, gaps, pictures and sound coding.
fn random_reel(seed: u64, n: u64, sound: usize) -> (Settings, Vec<Slice>) {
    let codings = [
        SoundCoding::None,
        SoundCoding::PcmS16,
        SoundCoding::PcmU8,
        SoundCoding::ImaAdpcm,
    ];
    let settings = Settings {
        sound: codings[sound],
        seed,
        ..tiny_settings()
    };
    let mut chance = Chance::new(seed);
    let mut time = 0;
    let slices = (0..n).map(|i| {
        let slice = random_slice(&mut chance, time, settings.sound, i == 0);
        time = slice.time + u64::from(slice.ticks);
        slice
    });
    let slices = slices.collect();
    (settings, slices)
}

fn random_slice(chance: &mut Chance, time: u64, sound: SoundCoding, first: bool) -> Slice {
    let ticks = 1 + chance.below(2000) as u32;
    // A slice after a gap must begin with a key picture, or a player shows none of it.
    let gap = if first {
        0
    } else {
        chance.below(3) / 2 * chance.below(9000)
    };
    let key = first || gap > 0 || chance.below(3) == 0;
    let many = u64::from(ticks).min(5);
    let count = if key {
        1 + chance.below(many)
    } else {
        chance.below(many + 1)
    };
    let pictures = (0..count as u32).map(|i| random_picture(chance, i, key && i == 0));
    let pictures = pictures.collect();
    let bytes = sound.block_bytes(ticks).unwrap();
    let sound = (0..bytes).map(|_| chance.below(256) as u8).collect();
    Slice::new(time + gap, ticks, sound, pictures)
}

fn random_picture(chance: &mut Chance, tick_offset: u32, key: bool) -> Picture {
    let unchanged = !key && chance.below(3) == 0;
    let length = if unchanged { 0 } else { 1 + chance.below(900) };
    Picture {
        tick_offset,
        key,
        unchanged,
        bytes: (0..length).map(|_| chance.below(256) as u8).collect(),
    }
}

fn slice_header() -> ChunkHeader {
    ChunkHeader {
        kind: 3,
        flags: 0,
        pictures: 0,
        number: 0,
        length: 0,
        used: 0,
        ticks: 1,
        time: 0,
        bytes: 0,
        first_picture: 0,
        id_low: 0,
    }
}
