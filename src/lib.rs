//! # Thumbreel
//!
//! Film clips with sound for tiny panels. The modules are in the order in
//! which the data flows:
//!
//! ```text
//! source ──> picture ──┐
//!    │                 ├──> coding ──> reel (container) ──> inspect / verify / repair / export
//!    └─────> sound ────┘                   │
//! board (profile) ──> budget ──> rehearsal ┴──> report, server, firmware reader
//! ```
//!
//! A stage knows the stages before it only by the plain data it is given, and
//! no module imports a later one. Without features the crate is `no_std`
//! and never allocates: the container reader and the decoders. `files` adds reels
//! in files, their encoders and a panel in memory, `model` boards, budget and
//! rehearsal, `convert` clips, `serve` the server, `report` the report, `program`
//! (on by default) the command line with all of these.
//!
//! # Writing a reel
//!
//! Two pictures of a 16x16 panel, an eighth of a second each, with silence:
//!
//! ```
//! # #[cfg(feature = "files")] {
//! use std::io::Cursor;
//! use thumbreel::reel::{Picture, ReelWriter, Settings, Slice, SoundCoding};
//! use thumbreel::units::Ratio;
//!
//! let settings = Settings {
//!     width: 16,
//!     height: 16,
//!     clock_rate: 16_000,
//!     rate: Ratio { num: 8, den: 1 },
//!     sound: SoundCoding::PcmS16,
//!     title: "Harbour at dusk".into(),
//!     ..Settings::default()
//! };
//! let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None)?;
//! for (time, colour) in [(0, 0x001f_u16), (2_000, 0xf800)] {
//!     let picture = Picture {
//!         key: true,
//!         bytes: colour.to_be_bytes().repeat(16 * 16),
//!         ..Picture::default()
//!     };
//!     writer.slice(&Slice::new(time, 2_000, vec![0; 2 * 2_000], vec![picture]))?;
//! }
//! let (reel, summary) = writer.finish()?;
//! assert_eq!(summary.length, reel.into_inner().len() as u64);
//! # }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Reading a reel
//!
//! The reader asks for bytes and answers with events, as it does on a board;
//! [`ReelFile`](reel::ReelFile) feeds it from a file. The decoder keeps what the
//! panel shows:
//!
//! ```
//! # #[cfg(feature = "files")] {
//! use std::io::Cursor;
//! use thumbreel::coding::{PanelDecoder, PanelSettings};
//! use thumbreel::reel::{Event, Picture, ReelFile, ReelWriter, Settings, Slice};
//!
//! # let settings = Settings { width: 16, height: 16, clock_rate: 8000, ..Settings::default() };
//! # let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None)?;
//! # // One rectangle of the whole panel, then its pixels.
//! # let mut bytes = vec![1, 0, 0, 0, 0, 0, 0, 0, 16, 0, 16, 0];
//! # bytes.extend([0xf8, 0x00].repeat(16 * 16));
//! # let picture = Picture { key: true, bytes, ..Picture::default() };
//! # writer.slice(&Slice::new(0, 8000, Vec::new(), vec![picture]))?;
//! # let (bytes, _) = writer.finish()?;
//! // `ReelFile::open` takes a name.
//! let mut reel = ReelFile::new(bytes)?;
//! let (width, height, coding) = (reel.header().width, reel.header().height, reel.header().coding);
//! let settings = PanelSettings {
//!     width,
//!     height,
//!     level: thumbreel::coding::patch::Level::Full,
//!     ..PanelSettings::default()
//! };
//! let mut panel = PanelDecoder::new(settings)?;
//! let mut pictures = 0;
//! while let Some(shown) = reel.next_event(|event| match event {
//!     Event::Picture { header, bytes, .. } => panel.decode(coding, header.flags, bytes).map(|_| 1),
//!     _ => Ok(0),
//! })? {
//!     pictures += shown?;
//! }
//! assert!(pictures > 0);
//! assert_eq!(panel.pixels(), [0xf800; 16 * 16]);
//! # }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Budgeting
//!
//! ```
//! # #[cfg(feature = "model")] {
//! use thumbreel::board::Board;
//! use thumbreel::budget::{Budget, Link, PictureCoding, Settings, Terms, Verdict};
//! use thumbreel::units::Ratio;
//!
//! let board = Board::find("lantern-room")?;
//! let rate = Ratio { num: 24, den: 1 };
//! let reel = Settings::typical(240, 240, rate, PictureCoding::PatchFull).facts();
//! let budget = Budget::new(&reel, &board, Link::Card, Terms::default())?;
//! assert_eq!(budget.verdict, Verdict::Fits);
//! println!("{} limits it", budget.bottleneck().part.name());
//! # }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
#![cfg_attr(not(any(feature = "files", feature = "model")), no_std)]
#![deny(unsafe_code)]
#![deny(missing_docs)]

pub mod coding;
pub mod play;
pub mod reel;
pub mod sound;
pub mod units;

#[cfg(feature = "model")]
pub mod answer;
#[cfg(feature = "model")]
pub mod board;
#[cfg(feature = "model")]
pub mod budget;
#[cfg(feature = "model")]
pub mod chart;
#[cfg(feature = "program")]
pub mod command;
#[cfg(feature = "convert")]
pub mod convert;
#[cfg(feature = "convert")]
pub mod demo;
#[cfg(feature = "convert")]
pub mod export;
#[cfg(feature = "files")]
pub mod files;
#[cfg(all(feature = "files", feature = "model"))]
pub mod firmware;
#[cfg(any(feature = "serve", feature = "report"))]
pub mod page;
#[cfg(feature = "convert")]
pub mod picture;
#[cfg(feature = "model")]
pub mod rehearsal;
#[cfg(feature = "report")]
pub mod report;
#[cfg(feature = "serve")]
pub mod serve;
#[cfg(feature = "convert")]
pub mod source;
