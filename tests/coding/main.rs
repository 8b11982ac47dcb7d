//! The picture codings: what is coded comes back, damage is refused, limits
//! hold in every window, and the text of record decodes as it says.

#[path = "../common/mod.rs"]
mod common;

mod codings;
mod cuts;
mod damage;
mod example;
mod limits;
mod noise;
mod on_reel;
mod scene_cuts;
mod scenes;
