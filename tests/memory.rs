//! The memory of a store that is written to and written to: what was replaced is freed, so that it does
//! not grow with all that was ever written. Alone in its process, whose memory it reads.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test may fail loudly")]

use sha2::{Digest as _, Sha256};
use spondyl::store::{Batch, SledStore, Store};

/// What the process has in memory, in bytes: `VmRSS` of proc(5).
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().strip_suffix(" kB").unwrap().parse::<u64>().unwrap() << 10
}

/// Rows as an index has them: each batch has some all over the place.
fn batch(number: u32) -> Batch {
    let row = |own: u32| {
        let key = Sha256::digest([number.to_be_bytes(), own.to_be_bytes()].concat());
        ([b"\x02", key.as_slice()].concat(), Some(vec![b'x'; 40]))
    };
    Batch { writes: (0..5000).map(row).collect(), ..Batch::default() }
}

#[test]
fn what_was_replaced_is_freed() {
    let directory = tempfile::tempdir().unwrap();
    let store = SledStore::open(directory.path(), 16 << 20).unwrap();
    let write = |numbers: std::ops::Range<u32>| {
        for number in numbers {
            store.commit(batch(number)).unwrap();
        }
        resident()
    };
    let before = write(0..20);
    let after = write(20..70);
    let grown = after.saturating_sub(before);
    // 250,000 rows of 80 bytes, of which 16 MiB may be kept; what they replace is some 1,000 MiB.
    assert!(grown < 250 << 20, "{} MiB more", grown >> 20);
}
