//! Signals to end: Ctrl-C, the system's request, a closed terminal. A command that
//! asked for the flag ends in order; any other ends at once. Either way no file
//! is left half-written.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock};
use std::thread;
use std::time::Duration;

use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM};
use signal_hook::iterator::Signals;

use super::out::complain;

/// Time that a command has for an orderly end.
const PATIENCE: Duration = Duration::from_secs(3);

static STOP: LazyLock<Arc<AtomicBool>> = LazyLock::new(Arc::default);
/// Whether the command looks at the flag.
static IN_ORDER: AtomicBool = AtomicBool::new(false);
/// Whether it may take as long as it likes.
static UNHURRIED: AtomicBool = AtomicBool::new(false);

/// Watches for signals from now on.
///
/// # Errors
/// The system refuses to report signals.
pub(crate) fn watch() -> io::Result<()> {
    let mut wanted = vec![SIGINT, SIGTERM, SIGQUIT];
    // Who was started to outlive its terminal shall do so.
    if !is_ignored(SIGHUP) {
        wanted.push(SIGHUP);
    }
    let mut signals = Signals::new(wanted)?;
    thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            for _ in signals.forever() {
                let again = STOP.swap(true, Ordering::Relaxed);
                if again || !IN_ORDER.load(Ordering::Relaxed) {
                    end();
                }
                thread::spawn(|| {
                    thread::sleep(PATIENCE);
                    if !UNHURRIED.load(Ordering::Relaxed) {
                        end();
                    }
                });
            }
        })?;
    Ok(())
}

/// The flag that is set when the program is asked to end; who takes it looks at
/// it often.
pub(crate) fn on_signal() -> Arc<AtomicBool> {
    IN_ORDER.store(true, Ordering::Relaxed);
    STOP.clone()
}

/// The same for a server, whose clients have their own time to end.
pub(crate) fn for_server() -> Arc<AtomicBool> {
    UNHURRIED.store(true, Ordering::Relaxed);
    on_signal()
}

/// Whether a signal is ignored (`nohup`); false where the system does not say.
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & (1 << (signal - 1)) != 0)
}

fn end() -> ! {
    crate::files::abandon();
    complain!("thumbreel: stopped; no file was left half-written");
    signal_hook::low_level::exit(1)
}
