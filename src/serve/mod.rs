//! Reels over HTTP/1.1: whole files, byte ranges, a paced live stream, lists,
//! a page to watch them on, and a record of who is watching and how well.
//!
//! Nothing is ever written, and nothing outside the folder is read. A client
//! that is slow, silent or gone holds a bounded amount of memory for a bounded
//! time and delays nobody else.
//!
//! | address | answer |
//! |---|---|
//! | `/` | the folder as a shelf of posters, with a player |
//! | `/list`, `/list.json`, `/list.m3u` | the reels as plain text, JSON, an M3U playlist |
//! | `/reels/NAME` | the file; ranges and conditional requests |
//! | `/live/NAME` | the reel at the pace of its sound clock |
//! | `/streams`, `/streams.json` | the streams being sent |
//! | `/supply/NAME` | what the reel draws on the board that the server feeds |

mod announce;
mod assets;
mod body;
mod condition;
mod connection;
mod folder;
mod kept;
mod list;
mod live;
mod patience;
mod routes;
mod supply;
mod table;
mod watch;

use std::future::Future;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch as signal};

pub use announce::Announcement;
pub use list::{Entry, Facts};
pub use watch::{AirLimit, Delivery, Listener, Report};

use folder::Folder;
use kept::Kept;
use supply::Supply;
use table::Table;
use watch::StreamLog;

use crate::board::Board;

/// Options of a server.
#[derive(Clone)]
pub struct Options {
    /// The folder whose reels are served.
    pub folder: PathBuf,
    /// Addresses to listen at; port 0 takes a free one.
    pub listen: Vec<SocketAddr>,
    /// Connections at once; more are answered 503 and closed.
    pub most_connections: usize,
    /// Streams at once; more are answered 503.
    pub max_streams: usize,
    /// What the access point carries; streams beyond are answered 503.
    pub air: Option<AirLimit>,
    /// The board whose supply the page tells of.
    pub board: Option<Board>,
    /// How long a client may take over a request's head, or say nothing.
    pub head_time: Duration,
    /// How long a client may leave waiting bytes untouched.
    pub patience: Duration,
    /// How long streams may continue after the server starts to shut down.
    pub grace: Duration,
    /// Hears of each stream as it opens and closes.
    pub listener: Listener,
}

impl Options {
    /// The defaults for `folder`: no address yet, 1,024 connections, 512
    /// streams, 15 s for a head, 30 s of patience, 3 s of grace.
    #[must_use]
    pub fn new(folder: PathBuf) -> Self {
        Self {
            folder,
            listen: Vec::new(),
            most_connections: 1024,
            max_streams: 512,
            air: None,
            board: None,
            head_time: Duration::from_secs(15),
            patience: patience::PATIENCE,
            grace: Duration::from_secs(3),
            listener: Arc::new(|_| ()),
        }
    }
}

/// Why a server could not be started.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    /// The folder cannot be opened.
    #[error("cannot open the folder to serve, {path}: {why}; name an existing folder of reels", path = .0.display(), why = not_a_folder(.1))]
    Folder(PathBuf, io::Error),
    /// An address is not available.
    #[error("cannot listen at {0}: {why}; choose another address or port with --listen", why = crate::files::reason(.1))]
    Listen(SocketAddr, io::Error),
    /// The reels cannot be announced.
    #[error("cannot announce by DNS-SD: {0}")]
    Announce(String),
}

fn not_a_folder(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotADirectory => "it is a file".into(),
        _ => crate::files::reason(error),
    }
}

/// A server that holds its addresses but does not answer yet.
pub struct Server {
    listeners: Vec<TcpListener>,
    shared: Arc<Shared>,
}

/// What every connection uses.
struct Shared {
    options: Options,
    folder: Folder,
    streams: Arc<StreamLog>,
    places: Arc<Semaphore>,
    tables: Kept<Table>,
    supplies: Kept<Supply>,
    /// One reel is read for its supply at a time.
    judging: Arc<Semaphore>,
    /// Since when the live reels have been running.
    since: std::time::Instant,
    stopping: signal::Receiver<bool>,
    stop: signal::Sender<bool>,
}

impl Server {
    /// Opens the folder and takes the addresses.
    ///
    /// # Errors
    /// If the folder cannot be opened or an address is not available.
    pub async fn bind(options: Options) -> Result<Self, ServeError> {
        let folder = Folder::open(&options.folder)
            .map_err(|error| ServeError::Folder(options.folder.clone(), error))?;
        let mut listeners = Vec::new();
        for &address in &options.listen {
            let listener = TcpListener::bind(address).await;
            listeners.push(listener.map_err(|error| ServeError::Listen(address, error))?);
        }
        let (stop, stopping) = signal::channel(false);
        raise_file_limit();
        let shared = Shared {
            folder,
            streams: StreamLog::new(
                options.max_streams,
                options.air.clone(),
                Arc::clone(&options.listener),
            ),
            places: Arc::new(Semaphore::new(options.most_connections)),
            tables: Kept::default(),
            supplies: Kept::default(),
            judging: Arc::new(Semaphore::new(1)),
            since: std::time::Instant::now(),
            stopping,
            stop,
            options,
        };
        Ok(Self {
            listeners,
            shared: Arc::new(shared),
        })
    }

    /// The addresses taken, with their real ports.
    #[must_use]
    pub fn addresses(&self) -> Vec<SocketAddr> {
        let bound = self.listeners.iter();
        bound
            .filter_map(|listener| listener.local_addr().ok())
            .collect()
    }

    /// The addresses a client can type: an unspecified address is replaced by
    /// those of the machine's own interfaces.
    #[must_use]
    pub fn reachable(&self) -> Vec<SocketAddr> {
        self.addresses().into_iter().flat_map(spell_out).collect()
    }

    /// Announces the server on the local network until the answer is dropped.
    ///
    /// # Errors
    /// When no address can be reached from outside, or the network refuses.
    pub fn announce(&self, name: &str) -> Result<Announcement, ServeError> {
        Announcement::start(name, &self.reachable()).map_err(ServeError::Announce)
    }

    /// Answers until `stop` resolves; then lets streams end at their next
    /// slice, and returns when all are closed or the grace is over.
    pub async fn run(self, stop: impl Future<Output = ()>) {
        let mut accepting = tokio::task::JoinSet::new();
        for listener in self.listeners {
            accepting.spawn(connection::accept(listener, Arc::clone(&self.shared)));
        }
        stop.await;
        // The receivers live in tasks that may have ended already.
        let _ = self.shared.stop.send(true);
        while accepting.join_next().await.is_some() {}
    }
}

/// A stream needs a socket and a file; the usual soft limit of 1,024 is short.
#[cfg(unix)]
fn raise_file_limit() {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    /// More is refused, whatever the hard limit says (getrlimit(2) of macOS, OPEN_MAX).
    const OPEN_MAX: u64 = 10_240;
    let limit = getrlimit(Resource::Nofile);
    let most = match cfg!(target_vendor = "apple") {
        true => Some(limit.maximum.map_or(OPEN_MAX, |most| most.min(OPEN_MAX))),
        false => limit.maximum,
    };
    let raised = Rlimit {
        current: most,
        maximum: limit.maximum,
    };
    // Where it may not be raised, more clients are turned away, no more.
    let _ = setrlimit(Resource::Nofile, raised);
}

/// Handles are not limited that way elsewhere.
#[cfg(not(unix))]
const fn raise_file_limit() {}

fn spell_out(address: SocketAddr) -> Vec<SocketAddr> {
    if !address.ip().is_unspecified() {
        return vec![address];
    }
    let interfaces = if_addrs::get_if_addrs().unwrap_or_default();
    let reachable = |ip: &IpAddr| !ip.is_loopback() && (ip.is_ipv4() || address.is_ipv6());
    let mut found: Vec<IpAddr> = interfaces
        .iter()
        .map(|i| i.ip())
        .filter(reachable)
        .collect();
    found.sort();
    let with_port = |ip| SocketAddr::new(ip, address.port());
    let mut all: Vec<_> = found.into_iter().map(with_port).collect();
    all.push(SocketAddr::new([127, 0, 0, 1].into(), address.port()));
    all
}
