//! Who is watching and how well: one record a stream, as seen from the server.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use serde::Serialize;

/// A piece that the client does not take within this time is a stall.
pub const STALL: Duration = Duration::from_millis(250);
/// The rate shown is that of the last seconds.
const RATE_SPAN: Duration = Duration::from_secs(5);
/// How many ended streams stay on the page.
const REMEMBERED: usize = 100;

/// How a reel is being sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Delivery {
    /// A file, or a range of one, as fast as the client takes it.
    File,
    /// Paced by the sound clock.
    Live,
}

/// What is known of one stream; times in seconds, rates in bytes per second.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// Counts up from 1 in one run of the server.
    pub id: u64,
    /// The client's address.
    pub peer: SocketAddr,
    /// The reel's name.
    pub reel: String,
    /// File or live.
    pub delivery: Delivery,
    /// When it began, in seconds since 1970.
    pub since: u64,
    /// How long it has lasted, or lasted.
    pub seconds: f64,
    /// Bytes handed to the network.
    pub bytes: u64,
    /// Rate over the last five seconds (over all of it once it has ended).
    pub rate: f64,
    /// How often the client left a piece waiting for longer than 250 ms.
    pub stalls: u32,
    /// Time spent in stalls.
    pub stalled: f64,
    /// How far a live stream is behind its clock now.
    pub lag: f64,
    /// How far a live stream was behind its clock at worst.
    pub worst_lag: f64,
    /// Whether it is still being sent.
    pub open: bool,
    /// Whether it was sent to its end.
    pub whole: bool,
}

/// Told of every stream that opens and closes.
pub type Listener = Arc<dyn Fn(&Report) + Send + Sync>;

/// All streams of a server: the open ones and the last that ended.
pub struct StreamLog {
    most: usize,
    next: AtomicU64,
    listener: Listener,
    streams: Mutex<Streams>,
}

#[derive(Default)]
struct Streams {
    open: Vec<Arc<Record>>,
    ended: VecDeque<Report>,
}

struct Record {
    id: u64,
    peer: SocketAddr,
    reel: String,
    delivery: Delivery,
    since: SystemTime,
    begun: Instant,
    figures: Mutex<Figures>,
}

#[derive(Default)]
struct Figures {
    bytes: u64,
    stalls: u32,
    stalled: Duration,
    lag: Duration,
    worst_lag: Duration,
    recent: VecDeque<(Instant, u64)>,
    whole: bool,
}

/// An open stream; dropping it closes its record.
pub struct Watch {
    record: Arc<Record>,
    streams: Arc<StreamLog>,
}

impl StreamLog {
    /// At most `most` open streams; `listener` hears of each as it opens and closes.
    #[must_use]
    pub fn new(most: usize, listener: Listener) -> Arc<Self> {
        Arc::new(Self {
            most,
            next: AtomicU64::new(1),
            listener,
            streams: Mutex::default(),
        })
    }

    /// A record for a new stream, or `None` when there are too many.
    #[must_use]
    pub fn open(
        self: &Arc<Self>,
        peer: SocketAddr,
        reel: &str,
        delivery: Delivery,
    ) -> Option<Watch> {
        let mut streams = lock(&self.streams);
        if streams.open.len() >= self.most {
            return None;
        }
        let record = Arc::new(Record {
            id: self.next.fetch_add(1, Ordering::Relaxed),
            peer,
            reel: reel.to_owned(),
            delivery,
            since: SystemTime::now(),
            begun: Instant::now(),
            figures: Mutex::default(),
        });
        streams.open.push(Arc::clone(&record));
        drop(streams);
        (self.listener)(&record.report(true));
        Some(Watch {
            record,
            streams: Arc::clone(self),
        })
    }

    /// Every open stream, then the last that ended, newest first.
    #[must_use]
    pub fn reports(&self) -> Vec<Report> {
        let streams = lock(&self.streams);
        let open = streams.open.iter().map(|record| record.report(true));
        open.chain(streams.ended.iter().cloned()).collect()
    }
}

impl Record {
    fn report(&self, open: bool) -> Report {
        let figures = lock(&self.figures);
        let elapsed = self.begun.elapsed();
        let since = self.since.duration_since(SystemTime::UNIX_EPOCH);
        Report {
            id: self.id,
            peer: self.peer,
            reel: self.reel.clone(),
            delivery: self.delivery,
            since: since.map_or(0, |since| since.as_secs()),
            seconds: elapsed.as_secs_f64(),
            bytes: figures.bytes,
            rate: figures.rate(elapsed, open),
            stalls: figures.stalls,
            stalled: figures.stalled.as_secs_f64(),
            lag: figures.lag.as_secs_f64(),
            worst_lag: figures.worst_lag.as_secs_f64(),
            open,
            whole: figures.whole,
        }
    }
}

impl Figures {
    #[allow(clippy::cast_precision_loss)]
    fn rate(&self, elapsed: Duration, open: bool) -> f64 {
        let span = if open {
            elapsed.min(RATE_SPAN)
        } else {
            elapsed
        };
        let bytes = if open && elapsed > RATE_SPAN {
            let fresh = |(at, _): &&(Instant, u64)| at.elapsed() <= RATE_SPAN;
            self.recent.iter().filter(fresh).map(|(_, n)| n).sum()
        } else {
            self.bytes
        };
        bytes as f64 / span.as_secs_f64().max(1e-3)
    }

    fn note_bytes(&mut self, count: u64) {
        self.bytes += count;
        let now = Instant::now();
        // Entries a quarter of a second apart keep the list short at any rate.
        match self.recent.back_mut() {
            Some((at, sum)) if now - *at < RATE_SPAN / 20 => *sum += count,
            _ => self.recent.push_back((now, count)),
        }
        while self
            .recent
            .front()
            .is_some_and(|(at, _)| now - *at > RATE_SPAN)
        {
            self.recent.pop_front();
        }
    }
}

impl Watch {
    /// `count` bytes were taken by the client's connection after `waited`.
    pub fn sent(&self, count: usize, waited: Duration) {
        let mut figures = lock(&self.record.figures);
        figures.note_bytes(count as u64);
        if waited > STALL {
            figures.stalls += 1;
            figures.stalled += waited;
        }
    }

    /// Reports that a live stream is `lag` behind its clock.
    pub fn lag(&self, lag: Duration) {
        let mut figures = lock(&self.record.figures);
        figures.lag = lag;
        figures.worst_lag = figures.worst_lag.max(lag);
    }

    /// The stream was sent to its end.
    pub fn whole(&self) {
        lock(&self.record.figures).whole = true;
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let report = self.record.report(false);
        let mut streams = lock(&self.streams.streams);
        streams.open.retain(|record| record.id != self.record.id);
        streams.ended.push_front(report.clone());
        streams.ended.truncate(REMEMBERED);
        drop(streams);
        (self.streams.listener)(&report);
    }
}

/// A panic elsewhere must not take the figures with it.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_is_counted_and_remembered() {
        let heard = Arc::new(Mutex::new(Vec::new()));
        let ear = Arc::clone(&heard);
        let listener: Listener = Arc::new(move |report| ear.lock().unwrap().push(report.open));
        let streams = StreamLog::new(1, listener);
        let peer = ([127, 0, 0, 1], 9).into();
        let watch = streams.open(peer, "harbour.tbr", Delivery::Live).unwrap();
        assert!(streams.open(peer, "harbour.tbr", Delivery::File).is_none());
        watch.sent(1000, Duration::ZERO);
        watch.sent(500, Duration::from_millis(300));
        watch.lag(Duration::from_millis(40));
        watch.lag(Duration::ZERO);
        let now = &streams.reports()[0];
        assert!(now.open && now.bytes == 1500 && now.stalls == 1);
        assert!((now.worst_lag - 0.04).abs() < 1e-9 && now.lag == 0.0);
        watch.whole();
        drop(watch);
        let after = &streams.reports()[0];
        assert!(!after.open && after.whole && after.bytes == 1500);
        assert_eq!(*heard.lock().unwrap(), [true, false]);
        assert!(streams.open(peer, "harbour.tbr", Delivery::File).is_some());
    }
}
