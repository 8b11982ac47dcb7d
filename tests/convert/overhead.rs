//! What the container adds to a converted film: per picture, per slice, and once.

use std::path::Path;

use thumbreel::reel::{ReelFile, Survey};
use thumbreel::sound::SoundCoding;
use thumbreel::source::SoundChoice;
use thumbreel::units::{Nanos, Ratio};

use super::{choices, convert};
use crate::common::media::{folder, packaged};

/// Two seconds of a real clip as patch full, 240x240, 24 frames per second.
fn film(sound: Option<SoundCoding>, folder: &Path) -> Survey {
    let reel = folder.join("film.tbr");
    let choices = choices(|c| {
        c.coding.coding = None;
        c.size = Some((240, 240));
        c.rate = Ratio::new(24, 1);
        c.length = Some(Nanos(2_000_000_000));
        match sound {
            Some(coding) => c.sound_coding = coding,
            None => c.sound = SoundChoice::Silent,
        }
        c.overwrite = true;
    });
    convert(&choices, &packaged("bigbuckbunny.mp4"), &reel);
    Survey::read(&mut ReelFile::open(&reel).unwrap()).unwrap()
}

/// Bytes per second that are neither sound nor picture: of slices, and of all
/// that a reel has once.
fn added(survey: &Survey) -> (f64, u64) {
    let seconds = survey.ticks() as f64 / f64::from(survey.header.clock_rate);
    let slices = survey.slices.iter();
    let bytes: u64 = slices.map(|s| u64::from(s.header.length)).sum();
    let once = survey.file_bytes - bytes - survey.side_bytes();
    ((bytes - survey.payload_bytes()) as f64 / seconds, once)
}

#[test]
fn the_container_adds_what_the_text_says() {
    let folder = folder();
    for (sound, slices, most) in [
        (None, 1.0, 320.0),
        (Some(SoundCoding::Adpcm), 2.0, 400.0),
        (Some(SoundCoding::Pcm8), 2.0, 400.0),
        (Some(SoundCoding::Pcm16), 2.0, 400.0),
    ] {
        let survey = film(sound, folder.path());
        let (slice_bytes, once) = added(&survey);
        println!(
            "{sound:?}: {slice_bytes:.0} bytes/s in slices, {once} once, mean {} bytes/s",
            survey.mean_rate
        );
        // 24 pictures of 3 + 4 bytes and 0 to 3 of padding, `slices` slices of
        // 48 + 4 + 4 and 0 to 15; two seconds may hold one slice and picture more.
        let least = 24.0 * 7.0 + slices * 52.0;
        assert!(
            (least..=most).contains(&slice_bytes),
            "{sound:?}: {slice_bytes}"
        );
        // Header twice 1024, index 192, end 608; heads of poster and note.
        assert!((1824..=2016).contains(&once), "{sound:?}: {once}");
    }
}
