//! What a walk through the reel shows and sounds like: contact sheet, loudness,
//! current, flashes.

use ebur128::{EbuR128, Mode};

use super::ReportError;
use crate::budget::power::PowerModel;
use crate::export::{Look, SheetPlan, Span, Step, Walk, sheet_image};
use crate::picture::flash::{FlashChecker, FlashWarning};
use crate::picture::panel::safe_area_view;
use crate::picture::{Image, Shape};
use crate::units::Nanos;

/// Seconds between readings of sound and current (ITU-R BS.1770: 75 % overlap
/// of blocks of 400 ms).
const STEP: f64 = 0.1;

/// What was seen and heard.
#[derive(Debug, Default)]
pub struct Measured {
    /// A contact sheet as PNG.
    pub sheet: Vec<u8>,
    /// Momentary loudness in LUFS over seconds, if there is sound.
    pub loudness: Vec<(f64, f64)>,
    /// Loudness of the whole in LUFS (ITU-R BS.1770, EBU R 128), if there is sound.
    pub integrated: Option<f64>,
    /// Highest true peak in dBTP, if there is sound.
    pub true_peak: Option<f64>,
    /// Current from the source in milliamperes over seconds.
    pub current: Vec<(f64, f64)>,
    /// Pictures that flash (WCAG 2.3.1).
    pub flashes: Vec<FlashWarning>,
    /// A picture with the safe area outlined, as PNG, of a panel that is not
    /// shown whole.
    pub safe_area: Option<Vec<u8>>,
    /// Bytes that are lost or pictures that cannot be decoded.
    pub damaged: usize,
}

/// Walks the reel once for sound and flashes and once for the sheet; `power`
/// is the supply of the board while it plays, where it has a link.
pub(super) fn measure(
    walk: &mut Walk,
    power: Option<&PowerModel<'_>>,
) -> Result<Measured, ReportError> {
    let all = Span {
        from: 0,
        to: u64::MAX,
    };
    let look = Look::of(walk, 1);
    let mut sound = Listener::new(walk, power)?;
    let shape = look.shape;
    let mut flashes = FlashChecker::new(shape);
    let mut seen = None;
    let (first, clock) = (
        walk.header().first_tick,
        f64::from(walk.header().clock_rate),
    );
    let middle = walk.header().duration as f64 / clock / 2.0;
    let damages = walk.run(all, |step| {
        match step {
            Step::Picture(shown) if !shown.coded.unchanged => {
                let time = (shown.tick - first) as f64 / clock;
                let image = look.image(shown.pixels);
                let at = Nanos((time * 1e9) as i64);
                flashes.look(at, image.bytes(), image.width() as usize);
                if shape != Shape::Rectangle && (seen.is_none() || time <= middle) {
                    seen = Some(image);
                }
            }
            Step::Sound(sounded) => sound.hear(&sounded.samples),
            _ => (),
        }
        Ok(())
    })?;
    let mut measured = sound.finish();
    measured.flashes = flashes.warnings().to_vec();
    measured.damaged = damages.stretches + damages.pictures;
    let sheet = sheet_image(walk, all, look, SheetPlan::default())?;
    measured.sheet = png(&sheet)?;
    if let Some(mut image) = seen {
        let (width, height) = (image.width() as u16, image.height() as u16);
        let view = safe_area_view(image.bytes(), width, height, shape);
        image.bytes_mut().copy_from_slice(&view);
        measured.safe_area = Some(png(&image)?);
    }
    Ok(measured)
}

fn png(image: &Image) -> Result<Vec<u8>, ReportError> {
    image
        .png()
        .map_err(|error| ReportError::Draw(error.to_string()))
}

/// Follows the sound in steps of [`STEP`].
struct Listener<'a> {
    power: Option<&'a PowerModel<'a>>,
    meter: Option<EbuR128>,
    rate: f64,
    waiting: Vec<i16>,
    heard: usize,
    measured: Measured,
}

impl<'a> Listener<'a> {
    fn new(walk: &Walk, power: Option<&'a PowerModel<'a>>) -> Result<Self, ReportError> {
        let rate = walk.header().clock_rate;
        let modes = Mode::M | Mode::I | Mode::TRUE_PEAK;
        let meter = walk.has_sound().then(|| EbuR128::new(1, rate, modes));
        let meter = meter
            .transpose()
            .map_err(|error| ReportError::Draw(error.to_string()))?;
        Ok(Self {
            power,
            meter,
            rate: f64::from(rate),
            waiting: Vec::new(),
            heard: 0,
            measured: Measured::default(),
        })
    }

    fn hear(&mut self, samples: &[i16]) {
        self.waiting.extend(samples);
        let step = ((STEP * self.rate) as usize).max(1);
        while self.waiting.len() >= step {
            let block: Vec<i16> = self.waiting.drain(..step).collect();
            self.read(&block);
        }
    }

    fn read(&mut self, block: &[i16]) {
        self.heard += block.len();
        let time = self.heard as f64 / self.rate;
        if let Some(meter) = &mut self.meter
            && meter.add_frames_i16(block).is_ok()
            && let Ok(loudness) = meter.loudness_momentary()
            // The first block of 400 ms must be full.
            && time >= 0.4
        {
            self.measured.loudness.push((time, loudness));
        }
        let current = self.power.map(|p| (time, p.source_ma(block)));
        self.measured.current.extend(current);
    }

    fn finish(mut self) -> Measured {
        if let Some(meter) = &self.meter {
            self.measured.integrated = meter.loudness_global().ok().filter(|l| l.is_finite());
            let peak = meter.true_peak(0).ok().filter(|peak| *peak > 0.0);
            self.measured.true_peak = peak.map(|peak| 20.0 * peak.log10());
        }
        self.measured
    }
}
