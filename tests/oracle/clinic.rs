//! An invented clinic, the same for the same seed, whose resources have what searches trip over:
//! missing elements, several values, all precisions of dates, units of one kind, references in every
//! spelling, texts with accents.

use serde_json::{Map, Value, json};

/// The server's own base URL, which references may carry.
pub(crate) const BASE: &str = "https://me.example/fhir";

/// Numbers that look random and are the same for the same seed (`SplitMix64`, public domain).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) >> 16) as usize % limit
    }

    pub(crate) fn chance(&mut self, of_ten: usize) -> bool {
        self.below(10) < of_ten
    }

    pub(crate) fn pick<'a, T: ?Sized>(&mut self, list: &[&'a T]) -> &'a T {
        list[self.below(list.len())]
    }
}

/// How many there are of each type, in a thousand.
const SHARES: [(&str, usize); 14] = [
    ("Organization", 4),
    ("Location", 6),
    ("Practitioner", 8),
    ("Patient", 100),
    ("EpisodeOfCare", 60),
    ("Encounter", 180),
    ("Observation", 400),
    ("Procedure", 120),
    ("Condition", 40),
    ("ServiceRequest", 30),
    ("RiskAssessment", 16),
    ("ChargeItem", 16),
    ("ValueSet", 20),
    ("List", 4),
];

/// So many resources, each with an id.
pub(crate) fn resources(count: usize, seed: u64) -> Vec<Value> {
    let mut dice = Dice::new(seed);
    let mut all = Vec::new();
    for (kind, share) in SHARES {
        let own = (count * share / 1000).max(3);
        for number in 0..own {
            let mut maker = Maker { dice: &mut dice, count, members: Map::new() };
            maker.set("resourceType", json!(kind));
            maker.set("id", json!(format!("{}{number}", kind[..1].to_lowercase())));
            maker.meta();
            maker.of(kind, number);
            all.push(Value::Object(maker.members));
        }
    }
    all
}

struct Maker<'a> {
    dice: &'a mut Dice,
    count: usize,
    members: Map<String, Value>,
}

const NAMES: [&str; 12] = [
    "Eve",
    "Evelyn",
    "Séverine",
    "O'Brien",
    "van der Berg",
    "Ångström",
    "MÜLLER",
    "Müller-Weiß",
    "de la Cruz",
    "Li",
    "Łukasz",
    "Eva  Maria",
];
const CODES: [&str; 7] = ["pain", "Flexion", "rotation", "score", "8310-5", "NDI", "a,b|c$d"];
const SYSTEMS: [&str; 3] = ["http://loinc.org", "urn:oid:1.2.3", "https://c.example/codes"];
const SEGMENTS: [&str; 6] = ["C1-C2", "C4-C5", "C7-T1", "T4-T5", "L5-S1", "cervical"];

impl Maker<'_> {
    fn set(&mut self, name: &str, value: Value) {
        self.members.insert(name.to_owned(), value);
    }

    fn maybe(&mut self, of_ten: usize, name: &str, make: impl FnOnce(&mut Self) -> Value) {
        if self.dice.chance(of_ten) {
            let value = make(self);
            self.set(name, value);
        }
    }

    fn meta(&mut self) {
        let tag = self.coding();
        let mut meta = json!({});
        if self.dice.chance(3) {
            meta["tag"] = json!([tag]);
        }
        if self.dice.chance(2) {
            meta["security"] = json!([self.coding()]);
        }
        if self.dice.chance(3) {
            let version = self.dice.pick(&["", "|1.0", "|1.2"]);
            meta["profile"] = json!([format!("https://p.example/one{version}")]);
        }
        if self.dice.chance(2) {
            meta["source"] = json!(self.dice.pick(&["https://s.example/a", "urn:uuid:x"]));
        }
        self.set("meta", meta);
    }

    fn coding(&mut self) -> Value {
        let mut coding = json!({ "code": self.dice.pick(&CODES) });
        if self.dice.chance(8) {
            coding["system"] = json!(self.dice.pick(&SYSTEMS));
        }
        if self.dice.chance(3) {
            coding["display"] = json!(format!("Display of {}", self.dice.pick(&NAMES)));
        }
        coding
    }

    fn concept(&mut self) -> Value {
        let mut concept = json!({});
        let codings = self.dice.below(3);
        if codings > 0 {
            concept["coding"] = (0..codings).map(|_| self.coding()).collect();
        }
        if codings == 0 || self.dice.chance(3) {
            concept["text"] = json!(format!("{} of the neck", self.dice.pick(&CODES)));
        }
        concept
    }

    fn segment(&mut self) -> Value {
        let mut site = json!({ "coding": [{ "code": self.dice.pick(&SEGMENTS),
            "system": "https://spondyl.example/fhir/CodeSystem/motion-segment" }] });
        if self.dice.chance(6) {
            site["extension"] = json!([{
                "url": "https://spondyl.example/fhir/StructureDefinition/laterality",
                "valueCodeableConcept": { "coding": [{ "code": self.dice.pick(&["left", "right"]),
                    "system": "https://spondyl.example/fhir/CodeSystem/side" }] } }]);
        }
        site
    }

    /// A reference in one of the ways to write it, to something that may not be there.
    fn reference(&mut self, kind: &str) -> Value {
        let share = SHARES.iter().find(|(name, _)| *name == kind).map_or(3, |(_, share)| *share);
        let there = (self.count * share / 1000).max(3);
        let id = format!("{kind}/{}{}", kind[..1].to_lowercase(), self.dice.below(there + 2));
        match self.dice.below(12) {
            0 => json!({ "reference": format!("{BASE}/{id}") }),
            1 => json!({ "reference": format!("{id}/_history/1") }),
            2 => json!({ "reference": format!("https://other.example/fhir/{id}") }),
            3 => json!({ "identifier": { "system": "urn:s", "value": self.dice.pick(&CODES) } }),
            4 => json!({ "display": "someone" }),
            5 => json!({ "reference": id, "identifier": { "value": self.dice.pick(&CODES) } }),
            _ => json!({ "reference": id }),
        }
    }

    fn date(&mut self) -> String {
        let (year, month) = (2023 + self.dice.below(3), 1 + self.dice.below(12));
        let (day, hour) = (1 + self.dice.below(28), self.dice.below(24));
        match self.dice.below(7) {
            0 => format!("{year}"),
            1 => format!("{year}-{month:02}"),
            2 | 3 => format!("{year}-{month:02}-{day:02}"),
            4 => format!("{year}-{month:02}-{day:02}T{hour:02}:30:00Z"),
            5 => format!("{year}-{month:02}-{day:02}T{hour:02}:00:00.250+02:00"),
            _ => format!("{year}-{month:02}-{day:02}T00:00:00-05:00"),
        }
    }

    fn period(&mut self) -> Value {
        let (year, month) = (2023 + self.dice.below(3), 1 + self.dice.below(12));
        let start = format!("{year}-{month:02}-{:02}", 1 + self.dice.below(14));
        let end =
            format!("{}-{month:02}-{:02}", year + self.dice.below(2), 14 + self.dice.below(14));
        match self.dice.below(4) {
            0 => json!({ "start": start }),
            1 => json!({ "end": end }),
            _ => json!({ "start": start, "end": end }),
        }
    }

    fn number(&mut self) -> Value {
        let text = match self.dice.below(5) {
            0 => format!("{}", self.dice.below(20)),
            1 => format!("{}.5", self.dice.below(20)),
            2 => format!("{}.{:02}", self.dice.below(10), self.dice.below(100)),
            3 => format!("-{}", self.dice.below(5)),
            _ => format!("{}.0", self.dice.below(200)),
        };
        serde_json::from_str(&text).unwrap()
    }

    fn quantity(&mut self) -> Value {
        let mut quantity = json!({ "value": self.number() });
        let unit = self.dice.pick(&["mm", "cm", "m", "deg", "mg", "g", "min", "h", "{score}", "%"]);
        match self.dice.below(6) {
            0 => quantity["unit"] = json!(unit),
            1 => {
                quantity["system"] = json!("urn:oid:1.2.3");
                quantity["code"] = json!("beats");
            }
            _ => {
                quantity["system"] = json!("http://unitsofmeasure.org");
                quantity["code"] = json!(unit);
                quantity["unit"] = json!(format!("the {unit}"));
            }
        }
        if self.dice.chance(1) {
            quantity["comparator"] = json!(self.dice.pick(&["<", ">"]));
        }
        quantity
    }

    fn identifier(&mut self) -> Value {
        let mut identifier = json!({ "value": format!("A-{}", self.dice.below(40)) });
        if self.dice.chance(6) {
            identifier["system"] = json!(self.dice.pick(&["urn:s", "https://ids.example"]));
        }
        if self.dice.chance(4) {
            identifier["type"] = json!({ "text": "Record number", "coding": [{ "code":
                self.dice.pick(&["MR", "SS"]),
                "system": "http://terminology.hl7.org/CodeSystem/v2-0203" }] });
        }
        identifier
    }

    fn episode_link(&mut self) -> Value {
        json!([{ "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
            "valueReference": self.reference("EpisodeOfCare") }])
    }

    fn of(&mut self, kind: &str, number: usize) {
        match kind {
            "Organization" | "Location" => {
                self.maybe(9, "name", |m| json!(m.dice.pick(&NAMES)));
                if number > 0 {
                    // A part of an earlier one, so that there is no circle.
                    let up = format!("{kind}/{}{}", kind[..1].to_lowercase(), number / 2);
                    self.maybe(7, "partOf", |_| json!({ "reference": up }));
                }
                if kind == "Location" {
                    self.maybe(8, "position", Self::position);
                }
            }
            "Practitioner" => self.maybe(9, "name", |m| json!([{ "family": m.dice.pick(&NAMES) }])),
            "Patient" => self.patient(),
            "EpisodeOfCare" => {
                let status = self.dice.pick(&["active", "finished", "planned"]);
                self.set("status", json!(status));
                self.subject("patient", 10);
                self.maybe(8, "period", Self::period);
                self.maybe(7, "careManager", |m| m.reference("Practitioner"));
                self.maybe(7, "managingOrganization", |m| m.reference("Organization"));
            }
            "Encounter" => {
                let status = self.dice.pick(&["finished", "planned", "cancelled"]);
                self.set("status", json!(status));
                self.set(
                    "class",
                    json!({ "system":
                    "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" }),
                );
                self.subject("subject", 9);
                self.maybe(8, "period", Self::period);
                self.maybe(8, "episodeOfCare", |m| json!([m.reference("EpisodeOfCare")]));
                self.maybe(6, "location", |m| json!([{ "location": m.reference("Location") }]));
                self.maybe(4, "length", Self::quantity);
                self.maybe(5, "type", |m| json!([m.concept()]));
            }
            "Observation" => self.observation(),
            "Procedure" => {
                let status = self.dice.pick(&["completed", "not-done"]);
                self.set("status", json!(status));
                self.maybe(9, "code", Self::concept);
                self.subject("subject", 9);
                self.maybe(8, "encounter", |m| m.reference("Encounter"));
                match self.dice.below(3) {
                    0 => self.set_date("performedDateTime"),
                    1 => self.maybe(10, "performedPeriod", Self::period),
                    _ => {}
                }
                self.maybe(7, "bodySite", |m| json!([m.segment(), m.segment()]));
                self.maybe(7, "extension", Self::episode_link);
                self.maybe(3, "reasonCode", |m| json!([m.concept()]));
            }
            "Condition" => {
                self.maybe(8, "code", Self::concept);
                self.subject("subject", 10);
                self.maybe(5, "severity", Self::concept);
                match self.dice.below(3) {
                    0 => self.set_date("onsetDateTime"),
                    1 => self.maybe(10, "onsetPeriod", Self::period),
                    _ => self.maybe(10, "onsetString", |m| json!(m.dice.pick(&NAMES))),
                }
            }
            "ServiceRequest" => {
                self.set("status", json!("active"));
                let intent = self.dice.pick(&["order", "plan"]);
                self.set("intent", json!(intent));
                self.subject("subject", 10);
                self.maybe(8, "code", Self::concept);
                self.maybe(8, "requester", |m| m.reference("Practitioner"));
                if self.dice.chance(7) {
                    self.set_date("authoredOn");
                }
            }
            "RiskAssessment" => {
                self.set("status", json!("final"));
                self.subject("subject", 10);
                let number = self.number();
                self.set("prediction", json!([{ "probabilityDecimal": number }]));
            }
            "ChargeItem" => {
                self.set("status", json!("billable"));
                self.set("code", json!({ "text": "visit" }));
                self.subject("subject", 10);
                self.maybe(9, "factorOverride", Self::number);
                self.maybe(6, "quantity", Self::quantity);
            }
            "List" => self.list(),
            _ => self.value_set(),
        }
    }

    /// Somewhere within some hundred kilometres.
    fn position(&mut self) -> Value {
        let mut degrees = |whole: usize| {
            let text = format!("{whole}.{:06}", self.dice.below(1_000_000));
            serde_json::from_str::<Value>(&text).unwrap()
        };
        json!({ "latitude": degrees(51), "longitude": degrees(7) })
    }

    fn list(&mut self) {
        self.set("status", json!("current"));
        self.set("mode", json!("working"));
        let entries = (0..30).map(|_| {
            let kind = self.dice.pick(&["Patient", "Observation", "Procedure", "Condition"]);
            let mut entry = json!({ "item": self.reference(kind) });
            if self.dice.chance(2) {
                entry["deleted"] = json!(true);
            }
            entry
        });
        let entries: Value = entries.collect();
        self.set("entry", entries);
    }

    fn subject(&mut self, name: &str, of_ten: usize) {
        self.maybe(of_ten, name, |m| m.reference("Patient"));
    }

    fn set_date(&mut self, name: &str) {
        let date = self.date();
        self.set(name, json!(date));
    }

    fn patient(&mut self) {
        self.maybe(9, "name", |m| {
            let mut name = json!({ "family": m.dice.pick(&NAMES), "use": "official" });
            name["given"] = (0..m.dice.below(3)).map(|_| json!(m.dice.pick(&NAMES))).collect();
            if name["given"] == json!([]) {
                name.as_object_mut().unwrap().shift_remove("given");
            }
            json!([name])
        });
        self.maybe(8, "gender", |m| json!(m.dice.pick(&["male", "female", "other"])));
        self.maybe(6, "active", |m| json!(m.dice.chance(7)));
        self.maybe(8, "birthDate", |m| {
            let year = 1940 + m.dice.below(60);
            json!(format!("{year}-{:02}-{:02}", 1 + m.dice.below(12), 1 + m.dice.below(28)))
        });
        self.maybe(7, "identifier", |m| json!([m.identifier(), m.identifier()]));
        self.maybe(5, "telecom", |m| {
            json!([{ "system": m.dice.pick(&["phone", "email"]), "value": m.dice.pick(&NAMES) }])
        });
        self.maybe(5, "address", |m| {
            json!([{ "city": m.dice.pick(&NAMES), "line": ["Mill Lane 3"], "postalCode": "0815" }])
        });
        self.maybe(6, "generalPractitioner", |m| json!([m.reference("Practitioner")]));
        self.maybe(4, "managingOrganization", |m| m.reference("Organization"));
        match self.dice.below(8) {
            0 => self.set("deceasedBoolean", json!(true)),
            1 => self.set("deceasedBoolean", json!(false)),
            2 => self.set_date("deceasedDateTime"),
            _ => {}
        }
    }

    fn observation(&mut self) {
        let status = self.dice.pick(&["final", "amended", "entered-in-error"]);
        self.set("status", json!(status));
        self.maybe(9, "code", Self::concept);
        self.maybe(6, "category", |m| json!([m.concept()]));
        self.subject("subject", 9);
        self.maybe(7, "encounter", |m| m.reference("Encounter"));
        self.maybe(5, "performer", |m| {
            json!([m.reference("Practitioner"), m.reference("Organization")])
        });
        match self.dice.below(5) {
            0..=2 => self.set_date("effectiveDateTime"),
            3 => self.maybe(10, "effectivePeriod", Self::period),
            _ => {}
        }
        match self.dice.below(5) {
            0 | 1 => self.maybe(10, "valueQuantity", Self::quantity),
            2 => self.maybe(10, "valueCodeableConcept", Self::concept),
            3 => self.maybe(10, "valueString", |m| json!(m.dice.pick(&NAMES))),
            _ => self.maybe(10, "dataAbsentReason", Self::concept),
        }
        self.maybe(6, "bodySite", Self::segment);
        self.maybe(5, "extension", Self::episode_link);
        self.maybe(3, "method", Self::concept);
        self.maybe(3, "hasMember", |m| json!([m.reference("Observation")]));
        self.maybe(4, "identifier", |m| json!([m.identifier()]));
        self.maybe(4, "component", |m| {
            (0..=m.dice.below(3))
                .map(|_| json!({ "code": m.concept(), "valueQuantity": m.quantity() }))
                .collect()
        });
    }

    fn value_set(&mut self) {
        self.set("status", json!("active"));
        let path = self.dice.pick(&["", "/a", "/a/b", "/a/b/c", "some", "/ab"]);
        let base = self.dice.pick(&["http://v.example/fhir", "https://w.example"]);
        self.set("url", json!(format!("{base}{path}")));
        self.maybe(7, "name", |m| json!(m.dice.pick(&NAMES)));
        self.maybe(5, "version", |m| json!(m.dice.pick(&["1.0", "2"])));
    }
}
