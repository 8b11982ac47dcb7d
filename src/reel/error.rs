//! What can be wrong with a reel, sorted by whose fault it is.

use core::fmt;

/// Whose fault an error is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultSide {
    /// The bytes are damaged or were never a reel.
    Format,
    /// The reel is in order but needs a newer reader.
    Newer,
    /// A stated limit of the format is exceeded.
    Limit,
    /// The calling program broke a rule of this interface.
    Caller,
}

/// What exactly is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The first eight bytes are not a reel's.
    NotAReel,
    /// The first bytes are a reel's as changed by a transfer in text mode.
    TextMode,
    /// The major version is above the one this reader knows.
    Version {
        /// Major version found.
        major: u16,
    },
    /// A flag is set that a reader must know and this one does not.
    MustKnow {
        /// The unknown flags.
        flags: u32,
    },
    /// A chunk of a kind that may not be skipped is unknown.
    UnknownKind {
        /// The kind's number.
        kind: u8,
    },
    /// A coding or level that this reader does not know.
    Coding {
        /// The field's name in the format text.
        name: &'static str,
        /// Its number.
        number: u8,
    },
    /// A CRC-32 does not agree with the bytes it covers.
    Checksum {
        /// As written in the reel.
        stored: u32,
        /// As computed from the bytes.
        computed: u32,
    },
    /// The input ends inside the reel.
    Truncated,
    /// No chunk begins where one should.
    NoSync,
    /// The chunk belongs to another reel.
    OtherReel,
    /// The chunk's number is not the next one.
    Sequence {
        /// The number that should come.
        expected: u32,
        /// The number that came.
        found: u32,
    },
    /// A field holds a value that the format does not allow.
    Field {
        /// The field's name in the format text.
        name: &'static str,
    },
    /// Bytes that must be zero are not.
    Reserved,
    /// A size is past the limit the format or the header states.
    Limit {
        /// What is too large.
        name: &'static str,
        /// As found.
        value: u64,
        /// The most allowed.
        limit: u64,
    },
    /// The memory given to the reader cannot hold the largest chunk.
    Buffer {
        /// Bytes needed.
        need: u32,
    },
    /// The input goes on after the end chunk.
    Trailing {
        /// Bytes past the end.
        bytes: u64,
    },
    /// A total in the header or end chunk is not what the slices add up to.
    Total {
        /// The field's name in the format text.
        name: &'static str,
        /// As written.
        stated: u64,
        /// As counted.
        counted: u64,
    },
    /// The writer was handed something that a reel cannot hold.
    Refused {
        /// The rule that was broken.
        rule: &'static str,
    },
}

impl ErrorKind {
    const fn is_of_the_whole(self) -> bool {
        matches!(
            self,
            Self::NotAReel | Self::TextMode | Self::Version { .. } | Self::MustKnow { .. }
        )
    }
}

/// An error with its place: the offset in bytes of the structure at fault, and
/// its chunk number where one is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReelError {
    /// What is wrong.
    pub kind: ErrorKind,
    /// Offset in bytes from the start of the reel.
    pub offset: u64,
    /// Number of the chunk, once its header could be read.
    pub chunk: Option<u32>,
    /// The part of the chunk that is at fault, if it is one part alone.
    pub part: Option<PartName>,
}

/// A part of a slice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartName {
    /// The sound block.
    Sound,
    /// The directory of the pictures.
    Directory,
    /// A picture, by its place in the slice.
    Picture(u16),
    /// What fills the chunk up: nothing is lost by it.
    Padding,
}

impl fmt::Display for PartName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sound => f.write_str("sound"),
            Self::Directory => f.write_str("directory"),
            Self::Picture(place) => write!(f, "picture {place}"),
            Self::Padding => f.write_str("padding"),
        }
    }
}

impl ReelError {
    /// An error at an offset, in no chunk yet.
    #[must_use]
    pub const fn at(kind: ErrorKind, offset: u64) -> Self {
        Self {
            kind,
            offset,
            chunk: None,
            part: None,
        }
    }

    /// The same error, in one part of its chunk.
    #[must_use]
    pub const fn in_part(mut self, part: PartName) -> Self {
        self.part = Some(part);
        self
    }

    /// The same error, inside chunk `number`.
    #[must_use]
    pub const fn in_chunk(mut self, number: u32) -> Self {
        self.chunk = Some(number);
        self
    }

    /// Whose fault it is.
    #[must_use]
    pub const fn fault_side(&self) -> FaultSide {
        match self.kind {
            ErrorKind::Version { .. }
            | ErrorKind::MustKnow { .. }
            | ErrorKind::Coding { .. }
            | ErrorKind::UnknownKind { .. } => FaultSide::Newer,
            ErrorKind::Limit { .. } => FaultSide::Limit,
            ErrorKind::Buffer { .. } | ErrorKind::Refused { .. } => FaultSide::Caller,
            _ => FaultSide::Format,
        }
    }
}

impl fmt::Display for ErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NotAReel => f.write_str("this is not a reel"),
            Self::TextMode => f.write_str(
                "this reel was changed by a transfer in text mode; copy it again in binary mode",
            ),
            Self::Version { major } => write!(
                f,
                "this reel is of format version {major}; update the reader to play it"
            ),
            Self::MustKnow { flags } => write!(
                f,
                "this reel needs features {flags:#010x} that this reader does not have; update the reader"
            ),
            Self::UnknownKind { kind } => write!(
                f,
                "a chunk of kind {kind} may not be skipped and is unknown here; update the reader"
            ),
            Self::Coding { name, number } => write!(
                f,
                "{name} {number} is not known here; update the reader to play this reel"
            ),
            Self::Checksum { stored, computed } => write!(
                f,
                "checksum is {computed:08x}, but {stored:08x} is written: the bytes are damaged"
            ),
            Self::Truncated => f.write_str("the reel ends here too early"),
            Self::NoSync => f.write_str("no chunk begins here"),
            Self::OtherReel => f.write_str("this chunk belongs to another reel"),
            Self::Sequence { expected, found } => {
                write!(f, "chunk {expected} should come, chunk {found} came")
            }
            Self::Field { name } => write!(f, "field {name} holds a value that is not allowed"),
            Self::Reserved => f.write_str("reserved bytes or bits are set"),
            Self::Limit { name, value, limit } => {
                write!(f, "{name} is {value}, more than the limit of {limit}")
            }
            Self::Buffer { need } => write!(f, "the reader needs a buffer of {need} bytes"),
            Self::Trailing { bytes } => write!(f, "{bytes} bytes follow the end chunk"),
            Self::Total {
                name,
                stated,
                counted,
            } => {
                write!(f, "{name} is stated as {stated}, counted as {counted}")
            }
            Self::Refused { rule } => f.write_str(rule),
        }
    }
}

impl fmt::Display for ReelError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.kind)?;
        // What is wrong with a file as a whole has no place in it.
        if !self.kind.is_of_the_whole() {
            write!(f, ", at byte {}", self.offset)?;
        }
        match (self.chunk, self.part) {
            (Some(number), Some(part)) => write!(f, " (chunk {number}, {part})"),
            (Some(number), None) => write!(f, " (chunk {number})"),
            (None, _) => Ok(()),
        }
    }
}

impl core::error::Error for ReelError {}
