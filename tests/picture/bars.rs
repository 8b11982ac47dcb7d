//! Black bars in the source.

use ffmpeg_next::format::Pixel;
use thumbreel::picture::SourceCrop;
use thumbreel::picture::bars::BarFinder;
use thumbreel::source::SourcePicture;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::frames::{painted, pictures};

/// A 640x480 picture of one luma between noisy black bars.
fn barred(top: usize, bottom: usize, side: usize, luma: u8) -> SourcePicture {
    painted(Pixel::YUV420P, 640, 480, move |plane, x, y| {
        let inside = (top..480 - bottom).contains(&y) && (side..640 - side).contains(&x);
        match plane {
            0 if inside => luma,
            0 => 16 + ((x * 7 + y * 13) % 4) as u8,
            _ => 128,
        }
    })
}

fn found(pictures: &[SourcePicture]) -> Option<SourceCrop> {
    let mut finder = BarFinder::default();
    for picture in pictures {
        finder.look(picture).expect("readable");
    }
    finder.crop()
}

fn bars(left: u32, top: u32, right: u32, bottom: u32) -> Option<SourceCrop> {
    Some(SourceCrop {
        left,
        top,
        right,
        bottom,
    })
}

#[test]
fn bars_are_found_to_the_row() {
    assert_eq!(found(&[barred(60, 60, 0, 120)]), bars(0, 60, 0, 60));
    assert_eq!(found(&[barred(0, 0, 80, 120)]), bars(80, 0, 80, 0));
    assert_eq!(found(&[barred(61, 40, 8, 120)]), bars(8, 60, 8, 40));
}

#[test]
fn the_crop_is_steady_over_the_clip() {
    // A fade from black and a night scene with a lit lower edge must not
    // widen the crop, and one tall picture must narrow it.
    let dark = barred(60, 60, 0, 17);
    assert_eq!(found(&[dark, barred(60, 60, 0, 120)]), bars(0, 60, 0, 60));
    let parts = [
        barred(60, 60, 0, 120),
        barred(20, 60, 0, 90),
        barred(60, 60, 0, 120),
    ];
    assert_eq!(found(&parts), bars(0, 20, 0, 60));
}

#[test]
fn no_bars_no_crop() {
    assert_eq!(found(&[barred(0, 0, 0, 120)]), None);
    assert_eq!(found(&[barred(2, 2, 0, 120)]), None, "too thin to matter");
    assert_eq!(found(&[barred(0, 0, 0, 16)]), None, "nothing is ever shown");
    assert_eq!(found(&pictures(&packaged("bikes.mp4"), 20)), None);
}

#[test]
fn bars_survive_a_codec() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=size=640x360:rate=10:duration=1 -vf pad=640:480:0:60 -c:v libx264 -crf 30 -pix_fmt yuv420p bars.mp4",
    );
    let pictures = pictures(&folder.path().join("bars.mp4"), 10);
    // Ringing at the edges may add a few rows of picture, but never cut any.
    let crop = found(&pictures).expect("bars");
    assert!((crop.left, crop.right) == (0, 0), "{crop:?}");
    assert!(
        (52..=60).contains(&crop.top) && (52..=60).contains(&crop.bottom),
        "{crop:?}"
    );
}
