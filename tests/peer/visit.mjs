// The Bundle that the visit form builds: run with `node --test tests/peer/visit.mjs`.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import test from "node:test";

const load = createRequire(import.meta.url);
const { build, instant, refusalsOf } = load("../../src/page/visit/build.js");
const { segmentsOf } = load("../../src/page/visit/after.js");

const about = { episode: "EpisodeOfCare/e", patient: "Patient/p", performer: "Practitioner/t" };
const make = (values) => {
  let next = 0;
  return build({ values, about, ids: () => `id-${next++}` });
};
const resources = (built) => built.bundle.entry.map((entry) => entry.resource);
const codes = (concept) => concept.coding.map((coding) => coding.code);
const start = { start: "2026-03-09T09:00" };

test("one transaction of puts, each under its own id", () => {
  const built = make({ ...start, end: "2026-03-09T09:40", "pain-now": "4" });
  assert.deepEqual(built.refusals, []);
  assert.equal(built.bundle.type, "transaction");
  for (const { resource, request } of built.bundle.entry) {
    assert.equal(request.method, "PUT");
    assert.equal(request.url, `${resource.resourceType}/${resource.id}`);
  }
  const [visit, pain] = resources(built);
  assert.equal(visit.status, "finished");
  assert.equal(pain.encounter.reference, `Encounter/${visit.id}`);
  assert.deepEqual(pain.valueQuantity, { value: 4, unit: "{score}", system: "http://unitsofmeasure.org", code: "{score}" });
});

test("a grade brings its class; a class stands alone; x could not be tested", () => {
  const built = make({
    ...start, test: "paivm-unilateral-pa",
    "segment.C3-C4.left": "5", "segment.C3-C4.right": "3", "segment.C4-C5.left": "-", "segment.C4-C5.right": "x",
    "segment.C5-C6.left": "0", "segment.C3-C4.left.pain": "6",
  });
  assert.deepEqual(built.refusals, []);
  const [, loose, normal, stiff, untested, blocked, panel] = resources(built);
  assert.deepEqual(codes(loose.valueCodeableConcept), ["hypermobile", "5"]);
  assert.equal(loose.component[0].valueInteger, 6);
  assert.deepEqual(codes(normal.valueCodeableConcept), ["normal", "3"]);
  assert.deepEqual(codes(stiff.valueCodeableConcept), ["hypomobile"]);
  assert.equal(untested.valueCodeableConcept, undefined);
  assert.ok(untested.dataAbsentReason);
  assert.deepEqual(codes(blocked.valueCodeableConcept), ["hypomobile", "0"]);
  assert.equal(panel.hasMember.length, 5);
});

test("a dose with a range of rates", () => {
  const built = make({
    ...start, "treatment.0.technique": "oscillatory-mobilisation", "treatment.0.segment": "C7-T1",
    "treatment.0.side": "left", "treatment.0.grade": "III", "treatment.0.series": "3",
    "treatment.0.oscillations": "10", "treatment.0.rate-low": "1", "treatment.0.rate-high": "2",
    "treatment.1.technique": "", "treatment.1.series": "",
  });
  assert.deepEqual(built.refusals, []);
  const [, procedure] = resources(built);
  const dose = Object.fromEntries(procedure.extension[1].extension.map((part) => [part.url, part]));
  assert.equal(dose.series.valuePositiveInt, 3);
  assert.equal(dose.rate.valueRange.high.value, 2);
  assert.equal(built.bundle.entry.length, 2, "an empty row is none");
});

test("the mean of the activities, and a count of none over a week", () => {
  const built = make({
    ...start, "activity.1.name": "driving", "activity.1.score": "3", "activity.2.name": "reading", "activity.2.score": "4",
    "activity.3.name": "", habit: "0", "habit-from": "2026-03-02", "habit-to": "2026-03-08",
  });
  assert.deepEqual(built.refusals, []);
  const [, activity, habit] = resources(built);
  assert.equal(activity.valueQuantity.value, 3.5);
  assert.equal(habit.valueQuantity.value, 0);
  assert.deepEqual(habit.effectivePeriod, { start: "2026-03-02", end: "2026-03-08" });
  assert.equal(habit.effectiveDateTime, undefined);
});

test("nothing is refused silently", () => {
  const check = (values, ...expected) => {
    const found = make({ ...start, ...values }).refusals.map(({ field, rule }) => `${field} ${rule}`);
    assert.deepEqual(found, expected);
  };
  check({}, "start empty");
  check({ start: "yesterday" }, "start time");
  check({ end: "2026-03-09T08:00", "pain-now": "3" }, "end end");
  check({ "segment.C3-C4.left": "7" }, "segment.C3-C4.left grade");
  check({ "segment.C3-C4.left": "", "segment.C3-C4.left.pain": "4" }, "segment.C3-C4.left.pain pain-without-grade");
  check({ "pain-now": "11" }, "pain-now number");
  check({ disability: "60" }, "disability number");
  check({ disability: "60", "disability-unit": "%" });
  check({ "treatment.0.series": "3" }, "treatment.0.technique needed", "treatment.0.segment needed", "treatment.0.side needed");
  check({ "activity.1.name": "driving" }, "activity.1.score needed");
  check({ habit: "2", "habit-from": "2026-03-02" }, "habit-to period");
  check({ change: "1.5" }, "change whole");
});

test("an issue of the server finds its field", () => {
  const { fields } = make({ ...start, "pain-now": "4" });
  const outcome = { resourceType: "OperationOutcome", issue: [
    { severity: "error", code: "value", diagnostics: "Too much.", expression: ["Bundle.entry[1].resource.value"] },
    { severity: "error", code: "processing", diagnostics: "No." },
  ] };
  const [first, second] = refusalsOf(outcome, fields);
  assert.equal(first.field, "pain-now");
  assert.equal(second.field, undefined);
  assert.deepEqual(refusalsOf(undefined, fields), []);
});

test("local time keeps its offset", () => {
  assert.match(instant("2026-03-09T09:00"), /^2026-03-09T09:00:00[+-]\d\d:\d\d$/);
  assert.equal(instant("2026-03-09"), undefined);
});

test("a screening says what was not asked", () => {
  const built = make({ ...start, "screening.cancer": "N", "screening.infection": "", "screening.recent-trauma": "Y" });
  assert.deepEqual(built.refusals, []);
  const [, screening] = resources(built);
  assert.deepEqual(codes(screening.valueCodeableConcept), ["item-positive"]);
  const [cancer, infection, trauma] = screening.component;
  assert.deepEqual(codes(cancer.valueCodeableConcept), ["N"]);
  assert.deepEqual(codes(infection.dataAbsentReason), ["not-asked"]);
  assert.deepEqual(codes(trauma.valueCodeableConcept), ["Y"]);
  const none = make({ ...start, "screening.cancer": "", "pain-now": "3" });
  assert.equal(none.bundle.entry.length, 2, "a screening without an answer is none");
});

test("consent and goal", () => {
  const built = make({
    ...start, consent: "given", "consent-covers": "mobilisation of the neck", "consent-form": "VERBAL", "consent.risk": "yes",
    "goal.text": "Less trouble", "goal.measure": "ndi", "goal.value": "20", "goal.due": "2026-04-20",
  });
  assert.deepEqual(built.refusals, []);
  const [, consent, goal] = resources(built);
  assert.equal(consent.status, "active");
  assert.equal(consent.provision.type, "permit");
  assert.deepEqual(consent.extension[1].extension, [{ url: "risk", valueBoolean: true }]);
  assert.equal(goal.target[0].detailRange.high.value, 20);
  assert.equal(goal.startDate, "2026-03-09");
  const refused = make({ ...start, consent: "refused", "consent-covers": "thrust" });
  assert.equal(resources(refused)[1].status, "rejected");
  assert.equal(resources(refused)[1].provision.type, "deny");
});

// The worked examples that the form of the index itself prints: 16 of 50 is 32 percent; with one
// section missed 16 of 45 is 35.5 percent (cut, not rounded: exactly 35.56).
// Source: chiro.org/forms/NDI_Explain.shtml.
test("the total of the items", () => {
  const total = (scores, more = {}) => {
    const items = Object.fromEntries(scores.map((score, at) => [`disability.item.${at + 1}`, score]));
    const built = make({ ...start, ...items, ...more });
    assert.deepEqual(built.refusals, []);
    return resources(built)[1];
  };
  const whole = total(["2", "2", "2", "2", "2", "2", "1", "1", "1", "1"]);
  assert.deepEqual([whole.valueQuantity.value, whole.valueQuantity.code], [16, "{score}"]);
  assert.equal((whole.valueQuantity.value / 50) * 100, 32);
  const missed = total(["2", "2", "2", "2", "2", "2", "2", "1", "1", ""]);
  assert.deepEqual([missed.valueQuantity.value, missed.valueQuantity.code], [35.56, "%"]);
  assert.equal(missed.component.length, 9);
  total(["2", "2", "2", "2", "2", "2", "1", "1", "1", "1"], { disability: "32", "disability-unit": "%" });
});

test("how it was done, and what was left alone", () => {
  const row = { technique: "thrust", segment: "T2-T3", side: "left", grade: "V", series: "1", contactPoint: "lamina", direction: "rotation",
    patientPosition: "supine", cavitation: "yes", shift: "yes" };
  const named = (at, parts) => Object.fromEntries(Object.entries(parts).map(([part, value]) => [`treatment.${at}.${part}`, value]));
  const alone = { technique: "oscillatory-mobilisation", segment: "C4-C5", side: "both", alone: "graded hypermobile" };
  const built = make({ ...start, ...named(0, row), ...named(1, alone) });
  assert.deepEqual(built.refusals, []);
  const [, thrust, spared] = resources(built);
  const dose = Object.fromEntries(thrust.extension[1].extension.map((part) => [part.url, part]));
  assert.deepEqual(codes(dose.contactPoint.valueCodeableConcept), ["lamina"]);
  assert.equal(dose.cavitation.valueBoolean, true);
  assert.equal(spared.status, "not-done");
  assert.equal(spared.statusReason.text, "graded hypermobile");
  assert.equal(spared.extension.length, 1, "no dose");
});

test("the new parts refuse nothing silently", () => {
  const check = (values, ...expected) => {
    const found = make({ ...start, ...values }).refusals.map(({ field, rule }) => `${field} ${rule}`);
    assert.deepEqual(found, expected);
  };
  check({ "consent-covers": "the neck" }, "consent needed");
  check({ consent: "given" }, "consent-covers needed");
  check({ "goal.text": "Less", "goal.measure": "pain", "goal.value": "2" }, "goal.due needed");
  check({ "goal.text": "Less", "goal.measure": "pain", "goal.value": "20", "goal.due": "2026-04-20" }, "goal.value number");
  check({ "segment.C3-C4.left": "", "segment.C3-C4.left.feel": "hard" }, "segment.C3-C4.left.feel pain-without-grade");
  check({ "disability.item.1": "3" }, "disability.item.1 items");
  check({ "disability.item.1": "6" }, "disability.item.1 whole");
  const ten = Object.fromEntries(Array.from({ length: 10 }, (_, at) => [`disability.item.${at + 1}`, "1"]));
  check({ ...ten, disability: "11" }, "disability sum");
  check({ "treatment.0.technique": "thrust", "treatment.0.segment": "T2-T3", "treatment.0.side": "left", "treatment.0.series": "1",
    "treatment.0.alone": "pain" }, "treatment.0.alone alone-with-dose");
});

const known = ["C2-C3", "C4-C5", "C7-T1"];
const withMore = { ...about, segments: known, problems: ["Condition/c"], goals: ["Goal/g"], plans: ["CarePlan/old"], activities: ["reading", "driving"] };
const makeMore = (values, told = withMore) => {
  let next = 0;
  return build({ values, about: told, ids: () => `id-${next++}` });
};
const rules = (built) => built.refusals.map(({ field, rule }) => `${field}: ${rule}`);

test("an activity of the former visit without a number is not scored today", () => {
  const former = { "activity.1.name": "reading", "activity.2.name": "driving" };
  assert.deepEqual(rules(makeMore({ ...start, ...former, "pain-now": "1" })), []);
  const built = makeMore({ ...start, ...former, "activity.2.score": "6" });
  assert.deepEqual(built.refusals, []);
  const [, score] = resources(built);
  assert.deepEqual(score.component.map(({ code }) => code.text), ["driving"]);
  // Another name without a number, and a number without a name, are told.
  assert.deepEqual(rules(makeMore({ ...start, ...former, "activity.1.name": "swimming" })), ["activity.1.score: needed"]);
  assert.deepEqual(rules(makeMore({ ...start, "activity.1.score": "3" })), ["activity.1.name: needed"]);
});

test("every kind of pain, tests and passive ranges, the urge", () => {
  const built = makeMore({
    ...start, "pain-at-rest": "2", "pain-provoked": "5", "range-mode": "passive", "range.rotation-left": "70",
    "range.flexion-rotation-test-right": "32", habit: "4", "habit-urge": "7",
  });
  assert.deepEqual(built.refusals, []);
  const [, rest, provoked, range, frt, habit] = resources(built);
  assert.deepEqual(codes(rest.code), ["72514-3", "pain-at-rest"]);
  assert.deepEqual(codes(provoked.code), ["72514-3", "pain-provoked"]);
  assert.deepEqual(codes(range.method), ["passive"]);
  assert.deepEqual(codes(frt.code), ["flexion-rotation-test-right"]);
  assert.equal(habit.component[0].valueInteger, 7);
  assert.deepEqual(rules(makeMore({ ...start, "habit-urge": "7", "pain-now": "1" })), ["habit: needed"]);
});

test("an adverse event names what is suspected, also a treatment of this visit", () => {
  const event = {
    "event.0.what": "headache", "event.0.text": "for an hour", "event.0.date": "2026-03-08T20:00", "event.0.class": "major",
    "event.0.serious": "Non-serious", "event.0.cause": "Possible", "event.0.outcome": "resolved",
  };
  const treatment = { "treatment.1.technique": "thrust", "treatment.1.segment": "C7-T1", "treatment.1.side": "left" };
  const built = makeMore({ ...start, ...event, "event.0.suspect": "treatment.1", ...treatment });
  assert.deepEqual(built.refusals, []);
  const [, procedure, told] = resources(built);
  assert.deepEqual(codes(told.severity), ["severe", "major"]);
  assert.equal(told.suspectEntity[0].instance.reference, `Procedure/${procedure.id}`);
  const stored = makeMore({ ...start, ...event, "event.0.suspect": "Procedure/p" });
  assert.equal(resources(stored)[1].suspectEntity[0].instance.reference, "Procedure/p");
  assert.deepEqual(rules(makeMore({ ...start, ...event, "event.0.suspect": "treatment.1" })), ["event.0.suspect: no-treatment"]);
  assert.ok(rules(makeMore({ ...start, "event.1.text": "x" })).includes("event.1.suspect: needed"));
  const when = { ...event, "event.0.suspect": "Procedure/p", "event.0.date": "soon" };
  assert.deepEqual(rules(makeMore({ ...start, ...when })), ["event.0.date: time"]);
});

test("segments as one writes them in a line", () => {
  const check = (typed, expected) =>
    assert.deepEqual(segmentsOf(typed, known)?.map(({ segment, side }) => `${segment} ${side}`), expected, typed);
  check("C2-C3 left, c7\u2013t1; C4-C5 r", ["C2-C3 left", "C7-T1 null", "C4-C5 right"]);
  check("C2-C3 links", ["C2-C3 left"]);
  check("", []);
  check("C9-C10", undefined);
  check("C2-C3 sideways", undefined);
  check("C2-C3 left right", undefined);
});

test("a plan takes the place of the former one, for problem and goals", () => {
  const built = makeMore({ ...start, "plan.treat": "C2-C3 left", "plan.leave": "C4-C5", "plan.text": "See again in two weeks" });
  assert.deepEqual(built.refusals, []);
  const plan = resources(built)[1];
  assert.deepEqual(plan.replaces, [{ reference: "CarePlan/old" }]);
  assert.deepEqual(plan.activity.map(({ detail }) => detail.doNotPerform ?? false), [false, true, false]);
  assert.deepEqual(plan.goal, [{ reference: "Goal/g" }]);
  const goal = { "goal.text": "g", "goal.measure": "pain", "goal.value": "1", "goal.due": "2026-05-01" };
  const both = resources(makeMore({ ...start, "plan.text": "x", ...goal }, { ...withMore, goals: [] }));
  const added = both.find(({ resourceType }) => resourceType === "Goal");
  const carried = both.find(({ resourceType }) => resourceType === "CarePlan");
  assert.deepEqual(carried.goal, [{ reference: `Goal/${added.id}` }]);
  assert.deepEqual(rules(makeMore({ ...start, "plan.treat": "C2-C3 left", "plan.leave": "C2-C3" })), ["plan.leave: both-ways"]);
  assert.deepEqual(rules(makeMore({ ...start, "plan.treat": "neck" })), ["plan.treat: segment-list"]);
  const bare = { ...withMore, problems: [], goals: [] };
  assert.deepEqual(rules(makeMore({ ...start, "plan.text": "x" }, bare)), ["plan.text: no-problem", "plan.text: no-goal"]);
});

test("a warning, a blood pressure, an exercise, a referral onward", () => {
  const built = makeMore({
    ...start, "flag.kind": "safety", "flag.text": "no thrust", systolic: "122", diastolic: "78",
    "exercise.text": "turning", "exercise.series": "2", "exercise.often": "3", "exercise.often-unit": "/d",
    "onward.service": "183521007", "onward.to": "Dr Any", "onward.priority": "urgent", "onward.reason": "weaker", "onward.question": "Please see.",
  });
  assert.deepEqual(built.refusals, []);
  const kinds = resources(built).map(({ resourceType }) => resourceType);
  assert.deepEqual(kinds, ["Encounter", "Flag", "Observation", "Procedure", "ServiceRequest"]);
  const [, , pressure, exercise, referral] = resources(built);
  assert.deepEqual(pressure.component.map(({ valueQuantity }) => valueQuantity.value), [122, 78]);
  assert.equal(exercise.extension.at(-1).extension.at(-1).valueQuantity.code, "/d");
  assert.deepEqual(referral.performer, [{ display: "Dr Any" }]);
  assert.deepEqual(rules(makeMore({ ...start, systolic: "122" })), ["diastolic: needed"]);
  assert.deepEqual(rules(makeMore({ ...start, "onward.to": "x" })), ["onward.service: needed", "onward.priority: needed", "onward.reason: needed"]);
  assert.deepEqual(rules(makeMore({ ...start, "exercise.often": "2" })), ["exercise.text: needed"]);
});

test("what became of what is recorded is one patch each", () => {
  const built = makeMore({ ...start, "change.AdverseEvent.a.b": "resolved", "change.Flag.f": "inactive", "change.Goal.g": "" });
  assert.deepEqual(built.refusals, []);
  const patches = built.bundle.entry.slice(1);
  assert.deepEqual(patches.map(({ request }) => [request.method, request.url]), [["PATCH", "AdverseEvent/a.b"], ["PATCH", "Flag/f"]]);
  assert.equal(built.fields[1], "change.AdverseEvent.a.b");
  const [first] = patches[0].resource.parameter;
  assert.equal(first.part.find(({ name }) => name === "path").valueString, "AdverseEvent.outcome");
});
