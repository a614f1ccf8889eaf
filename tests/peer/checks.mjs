// Checks that are counted, and the invented data that the clients work with.
import { randomUUID } from "node:crypto";
import { isDeepStrictEqual } from "node:util";

export function checks(name) {
  let [passed, failed] = [0, 0];
  const check = (what, holds, told = "") => {
    if (holds) passed += 1;
    else {
      failed += 1;
      console.log(`FAIL ${name}: ${what} ${told}`);
    }
  };
  check.equal = (what, found, expected) =>
    check(what, isDeepStrictEqual(found, expected), `${JSON.stringify(found)}, expected ${JSON.stringify(expected)}`);
  // Ends the program; with less than so many checks something was left out.
  check.end = (least) => {
    console.log(`${name}: ${passed} passed, ${failed} failed`);
    process.exit(failed === 0 && passed >= least ? 0 : 1);
  };
  return check;
}

export const SYSTEM = `https://spondyl.example/peer/${randomUUID()}`;
export const EPISODE = "demo-aldis-episode";
export const PATIENT = "demo-aldis";

export const urn = () => `urn:uuid:${randomUUID()}`;

export const patient = (number, more = {}) => ({
  resourceType: "Patient",
  identifier: [{ system: SYSTEM, value: String(number) }],
  name: [{ family: `Peer${number}`, given: ["Invented"] }],
  birthDate: `1980-01-0${(number % 9) + 1}`,
  ...more,
});

export const observation = (subject, more = {}) => ({
  resourceType: "Observation",
  status: "final",
  code: { coding: [{ system: "http://loinc.org", code: "72514-3" }] },
  subject: { reference: subject },
  effectiveDateTime: "2026-03-02T10:00:00Z",
  valueQuantity: { value: 4, unit: "{score}", system: "http://unitsofmeasure.org", code: "{score}" },
  ...more,
});

export const bundle = (type, ...entry) => ({ resourceType: "Bundle", type, entry });

export const entry = (method, url, resource, more = {}) => ({ resource, request: { method, url }, ...more });

// A FHIRPath Patch that replaces one element.
export const fhirpathPatch = (path, type, value) => ({
  resourceType: "Parameters",
  parameter: [{
    name: "operation",
    part: [{ name: "type", valueCode: "replace" }, { name: "path", valueString: path }, { name: "value", [`value${type}`]: value }],
  }],
});

// Whether the capability statement claims the operation for the type.
export const claims = (capabilities, type, name) =>
  capabilities.rest[0].resource.some((one) => one.type === type && (one.operation ?? []).some((operation) => operation.name === name));

export const ids = (found) => (found.entry ?? []).map(({ resource }) => resource.id);
export const sorted = (list) => [...list].sort();
