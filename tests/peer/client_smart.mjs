// Another general FHIR client library (fhirclient, from npm) against a running server: what a clinic
// system does, with nothing but the library's own calls.
//
//     client_smart.mjs BASE
import { createRequire } from "node:module";
import { EPISODE, PATIENT, SYSTEM, bundle, checks, claims, entry, fhirpathPatch, ids, observation, patient, sorted, urn } from "./checks.mjs";

const require = createRequire(import.meta.url);
const smart = require("fhirclient");
const check = checks("fhirclient.js");
// Made for servers of pages, it wants to know of the page; nothing of it is asked here.
const storage = { get: async () => undefined, set: async () => {}, unset: async () => false };
const client = smart({ headers: {}, url: "/" }, {}, storage).client({ serverUrl: process.argv[2] });
const having = (headers) => ({ headers });
const send = (url, method, body, headers = { "content-type": "application/fhir+json" }) => client.request({ url, method, body: JSON.stringify(body), headers });

// Status and first issue code of the outcome with which it is refused.
async function refused(promise) {
  try {
    await promise;
  } catch (error) {
    // The library has read the body; it stands at the end of what the error says.
    const outcome = JSON.parse(error.message.slice(error.message.indexOf("{")));
    if (outcome.resourceType !== "OperationOutcome") throw error;
    return [error.status, outcome.issue[0].code];
  }
  return undefined;
}

async function lifeOfAResource() {
  const first = await client.create(patient(0));
  const url = `Patient/${first.id}`;
  check.equal("create gives the version", first.meta.versionId, "1");
  check.equal("read gives what was sent", (await client.request(url)).name[0].family, "Peer0");
  check.equal("update", (await client.update({ ...first, active: true })).meta.versionId, "2");
  check.equal("a known version", (await client.update(first, having({ "If-Match": 'W/"2"' }))).meta.versionId, "3");
  check.equal("a stale version is refused", await refused(client.update(first, having({ "If-Match": 'W/"2"' }))), [412, "conflict"]);
  const old = await client.request(`${url}/_history/2`);
  check.equal("vread gives the old version", [old.active, old.meta.versionId], [true, "2"]);
  const versions = [];
  for await (const version of client.resources(`${url}/_history?_count=1`)) versions.push(version.meta.versionId);
  check.equal("history through its pages", versions, ["3", "2", "1"]);
  await client.delete(url);
  check.equal("deleted is gone", await refused(client.request(url)), [410, "deleted"]);
  const [newest] = (await client.request(`${url}/_history`)).entry;
  check.equal("the history tells the deletion", [newest.request.method, newest.resource], ["DELETE", undefined]);
  check.equal("an update brings it back", (await client.update(first)).meta.versionId, "5");
  await client.delete(url);
  check.equal("what never was is not found", await refused(client.request("Patient/never-there")), [404, "not-found"]);
  check.equal("an invalid resource", await refused(client.create(patient(0, { gender: "unheard-of" }))), [422, "code-invalid"]);
}

async function searches() {
  const made = [];
  for (const number of [1, 2, 3, 4, 5, 6, 7]) made.push(await client.create(patient(number)));
  const query = (text = "") => `Patient?identifier=${encodeURIComponent(`${SYSTEM}|`)}${text}`;
  check.equal("search by system", sorted(ids(await client.request(query()))), sorted(made.map(({ id }) => id)));
  const pages = [];
  for await (const page of client.pages(query("&_count=3&_sort=birthdate"))) pages.push(page);
  check.equal("pages of three", pages.map((page) => ids(page).length), [3, 3, 1]);
  check.equal("paging gives all in order", pages.flatMap(ids), made.map(({ id }) => id));
  const flat = await client.request(query("&_count=2"), { pageLimit: 0, flat: true });
  check.equal("all pages at once", flat.length, 7);
  const [subject] = made;
  const record = await client.create(observation(`Patient/${subject.id}`));
  const resolved = await client.request(`Observation/${record.id}`, { resolveReferences: "subject" });
  check.equal("references are resolved", resolved.subject.id, subject.id);
  const included = await client.request(`Observation?subject=Patient/${subject.id}&_include=Observation:subject`);
  check.equal("_include", sorted(included.entry.map(({ resource, search }) => `${resource.resourceType} ${search.mode}`)), ["Observation match", "Patient include"]);
  check.equal("a chain", ids(await client.request(`Observation?subject:Patient.identifier=${encodeURIComponent(`${SYSTEM}|1`)}`)), [record.id]);
  check.equal("a quantity in range", ids(await client.request(`Observation?subject=${subject.id}&value-quantity=gt3`)), [record.id]);
  check.equal("an unknown parameter, strictly", await refused(client.request({ url: query("&shoe-size=44"), headers: { Prefer: "handling=strict" } })), [400, "invalid"]);
  check.equal("a bad count", await refused(client.request(query("&_count=-1"))), [400, "invalid"]);
  await client.delete(`Observation/${record.id}`);
  for (const { id } of made) await client.delete(`Patient/${id}`);
  check.equal("deleted is not found", ids(await client.request(query())), []);
}

async function conditional() {
  const criteria = `identifier=${encodeURIComponent(`${SYSTEM}|10`)}`;
  const create = () => client.create(patient(10), having({ "If-None-Exist": criteria }));
  const first = await create();
  check.equal("the second create finds the first", (await create()).id, first.id);
  const update = (more) => send(`Patient?${criteria}`, "PUT", patient(10, more));
  check.equal("an update by criteria", (await update({ active: true })).meta.versionId, "2");
  const another = await client.create(patient(10));
  const remove = () => client.delete(`Patient?${criteria}`);
  const patch = () => client.patch(`Patient?${criteria}`, [{ op: "add", path: "/gender", value: "other" }]);
  for (const [what, action] of [["created", create], ["updated", update], ["deleted", remove], ["patched", patch]]) {
    check.equal(`several, to be ${what}`, await refused(action()), [412, "multiple-matches"]);
  }
  await client.delete(`Patient/${another.id}`);
  check.equal("a patch by criteria", (await patch()).gender, "other");
  await remove();
  check.equal("deleted by criteria", await refused(client.request(`Patient/${first.id}`)), [410, "deleted"]);
  await remove();
  check.equal("none, to be patched", await refused(patch()), [404, "not-found"]);
  const made = await update();
  check.equal("an update by criteria creates", made.meta.versionId, "1");
  await client.delete(`Patient/${made.id}`);
}

async function patches() {
  const { id, birthDate } = await client.create(patient(20));
  const url = `Patient/${id}`;
  const done = await client.patch(url, [{ op: "test", path: "/birthDate", value: birthDate }, { op: "add", path: "/gender", value: "other" }]);
  check.equal("JSON Patch", [done.gender, done.meta.versionId], ["other", "2"]);
  const unfit = [{ op: "remove", path: "/gender" }, { op: "test", path: "/birthDate", value: "1900" }];
  check.equal("a test that does not hold", await refused(client.patch(url, unfit)), [409, "conflict"]);
  check.equal("a stale version", await refused(client.patch(url, [{ op: "remove", path: "/gender" }], having({ "If-Match": 'W/"1"' }))), [412, "conflict"]);
  const again = await send(url, "PATCH", fhirpathPatch("Patient.gender", "Code", "female"));
  check.equal("FHIRPath Patch", [again.gender, again.meta.versionId], ["female", "3"]);
  await client.delete(url);
}

async function bundles() {
  const fullUrl = urn();
  const done = await send("", "POST", bundle("transaction", entry("POST", "Patient", patient(30), { fullUrl }), entry("POST", "Observation", observation(fullUrl))));
  check.equal("a transaction creates", done.entry.map(({ response }) => response.status.slice(0, 3)), ["201", "201"]);
  const [subject, record] = done.entry.map(({ response }) => response.location.split("/")[1]);
  check.equal("the urn became a reference", (await client.request(`Observation/${record}`)).subject.reference, `Patient/${subject}`);
  const broken = bundle("transaction", entry("POST", "Patient", patient(31)), entry("POST", "Patient", patient(32, { gender: "unheard-of" })));
  check.equal("a broken transaction is refused", await refused(send("", "POST", broken)), [422, "code-invalid"]);
  check.equal("and leaves nothing", (await client.request(`Patient?identifier=${encodeURIComponent(`${SYSTEM}|31`)}`)).total, 0);
  const batch = bundle("batch", entry("GET", `Patient/${subject}`), entry("GET", "Patient/never-there"), entry("DELETE", `Observation/${record}`));
  const answers = (await send("", "POST", batch)).entry;
  check.equal("a batch answers each", answers.map((one) => one.response.status.slice(0, 3)), ["200", "404", "204"]);
  check.equal("with the outcome of each", answers[1].response.outcome.issue[0].code, "not-found");
  await client.delete(`Patient/${subject}`);
}

async function operations() {
  const errors = ({ issue }) => issue.filter(({ severity }) => ["error", "fatal"].includes(severity)).map(({ code }) => code);
  const validate = (resource) => send("Patient/$validate", "POST", resource);
  check.equal("$validate finds nothing", errors(await validate(patient(40))), []);
  check.equal("$validate finds the fault", errors(await validate(patient(40, { gender: "unheard-of" }))), ["code-invalid"]);
  const letter = await client.request(`EpisodeOfCare/${EPISODE}/$episode-summary`);
  check.equal("$episode-summary is a document", [letter.type, letter.entry[0].resource.resourceType], ["document", "Composition"]);
  check.equal("the release is R4", await client.getFhirRelease(), 4);
  const capabilities = await client.request("metadata");
  if (claims(capabilities, "Observation", "lastn")) {
    const found = await client.request(`Observation/$lastn?patient=${PATIENT}&category=survey&max=1`);
    check("$lastn finds", found.type === "searchset" && found.entry.length > 0);
  }
  if (claims(capabilities, "Patient", "everything")) {
    const all = [];
    for await (const resource of client.resources(`Patient/${PATIENT}/$everything`)) all.push(resource);
    check("$everything finds", all.some(({ resourceType }) => resourceType === "Patient"));
  }
}

for (const part of [lifeOfAResource, searches, conditional, patches, bundles, operations]) await part();
check.end(45);
