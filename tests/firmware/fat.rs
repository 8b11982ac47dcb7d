//! The FAT reader against mtools, an implementation of its own: the same names, sizes
//! and bytes on file systems of all cluster sizes, fragmented by deleting and writing;
//! and nothing but a refusal on those it does not read, or that are damaged.

use super::card::Image;
use super::tools::{Target, board, firmware, succeed};
use crate::common::faults::Chance;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use thumbreel::reel::crc32;

/// `board/walk.c` under sanitizers, with few runs in its table, built once.
fn walker() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("walk");
        let mut command = Target::Desk.compiler();
        command.arg("-DTBR_FAT_RUNS=5");
        command.args(["walk.c", "bench.c", "bench_host.c"].map(|c| board().join(c)));
        command.arg(firmware().join("fat.c")).arg("-o").arg(&path);
        succeed(&mut command);
        path
    })
}

/// What the reader finds.
fn walk(image: &Image, words: &[String]) -> String {
    let mut command = Command::new(walker());
    command.args(["image=image", "log=log"]).args(words);
    succeed(command.current_dir(image.folder.path()));
    fs::read_to_string(image.file("log")).unwrap()
}

fn bytes(chance: &mut Chance, n: u64) -> Vec<u8> {
    let mut state = chance.below(1 << 40) | 1;
    (0..n)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 56) as u8
        })
        .collect()
}

const NAMES: [&str; 8] = [
    PIECES,
    "a.tbr",
    "HARBOUR.TBR",
    "Lighthouse at dusk.tbr",
    "Ærø, ☀ og måne.tbr",
    "thirteen char",
    "twelve chars",
    "A name of as many characters as it takes to fill a good number of the parts that a long \
     name is cut into, and then some more of them, since the maker of this film could not stop.tbr",
];

/// A file of twelve clusters, which go into holes of one and two.
const PIECES: &str = "fourteen chars";

/// Fills an image: folders, names of all kinds, holes, files in their pieces.
fn fill(image: &Image, chance: &mut Chance, cluster: u64) {
    image.mtool("mmd", &["::/Shelf", "::/Shelf/Drawer with a long name"]);
    for folder in ["", "Shelf/", "Shelf/Drawer with a long name/"] {
        let filler: Vec<String> = (0..30).map(|i| format!("hole {i}.bin")).collect();
        let files: Vec<(&str, Vec<u8>)> = filler
            .iter()
            .map(|name| {
                let clusters = 1 + chance.below(2);
                (&name[..], bytes(chance, clusters * cluster))
            })
            .collect();
        let files: Vec<(&str, &[u8])> = files.iter().map(|(n, b)| (*n, &b[..])).collect();
        image.put(&files, folder);
        let gone: Vec<String> = filler
            .iter()
            .step_by(2)
            .map(|n| format!("::/{folder}{n}"))
            .collect();
        image.mtool("mdel", &gone.iter().map(String::as_str).collect::<Vec<_>>());
        image.forget_hint();
        let files: Vec<(&str, Vec<u8>)> = NAMES
            .iter()
            .map(|name| {
                let n = match chance.below(4) {
                    _ if *name == PIECES => 12 * cluster - 100,
                    0 => chance.below(2),
                    1 => cluster * chance.below(4),
                    _ => chance.below(8 * cluster),
                };
                (*name, bytes(chance, n))
            })
            .collect();
        let files: Vec<(&str, &[u8])> = files.iter().map(|(n, b)| (*n, &b[..])).collect();
        image.put(&files, folder);
    }
}

/// All files of an image by mtools: path to size and CRC-32.
fn by_mtools(image: &Image) -> BTreeMap<String, (u64, u32)> {
    fn collect(at: &Path, root: &Path, all: &mut BTreeMap<String, (u64, u32)>) {
        for entry in fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                collect(&path, root, all);
            } else {
                let bytes = fs::read(&path).unwrap();
                let name = path
                    .strip_prefix(root)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .to_owned();
                all.insert(format!("/{name}"), (bytes.len() as u64, crc32(&bytes)));
            }
        }
    }
    let out = image.file("out");
    fs::create_dir(&out).unwrap();
    image.mtool("mcopy", &["-s", "-n", "::/*", out.to_str().unwrap()]);
    let mut all = BTreeMap::new();
    collect(&out, &out, &mut all);
    all
}

fn by_reader(image: &Image, seed: u64) -> BTreeMap<String, (u64, u32)> {
    walk(image, &[format!("seed={seed}")])
        .lines()
        .map(|line| {
            let mut words = line.rsplitn(3, ' ');
            let crc = words.next().unwrap().parse();
            let size = words.next().unwrap().parse();
            let path = words.next().unwrap().to_owned();
            (path, (size.expect(line), crc.expect(line)))
        })
        .collect()
}

#[test]
fn the_same_files_as_mtools_on_all_cluster_sizes() {
    // Bits of the table, sectors per cluster, megabytes, first byte of the partition.
    let cases = [
        (32, 1, 40, 0),
        (32, 8, 300, 1 << 20),
        (32, 64, 2100, 4 << 20),
        (16, 1, 8, 0),
        (16, 32, 200, 512 * 63),
    ];
    for (seed, (bits, sectors, megabytes, offset)) in cases.into_iter().enumerate() {
        let options = [bits.to_string(), sectors.to_string()];
        let options = ["-F", &options[0], "-s", &options[1]];
        let image = Image::new(megabytes << 20, offset, &options);
        let mut chance = Chance::new(seed as u64 + 1);
        fill(&image, &mut chance, 512 * sectors);
        assert!(image.pieces(PIECES) > 5);
        let want = by_mtools(&image);
        let found = by_reader(&image, seed as u64 + 1);
        assert_eq!(found, want, "{options:?}");
        assert!(want.len() == 3 * (NAMES.len() + 15), "{}", want.len());
    }
}

/// A character of two units, which mtools does not write: put over two letters.
#[test]
fn a_name_with_a_surrogate_pair_is_utf_8() {
    let image = Image::new(12 << 20, 0, &["-F", "16", "-s", "4"]);
    image.put(&[("xx bird.tbr", &b"bird"[..])], "");
    let all = fs::read(image.path()).unwrap();
    let units: Vec<u8> = "xx bi".bytes().flat_map(|b| [b, 0]).collect();
    let at = all.windows(units.len()).position(|w| w == units).unwrap();
    let pair: Vec<u8> = "\u{1F426}"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    image.write(at as u64, &pair);
    let told = walk(&image, &[]);
    assert_eq!(told, format!("/\u{1F426} bird.tbr 4 {}\n", crc32(b"bird")));
}

/// A folder whose chain runs in a circle or out of the table, and a long name that is
/// left over from another short one. Offsets: Microsoft's FAT specification, from memory.
#[test]
fn contradictions_are_found() {
    let image = Image::new(40 << 20, 0, &["-F", "32", "-s", "1"]);
    image.put(&[("Lighthouse at dusk.tbr", &b"dusk"[..])], "");
    let all = fs::read(image.path()).unwrap();
    let at = all.windows(11).position(|w| w == b"LIGHTH~1TBR").unwrap();
    image.write(at as u64, b"X");
    let told = walk(&image, &[]);
    assert_eq!(told, format!("/XIGHTH~1.TBR 4 {}\n", crc32(b"dusk")));
    let word = |at: usize| u64::from(all[at]) | u64::from(all[at + 1]) << 8;
    let table = 512 * word(14);
    let root = table + 2 * 512 * word(36);
    image.write(root, &[0xE5; 512]);
    for next in [2_u32, 1, 0x0ABC_DEF0] {
        image.write(table + 4 * 2, &next.to_le_bytes());
        let told = walk(&image, &[]);
        assert!(told.starts_with("error -606"), "{next}: {told}");
    }
}

/// A FAT32 of clusters of one sector with one file of two clusters, and where things lie:
/// offsets from memory of Microsoft's FAT specification.
struct Plain {
    image: Image,
    /// Bytes from the beginning: the table, the file's entry in the root folder.
    table: u64,
    entry: u64,
    /// Sectors of the table and of all, the first one of cluster 2.
    each: u32,
    total: u32,
    data: u32,
    /// The file's first cluster.
    first: u32,
}

impl Plain {
    const NAME: &str = "DUSK    TBR";

    fn new() -> Self {
        let image = Image::new(40 << 20, 0, &["-F", "32", "-s", "1", "-f", "1"]);
        image.put(&[("DUSK.TBR", &[7; 1024])], "");
        let all = fs::read(image.path()).unwrap();
        let half = |at: usize| u32::from(all[at]) | u32::from(all[at + 1]) << 8;
        let word = |at: usize| half(at) | half(at + 2) << 16;
        let found = all.windows(11).position(|w| w == Self::NAME.as_bytes());
        let entry = found.unwrap();
        let plain = Self {
            table: 512 * u64::from(half(14)),
            entry: entry as u64,
            each: word(36),
            total: word(32),
            data: half(14) + word(36),
            first: half(entry + 26) | half(entry + 20) << 16,
            image,
        };
        assert_eq!(
            plain.told(),
            format!("/DUSK.TBR 1024 {}\n", crc32(&[7; 1024]))
        );
        plain
    }

    fn told(&self) -> String {
        walk(&self.image, &[])
    }

    fn link(&self, cluster: u32, next: u32) {
        let at = self.table + 4 * u64::from(cluster);
        self.image.write(at, &next.to_le_bytes());
    }

    /// Sets the file's first cluster and its length.
    fn begin(&self, cluster: u32, bytes: u32) {
        let [low, high] = [cluster as u16, (cluster >> 16) as u16];
        self.image.write(self.entry + 20, &high.to_le_bytes());
        self.image.write(self.entry + 26, &low.to_le_bytes());
        self.image.write(self.entry + 28, &bytes.to_le_bytes());
    }

    fn set_total(&self, sectors: u32) {
        self.image.write(32, &sectors.to_le_bytes());
    }
}

/// The card goes on behind its file system: a cluster there is none of it, though it could
/// be read, whether a file begins there, goes on there, or is a folder.
#[test]
fn no_cluster_behind_the_end_is_read() {
    let plain = Plain::new();
    // Eight clusters less than the card has; the last one that is left, and the next.
    plain.set_total(plain.total - 8);
    let last = plain.total - 8 - plain.data + 1;
    for (cluster, whole) in [(last, true), (last + 1, false)] {
        plain.link(cluster, 0x0FFF_FFFF);
        plain.link(plain.first, cluster);
        let goes_on = plain.told();
        plain.begin(cluster, 512);
        let begins = plain.told();
        plain.begin(plain.first, 1024);
        for told in [goes_on, begins] {
            let refused = told.starts_with("error -606");
            assert!(refused != whole, "{cluster}: {told}");
        }
    }
    plain.begin(last + 1, 0);
    plain.image.write(plain.entry + 11, &[0x10]);
    let told = plain.told();
    assert!(told.starts_with("error -606"), "a folder: {told}");
}

/// A file system that claims more clusters than its table has entries for ends where
/// the table does.
#[test]
fn no_cluster_without_an_entry_in_the_table_is_read() {
    let plain = Plain::new();
    let card = fs::File::options().write(true).open(plain.image.path());
    card.unwrap().set_len(80 << 20).unwrap();
    plain.set_total(2 * plain.total);
    let entries = 128 * plain.each;
    for (cluster, whole) in [(entries - 1, true), (entries, false)] {
        plain.begin(cluster, 512);
        let told = plain.told();
        let refused = told.starts_with("error -606");
        assert!(refused != whole, "{cluster}: {told}");
    }
}

/// Parts of a long name out of turn make no name: the file goes by its short one.
#[test]
fn parts_of_a_long_name_come_in_turn() {
    let image = Image::new(12 << 20, 0, &["-F", "16", "-s", "4"]);
    let name = "Lighthouse at dusk, from the pier.tbr";
    image.put(&[(name, &b"dusk"[..])], "");
    let crc = crc32(b"dusk");
    assert_eq!(walk(&image, &[]), format!("/{name} 4 {crc}\n"));
    let all = fs::read(image.path()).unwrap();
    let short = all.windows(11).position(|w| w == b"LIGHTH~1TBR").unwrap();
    // Three parts before it, the last one first: 43h, 2, 1.
    let places = [short - 96, short - 64, short - 32];
    assert_eq!(places.map(|at| all[at]), [0x43, 2, 1]);
    for numbers in [[0x43, 5, 1], [0x43, 1, 1], [0x44, 2, 1], [0x43, 1, 2]] {
        for (at, number) in places.iter().zip(numbers) {
            image.write(*at as u64, &[number]);
        }
        let told = walk(&image, &[]);
        assert_eq!(told, format!("/LIGHTH~1.TBR 4 {crc}\n"), "{numbers:?}");
    }
}

#[test]
fn other_file_systems_are_refused_by_their_names() {
    let refused = |image: &Image, what: &str| {
        let said = walk(image, &[]);
        assert!(
            said.starts_with("error -") && said.contains(what),
            "{said}: {what}"
        );
    };
    let image = Image::new(1 << 20, 0, &["-F", "12"]);
    refused(&image, "FAT12");
    // exFAT, alone and in a partition: its name is at offset 3 (Microsoft, "exFAT file
    // system specification", 3.1, from memory).
    let image = Image::new(64 << 20, 1 << 20, &["-F", "32", "-s", "1"]);
    image.write((1 << 20) + 3, b"EXFAT   ");
    refused(&image, "exFAT");
    image.write(3, b"EXFAT   ");
    refused(&image, "exFAT");
    image.write(3, &[0; 8]);
    image.partition(0xEE, 64 << 20);
    refused(&image, "GUID");
    image.write(510, &[0, 0]);
    refused(&image, "no FAT");
    let image = Image::new(64 << 20, 0, &["-F", "32", "-S", "2048"]);
    refused(&image, "512");
}

/// No byte of boot sector, tables or folders can make it read outside its memory (the
/// sanitizers watch), hang, or read on without end.
#[test]
fn damaged_file_systems_do_no_harm() {
    for (bits, sectors, megabytes, meta) in [("32", "1", 34, 1300), ("16", "4", 12, 90)] {
        let image = Image::new(megabytes << 20, 0, &["-F", bits, "-s", sectors]);
        let cluster = 512 * sectors.parse::<u64>().unwrap();
        fill(&image, &mut Chance::new(77), cluster);
        let words = [("damage", 600), ("meta", meta), ("seed", 9)];
        let told = walk(&image, &words.map(|(k, v)| format!("{k}={v}")));
        println!("FAT{bits}: {}", told.replace('\n', ", "));
        let count = |name: &str| -> u64 {
            let line = told.lines().find(|l| l.starts_with(name)).expect(name);
            line[name.len() + 1..].parse().unwrap()
        };
        // Damage was met, and most of it left most files whole.
        assert!(count("refused") > 50 && count("failures") > 50 && count("found") > 10_000);
    }
}
