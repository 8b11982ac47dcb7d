//! Whole files, ranges, conditions, lists.

use crate::support::{Running, noise};

fn one_file() -> (tempfile::TempDir, Vec<u8>, Running) {
    let dir = tempfile::tempdir().unwrap();
    let content = noise(300_000, 7);
    std::fs::create_dir(dir.path().join("pier")).unwrap();
    std::fs::write(dir.path().join("pier/fog bell.tbr"), &content).unwrap();
    std::fs::write(dir.path().join("notes.txt"), b"not a reel").unwrap();
    let server = Running::start(dir.path());
    (dir, content, server)
}

const PATH: &str = "/reels/pier/fog%20bell.tbr";

#[test]
fn whole_file_head_and_ranges() {
    let (_dir, content, server) = one_file();
    let whole = server.get(PATH, &[]);
    assert_eq!((whole.status, whole.body == content), (200, true));
    assert_eq!(whole.field("content-length"), "300000");
    assert_eq!(whole.field("accept-ranges"), "bytes");
    let head = server.ask("HEAD", PATH, &[("Range", "bytes=0-9")]);
    assert_eq!((head.status, head.body.len()), (200, 0));
    assert_eq!(head.field("content-length"), "300000");
    for (range, from, to) in [
        ("bytes=0-0", 0, 1),
        ("bytes=1000-199999", 1000, 200_000),
        ("bytes=299999-", 299_999, 300_000),
        ("bytes=-512", 299_488, 300_000),
        ("bytes=5-999999999", 5, 300_000),
    ] {
        let part = server.get(PATH, &[("Range", range)]);
        assert_eq!(part.status, 206, "{range}");
        assert_eq!(
            part.field("content-range"),
            format!("bytes {from}-{}/300000", to - 1)
        );
        assert_eq!(part.field("content-length"), (to - from).to_string());
        assert!(part.body == content[from..to], "{range}");
    }
    let beyond = server.get(PATH, &[("Range", "bytes=300000-")]);
    assert_eq!(
        (beyond.status, beyond.field("content-range")),
        (416, "bytes */300000")
    );
}

#[test]
fn conditions_save_the_body_and_a_changed_file_is_sent_anew() {
    let (dir, content, server) = one_file();
    let first = server.get(PATH, &[]);
    let (etag, date) = (
        first.field("etag").to_owned(),
        first.field("last-modified").to_owned(),
    );
    for fields in [
        [("If-None-Match", etag.as_str())],
        [("If-Modified-Since", date.as_str())],
    ] {
        let again = server.get(PATH, &fields);
        assert_eq!((again.status, again.body.len()), (304, 0), "{fields:?}");
        assert_eq!(again.field("etag"), etag);
    }
    let resume = |etag: &str| server.get(PATH, &[("Range", "bytes=100-"), ("If-Range", etag)]);
    assert_eq!(resume(&etag).status, 206);
    let path = dir.path().join("pier/fog bell.tbr");
    std::fs::write(dir.path().join("new"), &content[..1000]).unwrap();
    std::fs::rename(dir.path().join("new"), &path).unwrap();
    let changed = resume(&etag);
    assert_eq!((changed.status, changed.body.len()), (200, 1000));
    assert_eq!(server.get(PATH, &[("If-Match", &etag)]).status, 412);
}

#[test]
fn lists_name_every_reel_and_nothing_else() {
    let (_dir, _, server) = one_file();
    assert!(
        server
            .get("/list", &[])
            .text()
            .starts_with(&format!("{PATH}\t300000"))
    );
    let json: serde_json::Value =
        serde_json::from_slice(&server.get("/list.json", &[]).body).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 1);
    assert_eq!(json[0]["name"], "pier/fog bell.tbr");
    assert_eq!(json[0]["path"], PATH);
    let playlist = server.get("/list.m3u", &[]).text();
    let lines: Vec<&str> = playlist.lines().collect();
    assert_eq!(lines[0], "#EXTM3U");
    assert!(lines[1].starts_with("#EXTINF:"));
    assert_eq!(lines[2], server.url(PATH));
    // An address taken from the request must be one.
    let forged = server.raw(b"GET /list.m3u HTTP/1.0\r\nHost: a b<c>\r\n\r\n");
    assert!(!forged.text().contains("<c>"), "{}", forged.text());
}

#[test]
fn watchers_are_counted() {
    let (_dir, _, server) = one_file();
    server.get(PATH, &[]);
    let text = server.get("/streams.json", &[]).text();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(json[0]["reel"], "pier/fog bell.tbr");
    assert_eq!(json[0]["bytes"], 300_000);
    assert_eq!(json[0]["whole"], true);
    assert_eq!(json[0]["delivery"], "file");
}

/// What a reel draws is told by a server that feeds a board, and only for a reel
/// that can be read.
#[test]
fn the_supply_is_told_where_the_board_is_known() {
    let (dir, _, server) = one_file();
    let address = "/supply/pier/fog%20bell.tbr";
    let nothing = server.get(address, &[]);
    assert_eq!((nothing.status, nothing.body.len()), (204, 0));
    let reel = std::fs::read("tests/data/archive/v1/patch-full-adpcm.tbr").unwrap();
    std::fs::write(dir.path().join("pier/night watch.tbr"), reel).unwrap();
    let listen = ["--listen", "127.0.0.1:0", "--quiet", "--board", "porthole"];
    let feeding = Running::start_with(dir.path(), &listen);
    let broken = feeding.get(address, &[]);
    assert_eq!(broken.status, 422, "{}", broken.text());
    assert_eq!(
        feeding.get("/supply/pier/nowhere.tbr", &[]).status,
        404,
        "a reel that is not there"
    );
    for _ in 0..2 {
        let found = feeding.get("/supply/pier/night%20watch.tbr", &[]);
        let json: serde_json::Value = serde_json::from_slice(&found.body).unwrap();
        assert_eq!(json["board"], "porthole");
        assert!(json["power"]["mean_ma"].as_f64().unwrap() > 50.0, "{json}");
    }
}
