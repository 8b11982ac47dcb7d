//! How much of the longest tests is run: `THUMBREEL_TESTS` is not set for what its user
//! waits for, `ci` for what CI runs, `all` for all there is.

/// `usual`, `ci` or `all`, as the environment says.
///
/// # Panics
/// The variable has another value.
pub fn extent<T>(usual: T, ci: T, all: T) -> T {
    match std::env::var("THUMBREEL_TESTS").as_deref() {
        Err(std::env::VarError::NotPresent) => usual,
        Ok("ci") => ci,
        Ok("all") => all,
        other => panic!("THUMBREEL_TESTS is {other:?}; leave it out, or write ci or all"),
    }
}
