//! `thumbreel export REEL`: a reel as ordinary media files.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::out::say;
use super::{Usage, values};
use crate::export::{self, Damages, Look, SheetPlan, Span, Target, Walk};
use crate::units::Nanos;

/// Export pictures and sound of a reel: an mp4 film, an animated GIF, PNG
/// pictures, a contact sheet, or the sound as WAV.
///
/// The extension of the output chooses the kind: .mp4, .gif, .wav, .png (one
/// picture, see --at, or a contact sheet, see --contact-sheet), or none (a new
/// folder of numbered PNG pictures). Pictures are upright, as the viewer sees
/// them.
#[derive(clap::Args)]
pub struct Args {
    /// The reel
    #[arg(value_name = "REEL")]
    reel: PathBuf,

    /// File to write; its extension chooses the kind [default: the reel's name with .mp4, or .png]
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Start time
    #[arg(long, value_name = "TIME", value_parser = values::time)]
    from: Option<Nanos>,

    /// End time
    #[arg(long, value_name = "TIME", value_parser = values::time)]
    to: Option<Nanos>,

    /// Time of a single picture [default: --from, or the start]
    #[arg(long, value_name = "TIME", value_parser = values::time)]
    at: Option<Nanos>,

    /// Whole-number zoom: 2 draws each panel pixel as a 2x2 block
    #[arg(long, value_name = "TIMES", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=16))]
    enlarge: u16,

    /// Write one PNG with pictures from the whole reel and their times
    #[arg(long)]
    contact_sheet: bool,

    /// Number of pictures on the contact sheet
    #[arg(long, value_name = "COUNT", default_value_t = 12, value_parser = clap::value_parser!(u32).range(1..=400), requires = "contact_sheet")]
    count: u32,

    /// Outline the safe area, where text is fully visible (.png)
    #[arg(long)]
    safe_area: bool,

    /// Replace an existing file
    #[arg(long)]
    overwrite: bool,

    /// Print nothing
    #[arg(long)]
    quiet: bool,
}

/// Exports the reel.
///
/// # Errors
/// When the reel cannot be read, holds nothing of the kind, or the target
/// cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let stop = super::stop::on_signal()?;
    let mut walk = Walk::open(&args.reel)?.stopped_by(stop);
    let png = args.contact_sheet || args.safe_area;
    let ending = if png { "png" } else { "mp4" };
    let output = args
        .output
        .clone()
        .unwrap_or_else(|| args.reel.with_extension(ending));
    let damages = write(&args, &mut walk, &output)?;
    if !args.quiet {
        say!("{}", output.display());
    }
    if damages != Damages::default() {
        eprintln!(
            "thumbreel: {}: {} damaged stretches, {} pictures could not be decoded; `thumbreel verify` says where",
            args.reel.display(),
            damages.stretches,
            damages.pictures
        );
    }
    Ok(ExitCode::SUCCESS)
}

fn write(args: &Args, walk: &mut Walk, output: &Path) -> anyhow::Result<Damages> {
    let tick = |time: Option<Nanos>| time.map(|time| walk.tick(time.0 as f64 / 1e9));
    let span = Span {
        from: tick(args.from).unwrap_or(0),
        to: tick(args.to).unwrap_or(u64::MAX),
    };
    if span.from >= span.to {
        let words = "the part is empty: --to must be after --from";
        return Err(Usage(words.into()).into());
    }
    let at = tick(args.at).unwrap_or(span.from);
    let look = Look {
        safe_area: args.safe_area,
        ..Look::of(walk, args.enlarge)
    };
    let ending = output.extension().map(|ending| ending.to_ascii_lowercase());
    super::out::apart(output, [&*args.reel])?;
    let file = || Target::file(output, args.overwrite);
    let damages = match ending.as_ref().and_then(|ending| ending.to_str()) {
        Some("png") if args.contact_sheet => {
            let plan = SheetPlan {
                count: args.count,
                ..SheetPlan::default()
            };
            export::sheet(walk, span, look, plan, file()?)?;
            Damages::default()
        }
        Some("mp4" | "gif" | "wav") if args.safe_area => {
            return Err(usage(output, "the safe area is drawn on a .png"));
        }
        _ if args.contact_sheet => return Err(usage(output, "a contact sheet is a .png")),
        Some("png") => {
            export::single(walk, at, look, file()?)?;
            Damages::default()
        }
        Some("mp4") => export::film(walk, span, look, file()?)?,
        Some("gif") => export::gif(walk, span, look, file()?)?,
        Some("wav") => export::wav(walk, span, file()?)?,
        None => export::pictures(walk, span, look, Target::folder(output)?)?,
        Some(_) => {
            let words = "unknown extension; use .mp4, .gif, .png, .wav, or the name of a folder";
            return Err(usage(output, words));
        }
    };
    Ok(damages)
}

fn usage(output: &Path, words: &str) -> anyhow::Error {
    Usage(format!("{}: {words}", output.display())).into()
}
