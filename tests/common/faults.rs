//! Faults on purpose: what cards, links and power do to bytes. All tests share
//! them.

use std::io::{self, Read, Seek, SeekFrom, Write};
use std::time::Duration;

/// Repeatable random numbers (xorshift64*, Vigna 2016).
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    /// A generator; the same seed gives the same numbers.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        // Spread small seeds over all bits; zero is the one state to avoid.
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// A number from 0 to `below` - 1; 0 if `below` is 0.
    pub fn below(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let n = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D);
        ((u128::from(n) * u128::from(below)) >> 64) as u64
    }
}

/// One change to stored bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// One flipped bit; bit 0 is the lowest of byte 0.
    Flip {
        /// The bit's number.
        bit: u64,
    },
    /// The file ends early.
    Cut {
        /// Bytes left.
        at: u64,
    },
    /// A sector of 512 bytes reads as zeros.
    Blank {
        /// Its number.
        sector: u64,
    },
    /// A sector of 512 bytes is missing: what follows has moved up.
    Lose {
        /// Its number.
        sector: u64,
    },
    /// A sector of 512 bytes holds what another holds.
    Stray {
        /// The sector that is wrong.
        sector: u64,
        /// The sector whose bytes it holds.
        from: u64,
    },
}

impl Fault {
    /// Any one fault in `length` bytes.
    #[must_use]
    pub fn any(chance: &mut Chance, length: u64) -> Self {
        let sectors = length / SECTOR as u64;
        match chance.below(5) {
            0 => Self::Flip {
                bit: chance.below(length * 8),
            },
            1 => Self::Cut {
                at: chance.below(length),
            },
            2 => Self::Blank {
                sector: chance.below(sectors),
            },
            3 => Self::Lose {
                sector: chance.below(sectors),
            },
            _ => Self::Stray {
                sector: chance.below(sectors),
                from: chance.below(sectors),
            },
        }
    }

    /// Does it to `bytes`. Places past their end are left alone.
    pub fn apply(self, bytes: &mut Vec<u8>) {
        match self {
            Self::Flip { bit } => {
                if let Some(byte) = bytes.get_mut((bit / 8) as usize) {
                    *byte ^= 1 << (bit % 8);
                }
            }
            Self::Cut { at } => bytes.truncate(at as usize),
            Self::Blank { sector } => {
                if let Some(range) = sector_range(bytes, sector) {
                    bytes[range].fill(0);
                }
            }
            Self::Lose { sector } => {
                if let Some(range) = sector_range(bytes, sector) {
                    bytes.drain(range);
                }
            }
            Self::Stray { sector, from } => {
                let ranges = (sector_range(bytes, sector), sector_range(bytes, from));
                if let (Some(to), Some(from)) = ranges {
                    bytes.copy_within(from, to.start);
                }
            }
        }
    }
}

const SECTOR: usize = 512;

fn sector_range(bytes: &[u8], sector: u64) -> Option<std::ops::Range<usize>> {
    let start = usize::try_from(sector).ok()?.checked_mul(SECTOR)?;
    (start + SECTOR <= bytes.len()).then_some(start..start + SECTOR)
}

/// How a sink fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SinkFault {
    /// The write of this number, from 0, fails and writes nothing.
    Fail(u64),
    /// The write of this number writes this many bytes and then fails; so do all after it.
    Tear(u64, usize),
    /// Every write takes at most this many bytes: allowed, and often forgotten.
    Short(usize),
    /// The disk is full after this many bytes.
    Full(u64),
    /// The seek of this number, from 0, fails.
    Seek(u64),
}

/// A sink that fails as configured.
#[derive(Debug)]
pub struct FaultySink<W> {
    inner: W,
    fault: SinkFault,
    writes: u64,
    seeks: u64,
    bytes: u64,
}

impl<W> FaultySink<W> {
    /// A sink that hands on to `inner` until the fault comes.
    pub fn new(inner: W, fault: SinkFault) -> Self {
        Self {
            inner,
            fault,
            writes: 0,
            seeks: 0,
            bytes: 0,
        }
    }

    /// The sink beneath.
    pub fn into_inner(self) -> W {
        self.inner
    }

    /// Writes asked for so far.
    pub fn writes(&self) -> u64 {
        self.writes
    }

    /// Bytes that the write of this number may pass on, before it fails or not.
    fn allowance(&self, write: u64, length: usize) -> usize {
        match self.fault {
            SinkFault::Fail(n) if write == n => 0,
            SinkFault::Tear(n, bytes) if write == n => bytes.min(length),
            SinkFault::Tear(n, _) if write > n => 0,
            SinkFault::Short(most) => most.clamp(1, length.max(1)),
            SinkFault::Full(most) => length.min((most.saturating_sub(self.bytes)) as usize),
            _ => length,
        }
    }
}

impl<W: Write> Write for FaultySink<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let write = self.writes;
        self.writes += 1;
        let allowed = self.allowance(write, bytes.len()).min(bytes.len());
        self.inner.write_all(&bytes[..allowed])?;
        self.bytes += allowed as u64;
        let torn = matches!(self.fault, SinkFault::Tear(n, _) if write >= n);
        if torn || (allowed == 0 && !bytes.is_empty()) {
            return Err(match self.fault {
                SinkFault::Full(_) => io::ErrorKind::StorageFull.into(),
                _ => io::Error::other("the sink failed on purpose"),
            });
        }
        Ok(allowed)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl<W: Seek> Seek for FaultySink<W> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let seek = self.seeks;
        self.seeks += 1;
        if self.fault == SinkFault::Seek(seek) {
            return Err(io::Error::other("the sink failed on purpose"));
        }
        self.inner.seek(to)
    }
}

/// How a source fails; a list of these is a bad day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SourceFault {
    /// Reading past this byte takes this long, once. The time is only counted.
    Stall(u64, Duration),
    /// Reading this byte fails, every time: a card that was taken out.
    Gone(u64),
    /// Reading this byte is interrupted once.
    Interrupt(u64),
}

/// A source that stalls and fails as configured, and returns pieces of random size.
#[derive(Debug)]
pub struct FaultySource<R> {
    inner: R,
    faults: Vec<SourceFault>,
    chance: Chance,
    position: u64,
    waited: Duration,
}

impl<R> FaultySource<R> {
    /// A source with `faults`, whose pieces are cut by `seed`.
    pub fn new(inner: R, faults: Vec<SourceFault>, seed: u64) -> Self {
        Self {
            inner,
            faults,
            chance: Chance::new(seed),
            position: 0,
            waited: Duration::ZERO,
        }
    }

    /// Time that stalls have cost so far.
    pub fn waited(&self) -> Duration {
        self.waited
    }

    /// Faults that lie in the next `length` bytes take effect; the bytes before them.
    fn meet(&mut self, length: u64) -> io::Result<u64> {
        let (start, mut end) = (self.position, self.position + length);
        let mut i = 0;
        while i < self.faults.len() {
            let fault = self.faults[i];
            let at = match fault {
                SourceFault::Stall(at, _) | SourceFault::Gone(at) | SourceFault::Interrupt(at) => {
                    at
                }
            };
            if !(start..end).contains(&at) {
                i += 1;
                continue;
            }
            match fault {
                SourceFault::Stall(_, time) => {
                    self.waited += time;
                    self.faults.remove(i);
                }
                SourceFault::Interrupt(_) => {
                    self.faults.remove(i);
                    return Err(io::ErrorKind::Interrupted.into());
                }
                SourceFault::Gone(_) if at == start => {
                    return Err(io::Error::other("the card is gone"));
                }
                SourceFault::Gone(_) => {
                    end = at;
                    i += 1;
                }
            }
        }
        Ok(end - start)
    }
}

impl<R: Read> Read for FaultySource<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if buffer.is_empty() {
            return Ok(0);
        }
        let piece = 1 + self.chance.below(buffer.len() as u64);
        let length = self.meet(piece)? as usize;
        let read = self.inner.read(&mut buffer[..length])?;
        self.position += read as u64;
        Ok(read)
    }
}

impl<R: Seek> Seek for FaultySource<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.inner.seek(to)?;
        Ok(self.position)
    }
}

#[cfg(test)]
// A bench without a harness drops the tests, but not their imports.
#[allow(unused_imports)]
mod tests {
    use super::{Chance, Fault, FaultySink, FaultySource, SinkFault, SourceFault};
    use std::io::{Cursor, ErrorKind, Read, Write};
    use std::time::Duration;

    #[test]
    fn chance_repeats_and_stays_below() {
        let draw = |seed| {
            let mut chance = Chance::new(seed);
            (0..1000).map(|_| chance.below(10)).collect::<Vec<_>>()
        };
        assert_eq!(draw(7), draw(7));
        assert_ne!(draw(7), draw(8));
        let counts = (0..10).map(|n| draw(7).iter().filter(|&&x| x == n).count());
        // Mean 100, standard deviation 9.5: five of them.
        assert!(counts.clone().all(|c| (52..=148).contains(&c)));
    }

    #[test]
    fn faults_change_what_they_say() {
        let whole: Vec<u8> = (0..2048_u32).map(|i| (i / 512) as u8).collect();
        let after = |fault: Fault| {
            let mut bytes = whole.clone();
            fault.apply(&mut bytes);
            bytes
        };
        assert_eq!(after(Fault::Flip { bit: 8 })[1], 1);
        assert_eq!(after(Fault::Cut { at: 3 }).len(), 3);
        assert_eq!(after(Fault::Blank { sector: 3 })[1536..], [0; 512]);
        assert_eq!(after(Fault::Lose { sector: 1 })[512], 2);
        assert_eq!(after(Fault::Stray { sector: 0, from: 3 })[0], 3);
    }

    #[test]
    fn sinks_fail_as_told() {
        let run = |fault| {
            let mut sink = FaultySink::new(Vec::new(), fault);
            let result = (0..4).try_for_each(|_| sink.write_all(&[1; 10]));
            (result.map_err(|e| e.kind()), sink.into_inner().len())
        };
        assert_eq!(run(SinkFault::Fail(2)), (Err(ErrorKind::Other), 20));
        assert_eq!(run(SinkFault::Tear(2, 4)), (Err(ErrorKind::Other), 24));
        assert_eq!(run(SinkFault::Short(3)), (Ok(()), 40));
        assert_eq!(run(SinkFault::Full(35)), (Err(ErrorKind::StorageFull), 35));
    }

    #[test]
    fn sources_stall_and_fail_as_told() {
        let faults = vec![
            SourceFault::Stall(5, Duration::from_millis(250)),
            SourceFault::Interrupt(7),
            SourceFault::Gone(60),
        ];
        let mut source = FaultySource::new(Cursor::new([9; 100]), faults, 1);
        let mut bytes = Vec::new();
        assert!(source.read_to_end(&mut bytes).is_err());
        assert_eq!(bytes.len(), 60);
        assert_eq!(source.waited(), Duration::from_millis(250));
    }
}
