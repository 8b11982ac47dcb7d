//! `thumbreel export REEL`: a reel as ordinary media files.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::ValueEnum;

use super::bars::{Bars, clock};
use super::out::{complain, say};
use super::show::count;
use super::{Usage, values};
use crate::export::{self, Damages, Look, SheetPlan, Span, Walk};
use crate::files::{Destination, Kind};
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

    /// Kind of file, if the name does not tell it (-o -)
    #[arg(long, value_enum, value_name = "KIND")]
    format: Option<Format>,

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
    #[arg(long, value_name = "TIMES", default_value_t = 1, value_parser = values::whole::<u16>(1, 16), allow_negative_numbers = true)]
    enlarge: u16,

    /// Write one PNG with pictures from the whole reel and their times
    #[arg(long)]
    contact_sheet: bool,

    /// Number of pictures on the contact sheet
    #[arg(long, value_name = "COUNT", default_value_t = 12, value_parser = values::whole::<u32>(1, 400), allow_negative_numbers = true)]
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
    let stop = super::stop::on_signal();
    let output = args.output.clone().unwrap_or_else(|| {
        let png = args.contact_sheet || args.safe_area;
        let ending = args
            .format
            .map_or(if png { "png" } else { "mp4" }, Format::ending);
        args.reel.with_extension(ending)
    });
    let format = args.format(&output)?;
    let to = Destination::new(&output, format.kind())
        .overwrite(args.overwrite)
        .apart_from([&args.reel]);
    super::nature::reel(&args.reel)?;
    let to = super::out::reserve(to, false)?;
    let task = Bars::new(args.quiet).task("exporting");
    let watch = task.clone();
    let mut walk = Walk::open(&args.reel)?
        .stopped_by(stop)
        .watched_by(Box::new(move |share| watch.at(share)));
    check_times(&args, &walk)?;
    let damages = write(&args, format, &mut walk, &to)?;
    task.close();
    if !args.quiet && !to.is_stream() {
        say!("{}", output.display());
    }
    if damages != Damages::default() {
        let lost = [
            (damages.stretches, "part", "read"),
            (damages.pictures, "picture", "decoded"),
        ];
        let lost = lost.into_iter().filter(|(n, ..)| *n > 0);
        let lost: Vec<_> = lost
            .map(|(n, what, how)| format!("{} could not be {how}", count(n as u64, what)))
            .collect();
        complain!(
            "thumbreel: {} is damaged: {}; `thumbreel verify` says where",
            args.reel.display(),
            lost.join(", ")
        );
    }
    Ok(ExitCode::SUCCESS)
}

/// What to write.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A film.
    Mp4,
    /// An animation.
    Gif,
    /// The sound.
    Wav,
    /// One picture, or a contact sheet.
    Png,
    /// A folder of numbered pictures.
    Folder,
}

impl Format {
    const fn kind(self) -> Kind {
        match self {
            Self::Mp4 => Kind::Film,
            Self::Gif => Kind::Animation,
            Self::Wav => Kind::Sound,
            Self::Png => Kind::Picture,
            Self::Folder => Kind::Folder,
        }
    }

    /// Ending of the name; none for a folder.
    fn ending(self) -> &'static str {
        self.kind().endings().first().copied().unwrap_or_default()
    }
}

impl Args {
    /// What was asked for by --format or by the name's ending.
    fn format(&self, output: &Path) -> anyhow::Result<Format> {
        let ending = output.extension().map(|ending| ending.to_ascii_lowercase());
        let named = match ending.as_ref().and_then(|ending| ending.to_str()) {
            Some("mp4") => Some(Format::Mp4),
            Some("gif") => Some(Format::Gif),
            Some("wav") => Some(Format::Wav),
            Some("png") => Some(Format::Png),
            None => Some(Format::Folder),
            Some(_) => None,
        };
        let stream = output.as_os_str() == "-";
        let format = match (self.format, named) {
            (Some(Format::Folder), _) | (None, _) if stream => {
                let words = "standard output has no ending; say by --format what to write: mp4, gif, wav or png";
                return Err(usage(output, words));
            }
            (Some(format), _) => format,
            (None, Some(format)) => format,
            (None, None) => {
                let words =
                    "unknown extension; use .mp4, .gif, .png, .wav, or the name of a folder";
                return Err(usage(output, words));
            }
        };
        Ok(format)
    }
}

/// A time that the reel does not have is refused, a part that is longer is told.
fn check_times(args: &Args, walk: &Walk) -> anyhow::Result<()> {
    let Some(end) = walk.header().end_tick() else {
        return Ok(());
    };
    let seconds = |time: Nanos| time.0 as f64 / 1e9;
    let whole = walk.seconds(end);
    for (option, time) in [("--from", args.from), ("--at", args.at)] {
        if let Some(time) = time.filter(|&t| walk.tick(seconds(t)) >= end) {
            return Err(Usage(format!(
                "{option} {:.2} s lies beyond the end of {}, which is {whole:.2} s long; choose an earlier time",
                seconds(time),
                args.reel.display()
            ))
            .into());
        }
    }
    if let Some(to) = args.to.filter(|&t| walk.tick(seconds(t)) > end) {
        complain!(
            "thumbreel: note: --to {:.2} s is beyond the end of {}; the export ends with the reel at {}",
            seconds(to),
            args.reel.display(),
            clock(whole)
        );
    }
    Ok(())
}

fn write(
    args: &Args,
    format: Format,
    walk: &mut Walk,
    to: &Destination,
) -> anyhow::Result<Damages> {
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
    let damages = match format {
        Format::Png if args.contact_sheet => {
            let plan = SheetPlan {
                count: args.count,
                ..SheetPlan::default()
            };
            export::sheet(walk, span, look, plan, to.begin()?)?;
            Damages::default()
        }
        Format::Png => {
            export::single(walk, at, look, to.begin()?)?;
            Damages::default()
        }
        Format::Mp4 => export::film(walk, span, look, to.begin()?)?,
        Format::Gif => export::gif(walk, span, look, to.begin()?)?,
        Format::Wav => export::wav(walk, span, to.begin()?)?,
        Format::Folder => export::pictures(walk, span, look, to.workshop()?)?,
    };
    Ok(damages)
}

fn usage(output: &Path, words: &str) -> anyhow::Error {
    Usage(format!("{}: {words}", output.display())).into()
}
