//! Ctrl-C and its kin: the first asks for an orderly end, the second ends.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::TERM_SIGNALS;
use signal_hook::flag;

/// A flag that is set when the program is asked to end.
pub(crate) fn on_signal() -> std::io::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in TERM_SIGNALS {
        // The order matters: this one acts only if the flag is already set.
        flag::register_conditional_shutdown(*signal, 1, Arc::clone(&stop))?;
        flag::register(*signal, Arc::clone(&stop))?;
    }
    Ok(stop)
}
