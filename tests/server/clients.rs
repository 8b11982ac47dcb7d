//! Clients that others wrote: curl, and the client of Python's library.

use std::process::Command;

use crate::support::{Running, noise};

fn curl(arguments: &[&str]) -> Vec<u8> {
    let output = Command::new("curl")
        .args(["-sS", "--max-time", "30"])
        .args(arguments)
        .output();
    let output = output.expect("curl is missing: run .ci/install test");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

#[test]
fn curl_fetches_resumes_and_asks_conditionally() {
    let dir = tempfile::tempdir().unwrap();
    let content = noise(1_000_003, 21);
    std::fs::write(dir.path().join("harbour.tbr"), &content).unwrap();
    let server = Running::start(dir.path());
    let url = server.url("/reels/harbour.tbr");
    let out = tempfile::tempdir().unwrap();
    let target = out.path().join("got.tbr");
    let target_name = target.to_str().unwrap();
    // A download that was broken off after 300,000 bytes is resumed.
    std::fs::write(&target, &content[..300_000]).unwrap();
    curl(&["-C", "-", "-o", target_name, &url]);
    assert!(std::fs::read(&target).unwrap() == content);
    let tags = out.path().join("etag");
    let tags_name = tags.to_str().unwrap();
    curl(&["--etag-save", tags_name, "-o", target_name, &url]);
    let again = curl(&[
        "--etag-compare",
        tags_name,
        "-o",
        target_name,
        "-w",
        "%{http_code}",
        &url,
    ]);
    assert_eq!(again, b"304");
}

#[test]
fn pythons_client_keeps_one_connection_for_many_ranges() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("harbour.tbr"), noise(100_000, 9)).unwrap();
    let server = Running::start(dir.path());
    let script = r#"
import http.client, sys
host, port, path = sys.argv[1], int(sys.argv[2]), sys.argv[3]
want = open(path, "rb").read()
link = http.client.HTTPConnection(host, port, timeout=20)
got = b""
link.connect()
first = link.sock
while len(got) < len(want):
    link.request("GET", "/reels/harbour.tbr", headers={"Range": f"bytes={len(got)}-{len(got)+9999}"})
    answer = link.getresponse()
    assert answer.status == 206, answer.status
    got += answer.read()
assert got == want
assert link.sock is first, "the connection was not kept"
link.request("HEAD", "/reels/harbour.tbr")
answer = link.getresponse()
assert answer.read() == b"" and int(answer.headers["Content-Length"]) == len(want)
print("same")
"#;
    let output = Command::new("python3")
        .args(["-c", script])
        .arg(server.address.ip().to_string())
        .arg(server.address.port().to_string())
        .arg(dir.path().join("harbour.tbr"))
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert_eq!(
        String::from_utf8_lossy(&output.stdout).trim(),
        "same",
        "{complaint}"
    );
}

/// The firmware's header over a socket, compiled with warnings as errors.
fn board_client(folder: &std::path::Path) -> std::path::PathBuf {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = folder.join("client");
    let output = Command::new("cc")
        .args(["-std=gnu99", "-O1", "-Wall", "-Wextra", "-Werror", "-I"])
        .arg(root.join("spec/firmware"))
        .arg(root.join("tests/server/socket.c"))
        .arg("-o")
        .arg(&program)
        .output()
        .expect("cc is missing: run .ci/install build");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    program
}

#[test]
fn the_firmware_header_follows_a_live_stream() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("lamp.tbr");
    crate::live::write_reel(&path, 3, 40_000, 20_000);
    let server = Running::start(dir.path());
    let client = board_client(dir.path());
    let run = |path: &str, slices: &str| {
        let port = server.address.port().to_string();
        let output = Command::new(&client)
            .args([port.as_str(), path, slices])
            .output()
            .unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()
    };
    let mut reel = thumbreel::reel::ReelFile::open(&path).unwrap();
    let mut expected = Vec::new();
    while let Some(slice) = reel.next_slice().unwrap() {
        let samples = slice
            .sound
            .iter()
            .flat_map(|s| ((i16::from(*s) - 128) << 8).to_le_bytes());
        let sound = crc32fast::hash(&samples.collect::<Vec<u8>>());
        let pictures: Vec<u8> = slice
            .pictures
            .iter()
            .flat_map(|p| p.bytes.clone())
            .collect();
        expected.push(format!("{sound} {}", crc32fast::hash(&pictures)));
    }
    let whole = run("/live/lamp.tbr?from=0", "0");
    let lines: Vec<&str> = whole.lines().collect();
    assert_eq!(lines.len(), 13, "{whole}");
    assert_eq!(lines[12], "end 1");
    for (i, (line, expected)) in lines.iter().zip(&expected).enumerate() {
        assert_eq!(*line, format!("slice {} {expected}", 2000 * i));
    }
    // Joined while it runs: it begins at a key slice and goes round.
    let joined = run("/live/lamp.tbr", "14");
    let found: Vec<&str> = joined
        .lines()
        .map(|line| line.splitn(3, ' ').nth(2).unwrap())
        .collect();
    assert_eq!(found.len(), 14, "{joined}");
    let first = expected.iter().position(|e| e == found[0]).unwrap();
    assert_eq!(first % 4, 0, "a key slice");
    for (i, slice) in found.iter().enumerate() {
        assert_eq!(*slice, expected[(first + i) % 12], "slice {i}");
    }
}
