//! The probe's log becomes a profile, the probe itself run on a board whose
//! every time is known; and a profile comes of a dozen answers.

use std::path::Path;
use std::process::Command;
use thumbreel::board::{Board, Measured, Provenance, ask};

/// A board made of a clock that each hook advances: reads of 4096 bytes take
/// 800 us and each 500th 40 ms; a pixel 0.4 us (16 bits at 40 MHz), a window
/// 22.2 us (11 bytes and 20 us); 1440 bytes come each 2 ms; 115 instructions
/// a microsecond.
const FAKE: &str = r#"
#include <stdio.h>
#include "probe.c"
static double clock_us;
static uint32_t reads;
static uint8_t memory[4096];
static uint32_t now_us(void *user) { (void)user; return (uint32_t)clock_us; }
static void put(void *user, char byte) { (void)user; putchar(byte); clock_us += 87.0; }
static int read_card(void *user, uint8_t *to, uint32_t bytes)
{
    (void)user; (void)to; (void)bytes;
    reads++;
    clock_us += reads % 500u == 0u ? 40000.0 : 800.0;
    return 0;
}
static void send_pixels(void *user, uint32_t pixels, uint32_t windows)
{
    (void)user;
    clock_us += (double)pixels * 0.4 + (double)windows * 22.2;
}
static uint32_t receive(void *user, uint8_t *to, uint32_t bytes)
{
    (void)user; (void)to; (void)bytes;
    clock_us += 2000.0;
    return 1440u;
}
static uint32_t work(void *user, uint32_t instructions)
{
    (void)user;
    clock_us += (double)instructions / 115.0;
    return instructions;
}
int main(void)
{
    const tbp_probe probe = { NULL, now_us, put, read_card, send_pixels, receive, work, memory, 4096u, 57600u, 3000u };
    tbp_run(&probe);
    return 0;
}
"#;

fn log_of(compiler: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("main.c");
    let program = folder.path().join("probe");
    std::fs::write(&source, FAKE).unwrap();
    let firmware = Path::new(env!("CARGO_MANIFEST_DIR")).join("spec/firmware");
    let flags = [
        "-std=c99",
        "-Wall",
        "-Wextra",
        "-Wpedantic",
        "-Wconversion",
        "-Wsign-conversion",
        "-Wshadow",
        "-Wstrict-prototypes",
        "-Wmissing-prototypes",
        "-Wcast-qual",
        "-Wundef",
        "-Werror",
    ];
    let built = Command::new(compiler)
        .args(flags)
        .arg("-I")
        .arg(firmware)
        .arg("-o")
        .arg(&program)
        .arg(&source)
        .output();
    let built = built.unwrap_or_else(|e| panic!("{compiler}: {e}; run .ci/install test"));
    assert!(
        built.status.success(),
        "{}",
        String::from_utf8_lossy(&built.stderr)
    );
    let run = Command::new(&program).output().unwrap();
    String::from_utf8(run.stdout).unwrap()
}

#[test]
fn the_probe_finds_what_the_board_was_made_of() {
    let log = log_of("gcc");
    assert_eq!(log, log_of("clang"));
    let measured = Measured::parse(&log, "probe.csv").unwrap();
    let card = measured.card.clone().unwrap();
    assert_eq!(
        (card.count, card.bytes, card.stalls_us.len()),
        (3000, 4096.0, 6)
    );
    // The clock counts whole microseconds.
    assert!(
        card.quantiles
            .iter()
            .all(|(_, us)| (us - 800.0).abs() <= 1.0)
    );
    let board = measured.apply(&Board::find("lantern-room").unwrap());
    assert!(
        (f64::from(board.panel.clock_hz) / 40e6 - 1.0).abs() < 0.001,
        "{}",
        board.panel.clock_hz
    );
    assert!(
        (board.panel.window_us - 20.0).abs() < 0.2,
        "{}",
        board.panel.window_us
    );
    let stalls = &board.card.as_ref().unwrap().stalls;
    // The longest that was seen, and half of it in reserve.
    assert!((stalls.worst_ms - 60.0).abs() < 0.01 && (stalls.typical_ms - 40.0).abs() < 0.01);
    // Six stalls in 3000 reads of 4096 bytes, however long those took.
    let megabytes = 3000.0 * 4096.0 / 1e6;
    assert!(
        (stalls.per_megabyte - 6.0 / megabytes).abs() < 1e-9,
        "{}",
        stalls.per_megabyte
    );
    assert_eq!(stalls.per_minute, 0.0);
    let wifi = board.wifi.as_ref().unwrap();
    let rate = wifi.usable_share * wifi.rate_bps();
    assert!((rate / 5.76e6 - 1.0).abs() < 0.001, "{rate}");
    let cpu = &board.cpu;
    let per_us = cpu.instructions_per_cycle * f64::from(cpu.clock_hz) / 1e6 * cpu.share;
    assert!((per_us - 115.0).abs() < 0.1, "{per_us}");
    for key in [
        "card.quantiles",
        "card.stalls.worst_ms",
        "panel.clock_hz",
        "wifi.usable_share",
        "cpu.jitter",
    ] {
        assert_eq!(board.provenance_of(key), Provenance::Measured, "{key}");
    }
    assert_eq!(
        board.provenance_of("wifi.stalls.worst_ms"),
        Provenance::Assumed
    );
    assert_eq!(Board::parse(&board.to_toml(), "again.toml").unwrap(), board);
}

fn error_of(log: &str) -> String {
    Measured::parse(log, "probe.csv").unwrap_err().to_string()
}

fn cards(lines: &[&str]) -> String {
    format!(
        "thumbreel-probe,1\n{}\nend,{}\n",
        lines.join("\n"),
        lines.len()
    )
}

#[test]
fn nonsense_is_refused_by_line_and_reason() {
    assert!(error_of("time,latency\n1,2\n").contains("line 1: not a probe's log"));
    assert!(
        error_of("thumbreel-probe,1\ncard,512,-3\nend,1\n")
            .contains("line 2: `-3` is not a whole number")
    );
    assert!(
        error_of("thumbreel-probe,1\ncard,512\nend,1\n")
            .contains("line 2: `card,512` is no line of a probe")
    );
    assert!(error_of("thumbreel-probe,1\nend,0\n").contains("no sample"));
    let whole = cards(&vec!["card,512,300"; 300]);
    assert!(Measured::parse(&whole, "probe.csv").is_ok());
    let cut = whole.lines().take(200).collect::<Vec<_>>().join("\n");
    assert!(error_of(&cut).contains("the log is incomplete (199 lines)"));
    assert!(error_of(&cards(&["card,512,300"; 20])).contains("too few"));
    assert!(
        error_of(&cards(&vec!["card,512,0"; 300]))
            .contains("impossible; is the clock in microseconds")
    );
    assert!(error_of(&cards(&vec!["card,500,300"; 300])).contains("whole blocks"));
    assert!(
        error_of(&cards(&vec!["card,512,100000000"; 300]))
            .contains("impossible; does the clock wrap")
    );
    let held: Vec<&str> = ["card,512,300", "card,512,300", "card,512,9000"].repeat(100);
    assert!(error_of(&cards(&held)).contains("more than a tenth"));
    assert!(error_of(&cards(&["bus,100,1,50"; 10])).contains("must vary"));
}

/// Without a stall in T minutes the rate is bounded by three in T.
#[test]
fn no_stall_seen_is_a_bound_and_no_zero() {
    let log = cards(&vec!["card,512,300000"; 1000]);
    let measured = Measured::parse(&log, "probe.csv").unwrap();
    let board = measured.apply(&Board::find("lantern-room").unwrap());
    // 1000 x 0.3 s are five minutes; 3 / 5 is above the 0.5 assumed.
    assert_eq!(board.card.as_ref().unwrap().stalls.per_minute, 0.5);
    let long = cards(&vec!["card,512,300000"; 4000]);
    let board = Measured::parse(&long, "probe.csv").unwrap().apply(&board);
    // 4000 x 512 bytes without a stall: at most three in them.
    let stalls = board.card.unwrap().stalls;
    assert!((stalls.per_megabyte - 3.0 / 2.048).abs() < 1e-9);
    assert_eq!(stalls.per_minute, 0.0);
}

#[test]
fn a_profile_comes_of_answers() {
    let like = Board::find("lantern-room").unwrap();
    let answers =
        "gull-post\nA post by the quay\n160\n128\n\n\n\n\n\n\n20_000_000\n\n\nsd-1-bit\n\n\nnone\n";
    let mut asked = Vec::new();
    let board = ask(&like, &mut answers.as_bytes(), &mut asked).unwrap();
    assert_eq!(
        (board.name.as_str(), board.panel.width, board.panel.height),
        ("gull-post", 160, 128)
    );
    assert_eq!(board.panel.clock_hz, 20_000_000);
    assert!(board.wifi.is_none() && board.card.is_some());
    assert!(
        String::from_utf8(asked)
            .unwrap()
            .contains("Panel width in pixels [240]: ")
    );
    // Every question has its key, so that none is left out in silence.
    let keys = "gull-post\n\n\n\n\n90\n\n\n\n\n";
    let board = ask(&like, &mut keys.as_bytes(), &mut Vec::new()).unwrap();
    assert_eq!(board.panel.rotation, 90);
    let wrong = ask(&like, &mut "\n\nwide\n".as_bytes(), &mut Vec::new()).unwrap_err();
    assert!(
        wrong.to_string().contains("needs a whole number"),
        "{wrong}"
    );
}

/// A slip of the finger costs one question, not all of them.
#[test]
fn a_wrong_answer_is_asked_for_again() {
    let like = Board::find("lantern-room").unwrap();
    let answers = "gull-post\n\nwide\n9999\n160\n128\nnone\n\n";
    let mut asked = Vec::new();
    let board = ask(&like, &mut answers.as_bytes(), &mut asked).unwrap();
    let asked = String::from_utf8(asked).unwrap();
    assert_eq!((board.panel.width, board.panel.height), (160, 128));
    assert_eq!(asked.matches("Panel width in pixels").count(), 3, "{asked}");
    assert_eq!(asked.matches("Panel shape").count(), 2, "{asked}");
    assert!(
        asked.contains("9999 is outside 16 to 1024 pixels"),
        "{asked}"
    );
}

/// A board without a link is asked for one too, and may have it; the last
/// link cannot be taken away.
#[test]
fn a_link_comes_and_goes_by_answers() {
    let like = Board::find("bell-buoy").unwrap();
    assert!(like.wifi.is_none());
    let to_the_card = "gull-post\n\n\n\n\n\n\n\n\n\n\n\n\n";
    let both = format!("{to_the_card}\n\n\n3\n");
    let board = ask(&like, &mut both.as_bytes(), &mut Vec::new()).unwrap();
    assert_eq!(board.wifi.unwrap().mcs, 3);
    assert!(board.card.is_some());
    let none = format!("{to_the_card}none\n");
    let error = ask(&like, &mut none.as_bytes(), &mut Vec::new()).unwrap_err();
    assert!(error.to_string().contains("neither"), "{error}");
}
