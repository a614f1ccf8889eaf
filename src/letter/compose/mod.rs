//! From a summary to the words of a letter, section by section in the order a physician reads.
//!
//! Every sentence says what is recorded or computed; none advises. What is missing is said.
//! Order: Hayward & Willcock 2015, Prim Health Care Res Dev 16:304-8, and Roland & Coulter 1992:
//! diagnosis and result first, then what is asked, findings, what was done, what comes next.

mod charts;
mod course;
mod gaps;
mod map;
mod plan;
mod safety;
mod scores;
mod segments;
mod short;
mod treatment;

pub(super) use gaps::finding;

use crate::clinical::ReferralFacts;
use crate::clinical::Summary;
use crate::clinical::people::Party;
use crate::clinical::source::{Day, Source, sources};
use crate::clinical::worded::Worded;
use crate::letter::Letter;
use crate::letter::catalogue::Catalogue;
use crate::letter::content::{Block, Content, Fact, Section};
use crate::letter::kind::Kind;

/// The section of what the signer adds.
pub(super) const WORDS: &str = "words";

/// What every section is written from.
pub(super) struct Desk<'a> {
    pub summary: &'a Summary,
    pub kind: Kind,
    pub words: &'a Catalogue,
}

impl Desk<'_> {
    fn text(&self, key: &str) -> String {
        self.words.get(key).to_owned()
    }

    /// A coded element in the words of the letter's language, where it has some for the code; by
    /// `own` also where the record has words beside the code.
    fn worded(&self, group: &str, element: &Worded, own: bool) -> String {
        let code = element.code.as_deref().filter(|_| own || !element.in_words);
        let ours = code.and_then(|code| self.words.find(group, code));
        ours.unwrap_or(&element.says).to_owned()
    }

    /// Items of a screening, in the words of the letter's language.
    fn screening_items(&self, items: &[Worded]) -> String {
        let items: Vec<String> =
            items.iter().map(|item| self.worded("screening-item", item, true)).collect();
        items.join(self.words.get("list.semicolon"))
    }

    fn section<'s>(
        &self,
        id: &'static str,
        code: Option<&'static str>,
        blocks: Vec<Block>,
        from: impl IntoIterator<Item = &'s Source>,
    ) -> Section {
        let title = self.words.name("section", id).to_owned();
        Section { id, code, title, blocks, sources: sources(from) }
    }

    fn write(&self, section: &str) -> Option<Section> {
        Some(match section {
            "short" => short::short(self),
            "request" => short::request(self),
            "course" => course::course(self),
            "scores" => scores::scores(self),
            "examination" => segments::examination(self),
            "treatment" => treatment::treatment(self),
            "safety" => safety::safety(self),
            "plan" => plan::plan(self),
            "gaps" => gaps::gaps(self),
            "method" => gaps::method(self),
            _ => return None,
        })
    }
}

/// The words of a letter.
pub(super) fn compose(letter: &Letter<'_>) -> Content {
    let (summary, words) = (letter.summary, letter.words);
    let desk = Desk { summary, kind: letter.kind, words };
    let title = words.name("kind", letter.kind.code()).to_owned();
    let patient = summary.patient.as_ref().map(|patient| patient.name.as_str());
    let patient = patient.unwrap_or(words.get("not-recorded"));
    let identifiers = summary.identifiers.join(words.get("list.comma"));
    let date = words.day(summary.day);
    let foot = [("patient", patient), ("episode", &identifiers), ("date", &date)];
    let (year, month, day) = summary.day.0.to_calendar_date();
    Content {
        language: words.language(),
        subject: words.fill("subject", &[("title", title.as_str()), ("patient", patient)]),
        title,
        day: [year, i32::from(u8::from(month)), i32::from(day)],
        status: status(letter),
        parties: parties(&desk),
        sections: sections(&desk, letter),
        charts: charts::charts(&desk),
        charts_note: words.get("charts.note").to_owned(),
        cautions: ["findings", "screening", "words", "emergency"]
            .iter()
            .map(|name| words.name("caution", name).to_owned())
            .collect(),
        cautions_title: words.get("caution.title").to_owned(),
        foot: words.fill("foot", &foot),
        boxes_note: words.get("boxes").to_owned(),
        page: words.get("page").to_owned(),
        date,
    }
}

/// The sections, the signer's own words after what is asked of the reader.
fn sections(desk: &Desk<'_>, letter: &Letter<'_>) -> Vec<Section> {
    let mut sections: Vec<Section> =
        letter.kind.sections().into_iter().filter_map(|id| desk.write(id)).collect();
    if let Some(added) = letter.added {
        let blocks = added.split("\n\n").filter(|part| !part.trim().is_empty());
        let blocks = blocks.map(|part| Block::paragraph(part.trim())).collect();
        let mut section = desk.section(WORDS, None, blocks, []);
        let name = letter.signed.map_or(desk.words.get("not-recorded"), |s| s.name.as_str());
        section.title = desk.words.fill("section.words", &[("name", name)]);
        sections.insert(sections.len().min(2), section);
    }
    sections
}

/// Whether it is a draft, or who signed it when.
fn status(letter: &Letter<'_>) -> String {
    let words = letter.words;
    let Some(signed) = letter.signed else { return words.get("status.draft").to_owned() };
    let day = words.day(Day(signed.at.to_utc().date()));
    words.fill("status.signed", &[("name", signed.name.as_str()), ("date", &day)])
}

fn parties(desk: &Desk<'_>) -> Vec<Fact> {
    let (summary, words) = (desk.summary, desk.words);
    let requester = summary.referral.as_ref().and_then(|facts| facts.requester.as_ref());
    let mut from = person(desk, summary.care_manager.as_ref());
    if let Some(organization) = &summary.organization {
        from.push(organization.name.clone());
        from.push(organization.address.join(words.get("list.comma")));
        from.push(organization.contact.join(words.get("list.comma")));
    }
    let mut items = vec![
        Fact::new(words.get("party.about"), patient(desk)),
        Fact::new(words.get("party.to"), person(desk, requester)),
        Fact::new(words.get("party.from"), from),
    ];
    let asked = summary.onward.iter().filter_map(ReferralFacts::asked);
    let copies: Vec<String> = asked.map(str::to_owned).collect();
    if !copies.is_empty() {
        items.push(Fact::new(words.get("party.copy"), copies));
    }
    for item in &mut items {
        item.lines.retain(|line| !line.trim().is_empty());
        if item.lines.is_empty() {
            item.lines.push(words.get("not-recorded").to_owned());
        }
    }
    items
}

fn person(desk: &Desk<'_>, party: Option<&Party>) -> Vec<String> {
    let Some(party) = party else { return Vec::new() };
    let registered = party.identifiers.join(desk.words.get("list.comma"));
    let profession = party.profession.clone().unwrap_or_default();
    vec![party.name.clone(), profession, registered]
}

fn patient(desk: &Desk<'_>) -> Vec<String> {
    let Some(patient) = &desk.summary.patient else { return Vec::new() };
    let words = desk.words;
    let born = patient.birth_date.as_deref().map(|date| {
        let day = Day::parse(date).map(|day| words.day(day));
        words.fill("patient.born", &[("date", day.as_deref().unwrap_or(date))])
    });
    let gender = patient.gender.as_deref().map(|gender| words.name("gender", gender).to_owned());
    let personal: Vec<String> = born.into_iter().chain(gender).collect();
    let comma = words.get("list.comma");
    vec![
        patient.name.clone(),
        personal.join(comma),
        patient.identifiers.join(comma),
        patient.address.join(comma),
    ]
}
