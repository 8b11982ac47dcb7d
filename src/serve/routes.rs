//! What each address answers.

use std::collections::BTreeMap;
use std::fs::File;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::header::{
    ACCEPT_RANGES, CACHE_CONTROL, CONTENT_LENGTH, CONTENT_RANGE, CONTENT_TYPE, ETAG, HOST,
    LAST_MODIFIED, RETRY_AFTER, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Json, Router};

use super::Shared;
use super::assets;
use super::body::{self, Sender};
use super::condition::{Precondition, Validators, Wanted, precondition, wanted};
use super::folder::{OpenReel, Refusal};
use super::list::{self, Entry};
use super::live::{self, Join};
use super::supply::Supply;
use super::table::Table;
use super::watch::Delivery;

/// The client's address.
#[derive(Clone, Copy)]
pub(super) struct Peer(pub SocketAddr);

const TEXT: &str = "text/plain; charset=utf-8";
const NOWHERE: &str = "nothing has this address here";
const REEL: &str = "application/octet-stream";

pub(super) fn router(shared: &Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(assets::index))
        .route("/page/{name}", get(page_file))
        .route("/calculator", get(calculator))
        .route("/list", get(list_text))
        .route("/list.json", get(list_json))
        .route("/list.m3u", get(list_m3u))
        .route("/reels/{*name}", get(reel))
        .route("/live/{*name}", get(live))
        .route("/streams.json", get(streams_json))
        .route("/supply/{*name}", get(supply))
        .fallback(|| async { plain(StatusCode::NOT_FOUND, NOWHERE) })
        .method_not_allowed_fallback(|| async {
            plain(
                StatusCode::METHOD_NOT_ALLOWED,
                "reels can only be read: use GET or HEAD",
            )
        })
        .with_state(Arc::clone(shared))
}

/// A short answer in words.
fn plain(status: StatusCode, words: &str) -> Response {
    let fields = [(CONTENT_TYPE, TEXT), (X_CONTENT_TYPE_OPTIONS, "nosniff")];
    (status, fields, format!("{words}\n")).into_response()
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let status = match &self {
            Self::NoSuchName => StatusCode::NOT_FOUND,
            Self::BadName => StatusCode::BAD_REQUEST,
            // The system's own words could name places outside the folder.
            Self::Io(_) => {
                return plain(StatusCode::INTERNAL_SERVER_ERROR, "the reel cannot be read");
            }
        };
        plain(status, &self.to_string())
    }
}

/// Runs what may wait for a disk off the network's threads.
async fn off_thread<T: Send + 'static>(
    shared: &Arc<Shared>,
    work: impl FnOnce(&Shared) -> T + Send + 'static,
) -> Result<T, Response> {
    let shared = Arc::clone(shared);
    tokio::task::spawn_blocking(move || work(&shared))
        .await
        .map_err(|_| plain(StatusCode::INTERNAL_SERVER_ERROR, "the server failed"))
}

async fn entries(shared: &Arc<Shared>) -> Result<Vec<Entry>, Response> {
    let listed = off_thread(shared, |shared| list::entries(&shared.folder)).await?;
    listed.map_err(|error| Refusal::Io(error).into_response())
}

/// A list must not be kept: reels come and go.
fn fresh(kind: &'static str, content: String) -> Response {
    let fields = [(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-cache")];
    (fields, content).into_response()
}

async fn list_text(State(shared): State<Arc<Shared>>) -> Result<Response, Response> {
    Ok(fresh(TEXT, list::text(&entries(&shared).await?)))
}

async fn list_json(State(shared): State<Arc<Shared>>) -> Result<Response, Response> {
    let entries = entries(&shared).await?;
    Ok(([(CACHE_CONTROL, "no-cache")], Json(entries)).into_response())
}

async fn list_m3u(
    State(shared): State<Arc<Shared>>,
    fields: HeaderMap,
) -> Result<Response, Response> {
    let host = fields.get(HOST).and_then(|host| host.to_str().ok());
    let host = host.filter(|host| host.parse::<axum::http::uri::Authority>().is_ok());
    let playlist = list::m3u(&entries(&shared).await?, host);
    Ok(fresh("audio/mpegurl; charset=utf-8", playlist))
}

async fn streams_json(State(shared): State<Arc<Shared>>) -> Response {
    let reports = shared.streams.reports();
    ([(CACHE_CONTROL, "no-store")], Json(reports)).into_response()
}

/// What a reel draws on the server's board; nothing where no board is given.
async fn supply(State(shared): State<Arc<Shared>>, uri: Uri) -> Result<Response, Response> {
    let Some(board) = shared.options.board.clone() else {
        return Ok(StatusCode::NO_CONTENT.into_response());
    };
    let reel = open(&shared, below(&uri, "/supply/")).await?;
    let turn = Arc::clone(&shared.judging).acquire_owned().await;
    let found = off_thread(&shared, move |shared| {
        // Held until the reel is read, also when the client has gone.
        let _turn = turn;
        let read = || Supply::of(reel.file, &board);
        shared.supplies.get(&reel.etag, read)
    })
    .await?
    .map_err(|error| plain(StatusCode::UNPROCESSABLE_ENTITY, &error.to_string()))?;
    Ok(([(CACHE_CONTROL, "no-cache")], Json(&*found)).into_response())
}

/// The part of the address below `prefix`, still encoded.
fn below<'a>(uri: &'a Uri, prefix: &str) -> &'a str {
    uri.path().strip_prefix(prefix).unwrap_or_default()
}

async fn open(shared: &Arc<Shared>, name: &str) -> Result<OpenReel, Response> {
    let name = name.to_owned();
    let opened = off_thread(shared, move |shared| shared.folder.open_encoded(&name)).await?;
    opened.map_err(IntoResponse::into_response)
}

/// A reel's file: whole, in part, or only its state.
async fn reel(
    State(shared): State<Arc<Shared>>,
    Extension(Peer(peer)): Extension<Peer>,
    method: Method,
    uri: Uri,
    fields: HeaderMap,
) -> Result<Response, Response> {
    let name = below(&uri, "/reels/");
    let reel = open(&shared, name).await?;
    let state = Validators {
        etag: reel.etag.clone(),
        modified: reel.modified,
    };
    let described = describe(&reel);
    match precondition(&fields, &state) {
        Precondition::Met => (),
        Precondition::NotModified => {
            return Ok((StatusCode::NOT_MODIFIED, described).into_response());
        }
        Precondition::Failed => {
            let words = "the reel has changed";
            return Err((described, plain(StatusCode::PRECONDITION_FAILED, words)).into_response());
        }
    }
    // A HEAD has no ranges (RFC 9110 section 14.2).
    let part = match method {
        Method::HEAD => Wanted::Whole,
        _ => wanted(&fields, &state, reel.length),
    };
    let (status, range) = match part {
        Wanted::Whole => (StatusCode::OK, 0..reel.length),
        Wanted::Part(range) => (StatusCode::PARTIAL_CONTENT, range),
        Wanted::Unsatisfiable => return Err(unsatisfiable(reel.length)),
    };
    let mut answer = (status, described).into_response();
    let count = range.end - range.start;
    answer.headers_mut().insert(CONTENT_LENGTH, count.into());
    if status == StatusCode::PARTIAL_CONTENT {
        let named = format!("bytes {}-{}/{}", range.start, range.end - 1, reel.length);
        answer
            .headers_mut()
            .insert(CONTENT_RANGE, text_value(&named));
    }
    if method == Method::HEAD {
        return Ok(answer);
    }
    let file = Arc::new(reel.file);
    let rate = mean_rate(&shared, &file, reel.length, reel.etag).await?;
    let (sender, pieces) =
        stream(&shared, peer, name, (Delivery::File, rate), Some(count)).ok_or_else(too_many)?;
    let mut stopping = shared.stopping.clone();
    tokio::spawn(async move {
        let sending = sender.send_file(&file, range);
        tokio::select! {
            sent = sending => if sent.is_ok() { sender.watch().whole() },
            _ = stopping.wait_for(|stop| *stop) => (),
        }
    });
    *answer.body_mut() = Body::new(pieces);
    Ok(answer)
}

/// A reel at the pace of its sound clock: `?from=SECONDS` begins there and ends
/// with the reel; without it the reel has been running since the server began.
async fn live(
    State(shared): State<Arc<Shared>>,
    Extension(Peer(peer)): Extension<Peer>,
    Query(ask): Query<BTreeMap<String, String>>,
    method: Method,
    uri: Uri,
) -> Result<Response, Response> {
    let join = join(&shared, &ask).map_err(|answer| *answer)?;
    let name = below(&uri, "/live/");
    let reel = open(&shared, name).await?;
    let fields = [
        (CONTENT_TYPE, HeaderValue::from_static(REEL)),
        (CACHE_CONTROL, HeaderValue::from_static("no-store")),
        (ACCEPT_RANGES, HeaderValue::from_static("none")),
        (X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    ];
    let mut answer = fields.into_response();
    let (file, table) = off_thread(&shared, move |shared| {
        let read = || Table::read(&reel.file, reel.length);
        let table = shared.tables.get(&reel.etag, read);
        table.map(|table| (Arc::new(reel.file), table))
    })
    .await?
    .map_err(|error| plain(StatusCode::UNPROCESSABLE_ENTITY, &error.to_string()))?;
    if method == Method::HEAD {
        return Ok(answer);
    }
    let delivery = (Delivery::Live, table.header.mean_rate);
    let (sender, pieces) = stream(&shared, peer, name, delivery, None).ok_or_else(too_many)?;
    tokio::spawn(live::stream(
        sender,
        file,
        table,
        join,
        shared.stopping.clone(),
    ));
    *answer.body_mut() = Body::new(pieces);
    Ok(answer)
}

fn join(shared: &Shared, ask: &BTreeMap<String, String>) -> Result<Join, Box<Response>> {
    let Some(from) = ask.get("from") else {
        return Ok(Join::Running(shared.since.elapsed()));
    };
    let seconds = from
        .parse()
        .ok()
        .and_then(|s| Duration::try_from_secs_f64(s).ok());
    seconds.map(Join::At).ok_or_else(|| {
        let words = "from must be a number of seconds, as in ?from=12.5";
        Box::new(plain(StatusCode::BAD_REQUEST, words))
    })
}

/// The calculator, on the server's board if one is given.
async fn calculator(State(shared): State<Arc<Shared>>) -> Response {
    assets::calculator(shared.options.board.as_ref())
}

async fn page_file(Path(name): Path<String>) -> Response {
    assets::file(&name).unwrap_or_else(|| plain(StatusCode::NOT_FOUND, NOWHERE))
}

/// A place among the streams, and a body to fill.
fn stream(
    shared: &Arc<Shared>,
    peer: SocketAddr,
    encoded: &str,
    (delivery, rate): (Delivery, u32),
    length: Option<u64>,
) -> Option<(Sender, body::Pieces)> {
    let name = percent_encoding::percent_decode_str(encoded).decode_utf8_lossy();
    let watch = shared.streams.open(peer, &name, delivery, rate)?;
    Some(body::pieces(watch, length))
}

/// Bytes per second of a reel in the mean, where the air is counted; a file
/// that is no reel counts as nothing.
async fn mean_rate(
    shared: &Arc<Shared>,
    file: &Arc<File>,
    length: u64,
    etag: String,
) -> Result<u32, Response> {
    if shared.options.air.is_none() {
        return Ok(0);
    }
    let file = Arc::clone(file);
    off_thread(shared, move |shared| {
        let table = shared.tables.get(&etag, || Table::read(&file, length));
        table.map_or(0, |table| table.header.mean_rate)
    })
    .await
}

fn too_many() -> Response {
    let words = "too many are watching; try again soon";
    let full = plain(StatusCode::SERVICE_UNAVAILABLE, words);
    ([(RETRY_AFTER, "5")], full).into_response()
}

fn describe(reel: &OpenReel) -> [(HeaderName, HeaderValue); 6] {
    let modified = httpdate::fmt_http_date(reel.modified.max(SystemTime::UNIX_EPOCH));
    [
        (CONTENT_TYPE, HeaderValue::from_static(REEL)),
        (ACCEPT_RANGES, HeaderValue::from_static("bytes")),
        (CACHE_CONTROL, HeaderValue::from_static("no-cache")),
        (X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
        (ETAG, text_value(&reel.etag)),
        (LAST_MODIFIED, text_value(&modified)),
    ]
}

fn unsatisfiable(length: u64) -> Response {
    let words = format!("the reel has {length} bytes");
    let named = text_value(&format!("bytes */{length}"));
    let answer = plain(StatusCode::RANGE_NOT_SATISFIABLE, &words);
    ([(CONTENT_RANGE, named)], answer).into_response()
}

/// A field value from text that we made of digits and letters.
fn text_value(text: &str) -> HeaderValue {
    HeaderValue::from_str(text).unwrap_or(HeaderValue::from_static(""))
}
