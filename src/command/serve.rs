//! `thumbreel serve FOLDER`: reels over HTTP.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use anyhow::Context;

use super::Usage;
use super::out::{complain, say};
use crate::board::Board;
use crate::serve::{AirLimit, Delivery, Options, Report, Server};

/// Serve a folder of reels over HTTP: files, ranges, live streams, lists and a
/// page with a player.
///
/// Read-only, and reachable only from this machine unless you give --listen.
/// There is no password: anyone who can reach the address can download the reels.
#[derive(clap::Args)]
pub struct Args {
    /// Folder of reels (.tbr), including its subfolders
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,

    /// Address and port to listen on; may be repeated. 0.0.0.0:8461 means every
    /// address of this machine, port 0 a free port
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = super::values::address, default_value = "127.0.0.1:8461")]
    listen: Vec<SocketAddr>,

    /// Announce the page on the local network by DNS-SD, under this name
    #[arg(long, value_name = "NAME")]
    announce: Option<String>,

    /// Highest number of simultaneous streams; further clients get status 503
    #[arg(long, value_name = "COUNT", default_value_t = 512, value_parser = super::values::whole::<usize>(1, 100_000), allow_negative_numbers = true)]
    max_streams: usize,

    /// Board that plays the reels over its Wi-Fi link: the page tells what each
    /// reel draws from its supply, and no more streams are open at once than one
    /// access point carries with 15 % of the air kept free
    #[arg(long, value_name = "BOARD")]
    board: Option<String>,

    /// Print only the addresses
    #[arg(long)]
    quiet: bool,

    /// Print one JSON object per line: the addresses, then each stream when it
    /// opens and closes
    #[arg(long)]
    json: bool,
}

/// Serves until interrupted.
///
/// # Errors
/// If the folder cannot be opened or an address is not available.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let runtime = tokio::runtime::Runtime::new().context("cannot start the network threads")?;
    let served = runtime.block_on(serve(args));
    // A reel that is still being read for its supply is not waited for.
    runtime.shutdown_background();
    served?;
    Ok(ExitCode::SUCCESS)
}

async fn serve(args: Args) -> anyhow::Result<()> {
    let mut options = Options::new(args.folder.clone());
    options.listen.clone_from(&args.listen);
    options.max_streams = args.max_streams;
    if let Some(name) = &args.board {
        let board = Board::find(name).map_err(|error| Usage(error.to_string()))?;
        options.air = Some(air_limit(name, &board)?);
        options.board = Some(board);
    }
    // Twice the streams: pages and lists need connections as well.
    options.most_connections = options.most_connections.max(args.max_streams * 2);
    options.listener = Arc::new(match (args.quiet, args.json) {
        (true, _) => |_: &Report| (),
        (_, true) => print_json,
        _ => print_line,
    });
    let server = Server::bind(options).await?;
    let stop = stop_signal();
    let announcement = args.announce.as_deref().map(|name| server.announce(name));
    let announcement = announcement.transpose()?;
    print_addresses(&args, &server);
    server.run(stop).await;
    drop(announcement);
    Ok(())
}

/// Share of the air that streams may take together.
const AIR_SHARE: f64 = 0.85;

/// The air in front of a board.
fn air_limit(name: &str, board: &Board) -> anyhow::Result<AirLimit> {
    let wifi = board.wifi.clone().ok_or_else(|| {
        Usage(format!(
            "--board {name}: the board has no [wifi] section, so no stream reaches it; name a board with Wi-Fi"
        ))
    })?;
    Ok(AirLimit {
        wifi,
        share: AIR_SHARE,
    })
}

fn print_addresses(args: &Args, server: &Server) {
    let pages: Vec<String> = server
        .reachable()
        .iter()
        .map(|a| format!("http://{a}/"))
        .collect();
    if args.json {
        super::out::json(&serde_json::json!({ "addresses": pages }).to_string());
    } else {
        for page in pages {
            say!("serving {} at {page}", args.folder.display());
        }
    }
}

/// Resolves at the first signal to end.
fn stop_signal() -> impl Future<Output = ()> {
    const LOOK: Duration = Duration::from_millis(50);
    let stop = super::stop::for_server();
    async move {
        while !stop.load(Ordering::Relaxed) {
            tokio::time::sleep(LOOK).await;
        }
    }
}

fn print_json(report: &Report) {
    if let Ok(line) = serde_json::to_string(report) {
        // A closed log must not stop the server.
        let _ = writeln!(std::io::stdout(), "{line}");
    }
}

fn print_line(report: &Report) {
    let way = match report.delivery {
        Delivery::File => "file",
        Delivery::Live => "live",
    };
    let who = format!("{} {} {} {way}", report.id, report.peer, report.reel);
    let line = if report.open {
        format!("{who}: open")
    } else {
        let end = if report.whole { "done" } else { "broken off" };
        format!(
            "{who}: {end} after {:.1} s, {} bytes, {:.0} kB/s, {} stalls ({:.1} s), worst lag {:.0} ms",
            report.seconds,
            report.bytes,
            report.rate / 1000.0,
            report.stalls,
            report.stalled,
            report.worst_lag * 1000.0,
        )
    };
    complain!("{line}");
}
