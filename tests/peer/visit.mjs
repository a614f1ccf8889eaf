// The Bundle that the visit form builds: run with `node --test tests/peer/visit.mjs`.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import test from "node:test";

const { build, instant, refusalsOf } = createRequire(import.meta.url)("../../src/page/visit/build.js");

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
