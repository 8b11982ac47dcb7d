//! Signals to end: Ctrl-C, the system's request, a closed terminal. A command that
//! asked for the flag ends in order; any other ends at once. Either way no file
//! is left half-written.

use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock};
use std::thread;
use std::time::Duration;

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
    let asked = asked_to_end()?;
    thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            for () in asked {
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

/// Gives something each time that the system asks the program to end.
#[cfg(unix)]
fn asked_to_end() -> io::Result<impl Iterator<Item = ()> + Send> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM};
    let mut wanted = vec![SIGINT, SIGTERM, SIGQUIT];
    // Who was started to outlive its terminal shall do so.
    if !is_ignored(SIGHUP) {
        wanted.push(SIGHUP);
    }
    let mut signals = signal_hook::iterator::Signals::new(wanted)?;
    Ok(std::iter::from_fn(move || {
        signals.forever().next().map(|_| ())
    }))
}

/// Ctrl-C, Ctrl-Break, a closed window, the end of the session or of the system's run.
#[cfg(windows)]
fn asked_to_end() -> io::Result<impl Iterator<Item = ()> + Send> {
    use tokio::signal::windows;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let within = runtime.enter();
    let (mut stop, mut cut) = (windows::ctrl_c()?, windows::ctrl_break()?);
    let (mut close, mut leave) = (windows::ctrl_close()?, windows::ctrl_logoff()?);
    let mut down = windows::ctrl_shutdown()?;
    drop(within);
    Ok(std::iter::from_fn(move || {
        runtime.block_on(async {
            tokio::select! {
                asked = stop.recv() => asked,
                asked = cut.recv() => asked,
                asked = close.recv() => asked,
                asked = leave.recv() => asked,
                asked = down.recv() => asked,
            }
        })
    }))
}

/// Whether a signal is ignored (`nohup`); false where the system does not say.
#[cfg(unix)]
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & (1 << (signal - 1)) != 0)
}

fn end() -> ! {
    crate::files::abandon();
    complain!("thumbreel: stopped; no file was left half-written");
    // On Unix at once, without what other threads might wait for.
    #[cfg(unix)]
    signal_hook::low_level::exit(1);
    #[cfg(not(unix))]
    std::process::exit(1)
}
