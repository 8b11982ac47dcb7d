//! The paced live stream: a reel of unknown duration, sent at the pace of its
//! sound clock.
//!
//! The file's own chunks are passed through; only their headers are rewritten,
//! so that numbers and times are continuous from the start of the stream, also
//! when the reel begins again. What a client receives is a valid reel.

use byteorder::{ByteOrder as _, LE};

use std::fs::File;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use tokio::sync::watch as signal;
use tokio::time::{Instant, sleep_until};

use super::body::{Gone, Sender};
use super::table::{Place, Table};
use crate::reel::{
    CHUNK_HEADER, ChunkHeader, END_PAYLOAD, End, FIRST_CHUNK, Header, Kind, SECTOR, UNKNOWN, crc32,
    part_length, side_chunk_length,
};

/// Where a live stream begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Join {
    /// At the key slice that comes next for a reel that has been playing, over
    /// and over, for this long; and then for ever.
    Running(Duration),
    /// At the key slice for this time; to the reel's end.
    At(Duration),
}

/// The slices of one stream, in order, renumbered.
struct Course {
    table: Arc<Table>,
    next: usize,
    /// Chunks and bytes sent so far.
    number: u32,
    bytes: u64,
    /// What is added to times and picture numbers: grows with every turn.
    ticks_past: u64,
    pictures_past: u32,
    endless: bool,
    totals: End,
}

impl Course {
    fn new(table: Arc<Table>, join: Join) -> Self {
        let rate = f64::from(table.header.clock_rate);
        let (first, end) = table.span();
        let turn = end - first;
        let in_ticks = |time: Duration| (time.as_secs_f64() * rate) as u64;
        let (next, ticks_past, turns) = match join {
            Join::At(time) => (table.key_before(first + in_ticks(time)), 0, 0),
            Join::Running(time) => {
                let (mut turns, at) = (in_ticks(time) / turn, first + in_ticks(time) % turn);
                let next = table.key_from(at);
                // Past the last key slice the next one opens the next turn.
                turns += u64::from(table.slices[next].header.time < at);
                (next, turns * turn, turns)
            }
        };
        let pictures = pictures_in_turn(&table);
        Self {
            next,
            number: 0,
            bytes: 0,
            ticks_past,
            pictures_past: pictures.wrapping_mul(turns as u32),
            endless: matches!(join, Join::Running(_)),
            totals: End::default(),
            table,
        }
    }

    /// The header of a reel that starts here and may end anywhere.
    fn header(&self) -> Header {
        let first = &self.table.slices[self.next].header;
        let side = |kind| {
            self.table
                .side
                .iter()
                .find(|p| p.header.kind() == Some(kind))
        };
        let mut offset = FIRST_CHUNK as u32;
        let mut place = |found: Option<&Place>| {
            let length = found.map_or(0, |place| place.header.length);
            let at = if length == 0 { 0 } else { offset };
            offset += length;
            (at, length)
        };
        let (poster_offset, poster_length) = place(side(Kind::Poster));
        let (tables_offset, tables_length) = place(side(Kind::Tables));
        place(side(Kind::Note));
        Header {
            first_tick: first.time + self.ticks_past,
            first_picture: first.first_picture.wrapping_add(self.pictures_past),
            duration: UNKNOWN,
            reel_duration: UNKNOWN,
            file_length: 0,
            picture_count: 0,
            slice_count: 0,
            part: 1,
            parts: 1,
            first_slice: offset.into(),
            index_offset: 0,
            index_length: 0,
            index_step: 0,
            index_entries: 0,
            prebuffer: 0,
            mean_rate: 0,
            worst_rate: 0,
            worst_bus_bytes: 0,
            worst_instructions: 0,
            poster_offset,
            poster_length,
            tables_offset,
            tables_length,
            ..self.table.header
        }
    }

    /// The side chunks in stream order, poster first.
    fn side(&mut self, stream: &Header) -> Vec<Place> {
        let mut chunks = Vec::new();
        for kind in [Kind::Poster, Kind::Tables, Kind::Note] {
            let found = self
                .table
                .side
                .iter()
                .find(|p| p.header.kind() == Some(kind));
            if let Some(&Place { offset, mut header }) = found {
                header.time = stream.first_tick;
                header.first_picture = stream.first_picture;
                header.number = self.count(header.length);
                chunks.push(Place { offset, header });
            }
        }
        chunks
    }

    /// The next slice: where it is in the file, and its header in the stream.
    fn slice(&mut self) -> Option<Place> {
        if self.next == self.table.slices.len() {
            if !self.endless {
                return None;
            }
            let (first, end) = self.table.span();
            self.ticks_past += end - first;
            self.pictures_past = self
                .pictures_past
                .wrapping_add(pictures_in_turn(&self.table));
            self.next = self.table.key_from(0);
        }
        let Place { offset, mut header } = self.table.slices[self.next];
        self.next += 1;
        header.number = self.count(header.length);
        header.time += self.ticks_past;
        header.first_picture = header.first_picture.wrapping_add(self.pictures_past);
        self.totals.slices += 1;
        self.totals.pictures += u32::from(header.pictures);
        self.totals.sound_bytes += u64::from(header.sound_bytes());
        self.totals.gaps += u32::from(header.is_after_gap());
        Some(Place { offset, header })
    }

    fn count(&mut self, length: u32) -> u32 {
        self.bytes += u64::from(length);
        self.number += 1;
        self.number - 1
    }

    /// The end chunk of a stream that began with `header` and lasted to `tick`.
    fn end(&self, header: &Header, tick: u64) -> Vec<u8> {
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        let totals = End {
            ticks: tick - header.first_tick,
            offset: self.bytes + FIRST_CHUNK,
            ..self.totals
        };
        let mut payload = [0; END_PAYLOAD];
        totals.emit(&sector, &mut payload);
        let head = ChunkHeader {
            kind: Kind::End as u8,
            flags: 0,
            pictures: 0,
            number: self.number,
            length: side_chunk_length(END_PAYLOAD as u64) as u32,
            used: part_length(END_PAYLOAD) as u32,
            ticks: 0,
            time: tick,
            bytes: END_PAYLOAD as u32,
            first_picture: header.first_picture.wrapping_add(totals.pictures),
            id_low: header.id_low(),
        };
        chunk(&head, &payload)
    }
}

fn pictures_in_turn(table: &Table) -> u32 {
    table
        .slices
        .iter()
        .map(|place| u32::from(place.header.pictures))
        .sum()
}

/// A whole chunk from its header and payload, which one checksum covers.
fn chunk(header: &ChunkHeader, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0; header.length as usize];
    if let Some(head) = bytes.first_chunk_mut() {
        header.emit(head);
    }
    bytes[header.payload()].copy_from_slice(payload);
    let crc_at = header.parts().end - 4;
    let crc = crc32(&bytes[CHUNK_HEADER..crc_at]);
    LE::write_u32(&mut bytes[crc_at..], crc);
    bytes
}

/// Sends `table`'s reel, which is in `file`, until it ends, the client goes or
/// the server stops.
pub async fn stream(
    sender: Sender,
    file: Arc<File>,
    table: Arc<Table>,
    join: Join,
    mut stopping: signal::Receiver<bool>,
) {
    let course = Course::new(table, join);
    tokio::select! {
        sent = send(&sender, &file, course, stopping.clone()) => {
            if sent.is_ok() { sender.watch().whole(); }
        }
        // The slice on its way may take the grace, but not longer.
        () = stopped_for_long(&mut stopping) => (),
    }
}

async fn stopped_for_long(stopping: &mut signal::Receiver<bool>) {
    let _ = stopping.wait_for(|stop| *stop).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
}

async fn send(
    sender: &Sender,
    file: &Arc<File>,
    mut course: Course,
    mut stopping: signal::Receiver<bool>,
) -> Result<(), Gone> {
    let header = course.header();
    let mut sector = [0; SECTOR];
    header.emit(&mut sector);
    // And its copy.
    sender.send(Bytes::from(sector.repeat(2))).await?;
    for place in course.side(&header) {
        send_chunk(sender, file, &place).await?;
    }
    // A live header states none; what the file does is sent at once.
    let prebuffer = u64::from(course.table.header.prebuffer);
    let mut burst = 0;
    // The clock starts when the client has its prebuffer; it is then ahead by `lead`.
    let mut clock: Option<(Instant, u64)> = None;
    let mut tick = header.first_tick;
    while let Some(place) = course.slice() {
        let due = clock.map(|(start, lead)| {
            let ticks = place.header.time - header.first_tick - lead;
            start + Duration::from_secs_f64(ticks as f64 / f64::from(header.clock_rate))
        });
        if let Some(due) = due {
            tokio::select! {
                () = sleep_until(due) => (),
                () = sender.gone() => return Err(Gone),
                _ = stopping.wait_for(|stop| *stop) => return Ok(()),
            }
        }
        send_chunk(sender, file, &place).await?;
        tick = place.header.end();
        match due {
            Some(due) => sender
                .watch()
                .lag(Instant::now().saturating_duration_since(due)),
            None => burst += u64::from(place.header.length),
        }
        if clock.is_none() && burst >= prebuffer {
            clock = Some((Instant::now(), place.header.time - header.first_tick));
        }
        if *stopping.borrow() {
            return Ok(());
        }
    }
    sender.send(course.end(&header, tick).into()).await
}

/// Sends a chunk of the file under its new header.
async fn send_chunk(sender: &Sender, file: &Arc<File>, place: &Place) -> Result<(), Gone> {
    let mut head = [0; CHUNK_HEADER];
    place.header.emit(&mut head);
    let (at, end) = (place.offset, place.offset + u64::from(place.header.length));
    sender.send_file_under(&head, file, at..end).await
}

#[cfg(test)]
mod tests;
