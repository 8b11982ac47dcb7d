//! Flashes by WCAG 2.3.1.

use thumbreel::picture::flash::{FlashChecker, FlashKind, FlashWarning};
use thumbreel::units::Nanos;

const SIDE: usize = 64;

/// Runs `seconds` at 30 frames per second; `paint` gives the colour of a
/// pixel by picture number, column and row.
fn run(seconds: f64, paint: impl Fn(usize, usize, usize) -> [u8; 3]) -> Vec<FlashWarning> {
    let mut checker = FlashChecker::default();
    for n in 0..(seconds * 30.0) as usize {
        let rgb: Vec<u8> = (0..SIDE * SIDE)
            .flat_map(|i| paint(n, i % SIDE, i / SIDE))
            .collect();
        checker.look(Nanos((n as i64 * 1_000_000_000) / 30), &rgb, SIDE);
    }
    checker.warnings().to_vec()
}

/// Two colours, `flashes` times per second.
fn alternating(flashes: usize, a: [u8; 3], b: [u8; 3]) -> Vec<FlashWarning> {
    run(3.0, move |n, _, _| {
        if (n * flashes * 2 / 30).is_multiple_of(2) {
            a
        } else {
            b
        }
    })
}

#[test]
fn three_flashes_a_second_pass_and_more_do_not() {
    let (black, white) = ([0; 3], [255; 3]);
    for allowed in 1..=3 {
        assert_eq!(alternating(allowed, black, white), [], "{allowed} a second");
    }
    for flashes in [4, 5, 7] {
        let found = alternating(flashes, black, white);
        assert_eq!(found.len(), 1, "{flashes} a second: {found:?}");
        assert_eq!(found[0].kind, FlashKind::General);
        assert!(found[0].from.0 < 500_000_000, "{found:?}");
        assert!(found[0].to.0 > 2_500_000_000, "{found:?}");
    }
}

#[test]
fn only_changes_of_a_tenth_in_the_dark_count() {
    // Relative luminance of sRGB 186 is 0.491, of 200 0.578: less than 0.1.
    assert_eq!(alternating(7, [186; 3], [200; 3]), []);
    // 186 to 205 (0.610) is more.
    assert_eq!(alternating(7, [186; 3], [205; 3]).len(), 1);
    // Both above 0.80: 232 is 0.807, 255 is 1.
    assert_eq!(alternating(7, [232; 3], [255; 3]), []);
}

#[test]
fn a_quarter_of_the_panel_counts_and_less_does_not() {
    let corner = |side: usize| {
        run(3.0, move |n, x, y| {
            match x < side && y < side && n / 2 % 2 == 0 {
                true => [255; 3],
                false => [0; 3],
            }
        })
    };
    assert_eq!(corner(SIDE / 2).len(), 1);
    assert_eq!(corner(SIDE / 2 - 8), []);
}

#[test]
fn saturated_red_flashes_are_told_apart() {
    // Red of luminance 0.08 and black: too dark for a general flash.
    let found = alternating(5, [170, 0, 0], [0, 0, 0]);
    assert!(found.iter().any(|w| w.kind == FlashKind::Red), "{found:?}");
    assert!(
        found.iter().all(|w| w.kind != FlashKind::General),
        "{found:?}"
    );
    assert_eq!(alternating(3, [170, 0, 0], [0, 0, 0]), []);
    // Unsaturated red of small luminance changes.
    assert_eq!(alternating(5, [120, 60, 60], [100, 60, 60]), []);
}

#[test]
fn fades_and_cuts_do_not_flash() {
    assert_eq!(run(3.0, |n, _, _| [(n * 3 % 256) as u8; 3]), []);
    assert_eq!(
        run(3.0, |n, _, _| if n < 45 { [20; 3] } else { [240; 3] }),
        []
    );
}

#[test]
fn times_name_the_part_that_flashes() {
    let found = run(10.0, |n, _, _| {
        let on = (120..180).contains(&n) && n / 3 % 2 == 0;
        if on { [255; 3] } else { [0; 3] }
    });
    assert_eq!(found.len(), 1);
    let (from, to) = (found[0].from.0 as f64 / 1e9, found[0].to.0 as f64 / 1e9);
    assert!(
        (3.9..4.3).contains(&from) && (5.8..6.1).contains(&to),
        "{from} {to}"
    );
}
