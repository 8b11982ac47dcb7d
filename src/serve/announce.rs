//! Announcement on the local network by DNS-SD (RFC 6763) over multicast DNS.

use std::net::{IpAddr, SocketAddr};

use mdns_sd::{ServiceDaemon, ServiceInfo};

/// The registered service type for pages to be seen in a browser.
const SERVICE: &str = "_http._tcp.local.";

/// A running announcement; withdrawn when dropped.
pub struct Announcement {
    daemon: ServiceDaemon,
    full_name: String,
}

impl Announcement {
    /// Announces `name` at those of `addresses` that others can reach.
    ///
    /// # Errors
    /// A sentence when there is none, or the network refuses.
    pub fn start(name: &str, addresses: &[SocketAddr]) -> Result<Self, String> {
        let outside = addresses.iter().filter(|a| !a.ip().is_loopback());
        let outside: Vec<&SocketAddr> = outside.collect();
        let port = outside.first().map(|address| address.port()).ok_or(
            "the server listens at this machine only; give an address of the network with --listen",
        )?;
        let ips: Vec<IpAddr> = outside.iter().map(|address| address.ip()).collect();
        let host = format!("{}.local.", host_label(name));
        let facts = [("path", "/"), ("list", "/list")];
        let info = ServiceInfo::new(SERVICE, name, &host, &ips[..], port, &facts[..])
            .map_err(|error| format!("{name}: {error}"))?;
        let full_name = info.get_fullname().to_owned();
        let daemon = ServiceDaemon::new().map_err(|error| error.to_string())?;
        daemon.register(info).map_err(|error| error.to_string())?;
        Ok(Self { daemon, full_name })
    }
}

impl Drop for Announcement {
    fn drop(&mut self) {
        // Others forget the name by themselves if this goes unheard.
        if let Ok(done) = self.daemon.unregister(&self.full_name) {
            let _ = done.recv_timeout(std::time::Duration::from_millis(500));
        }
        let _ = self.daemon.shutdown();
    }
}

/// `name` reduced to what a host name may carry (RFC 1123 section 2.1).
fn host_label(name: &str) -> String {
    let keep = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let label: String = name.chars().map(keep).take(63).collect();
    match label.trim_matches('-') {
        "" => "thumbreel".to_owned(),
        label => label.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::{Announcement, host_label};

    #[test]
    fn host_names_are_legal() {
        assert_eq!(host_label("Lamp room, 2nd floor"), "lamp-room--2nd-floor");
        assert_eq!(host_label("灯台"), "thumbreel");
        assert!(host_label(&"x".repeat(90)).len() <= 63);
    }

    #[test]
    fn loopback_is_not_announced() {
        let error = Announcement::start("x", &[([127, 0, 0, 1], 80).into()]).err();
        assert!(error.unwrap().contains("--listen"));
    }
}
