//! A connection that loses patience: a client that takes nothing, or next to
//! nothing, of what is waiting for it is let go.

use std::future::Future;
use std::io::{self, IoSlice};
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

/// While bytes wait for it, a client must take [`LEAST`] of them in this time.
pub const PATIENCE: Duration = Duration::from_secs(30);
/// See [`PATIENCE`].
pub const LEAST: usize = 8 * 1024;

/// A TCP stream with bounded patience for writes.
pub struct Patient {
    stream: TcpStream,
    patience: Duration,
    blocked: Option<Blocked>,
}

/// Since when the client has left bytes waiting, and what it took since.
struct Blocked {
    until: Pin<Box<Sleep>>,
    taken: usize,
}

impl Patient {
    /// Wraps `stream`; see [`PATIENCE`] for the meaning of `patience`.
    #[must_use]
    pub fn new(stream: TcpStream, patience: Duration) -> Self {
        Self {
            stream,
            patience,
            blocked: None,
        }
    }

    fn judge(
        &mut self,
        offered: usize,
        outcome: Poll<io::Result<usize>>,
        cx: &mut Context<'_>,
    ) -> Poll<io::Result<usize>> {
        match outcome {
            Poll::Ready(Ok(taken)) => {
                self.note(offered, taken);
                Poll::Ready(Ok(taken))
            }
            Poll::Ready(Err(error)) => Poll::Ready(Err(error)),
            Poll::Pending => {
                let patience = self.patience;
                let blocked = self.blocked.get_or_insert_with(|| Blocked {
                    until: Box::pin(sleep(patience)),
                    taken: 0,
                });
                ready!(blocked.until.as_mut().poll(cx));
                let why = "the client takes too little of what it asked for";
                Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, why)))
            }
        }
    }

    fn note(&mut self, offered: usize, taken: usize) {
        if let Some(blocked) = &mut self.blocked {
            blocked.taken += taken;
            if taken == offered || blocked.taken >= LEAST {
                self.blocked = None;
            }
        }
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.judge(buf.len(), outcome, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let offered = bufs.iter().map(|buf| buf.len()).sum();
        let outcome = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.judge(offered, outcome, cx)
    }

    fn is_write_vectored(&self) -> bool {
        true
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::TcpListener;

    async fn pair(patience: Duration) -> (Patient, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let client = TcpStream::connect(listener.local_addr().unwrap());
        let (client, server) = tokio::join!(client, listener.accept());
        (Patient::new(server.unwrap().0, patience), client.unwrap())
    }

    #[tokio::test]
    async fn a_client_that_takes_nothing_is_let_go() {
        let (mut server, client) = pair(Duration::from_millis(200)).await;
        let flood = vec![0; 64 << 20];
        let error = server.write_all(&flood).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        drop(client);
    }

    #[tokio::test]
    async fn a_client_that_reads_slowly_but_enough_is_kept() {
        let (mut server, mut client) = pair(Duration::from_millis(500)).await;
        let flood = vec![0; 24 << 20];
        let reading = async {
            let mut piece = vec![0; 1 << 20];
            for _ in 0..24 {
                client.read_exact(&mut piece).await.unwrap();
                tokio::time::sleep(Duration::from_millis(40)).await;
            }
        };
        let (written, ()) = tokio::join!(server.write_all(&flood), reading);
        written.unwrap();
    }
}
