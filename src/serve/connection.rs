//! Connections: accepted up to a number, bounded in the size of a request's
//! head, in time and in what waits to be sent, and closed gracefully.

use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use socket2::SockRef;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

use super::Shared;
use super::patience::Patient;
use super::routes::{Peer, router};

/// Bounds a request's head, and what hyper holds of an answer.
const BUFFER: usize = 64 * 1024;
/// What the system holds of an answer: more would hide how late a client is.
const SEND_BUFFER: usize = 128 * 1024;
/// The whole answer to a client that finds no place.
const FULL: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nretry-after: 5\r\n\
    content-type: text/plain\r\ncontent-length: 26\r\nconnection: close\r\n\r\n\
    too many connections here\n";

/// Accepts connections until the server stops, then waits for them.
pub(super) async fn accept(listener: TcpListener, shared: Arc<Shared>) {
    let router = router(&shared);
    let mut stopping = shared.stopping.clone();
    let mut open = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = stopping.changed() => break,
            // Ended connections are cleared away as they end.
            Some(_) = open.join_next(), if !open.is_empty() => continue,
        };
        let Ok((stream, peer)) = accepted else {
            // Out of file descriptors, most likely: wait for one to be freed.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        match Arc::clone(&shared.places).try_acquire_owned() {
            Ok(place) => {
                let (router, shared) = (router.clone(), Arc::clone(&shared));
                open.spawn(async move {
                    converse(stream, router.layer(Extension(Peer(peer))), &shared).await;
                    drop(place);
                });
            }
            // The place is scarce, so one try without waiting must do.
            Err(_) => drop(stream.try_write(FULL)),
        }
    }
    drop(listener);
    let all = async { while open.join_next().await.is_some() {} };
    // What is still open after that is cut off with the set.
    let _ = tokio::time::timeout(shared.options.grace, all).await;
}

/// Answers one connection's requests until it closes.
async fn converse(stream: TcpStream, router: Router, shared: &Shared) {
    // Pieces are large; waiting to fill segments would only delay their ends.
    let _ = stream.set_nodelay(true);
    let _ = SockRef::from(&stream).set_send_buffer_size(SEND_BUFFER);
    let patient = Patient::new(stream, shared.options.patience);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(shared.options.head_time)
        .max_buf_size(BUFFER)
        .serve_connection(TokioIo::new(patient), TowerToHyperService::new(router));
    let mut connection = std::pin::pin!(connection);
    let mut stopping = shared.stopping.clone();
    // Errors here are the client's: it broke off, was slow, or spoke nonsense.
    tokio::select! {
        _ = connection.as_mut() => return,
        _ = stopping.wait_for(|stop| *stop) => (),
    }
    connection.as_mut().graceful_shutdown();
    let _ = connection.await;
}
