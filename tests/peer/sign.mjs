// What the form of a signature sends and tells: run with `node --test tests/peer/sign.mjs`.
import assert from "node:assert/strict";
import { createRequire } from "node:module";
import test from "node:test";

const { parametersOf, faultsOf, toldOf } = createRequire(import.meta.url)("../../src/page/letters/sign.js");

const values = { attester: "Practitioner/t", kind: "discharge", language: "en", words: "" };
const make = (more, replaces = []) => parametersOf({ values: { ...values, ...more }, replaces, digest: "ni:///sha-256;x" });
const names = ({ body }) => body.parameter.map(({ name }) => name);

test("who signs, what was read, what is replaced", () => {
  const made = make({}, ["Composition/a", "Composition/b"]);
  assert.deepEqual(made.refusals, []);
  assert.deepEqual(names(made), ["attester", "kind", "language", "digest", "replaces", "replaces"]);
  assert.equal(made.body.parameter[3].valueUri, "ni:///sha-256;x");
  assert.equal(made.body.parameter[5].valueReference.reference, "Composition/b");
});

test("own words only where there are some", () => {
  assert.ok(!names(make({ words: " \n" })).includes("words"));
  assert.equal(make({ words: "One.\n\nTwo." }).body.parameter.at(-1).valueString, "One.\n\nTwo.");
});

test("what cannot be sent is told before", () => {
  assert.deepEqual(make({ attester: "" }).refusals, [{ field: "attester", rule: "who" }]);
  assert.deepEqual(make({ words: "\u{1F600}".repeat(4000) }).refusals, []);
  assert.deepEqual(make({ words: "x".repeat(4001) }).refusals, [{ field: "words", rule: "too-long" }]);
});

test("an issue of the server finds its field", () => {
  const issue = (expression) => ({ severity: "error", code: "invalid", diagnostics: "No.", ...(expression ? { expression: [expression] } : {}) });
  const fields = (expression) => faultsOf({ issue: [issue(expression)] })[0].field;
  assert.equal(fields("http.attester"), "attester");
  assert.equal(fields("http.replaces"), "replaces");
  assert.equal(fields("http.digest"), undefined);
  assert.equal(fields(undefined), undefined);
  assert.deepEqual(faultsOf(undefined), []);
  assert.equal(faultsOf({ issue: [{ code: "conflict" }] })[0].text, "conflict");
});

test("the answer by its names", () => {
  assert.equal(toldOf({ parameter: [{ name: "letter", valueReference: { reference: "Composition/c" } }] }).letter, "Composition/c");
  assert.deepEqual(toldOf(undefined), {});
});
