//! Through a network that is slow or far: what a client sees behind a shaping
//! proxy agrees with what a rehearsal over the same link says.
//!
//! The proxy stands in for a network emulator, which needs rights that a test
//! does not have: it lets bytes through no faster than a rate, no more than a
//! window in each round trip, and pauses when told.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};

use thumbreel::board::Board;
use thumbreel::budget::{Link, ReelFacts};
use thumbreel::rehearsal::{Conditions, Rehearsal, StallPlan};

use crate::live::{Arrivals, RATE, write_reel};
use crate::support::Running;

/// One network, as the proxy and the board's profile have it.
#[derive(Clone, Copy, Debug)]
struct Network {
    /// Bytes per second.
    rate: u32,
    /// Bytes under way at once.
    window: u32,
    round_trip_ms: u32,
    /// A pause once so many bytes have gone through, in milliseconds.
    pause: Option<(u64, u32)>,
}

/// Passes one connection on, shaped; ends with it.
fn proxy(server: SocketAddr, network: Network) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        let (mut client, _) = listener.accept().unwrap();
        let mut upstream = TcpStream::connect(server).unwrap();
        let mut request = [0; 4096];
        let asked = client.read(&mut request).unwrap();
        std::thread::sleep(Duration::from_millis(network.round_trip_ms.into()));
        upstream.write_all(&request[..asked]).unwrap();
        // A client that has heard enough hangs up: nothing is wrong then.
        let _ = shape(&mut upstream, &mut client, network);
    });
    address
}

fn shape(from: &mut TcpStream, to: &mut TcpStream, network: Network) -> std::io::Result<()> {
    // What one round trip lets through: a window, or what the rate gives.
    let trip = Duration::from_millis(network.round_trip_ms.into());
    let by_rate = f64::from(network.rate) * trip.as_secs_f64();
    let share = by_rate.min(f64::from(network.window));
    let (begun, mut sent, mut late) = (Instant::now(), 0u64, Duration::ZERO);
    let mut piece = vec![0; (share as usize).max(64)];
    let mut pause = network.pause;
    loop {
        let count = from.read(&mut piece)?;
        if count == 0 {
            return Ok(());
        }
        sent += count as u64;
        if let Some((at, ms)) = pause
            && sent >= at
        {
            std::thread::sleep(Duration::from_millis(ms.into()));
            late += Duration::from_millis(ms.into());
            pause = None;
        }
        let due = trip.mul_f64(sent as f64 / share) + late;
        std::thread::sleep(due.saturating_sub(begun.elapsed()));
        to.write_all(&piece[..count])?;
    }
}

/// Fetches the reel as a board does and says whether sound would ever have run
/// dry, and by how much at worst (negative: by so much ahead).
fn play(address: SocketAddr, start_bytes: usize) -> f64 {
    let mut stream = TcpStream::connect(address).unwrap();
    stream
        .write_all(b"GET /reels/film.tbr HTTP/1.0\r\n\r\n")
        .unwrap();
    let mut arrivals = Arrivals::new();
    let (mut piece, mut got, mut started) = (vec![0; 16 * 1024], 0, None);
    loop {
        let count = stream.read(&mut piece).unwrap();
        if count == 0 {
            break;
        }
        got += count;
        arrivals.take(&piece[..count]);
        if got >= start_bytes && started.is_none() {
            started = Some(Instant::now());
        }
    }
    let started = started.unwrap();
    let late = |(at, tick): &(Instant, u64)| {
        // When it came, whole, against when it had to sound.
        at.saturating_duration_since(started).as_secs_f64() - *tick as f64 / f64::from(RATE)
    };
    // A slice that came before play began is in time, whatever the clock says.
    let waited = arrivals.slices.iter().filter(|(at, _)| *at > started);
    waited.map(late).fold(f64::MIN, f64::max)
}

/// What a rehearsal says of the same: whether it plays clean, and the gap.
fn rehearse(path: &Path, network: Network, start_bytes: u64) -> (bool, u64) {
    let mut board = Board::find("lantern-room").unwrap();
    let wifi = board.wifi.as_mut().unwrap();
    wifi.link_bps = u64::from(network.rate) * 8 * 10 / 9;
    wifi.usable_share = 0.9;
    wifi.window_bytes = network.window;
    wifi.round_trip_ms = network.round_trip_ms.into();
    wifi.loss = 0.0;
    wifi.server_ms = 0.0;
    let stalls = match network.pause {
        Some((at, ms)) => StallPlan::At(vec![(at, u64::from(ms) * 1_000_000)]),
        None => StallPlan::None,
    };
    let conditions = Conditions {
        start_bytes: Some(start_bytes),
        stalls,
        ..Conditions::default()
    };
    let facts = ReelFacts::read(path).unwrap();
    let run = Rehearsal::new(&facts, &board, Link::Wifi, &conditions)
        .unwrap()
        .run(1);
    (run.gaps == 0, run.gap_ns)
}

#[test]
fn what_a_client_sees_is_what_a_rehearsal_says() {
    // The reel needs 80 kB/s and starts with 40 kB, half a second.
    const START: usize = 40_000;
    let plain = |rate, window, round_trip_ms| Network {
        rate,
        window,
        round_trip_ms,
        pause: None,
    };
    let paused = |at, ms| Network {
        pause: Some((at, ms)),
        ..plain(110_000, 60_000, 10)
    };
    let networks = [
        (plain(120_000, 60_000, 10), true),
        (plain(60_000, 60_000, 10), false),
        // Bound by window over round trip: 5,760 B / 50 ms = 115 kB/s, and / 100 ms = 58 kB/s.
        (plain(1_000_000, 5_760, 50), true),
        (plain(1_000_000, 5_760, 100), false),
        // A pause that the start level rides out, and one that it does not.
        (paused(200_000, 250), true),
        (paused(200_000, 2500), false),
    ];
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("film.tbr");
    write_reel(&path, 6, 80_000, START as u32);
    let server = Running::start(dir.path());
    let seen: Vec<f64> = std::thread::scope(|scope| {
        let plays: Vec<_> = networks
            .iter()
            .map(|(network, _)| {
                let address = proxy(server.address, *network);
                scope.spawn(move || play(address, START))
            })
            .collect();
        plays.into_iter().map(|play| play.join().unwrap()).collect()
    });
    for ((network, clean), late) in networks.iter().zip(seen) {
        let (rehearsed, gap) = rehearse(&path, *network, START as u64);
        eprintln!(
            "{network:?}: latest slice {late:+.2} s, rehearsed gaps {:.2} s",
            gap as f64 / 1e9
        );
        assert_eq!(rehearsed, *clean, "the rehearsal of {network:?}");
        // A machine that is busy otherwise may wake the proxy late.
        let client_clean = late < 0.05;
        assert_eq!(
            client_clean, *clean,
            "{network:?}: the latest slice came {late} s after its time"
        );
    }
}
