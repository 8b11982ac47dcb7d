//! The conversion of a clip to a reel.
//!
//! ```text
//! thread 1: demux + decode ─> pace ─┬─ queue ─> thread 2: scale, dither; downmix, resample
//!                                   │              │
//!                                   └── sound ─────┴─ queue ─> thread 3: encode, cut, write
//! ```
//!
//! What was typed ([`Choices`]) becomes a validated [`ConvertPlan`] for one
//! clip, which [`run`] carries out. The queues are bounded, so memory does not
//! grow with the clip's length, and every stage keeps the order, so that the
//! bytes are the same whatever the number of threads.

mod allowance;
mod assemble;
mod choices;
pub mod compare;
mod compare_sound;
mod cutter;
mod decode;
mod encoder;
mod error;
pub mod fit;
mod footage;
mod framing;
mod heard;
mod likeness;
mod listen;
mod measure;
mod outcome;
mod plan;
mod poster;
mod progress;
mod remarks;
mod run;
mod shape;
pub mod speaker;
mod verdict;
mod view;
mod wire;

pub use choices::{Choices, CodingChoice, SoundChoice};
pub use compare_sound::compare_sound;
pub use error::ConvertError;
pub use footage::{Footage, SubtitleSource};
pub use listen::{check_copies, listen};
pub use outcome::{DamageCount, Outcome, SoundDone, Timings};
pub use plan::{ConvertPlan, PlannedCoding};
pub use progress::{Progress, Quiet, State};
pub use remarks::AUDIBLE;
pub use run::run;
pub use verdict::{LinkVerdict, foreseen, verdicts, verdicts_of};
pub use view::{MadeView, PictureView, PlanView, SoundView};
