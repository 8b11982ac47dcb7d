//! How a decoded frame's samples are stored, and the one format they are
//! repacked to where the scaler cannot read them in place.

use ffmpeg_next::format::Pixel;

use super::plan::PictureError;

/// What the components mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// Luma and two colour differences.
    Yuv,
    /// Luma alone.
    Grey,
    /// Red, green and blue.
    Rgb,
}

/// How samples lie in memory. 8 bits or little-endian 16-bit words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packing {
    /// One component a plane; RGB as green, blue, red.
    Planar,
    /// Red, green, blue, alpha interleaved.
    Rgba,
}

/// How a frame of some pixel format is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// What the components mean.
    pub model: Model,
    /// How they lie.
    pub packing: Packing,
    /// Significant bits, in the low bits of the word.
    pub bits: u32,
    /// Halvings of the chroma planes' width.
    pub chroma_w: u32,
    /// Halvings of the chroma planes' height.
    pub chroma_h: u32,
    /// True if alpha means something.
    pub alpha: bool,
    /// The format to repack to first.
    pub repack: Option<Pixel>,
}

impl Reading {
    /// True if a sample takes two bytes.
    #[must_use]
    pub const fn is_wide(&self) -> bool {
        self.bits > 8
    }

    /// Planes to read: one or three.
    #[must_use]
    pub const fn planes(&self) -> usize {
        match (self.packing, self.model) {
            (Packing::Rgba, _) | (_, Model::Grey) => 1,
            _ => 3,
        }
    }
}

/// How to read frames of `format`.
///
/// # Errors
/// [`PictureError::Format`] for formats without pixels, such as those that
/// live in a graphics unit.
pub fn reading(format: Pixel) -> Result<Reading, PictureError> {
    let unknown = || PictureError::Format(format!("{format:?}"));
    let name = format.descriptor().ok_or_else(unknown)?.name();
    if let Some(direct) = planar(format, name) {
        return Ok(direct);
    }
    let target_name = swapped(name).unwrap_or_else(|| repacked(name).into());
    let target: Pixel = target_name.parse().map_err(|_| unknown())?;
    let mut reading = match target_name.as_str() {
        "rgba" => rgba(8),
        "rgba64le" => rgba(16),
        _ => planar(target, &target_name).ok_or_else(unknown)?,
    };
    reading.alpha = has_alpha(name);
    reading.repack = Some(target);
    Ok(reading)
}

const fn rgba(bits: u32) -> Reading {
    Reading {
        model: Model::Rgb,
        packing: Packing::Rgba,
        bits,
        chroma_w: 0,
        chroma_h: 0,
        alpha: true,
        repack: None,
    }
}

/// Planar formats that are read in place: `yuv420p`, `yuvj422p`, `gbrp12le`,
/// `gray10le` and their like. Alpha planes of `yuva` formats are left unread.
fn planar(format: Pixel, name: &str) -> Option<Reading> {
    let (model, rest) = if let Some(rest) = name.strip_prefix("yuv") {
        (Model::Yuv, rest.trim_start_matches(['j', 'a']))
    } else if let Some(rest) = name.strip_prefix("gbrp") {
        (Model::Rgb, rest)
    } else {
        (Model::Grey, name.strip_prefix("gray")?)
    };
    let depth = match model {
        Model::Yuv => rest.get(3..)?.strip_prefix('p')?,
        _ => rest,
    };
    let bits = match depth {
        "" => 8,
        _ => depth.strip_suffix("le")?.parse().ok()?,
    };
    let descriptor = format.descriptor()?;
    (8..=16).contains(&bits).then_some(Reading {
        model,
        packing: Packing::Planar,
        bits,
        chroma_w: descriptor.log2_chroma_w().into(),
        chroma_h: descriptor.log2_chroma_h().into(),
        alpha: false,
        repack: None,
    })
}

/// The little-endian twin of a big-endian planar format.
fn swapped(name: &str) -> Option<String> {
    let twin = format!("{}le", name.strip_suffix("be")?);
    planar(twin.parse().ok()?, &twin).map(|_| twin)
}

/// The planar or RGBA format that holds all of `name` without loss; colour
/// matrices are never applied on the way.
fn repacked(name: &str) -> &'static str {
    match name {
        "nv12" | "nv21" => "yuv420p",
        "yuyv422" | "uyvy422" | "yvyu422" | "nv16" => "yuv422p",
        "nv24" | "nv42" | "vuya" | "vuyx" | "ayuv" => "yuv444p",
        "uyyvyy411" => "yuv411p",
        "p010le" | "p010be" => "yuv420p10le",
        "p016le" | "p016be" => "yuv420p16le",
        "y210le" | "y210be" | "p210le" | "p210be" | "nv20le" | "nv20be" => "yuv422p10le",
        "y212le" | "p212le" => "yuv422p12le",
        "p216le" | "p216be" => "yuv422p16le",
        _ => repacked_by_family(name),
    }
}

fn repacked_by_family(name: &str) -> &'static str {
    let starts = |heads: &[&str]| heads.iter().any(|head| name.starts_with(head));
    let wide = [
        "48", "64", "f32", "f16", "10", "12", "14", "16le", "16be", "9be",
    ];
    if starts(&["yuv", "xv", "ayuv", "y2", "y4", "p4", "p2"]) {
        "yuv444p16le"
    } else if starts(&["gray"]) {
        "gray16le"
    } else if wide.iter().any(|part| name.contains(part)) {
        "rgba64le"
    } else {
        "rgba"
    }
}

fn has_alpha(name: &str) -> bool {
    let heads = [
        "rgba", "bgra", "argb", "abgr", "gbrap", "pal8", "ya8", "ya16",
    ];
    heads.iter().any(|head| name.starts_with(head))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn planar_formats_are_read_in_place_at_their_depth() {
        let read = reading(Pixel::YUV420P).unwrap();
        assert_eq!(
            (read.bits, read.chroma_w, read.chroma_h, read.repack),
            (8, 1, 1, None)
        );
        let read = reading(Pixel::YUV422P12LE).unwrap();
        assert_eq!(
            (read.bits, read.chroma_w, read.chroma_h, read.repack),
            (12, 1, 0, None)
        );
        let read = reading(Pixel::GBRP10LE).unwrap();
        assert_eq!((read.model, read.bits, read.repack), (Model::Rgb, 10, None));
        assert_eq!(reading(Pixel::GRAY8).unwrap().planes(), 1);
    }

    #[test]
    fn the_rest_is_repacked_without_losing_bits() {
        let target = |format| reading(format).unwrap().repack.unwrap();
        assert_eq!(target(Pixel::NV12), Pixel::YUV420P);
        assert_eq!(target(Pixel::P010LE), Pixel::YUV420P10LE);
        assert_eq!(target(Pixel::YUV420P10BE), Pixel::YUV420P10LE);
        assert_eq!(target(Pixel::PAL8), Pixel::RGBA);
        assert_eq!(target(Pixel::RGB565LE), Pixel::RGBA);
        assert_eq!(target(Pixel::RGB48BE), Pixel::RGBA64LE);
        assert!(!reading(Pixel::RGBZ).unwrap().alpha);
        assert!(reading(Pixel::BGRA).unwrap().alpha);
        assert!(reading(Pixel::None).is_err());
    }
}
