//! Lines of text broken to a width.

use ab_glyph::{Font, FontRef, ScaleFont};

/// Breaks lines at blanks so that none is wider than `width` pixels; a word
/// that is wider by itself is broken inside. Lines of one paragraph are made
/// about equally long.
pub fn wrapped(font: &FontRef<'_>, pixels: f32, lines: &[String], width: f32) -> Vec<String> {
    let mut out = Vec::new();
    for line in lines {
        let greedy = filled(font, pixels, line, width);
        // The same number of lines, but none longer than it need be.
        let mut narrow = width;
        while greedy.len() > 1 {
            let tried = narrow - pixels / 2.0;
            if tried < pixels || filled(font, pixels, line, tried).len() > greedy.len() {
                break;
            }
            narrow = tried;
        }
        out.extend(filled(font, pixels, line, narrow));
    }
    out
}

/// Width of one line in pixels, with kerning.
pub fn width_of(font: &FontRef<'_>, pixels: f32, text: &str) -> f32 {
    let scaled = font.as_scaled(pixels);
    let mut width = 0.0;
    let mut last = None;
    for c in text.chars() {
        let glyph = scaled.glyph_id(c);
        if let Some(last) = last {
            width += scaled.kern(last, glyph);
        }
        width += scaled.h_advance(glyph);
        last = Some(glyph);
    }
    width
}

fn filled(font: &FontRef<'_>, pixels: f32, line: &str, width: f32) -> Vec<String> {
    let fits = |text: &str| width_of(font, pixels, text) <= width;
    let mut out: Vec<String> = Vec::new();
    let mut current = String::new();
    for word in line.split(' ').filter(|w| !w.is_empty()) {
        let longer = if current.is_empty() {
            word.to_owned()
        } else {
            format!("{current} {word}")
        };
        if fits(&longer) {
            current = longer;
            continue;
        }
        if !current.is_empty() {
            out.push(std::mem::take(&mut current));
        }
        for c in word.chars() {
            current.push(c);
            if !fits(&current) && current.chars().count() > 1 {
                current.pop();
                out.push(std::mem::take(&mut current));
                current.push(c);
            }
        }
    }
    if !current.is_empty() {
        out.push(current);
    }
    out
}
