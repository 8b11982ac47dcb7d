//! One way to write a file, used by everything that writes: beside its final
//! name, locked, synced, renamed. A file appears whole or not at all, an input
//! of the same call is never written over, and what a killed run left behind is
//! cleared by the next one.

mod destination;
mod draft;
mod error;
pub(crate) mod names;
mod part;
mod system;

pub use destination::{Destination, Kind};
pub use draft::{Draft, Workshop, publish_all};
#[cfg(feature = "program")]
pub(crate) use error::reader_has_gone;
pub use error::{OutputError, reason};
pub use part::{Spool, abandon};
pub use system::read_exact_at;
