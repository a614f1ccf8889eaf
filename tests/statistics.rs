//! Thousands of random cases of every statistic, written for the peer check.
//!
//! `target/tmp/statistics.ndjson` holds one case a line: the statistic, what went in, what came
//! out. `tests/peer/statistics.py` computes each anew with reference libraries and compares.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    reason = "a test may fail loudly; counts are small"
)]

use std::io::Write as _;
use std::path::Path;

use serde_json::{Value, json};
use spondyl::statistics::{
    Confidence, Month, Stratum, funnel_limits, indirect, p_chart, paired_change, poisson_mean,
    spread, wilson,
};

/// A fixed sequence of numbers that look random (Steele, Lea & Flood 2014: `SplitMix64`).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end.max(1)
    }

    /// From 0 to 1.
    fn share(&mut self) -> f64 {
        self.below(1 << 52) as f64 / (1_u64 << 52) as f64
    }

    /// Mostly small, sometimes large.
    fn size(&mut self) -> u64 {
        let end = [6, 40, 400, 20_000][self.below(4) as usize];
        1 + self.below(end)
    }

    fn confidence(&mut self) -> Confidence {
        Confidence::new([0.8, 0.9, 0.95, 0.99, 0.998][self.below(5) as usize]).unwrap()
    }
}

fn case(kind: &str, draw: &mut Draw) -> Value {
    let confidence = draw.confidence();
    let (given, found) = match kind {
        "wilson" => {
            let of = draw.size();
            let count = draw.below(of + 1);
            (json!([count, of]), json!(wilson(count, of, confidence)))
        }
        "poisson" => {
            let events = draw.size() - 1;
            (json!([events]), json!(poisson_mean(events, confidence)))
        }
        "change" => {
            let n = 2 + draw.below(60);
            let shift = draw.share() * 8.0 - 2.0;
            let mut score = |by: f64| ((draw.share() * 20.0 + by) * 10.0).round() / 10.0;
            let pairs: Vec<(f64, f64)> =
                (0..n).map(|_| (score(10.0), score(10.0 - shift))).collect();
            (json!(pairs), json!(paired_change(&pairs, confidence)))
        }
        "spread" => {
            let n = draw.size().min(600);
            let values: Vec<f64> = (0..n).map(|_| draw.below(90) as f64 / 2.0).collect();
            (json!(values), json!(spread(&values, confidence)))
        }
        "funnel" => {
            let (target, n) = (draw.share(), draw.size());
            (json!([target, n]), json!(funnel_limits(target, n, confidence)))
        }
        "indirect" => {
            let strata: Vec<Stratum> = (0..=draw.below(6)).map(|_| stratum(draw)).collect();
            let rows: Vec<[u64; 4]> =
                strata.iter().map(|s| [s.count, s.of, s.reference_count, s.reference_of]).collect();
            (json!(rows), json!(indirect(&strata, confidence)))
        }
        _ => {
            let months: Vec<Month> = (0..=draw.below(30)).map(|_| month(draw)).collect();
            let rows: Vec<[u64; 2]> = months.iter().map(|m| [m.count, m.of]).collect();
            (json!(rows), json!(p_chart(&months)))
        }
    };
    json!({"kind": kind, "confidence": confidence, "given": given, "found": found})
}

fn stratum(draw: &mut Draw) -> Stratum {
    let (of, reference_of) = (draw.below(50), 1 + draw.below(900));
    Stratum {
        count: draw.below(of + 1),
        of,
        reference_count: draw.below(reference_of + 1),
        reference_of,
    }
}

fn month(draw: &mut Draw) -> Month {
    let of = draw.below(60);
    Month { count: draw.below(of + 1), of }
}

#[test]
fn random_cases_are_written_and_finite() {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("statistics.ndjson");
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut draw = Draw(20_261_125);
    for kind in ["wilson", "poisson", "change", "spread", "funnel", "indirect", "p-chart"] {
        for _ in 0..1_000 {
            // serde_json writes NaN and infinities as null, which no result here may hold.
            let line = case(kind, &mut draw);
            let without_points = kind != "p-chart";
            assert!(!(without_points && line["found"].to_string().contains("null")), "{line}");
            writeln!(file, "{line}").unwrap();
        }
    }
    file.flush().unwrap();
}
