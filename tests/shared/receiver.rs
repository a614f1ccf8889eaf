//! A subscriber: takes what is posted to it, answers as it is told to, and remembers.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;

/// What one request brought.
#[derive(Clone, Debug)]
pub(crate) struct Got {
    pub(crate) path: String,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Value,
    /// Whether it was answered with success.
    pub(crate) taken: bool,
}

type Answering = dyn Fn(&Got) -> u16 + Send + Sync;

/// The subscriber; it listens until the process ends.
pub(crate) struct Receiver {
    pub(crate) address: SocketAddr,
    got: Arc<Mutex<Vec<Got>>>,
}

impl Receiver {
    /// One that answers with the status that the function gives; 0: not at all.
    pub(crate) fn start(answer: impl Fn(&Got) -> u16 + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let got = Arc::new(Mutex::new(Vec::new()));
        let (kept, answer): (_, Arc<Answering>) = (Arc::clone(&got), Arc::new(answer));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (kept, answer) = (Arc::clone(&kept), Arc::clone(&answer));
                let stream = stream.unwrap();
                // A peer that is gone in the middle of a request has brought nothing.
                std::thread::spawn(move || take(stream, &kept, &*answer));
            }
        });
        Self { address, got }
    }

    pub(crate) fn origin(&self) -> String {
        format!("http://{}", self.address)
    }

    /// All that was brought so far, in its order.
    pub(crate) fn got(&self) -> Vec<Got> {
        self.got.lock().unwrap().clone()
    }

    /// What was brought to a path, as soon as there is so much of it.
    #[track_caller]
    pub(crate) fn wait(&self, path: &str, count: usize) -> Vec<Got> {
        let begun = Instant::now();
        loop {
            let found: Vec<Got> = self.got().into_iter().filter(|got| got.path == path).collect();
            if found.len() >= count {
                return found;
            }
            assert!(begun.elapsed() < Duration::from_mins(1), "{count} on {path}: {found:#?}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

fn take(stream: TcpStream, kept: &Mutex<Vec<Got>>, answer: &Answering) -> Option<()> {
    let mut reader = BufReader::new(stream.try_clone().ok()?);
    let mut line = String::new();
    reader.read_line(&mut line).ok()?;
    let path = line.split(' ').nth(1)?.to_owned();
    let mut headers = Vec::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
    }
    let length = headers.iter().find(|(name, _)| name == "content-length")?;
    let mut body = vec![0; length.1.parse().ok()?];
    reader.read_exact(&mut body).ok()?;
    let mut got = Got { path, headers, body: serde_json::from_slice(&body).ok()?, taken: false };
    let status = answer(&got);
    got.taken = (200..300).contains(&status);
    kept.lock().unwrap().push(got);
    if status == 0 {
        return Some(());
    }
    let told = format!("HTTP/1.1 {status} X\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
    (&stream).write_all(told.as_bytes()).ok()
}

/// The value of a parameter of the first entry of a notification.
pub(crate) fn parameter<'a>(bundle: &'a Value, name: &str) -> Option<&'a Value> {
    let list = bundle["entry"][0]["resource"]["parameter"].as_array()?;
    let found = list.iter().find(|parameter| parameter["name"] == name)?;
    found.as_object()?.iter().find(|(key, _)| key.starts_with("value")).map(|(_, value)| value)
}

/// The events that a notification tells: their numbers and the references in their focus.
pub(crate) fn events(bundle: &Value) -> Vec<(u64, Option<String>)> {
    let list = bundle["entry"][0]["resource"]["parameter"].as_array().unwrap();
    let events = list.iter().filter(|parameter| parameter["name"] == "notification-event");
    let part = |event: &Value, name: &str| {
        event["part"].as_array().unwrap().iter().find(|part| part["name"] == name).cloned()
    };
    events
        .map(|event| {
            let number = part(event, "event-number").unwrap();
            let focus = part(event, "focus");
            let focus =
                focus.map(|f| f["valueReference"]["reference"].as_str().unwrap().to_owned());
            (number["valueString"].as_str().unwrap().parse().unwrap(), focus)
        })
        .collect()
}
