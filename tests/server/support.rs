//! A running server, and clients that say exactly what a test wants said.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// The program, serving a folder; killed when dropped.
pub struct Running {
    pub child: Child,
    pub address: SocketAddr,
}

impl Running {
    /// Serves `folder` at a free port.
    pub fn start(folder: &Path) -> Self {
        Self::start_with(folder, &["--listen", "127.0.0.1:0", "--quiet"])
    }

    pub fn start_with(folder: &Path, arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
            .arg("serve")
            .arg(folder)
            .args(arguments)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        out.read_line(&mut line).unwrap();
        let address = line
            .split("http://")
            .nth(1)
            .and_then(|rest| rest.split('/').next());
        let address = address.unwrap_or_else(|| panic!("no address in {line:?}"));
        Self {
            address: address.parse().unwrap(),
            child,
        }
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(20)))
            .unwrap();
        stream
    }

    /// GET with extra fields, as one connection.
    pub fn get(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        self.ask("GET", path, fields)
    }

    pub fn ask(&self, method: &str, path: &str, fields: &[(&str, &str)]) -> Answer {
        let mut request = format!("{method} {path} HTTP/1.1\r\nHost: {}\r\n", self.address);
        for (name, value) in fields {
            request += &format!("{name}: {value}\r\n");
        }
        request += "Connection: close\r\n\r\n";
        self.raw(request.as_bytes())
    }

    /// Sends `request` as it stands and reads to the end.
    pub fn raw(&self, request: &[u8]) -> Answer {
        let mut stream = self.connect();
        // A server that has heard enough may close before all is sent.
        let _ = stream.write_all(request);
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        Answer::parse(&bytes)
    }

    pub fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    /// Peak and present resident memory in kilobytes, from the system.
    pub fn resident_kb(&self) -> u64 {
        let path = format!("/proc/{}/status", self.child.id());
        let status = std::fs::read_to_string(path).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A parsed answer; status 0 when the server closed without one.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub fields: BTreeMap<String, String>,
    pub body: Vec<u8>,
}

impl Answer {
    fn parse(bytes: &[u8]) -> Self {
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n");
        let head = String::from_utf8_lossy(&bytes[..end.unwrap_or(0)]).into_owned();
        let mut lines = head.lines();
        let first = lines.next().unwrap_or_default();
        let status = first
            .split(' ')
            .nth(1)
            .and_then(|s| s.parse().ok())
            .unwrap_or(0);
        let field = |line: &str| {
            let (name, value) = line.split_once(':')?;
            Some((name.to_ascii_lowercase(), value.trim().to_owned()))
        };
        Self {
            status,
            fields: lines.filter_map(field).collect(),
            body: end.map_or_else(Vec::new, |end| bytes[end + 4..].to_vec()),
        }
    }

    pub fn field(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", String::as_str)
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

/// `count` bytes that no two places share by accident.
pub fn noise(count: usize, seed: u64) -> Vec<u8> {
    let mut state = seed | 1;
    let step = |_| {
        // xorshift64 (Marsaglia 2003)
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()[3]
    };
    (0..count).map(step).collect()
}
