//! PLAYLIST.TXT on a card: which reel is played when, how often and from where to where;
//! going on after power-off; lists that mean harm.

use super::card::{Image, Machine, Recorded};
use super::films::{Film, FilmCoding};
use super::play::expected;
use super::tools::{Target, output, succeed};
use super::whole::{all_heard, judge, small_film};
use crate::common::reels::{bytes, header_of};
use std::fs;
use std::process::Command;
use thumbreel::coding::patch::Level;
use thumbreel::reel::SoundCoding;

/// Twelve slices of a tenth of a second, as small_film, and a slower one.
fn ferry() -> Vec<u8> {
    Film {
        rate: 10,
        pictures: 1,
        ..small_film()
    }
    .reel()
}

fn harbour() -> Vec<u8> {
    Film {
        slices: 30,
        ..small_film()
    }
    .reel()
}

fn image(list: &[u8], reels: &[(&str, &[u8])]) -> Image {
    let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
    image.put(reels, "");
    image.put(&[("PLAYLIST.TXT", list)], "");
    image
}

fn ring(reel: &[u8]) -> (&'static str, u64) {
    ("ring", 3 * u64::from(header_of(reel).largest_chunk))
}

/// Every picture is that of its tick in the reel.
fn right(pictures: &[(u64, Vec<u8>)], reel: &[u8], what: &str) {
    let h = header_of(reel);
    let place = [h.x_offset, h.y_offset, h.width, h.height].map(usize::from);
    let film = expected(reel);
    for (tick, memory) in pictures {
        let wanted = film.pictures.iter().find(|(at, _)| at == tick);
        let shown = Recorded::window(memory, place);
        assert!(shown == wanted.expect(what).1, "{what}: tick {tick}");
    }
}

fn ticks(pictures: &[(u64, Vec<u8>)]) -> Vec<u64> {
    pictures.iter().map(|(tick, _)| *tick).collect()
}

/// Order, repeats and marks: a reel twice, a line that means nothing, a file that is not
/// there, a folder's reel from a mark to a mark, and then the list is over.
#[test]
fn a_list_says_order_times_and_marks() {
    let (ferry, harbour) = (ferry(), harbour());
    let list = b"\xEF\xBB\xBF# Summer\r\nonce\r\n\r\nferry.TBR  times 2\r\nwhat is this\r\nmissing.tbr\r\nevening/01 Harbour.tbr from 0:00.5 to 0:01.3";
    let image = image(list, &[("ferry.tbr", &ferry), ("0 first.tbr", &harbour)]);
    image.mtool("mmd", &["::evening"]);
    image.put(&[("01 Harbour.tbr", &harbour[..])], "evening");
    for machine in [Machine::Small, Machine::Desk] {
        let what = format!("{machine:?}");
        let recorded = machine.play(&image, &[ring(&harbour), ("loop", 1)], false);
        let once = expected(&ferry);
        let n = once.pictures.len();
        let (twice, marked) = recorded.pictures.split_at(2 * n);
        right(twice, &ferry, &what);
        assert_eq!(ticks(&twice[..n]), ticks(&twice[n..]), "{what}");
        right(marked, &harbour, &what);
        // 16,000 ticks per second, a picture every 800: from 8,000 to 20,800, of which the
        // last 40 ms may stand. The pictures before are those since the last key picture.
        let seen = ticks(marked);
        let (first, last) = (seen[0], seen[seen.len() - 1]);
        assert!((3_200..=8_000).contains(&first), "{what}: {seen:?}");
        assert!((20_000 - 800..20_800).contains(&last), "{what}: {seen:?}");
        let whole = ticks(&expected(&harbour).pictures);
        let wanted = whole.into_iter().filter(|t| (8_000..=last).contains(t));
        assert!(
            seen.into_iter().filter(|&t| t >= 8_000).eq(wanted),
            "{what}"
        );
        // Heard up to the mark, then a block and a fall of 10 ms, then nothing.
        let sound = &expected(&harbour).samples;
        let part = &sound[8_000 + 160..20_800];
        let at = recorded.heard.windows(part.len()).position(|w| w == part);
        let end = at.expect(&what) + part.len();
        let rest = &recorded.heard[end..];
        assert!(rest[240..].iter().all(|&s| s == 0), "{what}");
        let steps = rest[..240]
            .windows(2)
            .map(|w| (i32::from(w[0]) - i32::from(w[1])).abs());
        let own = part
            .windows(2)
            .map(|w| (i32::from(w[0]) - i32::from(w[1])).abs());
        assert!(
            steps.max() <= own.max().map(|most| most + 400),
            "{what}: a click"
        );
        let mut passed = recorded.passed.clone();
        passed.dedup();
        assert_eq!(passed.last(), Some(&6), "{what}: {passed:?}");
        assert!(
            recorded.counts[5..] == [0, 0, 0],
            "{what}: {:?}",
            recorded.counts
        );
    }
}

/// In a silent reel the pictures alone tell where the end mark is: the one that lies past
/// it is not sent.
#[test]
fn no_picture_past_an_end_mark_is_sent() {
    let silent = Film {
        sound: SoundCoding::None,
        slices: 30,
        ..small_film()
    };
    let reel = silent.reel();
    let image = image(
        b"once\nharbour.tbr from 0:00.5 to 0:01.3\n",
        &[("harbour.tbr", &reel)],
    );
    let recorded = Machine::Desk.play(&image, &[ring(&reel)], false);
    // 16,000 ticks per second, a picture every 800: the mark is at 20,800.
    let before = recorded.pictures.iter().take_while(|(t, _)| *t < 20_800);
    let before: Vec<_> = before.cloned().collect();
    right(&before, &reel, "up to the mark");
    let (last, stands) = before.last().unwrap();
    assert_eq!(*last, 20_000);
    for (tick, memory) in &recorded.pictures[before.len()..] {
        assert!(memory == stands, "tick {tick} was sent");
    }
    let whole = ticks(&expected(&reel).pictures);
    let wanted = whole.into_iter().filter(|t| (8_000..=20_000).contains(t));
    let seen = before.iter().map(|(t, _)| *t).filter(|&t| t >= 8_000);
    assert!(seen.eq(wanted), "{:?}", ticks(&before));
}

/// Of each reel that is passed over the maker learns its number and why, with the way out.
#[test]
fn a_reel_that_is_passed_over_says_why() {
    let ferry = ferry();
    let away = Film {
        offset: (300, 1),
        ..small_film()
    };
    // Its working memory is larger than the 24,576 bytes that are given below.
    let large = Film {
        width: 128,
        height: 128,
        slices: 1,
        coding: FilmCoding::Patch(Level::Full),
        ..small_film()
    };
    let list = b"away.tbr\nnoise.tbr\nmissing.tbr\nlarge.tbr\nferry.tbr\n";
    let image = image(
        list,
        &[
            ("away.tbr", &away.reel()),
            ("noise.tbr", &bytes(3, 5_000)),
            ("large.tbr", &large.reel()),
            ("ferry.tbr", &ferry),
        ],
    );
    let words = [ring(&ferry), ("work", 24_576)];
    let recorded = Machine::Desk.play(&image, &words, false);
    right(&recorded.pictures, &ferry, "the last");
    assert_eq!(ticks(&recorded.pictures), ticks(&expected(&ferry).pictures));
    let told: Vec<(u8, &str)> = recorded
        .skipped
        .iter()
        .map(|(item, why)| (*item, why.as_str()))
        .collect();
    assert_eq!(
        told,
        [
            (
                0,
                "the reel is for another panel: convert the clip for this board"
            ),
            (
                1,
                "no reel, or a damaged one: copy it to the card again, and try thumbreel verify"
            ),
            (
                2,
                "the list names a file that is not on the card: copy it, or correct the line"
            ),
            (
                3,
                "the ring or the work memory is too small for the reel: thumbreel inspect says its needs"
            ),
        ]
    );
}

/// What `convert --playlist` writes into a card's folder is played in the order of the
/// clips, and again: names with spaces, brackets and letters outside ASCII.
#[test]
fn the_list_that_convert_writes_is_played() {
    let folder = tempfile::tempdir().unwrap();
    let card = folder.path().join("card");
    fs::create_dir(&card).unwrap();
    let names = ["Zum Hafen.mp4", "a from 3 (2).mp4", "Møve.mp4"];
    for (name, source) in names.iter().zip(["testsrc", "testsrc2", "smptebars"]) {
        let mut command = Command::new("ffmpeg");
        command.args(["-v", "error", "-f", "lavfi", "-i"]);
        command.arg(format!("{source}=size=64x48:rate=10:duration=0.8"));
        command.args(["-f", "lavfi", "-i", "sine=440:duration=0.8", "-shortest"]);
        succeed(command.arg(name).current_dir(folder.path()));
    }
    let convert = |more: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        command.arg("convert").args(names);
        command.args(["-o", "card", "--size", "64x48", "--sound-rate", "16000"]);
        command
            .args([
                "--board",
                "harbour-chart",
                "--coding",
                "patch",
                "--playlist",
            ])
            .args(more);
        output(command.current_dir(folder.path()))
    };
    let done = convert(&[]);
    assert!(done.status.success(), "{done:?}");
    let told = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(
        told.contains("card/PLAYLIST.TXT: 3 reels, played in this order, repeated"),
        "{told}"
    );
    // A list that is there is kept, before anything is converted.
    fs::remove_file(card.join("Møve.tbr")).unwrap();
    let refused = convert(&[]);
    assert_eq!(refused.status.code(), Some(1), "{refused:?}");
    assert!(!card.join("Møve.tbr").exists());
    assert!(convert(&["--overwrite"]).status.success());

    let reels = names.map(|name| name.replace(".mp4", ".tbr"));
    let bytes = reels
        .each_ref()
        .map(|name| fs::read(card.join(name)).unwrap());
    let list = fs::read(card.join("PLAYLIST.TXT")).unwrap();
    let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
    image.put(&[("PLAYLIST.TXT", &list)], "");
    for (name, reel) in reels.iter().zip(&bytes) {
        image.put(&[(name, reel)], "");
    }
    let films = bytes.each_ref().map(|reel| expected(reel).pictures.len());
    let round: usize = films.iter().sum();
    let stop = (round + films[0]) as u64;
    let words = [ring(&bytes[0]), ("work", 65_536), ("stop", stop)];
    let recorded = Machine::Desk.play(&image, &words, false);
    let mut rest = &recorded.pictures[..];
    for i in [0, 1, 2, 0] {
        let (seen, after) = rest.split_at(films[i].min(rest.len()));
        right(seen, &bytes[i], names[i]);
        rest = after;
    }
    assert!(recorded.pictures.len() as u64 >= stop - 1 && recorded.skipped.is_empty());
}

/// The whole list begins again without a gap; a reel that repeats goes on until power-off;
/// without a list the names' order does as before, and `loop` with it.
#[test]
fn lists_and_reels_begin_again() {
    let (ferry, harbour) = (ferry(), harbour());
    let reels: [(&str, &[u8]); 2] = [("a.tbr", &ferry), ("b.tbr", &harbour)];
    let (a, b) = (
        ticks(&expected(&ferry).pictures),
        ticks(&expected(&harbour).pictures),
    );
    let round = [&b[..], &a].concat();
    let orders: [(&[u8], Vec<u64>); 3] = [
        (b"b.tbr\na.tbr\nrepeat\n", round.repeat(3)),
        (
            b"a.tbr\nb.tbr repeat\na.tbr\n",
            [&a[..], &b, &b, &b].concat(),
        ),
        (b"", [&a[..], &b, &a, &b].concat()),
    ];
    for (list, order) in orders {
        let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
        image.put(&reels, "");
        if !list.is_empty() {
            image.put(&[("playlist.txt", list)], "");
        }
        let stop = order.len() as u64 - 1;
        let words = [
            ring(&harbour),
            ("stop", stop),
            ("loop", u64::from(list.is_empty())),
        ];
        let recorded = Machine::Desk.play(&image, &words, false);
        let seen = ticks(&recorded.pictures);
        assert_eq!(
            seen,
            order[..seen.len()],
            "{:?}",
            String::from_utf8_lossy(list)
        );
        assert!(seen.len() as u64 >= stop - 1);
        assert_eq!(recorded.counts[6], 0, "starved");
    }
}

/// Power goes off in the second item. At the next start play goes on where it was kept;
/// not if what was kept is damaged, or another reel stands in its place.
#[test]
fn play_goes_on_after_power_off() {
    let (ferry, harbour) = (ferry(), harbour());
    let image = image(
        b"ferry.tbr\nharbour.tbr\n",
        &[("harbour.tbr", &harbour), ("ferry.tbr", &ferry)],
    );
    let a = expected(&ferry).pictures.len() as u64;
    let words = [ring(&harbour), ("save", 1)];
    let off = [&words[..], &[("stop", a + 50)]].concat();
    Machine::Small.play(&image, &off, false);
    let kept = fs::read(image.file("position")).unwrap();
    let word = |i: usize| u32::from_le_bytes(kept[i..i + 4].try_into().unwrap());
    assert_eq!((word(0), kept.len()), (1, 16));
    let tick = u64::from(word(8)) * 16;
    // 50 pictures of 20 per second are 2.5 s; it was kept once a second.
    assert!((16_000..40_000).contains(&tick), "{tick}");
    let recorded = Machine::Small.play(&image, &words, false);
    right(&recorded.pictures, &harbour, "goes on");
    let seen = ticks(&recorded.pictures);
    let whole = ticks(&expected(&harbour).pictures);
    let wanted: Vec<u64> = whole.into_iter().filter(|&t| t + 16 > tick).collect();
    assert!(seen.ends_with(&wanted), "{tick} {seen:?}");
    // Those before are since the last key picture.
    assert!(seen[0] + 4_800 >= tick, "{tick} {seen:?}");
    let from = tick as usize + 16 + 160;
    let rest = &expected(&harbour).samples[from..];
    assert!(
        recorded.heard.windows(rest.len()).any(|w| w == rest),
        "sound"
    );

    let begins_anew = |what: &str| {
        let recorded = Machine::Desk.play(&image, &words, false);
        let films = judge(&recorded, &[&ferry, &harbour], what);
        all_heard(&recorded, &films, what);
    };
    let mut damaged = kept.clone();
    damaged[8] ^= 1;
    fs::write(image.file("position"), &damaged).unwrap();
    begins_anew("damaged");
    image.mtool("mdel", &["::PLAYLIST.TXT"]);
    image.put(
        &[("PLAYLIST.TXT", &b"ferry.tbr\nferry.tbr\nharbour.tbr\n"[..])],
        "",
    );
    fs::write(image.file("position"), &kept).unwrap();
    let recorded = Machine::Desk.play(&image, &words, false);
    judge(&recorded, &[&ferry, &ferry, &harbour], "another list");
    image.mtool("mdel", &["::PLAYLIST.TXT"]);
    image.put(&[("PLAYLIST.TXT", &b"harbour.tbr\n"[..])], "");
    fs::write(image.file("position"), &kept).unwrap();
    let recorded = Machine::Desk.play(&image, &words, false);
    judge(&recorded, &[&harbour], "a shorter list");
}

/// Lists of noise, of lines without end, of nothing that is there: the one reel in them is
/// played, and nothing is read outside memory.
#[test]
fn lists_that_mean_harm_are_passed_over() {
    let ferry = ferry();
    let noise: Vec<u8> = bytes(7, 15_000)
        .into_iter()
        .filter(|&b| b != b'\n')
        .collect();
    let many = b"no.tbr times 9999\n".repeat(800);
    let lists: [(&str, Vec<u8>); 4] = [
        ("noise", [bytes(5, 9_000), b"\nferry.tbr\n".to_vec()].concat()),
        ("a line without end", [noise, b"\nferry.tbr".to_vec()].concat()),
        ("words", b"ferry.tbr from\nferry.tbr to 0\nferry.tbr times 0\nferry.tbr from 9 to 3\nferry.tbr times 10000\nferry.tbr from 1 from 2\nferry.tbr from 99999999999\n.tbr\nferry.tbr\n".to_vec()),
        ("a long list", [b"ferry.tbr\n".to_vec(), many].concat()),
    ];
    for (what, list) in lists {
        let image = image(&list, &[("ferry.tbr", &ferry)]);
        let words = [ring(&ferry), ("until", 6_000_000)];
        let recorded = Machine::Desk.play(&image, &words, false);
        let films = judge(&recorded, &[&ferry], what);
        all_heard(&recorded, &films, what);
        assert!(!recorded.passed.is_empty(), "{what}");
    }
}

#[test]
fn every_line_is_read_as_it_is_written_down() {
    let table = [
        ("", "nothing"),
        ("  # ferry.tbr", "nothing"),
        ("Repeat ", "repeat"),
        ("ONCE\r", "once"),
        ("once again", "wrong"),
        ("a.tbr", "a.tbr from 0 to 0 times 1"),
        ("a b.TBR\r", "a b.TBR from 0 to 0 times 1"),
        ("a.tbr.tbr repeat", "a.tbr.tbr from 0 to 0 times 0"),
        ("a.tbr b.tbr times 3", "a.tbr b.tbr from 0 to 0 times 3"),
        ("repeat.tbr", "repeat.tbr from 0 to 0 times 1"),
        ("d/a.tbr from 1 to 2.5", "d/a.tbr from 1000 to 2500 times 1"),
        (
            "a.tbr to 1:02:03.004 times 9999",
            "a.tbr from 0 to 3723004 times 9999",
        ),
        ("a.tbr TIMES 2 From 90", "a.tbr from 90000 to 0 times 2"),
        ("a.tbr from 1:60", "wrong"),
        ("a.tbr from 1:2:3:4", "wrong"),
        ("a.tbr from 1.", "wrong"),
        ("a.tbr from 1.0005", "wrong"),
        ("a.tbr to 100:00:00", "wrong"),
        ("a.tbr to 99:59:59.999", "a.tbr from 0 to 359999999 times 1"),
        ("a.tbr from 2 to 2", "wrong"),
        ("a.tbr times 2 repeat", "wrong"),
        ("a.tbr times", "wrong"),
        ("a.tbr timesx 2", "wrong"),
        ("a.tbrx", "wrong"),
        ("a.txt", "wrong"),
        ("a\0.tbr", "wrong"),
        (".tbr", ".tbr from 0 to 0 times 1"),
    ];
    let folder = tempfile::tempdir().unwrap();
    let long = |n: usize| format!("{}.tbr", "x".repeat(n));
    let mut text: String = table.iter().map(|(line, _)| format!("{line}\n")).collect();
    text += &format!("{}\n{}\n", long(251), long(252));
    let mut wanted: Vec<String> = table.iter().map(|(_, told)| (*told).to_owned()).collect();
    wanted.push(format!("{} from 0 to 0 times 1", long(251)));
    wanted.push("wrong".into());
    let noise = bytes(11, 200_000);
    fs::write(
        folder.path().join("list"),
        [text.as_bytes(), &noise, b"\n"].concat(),
    )
    .unwrap();
    let words = [("list", "list".to_owned()), ("to", "told".to_owned())];
    Target::Desk.run("lines", folder.path(), &words);
    let told = fs::read(folder.path().join("told")).unwrap();
    let told = String::from_utf8_lossy(&told);
    let told: Vec<&str> = told.lines().collect();
    assert_eq!(told[..wanted.len()], wanted);
    assert!(told.len() > wanted.len() + 100);
}
