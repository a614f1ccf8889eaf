// The Bundle that the visit form builds: run with `node --test tests/peer/visit.mjs`.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import test from "node:test";

const { build, instant, refusalsOf } = createRequire(import.meta.url)("../../src/page/visit.js");

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
