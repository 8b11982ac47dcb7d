//! Clients that mean no good, or do none.

use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::time::{Duration, Instant};

use crate::support::{Running, noise};

const SECRET: &str = "the keeper's diary";

fn folder_beside_a_secret() -> (tempfile::TempDir, Running) {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    std::fs::create_dir(at("reels")).unwrap();
    std::fs::write(at("reels/harbour.tbr"), noise(5000, 3)).unwrap();
    std::fs::write(at("reels/.hidden.tbr"), SECRET).unwrap();
    std::fs::write(at("reels/notes.txt"), SECRET).unwrap();
    std::fs::write(at("secret.tbr"), SECRET).unwrap();
    symlink(at("secret.tbr"), at("reels/link.tbr")).unwrap();
    symlink("../secret.tbr", at("reels/near.tbr")).unwrap();
    symlink(dir.path(), at("reels/up")).unwrap();
    symlink("/", at("reels/root")).unwrap();
    let server = Running::start(&at("reels"));
    (dir, server)
}

#[test]
fn nothing_outside_the_folder_is_sent() {
    let (dir, server) = folder_beside_a_secret();
    let absolute = format!("/reels/{}/secret.tbr", dir.path().display());
    let encoded = absolute.replace("/secret", "%2Fsecret");
    let tries = [
        "/reels/../secret.tbr",
        "/reels/..%2fsecret.tbr",
        "/reels/%2e%2e/secret.tbr",
        "/reels/%2e%2e%2fsecret.tbr",
        "/reels/%252e%252e%252fsecret.tbr",
        "/reels/..%5csecret.tbr",
        "/reels/..\\secret.tbr",
        "/reels/....//secret.tbr",
        "/reels/.%2e/secret.tbr",
        "/reels/%c0%ae%c0%ae/secret.tbr",
        "/reels/%uff0e%uff0e/secret.tbr",
        "/reels/x/../../secret.tbr",
        "/reels//secret.tbr",
        "/reels/%2fetc%2fpasswd",
        "/reels/link.tbr",
        "/reels/near.tbr",
        "/reels/up/secret.tbr",
        "/reels/root/etc/passwd",
        "/reels/.hidden.tbr",
        "/reels/notes.txt",
        "/reels/harbour.tbr/../../secret.tbr",
        "/reels/harbour.tbr%00.txt",
        "/reels/secret.tbr%00",
        "/live/../secret.tbr",
        "/live/link.tbr",
        "/live/up/secret.tbr",
        "/../secret.tbr",
        "/page/../secret.tbr",
        "/page/%2e%2e/secret.tbr",
        "/reels/",
        "/reels",
        "/live/",
        absolute.as_str(),
        encoded.as_str(),
    ];
    for path in tries {
        let answer = server.get(path, &[]);
        assert!(
            matches!(answer.status, 400 | 404),
            "{path}: {}",
            answer.status
        );
        assert!(!answer.text().contains(SECRET), "{path} leaks");
        assert!(!answer.text().contains("root:"), "{path} leaks");
        let outside = dir.path().to_string_lossy().into_owned();
        assert!(
            !answer.text().contains(&outside),
            "{path} tells where it is"
        );
    }
    let listed = server.get("/list", &[]).text();
    assert_eq!(listed.lines().count(), 1, "{listed}");
    assert_eq!(server.get("/reels/harbour.tbr", &[]).body, noise(5000, 3));
}

#[test]
fn nonsense_gets_a_clear_status_and_the_server_stays() {
    let (_dir, server) = folder_beside_a_secret();
    let long_path = format!(
        "GET /reels/{}.tbr HTTP/1.1\r\nHost: x\r\n\r\n",
        "a".repeat(9000)
    );
    let huge_path = format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "a".repeat(200_000));
    let huge_field = format!(
        "GET / HTTP/1.1\r\nHost: x\r\nX: {}\r\n\r\n",
        "a".repeat(200_000)
    );
    let many_fields = format!(
        "GET / HTTP/1.1\r\nHost: x\r\n{}\r\n",
        "X: y\r\n".repeat(3000)
    );
    let table: &[(&str, &[u8], &[u16])] = &[
        ("method", b"DELETE /reels/harbour.tbr HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", &[405]),
        ("post", b"POST /list HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nConnection: close\r\n\r\nhello", &[405]),
        ("put", b"PUT /reels/new.tbr HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nConnection: close\r\n\r\nx", &[405]),
        ("made-up", b"FOG /list HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", &[405]),
        ("connect", b"CONNECT example.org:80 HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", &[404, 405]),
        ("no version", b"GET /list\r\n\r\n", &[400, 0]),
        ("version 9", b"GET /list HTTP/9.9\r\nHost: x\r\n\r\n", &[400, 505]),
        ("noise", &noise(4000, 11), &[400, 0]),
        ("tls", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", &[400, 0]),
        ("name too long", long_path.as_bytes(), &[404, 414]),
        ("address too long", huge_path.as_bytes(), &[414, 431, 400]),
        ("field too long", huge_field.as_bytes(), &[431]),
        ("too many fields", many_fields.as_bytes(), &[431]),
        ("two lengths", b"GET /list HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab", &[400]),
        ("range of ranges", b"GET /reels/harbour.tbr HTTP/1.1\r\nHost: x\r\nRange: bytes=0-0,1-1,2-2\r\nConnection: close\r\n\r\n", &[200]),
        ("range past 64 bits", b"GET /reels/harbour.tbr HTTP/1.1\r\nHost: x\r\nRange: bytes=99999999999999999999-\r\nConnection: close\r\n\r\n", &[416]),
        ("range backwards", b"GET /reels/harbour.tbr HTTP/1.1\r\nHost: x\r\nRange: bytes=9-1\r\nConnection: close\r\n\r\n", &[200]),
        ("range of letters", b"GET /reels/harbour.tbr HTTP/1.1\r\nHost: x\r\nRange: bytes=\xff-\xfe\r\nConnection: close\r\n\r\n", &[200]),
    ];
    for (what, request, allowed) in table {
        let begun = Instant::now();
        let answer = server.raw(request);
        assert!(
            allowed.contains(&answer.status),
            "{what}: {}",
            answer.status
        );
        assert!(
            begun.elapsed() < Duration::from_secs(19),
            "{what} took too long"
        );
        assert!(!answer.text().contains(SECRET), "{what} leaks");
    }
    let refused = server.ask("DELETE", "/reels/harbour.tbr", &[]);
    assert!(refused.field("allow").contains("GET"), "{refused:?}");
    assert_eq!(server.get("/list", &[]).status, 200);
}

#[test]
fn early_closes_do_no_harm() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("long.tbr"), noise(8_000_000, 5)).unwrap();
    let server = Running::start(dir.path());
    let request = format!(
        "GET /reels/long.tbr HTTP/1.1\r\nHost: {}\r\n\r\n",
        server.address
    );
    for cut in 0..request.len() {
        let mut stream = server.connect();
        stream.write_all(&request.as_bytes()[..cut]).unwrap();
    }
    for taken in [0, 1, 100, 70_000] {
        let mut stream = server.connect();
        stream.write_all(request.as_bytes()).unwrap();
        stream.read_exact(&mut vec![0; taken]).unwrap();
    }
    assert_eq!(server.get("/reels/long.tbr", &[]).body.len(), 8_000_000);
    // Whoever left is off the books, as soon as the server has noticed.
    let deadline = Instant::now() + Duration::from_secs(10);
    loop {
        let text = server.get("/streams.json", &[]).text();
        let json: serde_json::Value = serde_json::from_str(&text).unwrap();
        let open = json
            .as_array()
            .unwrap()
            .iter()
            .filter(|w| w["open"] == true)
            .count();
        if open == 0 {
            break;
        }
        assert!(Instant::now() < deadline, "{open} streams still open");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn a_silent_client_is_shown_the_door() {
    let (_dir, server) = folder_beside_a_secret();
    let mut stream = server.connect();
    let begun = Instant::now();
    // Closed by the server, with or without a word (408).
    let _ = stream.read_to_end(&mut Vec::new());
    let waited = begun.elapsed();
    assert!(
        waited > Duration::from_secs(5) && waited < Duration::from_secs(19),
        "{waited:?}"
    );
}

#[test]
fn it_stops_when_told_even_with_clients_attached() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("long.tbr"), noise(8_000_000, 5)).unwrap();
    let mut server = Running::start(dir.path());
    let mut reading = server.connect();
    reading
        .write_all(b"GET /reels/long.tbr HTTP/1.1\r\nHost: x\r\n\r\n")
        .unwrap();
    let _silent = server.connect();
    reading.read_exact(&mut [0; 100]).unwrap();
    let told = Instant::now();
    let pid = rustix::process::Pid::from_child(&server.child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    let status = server.child.wait().unwrap();
    assert!(status.success(), "{status}");
    assert!(
        told.elapsed() < Duration::from_secs(6),
        "{:?}",
        told.elapsed()
    );
}
