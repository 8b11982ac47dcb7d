//! Helpers that several test programs share; each uses some of them.
#![allow(dead_code)]

pub mod extent;
pub mod faults;
pub mod media;
pub mod played;
pub mod reels;
