//! Any slices: what the writer takes, the reader gives back.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::io::Cursor;
use thumbreel::reel::{Header, Picture, ReelFile, ReelWriter, Settings, Slice, SoundCoding, verify};

/// Numbers from the fuzzer's bytes; zeros when they run out.
struct Numbers<'a>(&'a [u8]);

impl Numbers<'_> {
    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else {
            return 0;
        };
        self.0 = rest;
        *first
    }

    fn number(&mut self) -> u32 {
        u32::from(self.byte()) << 8 | u32::from(self.byte())
    }
}

fuzz_target!(|data: &[u8]| {
    let mut n = Numbers(data);
    let sound = match n.byte() % 4 {
        0 => SoundCoding::None,
        1 => SoundCoding::PcmS16,
        2 => SoundCoding::PcmU8,
        _ => SoundCoding::ImaAdpcm,
    };
    let (width, height, coding) = (n.byte().into(), n.byte().into(), n.byte() % 3);
    let settings = Settings {
        width,
        height,
        clock_rate: 4000 + n.number(),
        sound,
        coding,
        level: n.byte() % 3,
        working_memory: Header::least_memory(coding, width, height),
        index_step_ms: n.number(),
        ..Settings::default()
    };
    let Ok(mut writer) = ReelWriter::new(Cursor::new(Vec::new()), &settings, None) else {
        return;
    };
    let (mut taken, mut time) = (Vec::new(), 0);
    while !n.0.is_empty() && taken.len() < 100 {
        let slice = slice(&mut n, time, &settings);
        if writer.slice(&slice).is_ok() {
            time = slice.time + u64::from(slice.ticks);
            taken.push(slice);
        }
    }
    let Ok((sink, summary)) = writer.finish() else {
        assert!(taken.is_empty());
        return;
    };
    let reel = sink.into_inner();
    assert_eq!(summary.length, reel.len() as u64);
    let verdict = verify(Cursor::new(&reel)).expect("memory does not fail");
    assert!(verdict.is_whole(), "{verdict:?}");
    let mut file = ReelFile::new(Cursor::new(&reel)).expect("it is whole");
    for slice in taken {
        let piece = file.next_piece().expect("it is whole");
        let Some(thumbreel::reel::Piece::Slice(read)) = piece else {
            panic!("{piece:?}");
        };
        assert!(read.slice == slice);
    }
});

fn slice(n: &mut Numbers<'_>, time: u64, settings: &Settings) -> Slice {
    let ticks = n.number();
    let gap = u64::from(n.byte() % 4) / 3 * u64::from(n.number());
    let pictures = (0..n.byte() % 5).map(|_| picture(n)).collect();
    // Every fourth slice is silent without bytes.
    let silent = n.byte() % 4 == 0;
    let bytes = settings.sound.block_bytes(ticks).filter(|_| !silent).unwrap_or(0);
    let fill = n.byte();
    Slice::new(time + gap, ticks, vec![fill; bytes as usize], pictures)
}

fn picture(n: &mut Numbers<'_>) -> Picture {
    let flags = n.byte();
    let unchanged = flags & 1 != 0;
    Picture {
        tick_offset: n.number(),
        key: flags & 4 != 0,
        unchanged,
        bytes: vec![
            n.byte();
            if unchanged {
                0
            } else {
                1 + n.number() as usize % 300
            }
        ],
    }
}
