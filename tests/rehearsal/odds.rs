//! What clean plays say of the next.

use thumbreel::rehearsal::at_most;

/// Clopper and Pearson 1934, one-sided 95 %: the quantile 0.95 of the beta
/// distribution (k + 1, n - k), by a general-purpose statistics library.
#[test]
fn bounds_are_those_of_clopper_and_pearson() {
    let table = [
        (0, 333, 0.008956),
        (0, 1000, 0.0029912),
        (1, 10, 0.394163),
        (1, 1000, 0.0047351),
        (4, 10_000, 0.00091510),
        (20, 200, 0.141968),
    ];
    for (faults, runs, expected) in table {
        let bound = at_most(faults, runs);
        assert!(
            (bound / expected - 1.0).abs() < 1e-3,
            "{faults} of {runs}: {bound} and not {expected}"
        );
    }
    assert_eq!(at_most(7, 7), 1.0);
}

/// Rule of three (Hanley and Lippman-Hand 1983).
#[test]
fn no_fault_in_n_is_three_in_n() {
    for runs in [100, 1000, 100_000] {
        let three = 3.0 / f64::from(runs);
        assert!((at_most(0, runs) / three - 1.0).abs() < 0.02);
    }
}
