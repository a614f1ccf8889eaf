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

use crate::clinical::Summary;
use crate::clinical::people::Party;
use crate::clinical::source::{Source, sources};
use crate::letter::catalogue::Catalogue;
use crate::letter::content::{Block, Content, Fact, Section};

/// What every section is written from.
pub(super) struct Desk<'a> {
    pub summary: &'a Summary,
    pub words: &'a Catalogue,
}

impl Desk<'_> {
    fn text(&self, key: &str) -> String {
        self.words.get(key).to_owned()
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
}

/// The letter of a summary.
pub(super) fn compose(summary: &Summary, words: &Catalogue) -> Content {
    let desk = Desk { summary, words };
    let kind = kind(summary);
    let title = words.name("kind", kind).to_owned();
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
        status: words.get("status.draft").to_owned(),
        parties: parties(&desk),
        sections: vec![
            short::short(&desk),
            short::request(&desk),
            course::course(&desk),
            scores::scores(&desk),
            segments::examination(&desk),
            treatment::treatment(&desk),
            safety::safety(&desk),
            plan::plan(&desk),
            gaps::gaps(&desk),
            gaps::method(&desk),
        ],
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

/// The kind of letter that the state of the episode calls for.
pub(super) fn kind(summary: &Summary) -> &'static str {
    match (summary.course.status.as_deref(), summary.course.end_reason.as_deref()) {
        (_, Some("referred-on")) => "referral",
        (Some("finished" | "cancelled"), _) => "discharge",
        _ => "progress",
    }
}

fn parties(desk: &Desk<'_>) -> Vec<Fact> {
    let (summary, words) = (desk.summary, desk.words);
    let requester = summary.referral.as_ref().and_then(|facts| facts.requester.as_ref());
    let mut from = person(summary.care_manager.as_ref());
    if let Some(organization) = &summary.organization {
        from.push(organization.name.clone());
        from.push(organization.address.join(words.get("list.comma")));
        from.push(organization.contact.join(words.get("list.comma")));
    }
    let mut items = vec![
        Fact::new(words.get("party.about"), patient(desk)),
        Fact::new(words.get("party.to"), person(requester)),
        Fact::new(words.get("party.from"), from),
    ];
    let copies: Vec<String> =
        summary.onward.iter().filter_map(|f| Some(f.performer.as_ref()?.name.clone())).collect();
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

fn person(party: Option<&Party>) -> Vec<String> {
    let Some(party) = party else { return Vec::new() };
    let registered = party.identifiers.join(", ");
    let profession = party.profession.clone().unwrap_or_default();
    vec![party.name.clone(), profession, registered]
}

fn patient(desk: &Desk<'_>) -> Vec<String> {
    let Some(patient) = &desk.summary.patient else { return Vec::new() };
    let words = desk.words;
    let born = patient.birth_date.as_deref().map(|date| {
        let day = crate::clinical::source::Day::parse(date).map(|day| words.day(day));
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
