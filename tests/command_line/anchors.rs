//! Where a picture smaller than its panel lies.

use crate::common::media::{ffmpeg, folder};
use crate::thumbreel;

/// Left, top, right and bottom edge of what is not dark.
fn edges(picture: &image::RgbImage) -> [u32; 4] {
    let light = picture.enumerate_pixels().filter(|p| p.2.0[1] > 100);
    light.fold([u32::MAX, u32::MAX, 0, 0], |e, (x, y, _)| {
        [e[0].min(x), e[1].min(y), e[2].max(x + 1), e[3].max(y + 1)]
    })
}

#[test]
fn a_smaller_picture_lies_where_its_anchor_says() {
    let folder = folder();
    let path = folder.path();
    ffmpeg(
        path,
        "-f lavfi -i color=white:s=120x80:r=5:d=0.4 -c:v mpeg4 a.mp4",
    );
    for (anchor, x, y) in [
        ("middle", 60, 80),
        ("top-left", 0, 0),
        ("right", 120, 80),
        ("bottom-right", 120, 160),
        ("0.25,1", 30, 160),
    ] {
        for line in [
            format!(
                "convert a.mp4 --board lantern-room --size 120x80 --anchor {anchor} --overwrite"
            ),
            "export a.tbr --at 0 --output a.png --overwrite".into(),
            "export a.tbr --output a.mp4.mp4 --overwrite".into(),
        ] {
            thumbreel(path).args(line.split(' ')).assert().success();
        }
        let picture = image::open(path.join("a.png")).unwrap().into_rgb8();
        assert_eq!(picture.dimensions(), (240, 240));
        assert_eq!(edges(&picture), [x, y, x + 120, y + 80], "{anchor}");
        // The film shows the panel too.
        ffmpeg(path, "-i a.mp4.mp4 -frames:v 1 -update 1 film.png");
        let film = image::open(path.join("film.png")).unwrap().into_rgb8();
        assert_eq!(film.dimensions(), (240, 240));
        assert_eq!(edges(&film), [x, y, x + 120, y + 80], "{anchor} in a film");
    }
}
