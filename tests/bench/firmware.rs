//! Counts of the firmware header on the emulated cores: prints the tables of
//! spec/firmware/README.md, or those that are named, and with `--write` puts
//! them there.
//!
//! `cargo bench --bench firmware -- --write`
//!
//! Instructions are exact and repeatable (the emulator counts them); they are
//! not cycles. What would mislead: flash wait states and caches are not there.

#[path = "../firmware/clips.rs"]
#[allow(dead_code)]
mod clips;
#[path = "../common/mod.rs"]
mod common;
#[path = "../firmware/counts.rs"]
#[allow(dead_code)]
mod counts;
#[path = "../firmware/films.rs"]
#[allow(dead_code)]
mod films;
#[path = "../firmware/tools.rs"]
#[allow(dead_code)]
mod tools;

const CLIPS: [&str; 4] = [
    "bigbuckbunny.mp4",
    "bikes.mp4",
    "carphone_pristine.mp4",
    "cup.mp4",
];

fn main() {
    let write = std::env::args().any(|a| a == "--write");
    type Table = (&'static str, fn() -> String);
    let tables: [Table; 4] = [
        ("instructions", || counts::instructions(&CLIPS, 120, 2)),
        ("estimates", || counts::estimates(&CLIPS, 120, 2)),
        ("sounds", || counts::sounds(CLIPS[0])),
        ("sizes", counts::sizes),
    ];
    let asked = |name: &str| std::env::args().any(|a| a == name);
    let all = !tables.iter().any(|(name, _)| asked(name));
    for (name, table) in tables {
        if !all && !asked(name) {
            continue;
        }
        let table = table();
        println!("{table}");
        if write {
            counts::write_table(name, &table);
        }
    }
}
