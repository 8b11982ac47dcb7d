//! Response bodies that are made while they are sent, a piece at a time, so
//! that a slow client holds a few dozen kilobytes and nobody else.

use std::fs::File;
use std::io;
use std::ops::Range;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Instant;

use bytes::Bytes;
use http_body::{Body, Frame, SizeHint};
use tokio::sync::mpsc;

use super::watch::Watch;
use crate::files::read_exact_at;

/// Bytes read and handed over at once.
pub const PIECE: usize = 32 * 1024;

/// The sending end of a body: pieces go in as fast as the client takes them.
pub struct Sender {
    pieces: mpsc::Sender<io::Result<Bytes>>,
    watch: Watch,
}

/// The body that hyper pulls on; ends when its [`Sender`] is dropped.
pub struct Pieces {
    pieces: mpsc::Receiver<io::Result<Bytes>>,
    left: Option<u64>,
}

/// The client has gone, or the server is stopping.
#[derive(Debug)]
pub struct Gone;

/// A body and its sending end; `length` in bytes if it is known.
#[must_use]
pub fn pieces(watch: Watch, length: Option<u64>) -> (Sender, Pieces) {
    let (sender, receiver) = mpsc::channel(1);
    let sender = Sender {
        pieces: sender,
        watch,
    };
    let body = Pieces {
        pieces: receiver,
        left: length,
    };
    (sender, body)
}

impl Sender {
    /// Hands over one piece and waits until the connection has taken it.
    ///
    /// # Errors
    /// [`Gone`] if the client has disconnected.
    pub async fn send(&self, piece: Bytes) -> Result<(), Gone> {
        let (count, begun) = (piece.len(), Instant::now());
        // A reserved place means that the piece before was taken; so the wait
        // counts for that one, and the stream's end is not reported too early.
        let place = self.pieces.reserve().await.map_err(|_| Gone)?;
        self.watch.sent(count, begun.elapsed());
        place.send(Ok(piece));
        Ok(())
    }

    /// Breaks the body off, so that the client can see that it is not whole.
    pub async fn fail(&self, error: io::Error) {
        // Nobody left to tell is as good.
        let _ = self.pieces.send(Err(error)).await;
    }

    /// Sends the bytes of `file` in `range`.
    ///
    /// # Errors
    /// [`Gone`] when the client has gone or the file cannot be read.
    pub async fn send_file(&self, file: &Arc<File>, range: Range<u64>) -> Result<(), Gone> {
        self.send_file_under(&[], file, range).await
    }

    /// Sends the bytes of `file` in `range`, the first of them replaced by `head`.
    ///
    /// # Errors
    /// [`Gone`] when the client has gone or the file cannot be read.
    pub async fn send_file_under(
        &self,
        head: &[u8],
        file: &Arc<File>,
        range: Range<u64>,
    ) -> Result<(), Gone> {
        let (mut at, mut head) = (range.start, Vec::from(head));
        while at < range.end {
            let count = (range.end - at).min(PIECE as u64) as usize;
            match read(Arc::clone(file), at, count, std::mem::take(&mut head)).await {
                Ok(piece) => self.send(piece).await?,
                Err(error) => {
                    self.fail(error).await;
                    return Err(Gone);
                }
            }
            at += count as u64;
        }
        Ok(())
    }

    /// Resolves when the client has gone.
    pub async fn gone(&self) {
        self.pieces.closed().await;
    }

    /// The stream's record.
    #[must_use]
    pub fn watch(&self) -> &Watch {
        &self.watch
    }
}

/// `count` bytes of `file` at `at`, the first of them replaced by `head`, read
/// off the network's threads.
async fn read(file: Arc<File>, at: u64, count: usize, head: Vec<u8>) -> io::Result<Bytes> {
    let reading = tokio::task::spawn_blocking(move || {
        let mut piece = vec![0; count];
        read_exact_at(&file, &mut piece, at)?;
        piece[..head.len()].copy_from_slice(&head);
        Ok(Bytes::from(piece))
    });
    reading.await.map_err(io::Error::other)?
}

impl Body for Pieces {
    type Data = Bytes;
    type Error = io::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, io::Error>>> {
        let next = std::task::ready!(self.pieces.poll_recv(cx));
        if let (Some(Ok(piece)), Some(left)) = (&next, &mut self.left) {
            *left = left.saturating_sub(piece.len() as u64);
        }
        Poll::Ready(next.map(|piece| piece.map(Frame::data)))
    }

    fn size_hint(&self) -> SizeHint {
        self.left
            .map_or_else(SizeHint::default, SizeHint::with_exact)
    }
}
