//! The paced stream: what it carries, at what pace, and to how many.

use std::io::{Cursor, Read, Write};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use thumbreel::reel::{Event, Picture, Reader, ReelFile, ReelWriter, Settings, Slice, SoundCoding};

use crate::support::{Running, noise};

pub const RATE: u32 = 8000;
const SLICE_TICKS: u32 = 2000;

/// A reel of `seconds` at about `bytes_a_second`, a slice a quarter second, a
/// key slice a second. Nothing here decodes it, so its pictures are noise.
pub fn write_reel(path: &Path, seconds: u32, bytes_a_second: usize, prebuffer: u32) {
    let settings = Settings {
        clock_rate: RATE,
        sound: SoundCoding::PcmU8,
        title: "Lamp test".into(),
        ..Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    writer.set_prebuffer(prebuffer);
    for n in 0..4 * seconds {
        let bytes = noise(bytes_a_second / 4 - 2600, u64::from(n) + 1);
        let picture = Picture {
            key: n % 4 == 0,
            bytes,
            ..Picture::default()
        };
        let sound = vec![n as u8; SLICE_TICKS as usize];
        let time = u64::from(n) * u64::from(SLICE_TICKS);
        writer
            .slice(&Slice::new(time, SLICE_TICKS, sound, vec![picture]))
            .unwrap();
    }
    let (bytes, _) = writer.finish().unwrap();
    std::fs::write(path, bytes.into_inner()).unwrap();
}

fn slices(bytes: Vec<u8>) -> (Vec<Slice>, bool, bool) {
    let mut reel = ReelFile::new(Cursor::new(bytes)).unwrap();
    let live = reel.header().is_live();
    let slices = std::iter::from_fn(|| reel.next_slice().unwrap()).collect();
    assert!(reel.damage().is_empty(), "{:?}", reel.damage());
    (slices, live, reel.end().is_some())
}

#[test]
fn followed_to_its_end_it_reassembles_to_a_whole_reel() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("lamp.tbr");
    write_reel(&path, 3, 40_000, 20_000);
    let server = Running::start(dir.path());
    let (original, _, _) = slices(std::fs::read(&path).unwrap());
    let url = server.url("/live/lamp.tbr?from=0");
    let curl = Command::new("curl")
        .args(["-sS", "--max-time", "30", &url])
        .output()
        .unwrap();
    assert!(
        curl.status.success(),
        "{}",
        String::from_utf8_lossy(&curl.stderr)
    );
    let script = "import sys, urllib.request\nsys.stdout.buffer.write(urllib.request.urlopen(sys.argv[1], timeout=30).read())";
    let python = Command::new("python3")
        .args(["-c", script, &url])
        .output()
        .unwrap();
    // HTTP/1.0, as the smallest clients speak it: no chunks, the end is a close.
    let plain = server.raw(b"GET /live/lamp.tbr?from=0 HTTP/1.0\r\n\r\n");
    assert!(!plain.fields.contains_key("transfer-encoding"));
    for (who, bytes) in [
        ("curl", curl.stdout),
        ("python", python.stdout),
        ("plain", plain.body),
    ] {
        let (followed, live, ended) = slices(bytes);
        assert!(live && ended, "{who}");
        assert!(followed == original, "{who}");
    }
}

#[test]
fn a_later_start_and_bad_ones() {
    let dir = tempfile::tempdir().unwrap();
    write_reel(&dir.path().join("lamp.tbr"), 3, 40_000, 20_000);
    std::fs::write(dir.path().join("broken.tbr"), noise(5000, 3)).unwrap();
    let server = Running::start(dir.path());
    let late = server.raw(b"GET /live/lamp.tbr?from=2.4 HTTP/1.0\r\n\r\n");
    let (followed, _, ended) = slices(late.body);
    assert!(ended);
    assert_eq!((followed.len(), followed[0].time), (4, 16_000));
    for (path, status) in [
        ("/live/lamp.tbr?from=later", 400),
        ("/live/lamp.tbr?from=-1", 400),
        ("/live/lamp.tbr?from=NaN", 400),
        ("/live/lamp.tbr?from=1e300", 400),
        ("/live/broken.tbr", 422),
        ("/live/none.tbr", 404),
    ] {
        assert_eq!(server.get(path, &[]).status, status, "{path}");
    }
    let json: serde_json::Value =
        serde_json::from_slice(&server.get("/list.json", &[]).body).unwrap();
    assert!(json[0]["error"].as_str().unwrap().len() > 10, "{json}");
    assert_eq!(json[1]["seconds"], 3.0);
    assert_eq!(json[1]["title"], "Lamp test");
}

#[test]
fn a_running_reel_is_joined_without_an_end_and_stops_with_the_server() {
    let dir = tempfile::tempdir().unwrap();
    write_reel(&dir.path().join("lamp.tbr"), 3, 40_000, 20_000);
    let mut server = Running::start(dir.path());
    let mut stream = server.connect();
    stream
        .write_all(b"GET /live/lamp.tbr HTTP/1.0\r\n\r\n")
        .unwrap();
    let mut bytes = vec![0; 200_000];
    stream.read_exact(&mut bytes).unwrap();
    let pid = rustix::process::Pid::from_child(&server.child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    stream.read_to_end(&mut bytes).unwrap();
    assert!(server.child.wait().unwrap().success());
    let head = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap() + 4;
    // More than one turn of 120 kB, whole slices to the last, in order.
    let mut reader = ReelFile::new(Cursor::new(bytes[head..].to_vec())).unwrap();
    let mut next = reader.header().first_tick;
    let mut count = 0;
    while let Some(slice) = reader.next_slice().unwrap() {
        assert_eq!(slice.time, next);
        next += u64::from(slice.ticks);
        count += 1;
    }
    assert!(count > 12, "{count} slices");
    assert!(reader.damage().is_empty(), "{:?}", reader.damage());
}

/// When each slice came, and its tick; the burst is over at the first `prebuffer` bytes.
pub struct Arrivals {
    pub slices: Vec<(Instant, u64)>,
    reader: Reader<Vec<u8>>,
    got: usize,
    head: Vec<u8>,
    pub ended: bool,
}

impl Arrivals {
    pub fn new() -> Self {
        Self {
            slices: Vec::new(),
            reader: Reader::new(vec![0; 512 * 1024]),
            got: 0,
            head: Vec::new(),
            ended: false,
        }
    }

    /// Takes bytes of an HTTP/1.0 answer as they come.
    pub fn take(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        if self.got == 0 {
            self.head.extend(bytes);
            let Some(end) = self.head.windows(4).position(|w| w == b"\r\n\r\n") else {
                return;
            };
            assert!(
                self.head.starts_with(b"HTTP/1.0 200") || self.head.starts_with(b"HTTP/1.1 200")
            );
            let body = self.head.split_off(end + 4);
            self.got = 1;
            return self.take(&body);
        }
        loop {
            match self.reader.next().unwrap() {
                Some(Event::Slice(h)) => self.slices.push((Instant::now(), h.time)),
                Some(Event::Damage(damage)) => panic!("{damage:?}"),
                Some(Event::End(end)) => self.ended = end.is_some(),
                Some(_) => (),
                None if rest.is_empty() => return,
                None => {
                    let taken = self.reader.supply(rest);
                    rest = &rest[taken..];
                    self.got += taken;
                }
            }
        }
    }

    /// How long after its time the latest slice came, in seconds, and how long
    /// before it the earliest, counted from the end of the burst of `burst` slices.
    pub fn lateness(&self, burst: usize) -> (f64, f64) {
        let (zero, lead) = self.slices[burst - 1];
        let off = |&(at, tick): &(Instant, u64)| {
            let due = (tick - lead) as f64 / f64::from(RATE);
            at.duration_since(zero).as_secs_f64() - due
        };
        let offs: Vec<f64> = self.slices[burst..].iter().map(off).collect();
        let worst = offs.iter().copied().fold(f64::MIN, f64::max);
        (worst, offs.iter().copied().fold(f64::MAX, f64::min))
    }
}

#[test]
fn the_pace_is_that_of_the_sound_clock() {
    let dir = tempfile::tempdir().unwrap();
    // A prebuffer of 25 kB is three slices of 10 kB: they come in one burst.
    write_reel(&dir.path().join("lamp.tbr"), 3, 40_000, 25_000);
    let server = Running::start(dir.path());
    let mut stream = server.connect();
    stream
        .write_all(b"GET /live/lamp.tbr?from=0 HTTP/1.0\r\n\r\n")
        .unwrap();
    let mut arrivals = Arrivals::new();
    let mut piece = vec![0; 4096];
    loop {
        match stream.read(&mut piece).unwrap() {
            0 => break,
            count => arrivals.take(&piece[..count]),
        }
    }
    assert!(arrivals.ended);
    assert_eq!(arrivals.slices.len(), 12);
    let (_, earliest) = arrivals.lateness(3);
    // Nine slices of a quarter second follow the burst; none may come early, but
    // for what the burst's own last slice took to arrive.
    assert!(earliest > -0.1, "{earliest}");
    let took = arrivals.slices[11].0 - arrivals.slices[2].0;
    assert!(took > Duration::from_millis(2150), "{took:?}");
}
