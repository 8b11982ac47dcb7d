//! Whole input against byte by byte against random pieces: the same events.
#![no_main]

use libfuzzer_sys::fuzz_target;
use thumbreel_fuzz::events;
use thumbreel_fuzz::faults::Chance;

fuzz_target!(|data: &[u8]| {
    let Some((seed, reel)) = data.split_first() else {
        return;
    };
    let whole = events(reel, || usize::MAX >> 1);
    let mut chance = Chance::new(u64::from(*seed));
    let most = 1 + chance.below(2000);
    assert_eq!(events(reel, || 1 + chance.below(most) as usize), whole);
    if reel.len() < 8192 {
        assert_eq!(events(reel, || 1), whole);
    }
});
