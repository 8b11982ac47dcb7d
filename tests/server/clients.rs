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
