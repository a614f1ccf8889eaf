//! The pages of a letter: how many there are, what stands on each, and how an episode with many visits
//! looks.
//!
//! Pages are counted and read by programs of other origin (`pdfinfo`, `pdftotext`); where they are not
//! installed, that is said.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stderr,
    reason = "a test may fail loudly"
)]

use std::path::PathBuf;
use std::process::Command;

use spondyl::clinical::{Record, Summary, summary};
use spondyl::fhir::Resource;
use spondyl::letter::Letter;
use spondyl::letter::catalogue::Catalogue;
use spondyl::letter::content::{Block, Content};

mod episode;

fn each(resources: &[Resource], ids: &[String], check: impl Fn(&str, &Summary, &Letter<'_>)) {
    for id in ids {
        let record = Record::build(episode::episode(resources, id), resources);
        let summary = summary(&record, episode::now());
        for words in [Catalogue::english(), Catalogue::german()] {
            let letter = Letter { words, ..Letter::new(&summary) };
            check(&format!("{id}-{}", words.language()), &summary, &letter);
        }
    }
}

/// A file with the pages, for a program that reads it; in the directory that `SPONDYL_LETTERS` names it
/// stays, to be looked at.
struct Pages {
    path: PathBuf,
    stays: bool,
}

impl Pages {
    fn of(name: &str, letter: &Letter<'_>) -> Self {
        let kept = std::env::var("SPONDYL_LETTERS").ok();
        let stays = kept.is_some();
        let directory = kept.map_or_else(std::env::temp_dir, PathBuf::from);
        let path = directory.join(format!("{name}-{}.pdf", std::process::id()));
        let path = if stays { directory.join(format!("{name}.pdf")) } else { path };
        std::fs::write(&path, letter.pdf().unwrap()).unwrap();
        if stays {
            std::fs::write(path.with_extension("html"), letter.html()).unwrap();
        }
        Self { path, stays }
    }

    /// The text of each page.
    fn texts(&self) -> Option<Vec<String>> {
        let output = Command::new("pdftotext").arg("-layout").arg(&self.path).arg("-").output();
        let Ok(output) = output else {
            eprintln!("skipped: pdftotext is not installed");
            return None;
        };
        let text = String::from_utf8(output.stdout).unwrap();
        Some(text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect())
    }
}

impl Drop for Pages {
    fn drop(&mut self) {
        if !self.stays {
            drop(std::fs::remove_file(&self.path));
        }
    }
}

/// Text without regard to where lines end.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Every page carries the first caution and what to do in an emergency, who it is about, and its number.
fn every_page_is_complete(name: &str, content: &Content, pages: &[String]) {
    let first = content.cautions.first().unwrap();
    let last = content.cautions.last().unwrap();
    for (at, page) in pages.iter().enumerate() {
        let page = flat(page);
        let number = content.page.replace("{n}", &(at + 1).to_string());
        let number = number.replace("{all}", &pages.len().to_string());
        for said in [first, last, &content.foot, &number] {
            assert!(page.contains(said.as_str()), "{name}: page {} lacks: {said}", at + 1);
        }
    }
}

#[test]
fn a_letter_has_two_pages_in_either_language() {
    let clinic = episode::clinic();
    each(&clinic, &episode::episode_ids(&clinic), |name, _, letter| {
        let Some(pages) = Pages::of(name, letter).texts() else { return };
        assert!(pages.len() <= 2, "{name}: {} pages", pages.len());
        let content = letter.content();
        every_page_is_complete(name, &content, &pages);
        let all = flat(&pages.concat());
        assert!(content.cautions.iter().all(|caution| all.contains(caution)), "{name}");
    });
}

/// With 30 and 60 visits: every day is in the map, every page complete, and the letter stays short
/// enough to be read: of the pages beyond the usual two, two maps stand on one.
#[test]
fn many_visits() {
    for (visits, most) in [(12_u32, 3), (30, 4), (60, 6)] {
        let resources = episode::long(visits);
        each(&resources, &["demo-aldis-episode".to_owned()], |name, summary, letter| {
            let name = format!("{name}-{visits}");
            let content = letter.content();
            let blocks = content.sections.iter().flat_map(|section| &section.blocks);
            let map = blocks.clone().find_map(|block| match block {
                Block::Map(map) => Some(map),
                _ => None,
            });
            let map = map.unwrap();
            assert!(map.days.len() >= usize::try_from(visits).unwrap(), "{name}");
            assert_eq!(map.days.len(), summary.segments.days.len().max(map.days.len()));
            // Values that are told in a chart have room beside each other.
            for chart in &content.charts {
                let told: Vec<u32> =
                    chart.points.iter().filter(|point| point.told).map(|point| point.x).collect();
                let close = told.windows(2).any(|pair| pair[1] - pair[0] < 100);
                assert!(told.len() >= 2 && !close, "{name}: {}: {told:?}", chart.caption);
            }
            let Some(pages) = Pages::of(&name, letter).texts() else { return };
            assert!(pages.len() <= most, "{name}: {} pages", pages.len());
            every_page_is_complete(&name, &content, &pages);
            let all = flat(&pages.concat());
            for day in &map.days {
                assert!(all.contains(flat(day).as_str()), "{name}: {day}");
            }
        });
    }
}
