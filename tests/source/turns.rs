//! Rotated clips, checked against pixels, and the shape of pixels.

use crate::common::media::{ffmpeg, folder};
use crate::{mean_difference, open, plane};

/// Turns a plane clockwise by quarter turns.
fn turned(w: usize, h: usize, pixels: &[u8], turns: u8) -> Vec<u8> {
    let mut state = (w, h, pixels.to_vec());
    for _ in 0..turns {
        let (w, h, p) = &state;
        let turned = (0..*w).flat_map(|y| (0..*h).map(move |x| p[(h - 1 - x) * w + y]));
        state = (*h, *w, turned.collect());
    }
    state.2
}

#[test]
fn all_four_turns_stand_upright_as_the_ffmpeg_program_shows_them() {
    let folder = folder();
    let source = "-f lavfi -i testsrc2=s=96x64:r=10:d=0.3 -pix_fmt yuv420p -c:v libx264 -qp 10";
    for degrees in [0, 90, 180, 270] {
        ffmpeg(folder.path(), &format!("{source} plain.mp4"));
        ffmpeg(
            folder.path(),
            &format!("-i plain.mp4 -c copy -metadata:s:v:0 rotate={degrees} turned.mp4"),
        );
        let upright = ffmpeg(
            folder.path(),
            "-i turned.mp4 -frames:v 1 -pix_fmt gray -color_range mpeg -f rawvideo -",
        );
        let clip = open(&folder.path().join("turned.mp4"));
        let first = &clip.pictures[0];
        let (w, h, luma) = plane(first, 0);
        assert_eq!((w, h), (96, 64), "pixels are handed out as stored");
        let ours = turned(w, h, &luma, first.rotation.count());
        // The program's grey is full range, so compare after stretching ours.
        let ours: Vec<u8> = ours
            .iter()
            .map(|&y| {
                ((f64::from(y) - 16.0) * 255.0 / 219.0)
                    .round()
                    .clamp(0.0, 255.0) as u8
            })
            .collect();
        let off = mean_difference(&ours, &upright);
        assert!(
            off < 6.0,
            "{degrees} degrees: {off} off, {:?}",
            first.rotation
        );
        for other in (0..4).filter(|t| *t != first.rotation.count()) {
            let wrong = turned(w, h, &luma, other);
            assert!(
                mean_difference(&wrong, &upright) > 20.0,
                "the check can fail"
            );
        }
    }
}

#[test]
fn the_shape_of_pixels_is_known() {
    let folder = folder();
    for (made, size, codec, name) in [
        ("64/45", "720x576", "-c:v mpeg2video", "dvd.mpg"),
        ("16/11", "96x64", "-c:v libx264", "wide.mp4"),
        ("1/1", "96x64", "-c:v libx264", "square.mkv"),
    ] {
        let make =
            format!("-f lavfi -i testsrc2=s={size}:r=25:d=0.2 -vf setsar={made} {codec} {name}");
        ffmpeg(folder.path(), &make);
        let aspect = open(&folder.path().join(name)).pictures[0].sample_aspect;
        assert_eq!(format!("{}/{}", aspect.num, aspect.den), made, "{name}");
    }
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=0.2 -vf setsar=0 -c:v mjpeg unset.avi",
    );
    let unset = open(&folder.path().join("unset.avi")).pictures[0].sample_aspect;
    assert_eq!((unset.num, unset.den), (1, 1), "unset means square");
}
