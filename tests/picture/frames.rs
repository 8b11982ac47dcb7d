//! Decoded pictures for tests: out of clips, or painted.

use std::path::Path;

use ffmpeg_next::format::Pixel;
use ffmpeg_next::frame::Video;
use thumbreel::picture::{PanelPicture, PicturePlan, PictureStage};
use thumbreel::source::{
    Clip, ColourTags, Interlace, Item, OpenOptions, QuarterTurns, SourcePicture,
};
use thumbreel::units::{Nanos, Ratio};

/// The first `count` pictures of a clip.
pub fn pictures(clip: &Path, count: usize) -> Vec<SourcePicture> {
    let mut clip = Clip::open(clip, &OpenOptions::default()).expect("the clip opens");
    let mut found = Vec::new();
    while found.len() < count {
        match clip.next_item().expect("the clip decodes") {
            Some(Item::Picture(picture)) => found.push(picture),
            Some(Item::Sound(_)) => {}
            None => break,
        }
    }
    found
}

/// The first `count` pictures of a clip on a panel.
pub fn rendered(clip: &Path, plan: &PicturePlan, count: usize) -> Vec<PanelPicture> {
    let mut stage = PictureStage::new(plan.clone()).expect("the plan is valid");
    let render = |p: &SourcePicture| stage.render(p).expect("the picture renders");
    pictures(clip, count).iter().map(render).collect()
}

/// One picture on a panel.
pub fn render(picture: &SourcePicture, plan: &PicturePlan) -> PanelPicture {
    let mut stage = PictureStage::new(plan.clone()).expect("the plan is valid");
    stage.render(picture).expect("the picture renders")
}

/// A frame whose 8-bit samples are `value(plane, x, y)`.
pub fn painted(
    format: Pixel,
    width: u32,
    height: u32,
    value: impl Fn(usize, usize, usize) -> u8,
) -> SourcePicture {
    let mut frame = Video::new(format, width, height);
    for plane in 0..frame.planes() {
        let stride = frame.stride(plane);
        let row = frame.plane_width(plane) as usize;
        for (y, line) in frame.data_mut(plane).chunks_exact_mut(stride).enumerate() {
            // Padding holds what must never be seen.
            line.fill(0xEE);
            for (x, sample) in line[..row].iter_mut().enumerate() {
                *sample = value(plane, x, y);
            }
        }
    }
    shown(frame)
}

/// A frame with nothing said about it.
pub fn shown(frame: impl Into<thumbreel::source::Frame>) -> SourcePicture {
    SourcePicture {
        frame: frame.into(),
        time: Nanos(0),
        duration: Nanos(0),
        colour: ColourTags::default(),
        rotation: QuarterTurns::default(),
        mirrored: false,
        sample_aspect: Ratio::new(1, 1).expect("square"),
        interlaced: Interlace::Progressive,
    }
}

/// Largest difference of two pictures' components in levels.
pub fn largest_difference(a: &[u8], b: &[u8]) -> u8 {
    assert_eq!(a.len(), b.len());
    a.iter()
        .zip(b)
        .map(|(a, b)| a.abs_diff(*b))
        .max()
        .unwrap_or(0)
}
