//! Firmware for one board: the C files of `spec/firmware` as they are, a main program to
//! fill in, and a configuration that the budget's memory plan and rehearsals give.

mod config;
mod playlist;
mod text;

use std::borrow::Cow;

pub use config::{Configuration, FirmwareError, Made, Program, Sized};
pub use playlist::{PLAYLIST, PlaylistError, playlist};

/// The files that are the same for every board.
const SAME: [(&str, &str); 18] = [
    ("README.md", include_str!("../../spec/firmware/README.md")),
    (
        "thumbreel.h",
        include_str!("../../spec/firmware/thumbreel.h"),
    ),
    ("player.h", include_str!("../../spec/firmware/player.h")),
    ("player.c", include_str!("../../spec/firmware/player.c")),
    ("card.h", include_str!("../../spec/firmware/card.h")),
    ("card.c", include_str!("../../spec/firmware/card.c")),
    ("fat.h", include_str!("../../spec/firmware/fat.h")),
    ("fat.c", include_str!("../../spec/firmware/fat.c")),
    ("panel.h", include_str!("../../spec/firmware/panel.h")),
    ("panel.c", include_str!("../../spec/firmware/panel.c")),
    ("i2s.h", include_str!("../../spec/firmware/i2s.h")),
    ("i2s.c", include_str!("../../spec/firmware/i2s.c")),
    (
        "play_card.h",
        include_str!("../../spec/firmware/play_card.h"),
    ),
    (
        "play_card.c",
        include_str!("../../spec/firmware/play_card.c"),
    ),
    ("playlist.h", include_str!("../../spec/firmware/playlist.h")),
    ("playlist.c", include_str!("../../spec/firmware/playlist.c")),
    ("pins.h", include_str!("../../spec/firmware/pins.h")),
    ("probe.c", include_str!("../../spec/firmware/probe.c")),
];
/// What is filled in, and the two main programs.
const SKELETON: [(&str, &str); 5] = [
    (
        "main.c",
        include_str!("../../spec/firmware/skeleton/main.c"),
    ),
    (
        "main_tasks.c",
        include_str!("../../spec/firmware/skeleton/main_tasks.c"),
    ),
    (
        "pins.c",
        include_str!("../../spec/firmware/skeleton/pins.c"),
    ),
    (
        "tasks.c",
        include_str!("../../spec/firmware/skeleton/tasks.c"),
    ),
    (
        "skeleton.h",
        include_str!("../../spec/firmware/skeleton/skeleton.h"),
    ),
];

impl Configuration {
    /// Every file of the firmware with its name.
    #[must_use]
    pub fn files(&self) -> Vec<(&'static str, Cow<'static, str>)> {
        let own = [("README.txt", self.readme()), ("config.h", self.header())];
        let own = own.map(|(name, text)| (name, Cow::from(text)));
        let fixed = SKELETON.iter().chain(&SAME);
        let fixed = fixed.map(|&(name, text)| (name, Cow::from(text)));
        own.into_iter().chain(fixed).collect()
    }
}
