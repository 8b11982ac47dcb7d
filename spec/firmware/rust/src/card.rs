//! Reels on a card: an SD card over SPI, FAT16 or FAT32.

use core::cell::Cell;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use embedded_hal::spi::{self, Operation, SpiBus, SpiDevice};
use embedded_sdmmc::{
    Block, BlockCount, BlockDevice, BlockIdx, LfnBuffer, Mode, RawDirectory, RawFile, SdCard,
    SdCardError, ShortFileName, TimeSource, Timestamp, VolumeIdx, VolumeManager,
};

/// A card's SPI port: mode 0, highest bit first, nothing else on it.
pub trait CardBus: SpiBus {
    /// The fastest clock that is allowed from now on, in Hz: 400,000 at first.
    fn set_hz(&mut self, hz: u32);
}

/// Why there is no play from the card.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CardFault {
    /// Nothing answers: no card, or a wire is off.
    None,
    /// It answered, but not in time, or not as it should.
    Broken,
    /// Checksums were wrong in all tries: wiring, or a worn card.
    Damaged,
    /// No file system that is read: it must be FAT32 or FAT16, without or in the first
    /// partition.
    FileSystem,
}

/// Longest wait for a block, in microseconds. The standard allows a card 100 ms (SD Physical
/// Layer, 4.6.2.1, from memory); some take 250 ms now and then (common practice, no source).
const LONGEST_WAIT: u32 = 500_000;
/// Bytes after a command in which its answer comes: 8 by the standard (from memory).
const ANSWER_WITHIN: u32 = 16;
/// Tries to read a block whose checksum is wrong.
const TRIES: u32 = 10;
/// Before a card has been started.
const SLOW_HZ: u32 = 400_000;

/// What the wire waits for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Awaits {
    Nothing,
    /// The answer to a command; bytes so far.
    Answer(u32),
    /// A block, after the answer to a command that reads.
    Block,
}

/// The card's wires as `embedded-sdmmc` wants them. That driver polls 10,000 times for the
/// answer of a card that is gone, and no longer than 100 ms for a block; so the waiting
/// is done here. The line is low from the start of a card to its failure.
struct Wire<BUS, CS, DELAY> {
    bus: BUS,
    select: CS,
    delay: DELAY,
    awaits: Awaits,
    /// The command that is to be answered reads a block.
    reads: bool,
}

/// Nothing answers.
#[derive(Debug)]
struct Silent;

impl spi::Error for Silent {
    fn kind(&self) -> spi::ErrorKind {
        spi::ErrorKind::Other
    }
}

impl<BUS, CS, DELAY> spi::ErrorType for Wire<BUS, CS, DELAY> {
    type Error = Silent;
}

impl<BUS: CardBus, CS: OutputPin, DELAY: DelayNs> Wire<BUS, CS, DELAY> {
    /// More than 74 clocks with the line high, then low: what a card wants at first.
    fn begin(&mut self) {
        self.bus.set_hz(SLOW_HZ);
        let _ = self.select.set_high();
        let _ = self.bus.write(&[0xFF; 10]);
        let _ = self.bus.flush();
        let _ = self.select.set_low();
        self.awaits = Awaits::Nothing;
    }

    fn end(&mut self) {
        let _ = self.select.set_high();
        let _ = self.bus.write(&[0xFF]);
        let _ = self.bus.flush();
    }

    fn poll(&mut self) -> Result<u8, Silent> {
        let mut byte = [0xFF];
        self.bus.transfer_in_place(&mut byte).map_err(|_| Silent)?;
        Ok(byte[0])
    }

    /// One byte of what is being waited for.
    fn poll_awaited(&mut self) -> Result<u8, Silent> {
        let mut byte = self.poll()?;
        match self.awaits {
            Awaits::Nothing => {}
            Awaits::Answer(ANSWER_WITHIN) => return Err(Silent),
            Awaits::Answer(n) if byte & 0x80 != 0 => self.awaits = Awaits::Answer(n + 1),
            Awaits::Answer(_) if self.reads && byte == 0 => self.awaits = Awaits::Block,
            Awaits::Answer(_) => self.awaits = Awaits::Nothing,
            Awaits::Block => {
                self.awaits = Awaits::Nothing;
                for _ in 0..LONGEST_WAIT / 10 {
                    if byte != 0xFF {
                        return Ok(byte);
                    }
                    self.delay.delay_us(10);
                    byte = self.poll()?;
                }
                return Err(Silent);
            }
        }
        Ok(byte)
    }

    fn transfer(&mut self, operation: &mut Operation<'_, u8>) -> Result<(), Silent> {
        match operation {
            Operation::Read(to) => self.bus.read(to).map_err(|_| Silent),
            Operation::Transfer(to, _) if to.len() == 1 => {
                to[0] = self.poll_awaited()?;
                Ok(())
            }
            Operation::Transfer(to, from) => self.bus.transfer(to, from).map_err(|_| Silent),
            Operation::TransferInPlace(bytes) => {
                self.bus.transfer_in_place(bytes).map_err(|_| Silent)
            }
            Operation::Write(bytes) => {
                if let &[command, _, _, _, _, _] = &bytes[..] {
                    self.awaits = Awaits::Answer(0);
                    self.reads = command == 0x40 | 17;
                }
                self.bus.write(bytes).map_err(|_| Silent)
            }
            Operation::DelayNs(ns) => {
                self.delay.delay_ns(*ns);
                Ok(())
            }
        }
    }
}

impl<BUS: CardBus, CS: OutputPin, DELAY: DelayNs> SpiDevice for Wire<BUS, CS, DELAY> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Silent> {
        for operation in operations {
            self.transfer(operation)?;
        }
        self.bus.flush().map_err(|_| Silent)
    }
}

/// The driver need not wait: the wire does.
struct NoDelay;

impl DelayNs for NoDelay {
    fn delay_ns(&mut self, _: u32) {}
}

/// The blocks of a card. What comes damaged is read again. `embedded-sdmmc` wants a
/// partition table: a card without one gets one here, and its blocks lie one further.
struct Blocks<BUS, CS, DELAY>
where
    BUS: CardBus,
    CS: OutputPin,
    DELAY: DelayNs,
{
    card: SdCard<Wire<BUS, CS, DELAY>, NoDelay>,
    bare: Cell<bool>,
    fault: Cell<CardFault>,
}

/// Places in a partition table (from memory of the de facto standard): the first entry,
/// in it type, first block and count; the mark at the end.
const ENTRY: usize = 446;
const MARK: usize = 510;

/// Whether a card begins with a file system rather than a partition table (places from
/// memory of Microsoft's "FAT32 File System Specification", version 1.03): a jump, and
/// blocks of 512 bytes.
fn is_file_system(block: &Block) -> bool {
    matches!(block[0], 0xEB | 0xE9) && block[11..13] == [0, 2]
}

impl<BUS, CS, DELAY> Blocks<BUS, CS, DELAY>
where
    BUS: CardBus,
    CS: OutputPin,
    DELAY: DelayNs,
{
    fn read_whole(&self, blocks: &mut [Block], from: BlockIdx) -> Result<(), SdCardError> {
        let mut tries = 1;
        loop {
            let said = self.card.read(blocks, from);
            self.fault.set(match said {
                Err(SdCardError::CrcError(..)) if tries < TRIES => {
                    tries += 1;
                    continue;
                }
                Err(SdCardError::CrcError(..)) => CardFault::Damaged,
                Err(SdCardError::Transport | SdCardError::CardNotFound) => CardFault::None,
                Err(_) => CardFault::Broken,
                Ok(()) => CardFault::FileSystem,
            });
            return said;
        }
    }

    /// Makes a partition table out of the first block of a card without one.
    fn table(block: &mut Block) {
        let wide = u32::from_le_bytes([block[32], block[33], block[34], block[35]]);
        let count = match u16::from_le_bytes([block[19], block[20]]) {
            0 => wide,
            count => count.into(),
        };
        *block = Block::new();
        block[ENTRY + 4] = 0x0C;
        block[ENTRY + 8] = 1;
        block[ENTRY + 12..ENTRY + 16].copy_from_slice(&count.to_le_bytes());
        block[MARK..].copy_from_slice(&[0x55, 0xAA]);
    }
}

impl<BUS, CS, DELAY> BlockDevice for Blocks<BUS, CS, DELAY>
where
    BUS: CardBus,
    CS: OutputPin,
    DELAY: DelayNs,
{
    type Error = SdCardError;

    fn read(&self, blocks: &mut [Block], from: BlockIdx) -> Result<(), SdCardError> {
        let BlockIdx(at) = from;
        if at > 0 {
            let at = at - u32::from(self.bare.get());
            return self.read_whole(blocks, BlockIdx(at));
        }
        self.read_whole(&mut blocks[..1], from)?;
        self.bare.set(is_file_system(&blocks[0]));
        if self.bare.get() {
            Self::table(&mut blocks[0]);
        }
        match &mut blocks[1..] {
            [] => Ok(()),
            rest => self.read(rest, BlockIdx(1)),
        }
    }

    fn write(&self, _: &[Block], _: BlockIdx) -> Result<(), SdCardError> {
        Err(SdCardError::WriteError)
    }

    fn num_blocks(&self) -> Result<BlockCount, SdCardError> {
        self.card.num_blocks()
    }
}

/// Nothing is written, so nothing needs the date.
struct NoDate;

impl TimeSource for NoDate {
    fn get_timestamp(&self) -> Timestamp {
        Timestamp::from_fat(0x21, 0) // 1 January 1980
    }
}

/// Bytes of a name. A file with a longer one goes by its short name.
const NAME: usize = 256;

/// A name in UTF-8, filled up with zeros.
#[derive(Clone)]
struct Name([u8; NAME]);

impl Name {
    const NONE: Self = Self([0; NAME]);

    fn set(&mut self, text: &[u8]) {
        let n = text.len().min(NAME);
        self.0[..n].copy_from_slice(&text[..n]);
    }

    fn set_short(&mut self, name: &ShortFileName) {
        let (base, extension) = (name.base_name(), name.extension());
        self.set(base);
        if !extension.is_empty() {
            self.0[base.len()] = b'.';
            self.0[base.len() + 1..][..extension.len()].copy_from_slice(extension);
        }
    }

    fn is_before(&self, other: &Self) -> bool {
        let letters = |name: &Self| name.0.map(|byte| byte.to_ascii_lowercase());
        letters(self) < letters(other)
    }

    fn is_reel(&self) -> bool {
        let length = self.0.iter().position(|&b| b == 0).unwrap_or(NAME);
        let name = &self.0[..length];
        let ending = name.last_chunk::<4>();
        name.first() != Some(&b'.') && ending.is_some_and(|e| e.eq_ignore_ascii_case(b".tbr"))
    }
}

type Volume<BUS, CS, DELAY> = VolumeManager<Blocks<BUS, CS, DELAY>, NoDate, 1, 1, 1>;

/// What is mounted.
struct Mounted {
    root: RawDirectory,
    open: Option<Open>,
}

/// The open file.
#[derive(Clone, Copy)]
struct Open {
    file: RawFile,
    /// Its place in the list.
    item: u32,
    /// Bytes.
    length: u32,
}

/// A card with reels.
pub struct Card<BUS, CS, DELAY>
where
    BUS: CardBus,
    CS: OutputPin,
    DELAY: DelayNs,
{
    /// Empty only while it is begun afresh.
    volume: Option<Volume<BUS, CS, DELAY>>,
    mounted: Option<Mounted>,
    hz: u32,
    /// Of the open file, or of the one that it is looked for behind.
    name: Name,
    /// While a file is looked for: the best so far, and memory for a long name.
    best: Name,
    long: [u8; NAME],
}

impl<BUS, CS, DELAY> Card<BUS, CS, DELAY>
where
    BUS: CardBus,
    CS: OutputPin,
    DELAY: DelayNs,
{
    /// A card on `bus`, whose clock goes up to `hz` once the card has been started: 25 MHz
    /// at most. It need not be in its slot yet.
    pub fn new(bus: BUS, select: CS, delay: DELAY, hz: u32) -> Self {
        let wire = Wire {
            bus,
            select,
            delay,
            awaits: Awaits::Nothing,
            reads: false,
        };
        Self {
            volume: Some(Self::volume(SdCard::new(wire, NoDelay))),
            mounted: None,
            hz,
            name: Name::NONE,
            best: Name::NONE,
            long: [0; NAME],
        }
    }

    fn volume(card: SdCard<Wire<BUS, CS, DELAY>, NoDelay>) -> Volume<BUS, CS, DELAY> {
        let blocks = Blocks {
            card,
            bare: Cell::new(false),
            fault: Cell::new(CardFault::None),
        };
        VolumeManager::new_with_limits(blocks, NoDate, 0)
    }

    /// After a failure everything is begun afresh: it may be another card.
    fn failed(&mut self) -> CardFault {
        self.mounted = None;
        let mut fault = CardFault::None;
        self.volume = self.volume.take().map(|volume| {
            let (blocks, _) = volume.free();
            fault = blocks.fault.get();
            blocks.card.spi(Wire::end);
            Self::volume(blocks.card)
        });
        fault
    }

    fn start_and_mount(&self) -> Option<Mounted> {
        let volume = self.volume.as_ref()?;
        let mut started = false;
        volume.device(|blocks| {
            blocks.card.spi(Wire::begin);
            blocks.card.mark_card_uninit();
            started = blocks.card.get_card_type().is_some();
            blocks.card.spi(|wire| wire.bus.set_hz(self.hz));
            NoDate
        });
        if !started {
            return None;
        }
        let partition = (0..4).find_map(|i| volume.open_raw_volume(VolumeIdx(i)).ok())?;
        let root = volume.open_root_dir(partition).ok()?;
        Some(Mounted { root, open: None })
    }

    fn mount(&mut self) -> Result<(), CardFault> {
        if self.mounted.is_none() {
            self.mounted = self.start_and_mount();
        }
        match self.mounted {
            Some(_) => Ok(()),
            None => Err(self.failed()),
        }
    }

    /// Finds the first reel whose name comes after `name`; its name is in `best` then.
    fn find_after(&mut self) -> Result<Option<ShortFileName>, CardFault> {
        let mut found = None;
        let said = match (&self.volume, &self.mounted) {
            (Some(volume), Some(mounted)) => {
                let (best, name) = (&mut self.best, &self.name);
                let mut long = LfnBuffer::new(&mut self.long);
                volume.iterate_dir_lfn(mounted.root, &mut long, |entry, long| {
                    let mut this = Name::NONE;
                    match long.filter(|long| !long.is_empty()) {
                        Some(long) => this.set(long.as_bytes()),
                        None => this.set_short(&entry.name),
                    }
                    let plain = !entry.attributes.is_directory() && !entry.attributes.is_volume();
                    let before_best = found.is_none() || this.is_before(best);
                    if plain && this.is_reel() && name.is_before(&this) && before_best {
                        *best = this;
                        found = Some(entry.name.clone());
                    }
                })
            }
            _ => return Ok(None),
        };
        said.map_err(|_| self.failed())?;
        Ok(found)
    }

    /// Finds item 0, 1, ... of the list; goes on from the one that was open before it.
    fn find(&mut self, item: u32, open: Option<u32>) -> Result<Option<ShortFileName>, CardFault> {
        let mut next = match open {
            Some(open) if item > open => open + 1,
            _ => 0,
        };
        if next == 0 {
            self.name = Name::NONE;
        }
        let mut found = self.find_after()?;
        while next < item && found.is_some() {
            self.name.clone_from(&self.best);
            found = self.find_after()?;
            next += 1;
        }
        Ok(found)
    }

    /// Goes to a byte of item 0, 1, ... of the list: `false` if it has no such item.
    pub(crate) fn reach(&mut self, item: u32, offset: u64) -> Result<bool, CardFault> {
        self.mount()?;
        let open = self.mounted.as_ref().and_then(|mounted| mounted.open);
        if open.is_none_or(|open| open.item != item) {
            let Some(short) = self.find(item, open.map(|open| open.item))? else {
                self.close().ok_or(()).map_err(|()| self.failed())?;
                return Ok(false);
            };
            self.name.clone_from(&self.best);
            self.open(item, &short)
                .ok_or(())
                .map_err(|()| self.failed())?;
        }
        self.seek(offset).ok_or(()).map_err(|()| self.failed())?;
        Ok(true)
    }

    fn close(&mut self) -> Option<()> {
        let (volume, mounted) = (self.volume.as_ref()?, self.mounted.as_mut()?);
        match mounted.open.take() {
            Some(open) => volume.close_file(open.file).ok(),
            None => Some(()),
        }
    }

    fn open(&mut self, item: u32, name: &ShortFileName) -> Option<()> {
        self.close()?;
        let (volume, mounted) = (self.volume.as_ref()?, self.mounted.as_mut()?);
        let file = volume.open_file_in_dir(mounted.root, name, Mode::ReadOnly);
        let file = file.ok()?;
        let length = volume.file_length(file).ok()?;
        mounted.open = Some(Open { file, item, length });
        Some(())
    }

    fn seek(&mut self, offset: u64) -> Option<()> {
        let open = self.mounted.as_ref()?.open?;
        let offset = offset.min(open.length.into()) as u32;
        let volume = self.volume.as_ref()?;
        volume.file_seek_from_start(open.file, offset).ok()
    }

    /// Reads up to so many bytes: how many; 0 at the end.
    pub(crate) fn read(&mut self, to: &mut [u8]) -> Result<usize, CardFault> {
        let open = self.mounted.as_ref().and_then(|mounted| mounted.open);
        let said = match (&self.volume, open) {
            (Some(volume), Some(open)) => volume.read(open.file, to).ok(),
            _ => None,
        };
        said.ok_or(()).map_err(|()| self.failed())
    }
}
