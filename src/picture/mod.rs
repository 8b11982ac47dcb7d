//! Picture: what a tiny panel should show. Geometry, colour, scaling, dither,
//! the panel's look, frame pace, quality measures.
//!
//! [`PictureStage`] takes decoded pictures one by one. Planar sources are
//! scaled plane by plane straight to the panel's size, so that chroma keeps
//! all the detail the panel can show, and become red, green and blue there;
//! [`FramePacer`] decides before that which pictures are needed at all.

pub mod bars;
pub mod canvas;
pub mod colour;
mod convert;
pub mod curves;
pub mod dither;
pub mod flash;
mod format;
pub mod geometry;
mod grade;
mod halve;
mod image;
mod interlace;
pub mod pace;
pub mod panel;
mod plan;
pub mod quality;
mod repack;
mod scale;
mod scaled;
mod stage;
mod surround;
pub mod text;
mod tone;

pub use image::Image;
pub use pace::{FramePacer, Pace};
pub use plan::{
    Anchor, Deinterlace, Dither, Filter, Framing, PictureError, PicturePlan, Shape, SourceCrop,
    Tone,
};
pub use stage::{PanelPicture, PictureStage, before_after};
pub use surround::Surround;
