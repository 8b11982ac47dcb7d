//! Containers and pixel formats.

use ffmpeg_next::format::Pixel;
use thumbreel::source::{Clip, Interlace, Matrix, OpenOptions, Primaries, SourceError, Transfer};

use crate::common::media::{ffmpeg, folder, probe};
use crate::{mean_difference, open, read, rgb};

#[test]
fn every_container_gives_all_its_pictures() {
    let folder = folder();
    for (how, name) in [
        ("-c:v libx264 -c:a aac", "a.mp4"),
        ("-c:v libx264 -bf 3 -c:a libvorbis", "b.mkv"),
        ("-c:v libvpx-vp9 -c:a libopus", "c.webm"),
        ("-c:v mpeg1video -c:a mp2", "d.mpg"),
        ("-c:v mpeg4 -c:a mp3", "e.avi"),
        ("-c:v mpeg2video -c:a ac3", "f.ts"),
        ("-an", "g.gif"),
        ("-c:v mjpeg -c:a pcm_s16le", "h.mov"),
        ("-c:v flv1 -c:a mp3 -ar 44100", "i.flv"),
        ("-c:v libtheora -c:a libvorbis", "j.ogv"),
        ("-c:v wmv2 -c:a wmav2", "k.wmv"),
    ] {
        let how = how.replace("flv1", "flv");
        ffmpeg(
            folder.path(),
            &format!("-f lavfi -i testsrc2=s=96x64:r=25:d=1 -f lavfi -i sine=440:d=1 {how} {name}"),
        );
        let path = folder.path().join(name);
        let counted = probe(
            &path,
            "-select_streams v:0 -count_frames -show_entries stream=nb_read_frames",
        );
        let whole = open(&path);
        assert_eq!(whole.pictures.len().to_string(), counted[0], "{name}");
        assert!(!whole.damage.any(), "{name}: {:?}", whole.damage);
        let heard = whole.sound_end();
        assert!(
            name == "g.gif" || (heard - 1.0).abs() < 0.1,
            "{name}: {heard} s of sound"
        );
    }
}

#[test]
fn every_pixel_format_shows_the_same_picture() {
    let folder = folder();
    for (how, name) in [
        ("-pix_fmt bgr24 -c:v rawvideo", "upside.avi"),
        ("-pix_fmt yuyv422 -c:v rawvideo", "packed.avi"),
        ("-pix_fmt rgba -c:v png", "alpha.mov"),
        ("-pix_fmt gbrp -c:v ffv1", "planar.mkv"),
        ("-pix_fmt pal8 -c:v rawvideo", "palette.nut"),
        ("-pix_fmt gray -c:v ffv1", "grey.mkv"),
        ("-pix_fmt yuv444p10le -c:v ffv1", "ten.mkv"),
        ("-pix_fmt yuv422p12le -c:v ffv1", "twelve.mkv"),
        ("-pix_fmt rgb48le -c:v ffv1", "sixteen.mkv"),
        ("-pix_fmt nv12 -c:v rawvideo", "half.nut"),
        ("-pix_fmt yuvj420p -c:v mjpeg -q:v 2", "full.mov"),
        ("-pix_fmt rgb565le -c:v rawvideo", "565.nut"),
        (
            "-pix_fmt yuva420p -c:v libvpx -auto-alt-ref 0",
            "clear.webm",
        ),
    ] {
        ffmpeg(
            folder.path(),
            &format!("-f lavfi -i testsrc2=s=98x66:r=5:d=0.6 {how} {name}"),
        );
        let shown = ffmpeg(
            folder.path(),
            &format!("-i {name} -frames:v 1 -pix_fmt rgb24 -f rawvideo -"),
        );
        let whole = open(&folder.path().join(name));
        assert_eq!(whole.pictures.len(), 3, "{name}");
        let off = mean_difference(&rgb(&whole.pictures[0]), &shown);
        assert!(off < 0.6, "{name}: {off} off");
        // Reading planes as slices must be sound and upright everywhere.
        let frame = &whole.pictures[0].frame;
        assert!(
            frame.stride(0) < 1 << 20 && !frame.data(0).is_empty(),
            "{name}"
        );
    }
}

#[test]
fn ten_bit_and_high_dynamic_range_are_never_taken_for_eight() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=128x96:r=25:d=0.4 -pix_fmt yuv420p10le -c:v libx265 -x265-params \
         'log-level=none:hdr10=1:colorprim=bt2020:transfer=smpte2084:colormatrix=bt2020nc:\
         master-display=G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(40000000,50):max-cll=1000,400' \
         -tag:v hvc1 hdr.mp4",
    );
    let path = folder.path().join("hdr.mp4");
    let clip = Clip::open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(clip.info().picture.bits, 10);
    let whole = read(clip);
    let first = &whole.pictures[0];
    assert_eq!(first.frame.format(), Pixel::YUV420P10LE);
    assert_eq!(first.colour.transfer, Some(Transfer::Pq));
    assert_eq!(first.colour.primaries, Some(Primaries::Bt2020));
    assert_eq!(first.colour.matrix, Some(Matrix::Bt2020));
    assert_eq!(first.colour.peak_nits, Some(1000.0));
}

#[test]
fn tags_that_are_not_set_stay_unset() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=0.2 -c:v libx264 plain.mp4",
    );
    let colour = open(&folder.path().join("plain.mp4")).pictures[0].colour;
    assert_eq!(
        (colour.matrix, colour.transfer, colour.primaries),
        (None, None, None)
    );
    assert_eq!(colour.peak_nits, None);
}

#[test]
fn fields_are_told_apart() {
    let folder = folder();
    let source = "-f lavfi -i testsrc2=s=96x64:r=50:d=0.4";
    for (mode, top, wanted) in [
        ("interleave_top", 1, Interlace::TopFirst),
        ("interleave_bottom", 0, Interlace::BottomFirst),
    ] {
        ffmpeg(
            folder.path(),
            &format!(
                "{source} -vf tinterlace={mode} -c:v mpeg2video -flags +ilme+ildct -top {top} f.mpg"
            ),
        );
        let whole = open(&folder.path().join("f.mpg"));
        assert!(
            whole.pictures.iter().all(|p| p.interlaced == wanted),
            "{mode}"
        );
    }
    ffmpeg(folder.path(), &format!("{source} -c:v mpeg2video p.mpg"));
    let whole = open(&folder.path().join("p.mpg"));
    assert!(
        whole
            .pictures
            .iter()
            .all(|p| p.interlaced == Interlace::Progressive)
    );
}

#[test]
fn what_is_no_clip_is_refused_in_words() {
    let folder = folder();
    let refuse = |name: &str| match Clip::open(&folder.path().join(name), &OpenOptions::default()) {
        Err(error) => error,
        Ok(_) => panic!("{name} is no clip"),
    };
    assert!(matches!(refuse("missing.mp4"), SourceError::Open { .. }));
    assert!(matches!(refuse("."), SourceError::Folder(_)));
    std::fs::write(folder.path().join("empty.mp4"), []).unwrap();
    assert!(matches!(refuse("empty.mp4"), SourceError::NotAClip { .. }));
    std::fs::write(
        folder.path().join("text.mp4"),
        "a letter, not a film\n".repeat(500),
    )
    .unwrap();
    let error = refuse("text.mp4").to_string();
    assert!(error.contains("text.mp4"), "{error}");
    ffmpeg(folder.path(), "-f lavfi -i sine=440:d=1 tone.wav");
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:d=0.04 -frames:v 1 cover.png",
    );
    ffmpeg(
        folder.path(),
        "-i tone.wav -i cover.png -map 0 -map 1 -c:a mp3 -c:v copy -disposition:v attached_pic song.mp3",
    );
    for name in ["tone.wav", "song.mp3"] {
        let error = refuse(name);
        assert!(
            matches!(error, SourceError::SoundOnly(_)),
            "{name}: {error}"
        );
        assert!(error.to_string().contains("no pictures"), "{error}");
    }
}

#[test]
fn any_bytes_may_be_in_a_name() {
    use std::os::unix::ffi::OsStrExt;
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=96x64:r=25:d=0.2 a.mp4",
    );
    for name in [
        &b"\xff\xfe clip.mp4"[..],
        b"http:x.mp4",
        b"%03d.mp4",
        b"concat:a|b.mp4",
    ] {
        let path = folder.path().join(std::ffi::OsStr::from_bytes(name));
        std::fs::copy(folder.path().join("a.mp4"), &path).unwrap();
        assert_eq!(open(&path).pictures.len(), 5, "{}", path.display());
    }
}
