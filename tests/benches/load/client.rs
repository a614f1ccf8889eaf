//! A bare HTTP/1.1 client that costs as little as possible beside what it measures.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant as Clock};

/// Where to send.
pub struct Target {
    /// Host and port.
    pub address: String,
}

/// What a phase did.
pub struct Load {
    /// Requests answered with success.
    pub count: u64,
    /// How long the phase took.
    pub time: Duration,
    /// How long each request took.
    pub latencies: Vec<Duration>,
}

impl Load {
    /// Requests a second.
    pub fn per_second(&self) -> f64 {
        self.count as f64 / self.time.as_secs_f64()
    }

    /// Throughput and latencies in words.
    pub fn told(&mut self) -> String {
        self.latencies.sort_unstable();
        let at = |share: f64| {
            let index = (self.latencies.len() as f64 * share) as usize;
            self.latencies[index.min(self.latencies.len() - 1)].as_secs_f64() * 1000.0
        };
        format!("{:.0}/s (p50 {:.2} ms, p99 {:.2} ms)", self.per_second(), at(0.5), at(0.99))
    }
}

/// Sends the same request over and over on each of so many connections.
pub fn run(target: &Target, request: &str, clients: usize, time: Duration) -> Load {
    let start = Clock::now();
    let latencies: Vec<Duration> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..clients)
            .map(|_| {
                scope.spawn(|| {
                    let mut connection = Connection::open(target);
                    let mut latencies = Vec::new();
                    while start.elapsed() < time {
                        let begun = Clock::now();
                        let (status, _) = connection.exchange(request.as_bytes());
                        assert!((200..300).contains(&status), "status {status}");
                        latencies.push(begun.elapsed());
                    }
                    latencies
                })
            })
            .collect();
        threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect()
    });
    Load { count: latencies.len() as u64, time: start.elapsed(), latencies }
}

/// One exchange; the body of the answer.
pub fn once(target: &Target, method: &str, place: &str, body: &str) -> Vec<u8> {
    let request = format!(
        "{method} {place} HTTP/1.1\r\nhost: x\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    let (status, body) = Connection::open(target).exchange(request.as_bytes());
    assert!((200..300).contains(&status), "{place}: {status} {}", String::from_utf8_lossy(&body));
    body
}

struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    fn open(target: &Target) -> Self {
        let stream = TcpStream::connect(&target.address).unwrap();
        stream.set_nodelay(true).unwrap();
        Self { stream, buffer: vec![0; 64 * 1024] }
    }

    fn exchange(&mut self, request: &[u8]) -> (u16, Vec<u8>) {
        self.stream.write_all(request).unwrap();
        let mut filled = 0;
        loop {
            let read = self.stream.read(&mut self.buffer[filled..]).unwrap();
            assert!(read > 0, "the connection was closed");
            filled += read;
            let Some(end) = self.buffer[..filled].windows(4).position(|four| four == b"\r\n\r\n")
            else {
                continue;
            };
            let head = std::str::from_utf8(&self.buffer[..end]).unwrap();
            let status = head[9..12].parse().unwrap();
            let length = head
                .lines()
                .find_map(|line| {
                    let (name, value) = line.split_once(':')?;
                    name.eq_ignore_ascii_case("content-length")
                        .then(|| value.trim().parse::<usize>().unwrap())
                })
                .unwrap_or_default();
            let total = end + 4 + length;
            if total > self.buffer.len() {
                self.buffer.resize(total, 0);
            }
            while filled < total {
                filled += self.stream.read(&mut self.buffer[filled..]).unwrap();
            }
            return (status, self.buffer[end + 4..total].to_vec());
        }
    }
}
