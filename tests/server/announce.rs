//! Announcement by DNS-SD, asked for by a client that speaks plain DNS.

use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::process::Command;

use crate::support::Running;

/// Asks the group of multicast DNS for web pages (RFC 6762, RFC 6763) and
/// waits for an answer that names the page and its port.
const SCRIPT: &str = r#"
import socket, struct, sys, time
name, port, own = sys.argv[1], int(sys.argv[2]), socket.inet_aton(sys.argv[3])
def labels(text): return b"".join(bytes([len(part)]) + part.encode() for part in text.split(".")) + b"\0"
query = struct.pack(">6H", 0, 0, 1, 0, 0, 0) + labels("_http._tcp.local") + struct.pack(">2H", 12, 1)
link = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
link.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
link.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
link.bind(("", 5353))
link.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton("224.0.0.251") + own)
link.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, own)
link.settimeout(1)
end = time.time() + 20
while time.time() < end:
    link.sendto(query, ("224.0.0.251", 5353))
    try:
        while True:
            data, _ = link.recvfrom(9000)
            # A response that holds the name and a service record: priority 0, weight 0, port.
            if data[2] & 0x80 and name.encode() in data and struct.pack(">3H", 0, 0, port) in data:
                sys.exit(0 if b"list=/list" in data else "no list is named")
    except TimeoutError:
        pass
sys.exit("nothing answered")
"#;

/// This machine's address towards others, if it has one.
fn outside() -> Option<IpAddr> {
    // Nothing is sent: connecting a datagram socket only looks up the way.
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    socket.connect("198.51.100.1:9").ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_loopback() && !ip.is_unspecified()).then_some(ip)
}

#[test]
fn the_page_is_found_by_its_name_on_the_network() {
    let dir = tempfile::tempdir().unwrap();
    // A machine without a network must be told that nobody can hear it.
    let listen = SocketAddr::new(outside().unwrap_or([127, 0, 0, 1].into()), 0);
    let listen = listen.to_string();
    let arguments = [
        "--quiet",
        "--announce",
        "Harbour shelf",
        "--listen",
        &listen,
    ];
    let Some(ip) = outside() else {
        return refused(dir.path(), &arguments);
    };
    let server = Running::start_with(dir.path(), &arguments);
    let port = server.address.port().to_string();
    let output = Command::new("python3")
        .args(["-c", SCRIPT, "Harbour shelf", &port, &ip.to_string()])
        .output()
        .expect("python3 is missing: run .ci/install test");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
}

#[test]
fn announcing_what_nobody_can_reach_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    refused(
        dir.path(),
        &["--listen", "127.0.0.1:0", "--announce", "Harbour shelf"],
    );
}

fn refused(folder: &std::path::Path, arguments: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .arg("serve")
        .arg(folder)
        .args(arguments)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("--listen"), "{said}");
}
