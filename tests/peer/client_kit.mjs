// A general FHIR client library (fhir-kit-client, from npm) against a running server: what a clinic
// system does, with nothing but the library's own calls.
//
//     client_kit.mjs BASE
import { Client } from "fhir-kit-client";
import { EPISODE, PATIENT, SYSTEM, bundle, checks, claims, entry, fhirpathPatch, ids, observation, patient, sorted, urn } from "./checks.mjs";

const check = checks("fhir-kit-client");
const client = new Client({ baseUrl: process.argv[2] });
const statusOf = (answer) => Client.httpFor(answer).response.status;
const header = (answer, name) => Client.httpFor(answer).response.headers.get(name);
const having = (headers) => ({ headers });

// Status and first issue code of the outcome with which it is refused.
async function refused(promise) {
  try {
    await promise;
  } catch (error) {
    const { status, data } = error.response ?? {};
    if (data?.resourceType !== "OperationOutcome") throw error;
    return [status, data.issue[0].code];
  }
  return undefined;
}

async function lifeOfAResource() {
  const first = await client.create({ resourceType: "Patient", body: patient(0) });
  const { id } = first;
  check.equal("create", [statusOf(first), header(first, "etag")], [201, 'W/"1"']);
  check("create tells where", header(first, "location").endsWith(`/Patient/${id}/_history/1`));
  check("and when", !Number.isNaN(Date.parse(header(first, "last-modified"))));
  const read = await client.read({ resourceType: "Patient", id });
  check.equal("read gives what was sent", read.name[0].family, "Peer0");
  const update = (body, headers = {}) => client.update({ resourceType: "Patient", id, body: { id, ...body }, options: having(headers) });
  check.equal("update", header(await update(patient(0, { active: true })), "etag"), 'W/"2"');
  check.equal("a known version", header(await update(patient(0), { "If-Match": 'W/"2"' }), "etag"), 'W/"3"');
  check.equal("a stale version is refused", await refused(update(patient(0), { "If-Match": 'W/"2"' })), [412, "conflict"]);
  check.equal("another id is refused", await refused(update({ ...patient(0), id: "other" })), [400, "invalid"]);
  const old = await client.vread({ resourceType: "Patient", id, version: "2" });
  check.equal("vread gives the old version", [old.active, old.meta.versionId], [true, "2"]);
  const history = await client.resourceHistory({ resourceType: "Patient", id });
  check.equal("history", history.entry.map(({ request, resource }) => [request.method, resource.meta.versionId]), [["PUT", "3"], ["PUT", "2"], ["POST", "1"]]);
  await client.delete({ resourceType: "Patient", id });
  check.equal("deleted is gone", await refused(client.read({ resourceType: "Patient", id })), [410, "deleted"]);
  const [newest] = (await client.typeHistory({ resourceType: "Patient" })).entry;
  check.equal("the history of the type tells the deletion", [newest.request.method, newest.request.url], ["DELETE", `Patient/${id}`]);
  check.equal("and that of the whole", (await client.systemHistory()).entry[0].request.url, `Patient/${id}`);
  check.equal("what never was is not found", await refused(client.read({ resourceType: "Patient", id: "never-there" })), [404, "not-found"]);
  check.equal("a type that is none", await refused(client.read({ resourceType: "Shoe", id: "1" })), [404, "not-supported"]);
  check.equal("an invalid resource", await refused(client.create({ resourceType: "Patient", body: patient(0, { gender: "unheard-of" }) })), [422, "code-invalid"]);
}

async function searches() {
  const made = [];
  for (const number of [1, 2, 3, 4, 5, 6, 7]) made.push(await client.create({ resourceType: "Patient", body: patient(number) }));
  const all = sorted(made.map(({ id }) => id));
  const search = (searchParams, options) => client.resourceSearch({ resourceType: "Patient", searchParams: { identifier: `${SYSTEM}|`, ...searchParams }, options });
  check.equal("search by system", sorted(ids(await search({}))), all);
  check.equal("search by POST", sorted(ids(await search({}, { postSearch: true }))), all);
  const pages = [];
  for (let page = await search({ _count: "3", _sort: "birthdate" }); page; page = await client.nextPage({ bundle: page })) pages.push(page);
  check.equal("pages of three", pages.map((page) => ids(page).length), [3, 3, 1]);
  check.equal("paging gives all in order", pages.flatMap(ids), made.map(({ id }) => id));
  check.equal("total", pages.map(({ total }) => total), [7, 7, 7]);
  const back = await client.prevPage({ bundle: pages[2] });
  check.equal("back to the page before", ids(back), ids(pages[1]));
  check.equal("a date with a prefix", ids(await search({ birthdate: "ge1980-01-05" })).length, 4);
  check.equal("a count alone", (await search({ _summary: "count" })).total, 7);
  const [{ resource: lean }] = (await search({ _elements: "gender", _count: "1" })).entry;
  check.equal("_elements is marked", [lean.name, lean.meta.tag[0].code], [undefined, "SUBSETTED"]);
  const [{ id: subject }] = made;
  const record = await client.create({ resourceType: "Observation", body: observation(`Patient/${subject}`) });
  const compartment = { resourceType: "Patient", id: subject };
  check.equal("a compartment", ids(await client.compartmentSearch({ resourceType: "Observation", compartment })), [record.id]);
  const several = await client.systemSearch({ searchParams: { _type: "Patient,Observation", _id: `${subject},${record.id}` } });
  check.equal("several types", sorted(ids(several)), sorted([subject, record.id]));
  check.equal("a reference is followed", (await client.resolve({ reference: record.subject.reference })).id, subject);
  check.equal("an unknown parameter, strictly", await refused(search({ "shoe-size": "44" }, having({ Prefer: "handling=strict" }))), [400, "invalid"]);
  check.equal("a bad date", await refused(search({ birthdate: "yesterday" })), [400, "invalid"]);
  await client.delete({ resourceType: "Observation", id: record.id });
  for (const { id } of made) await client.delete({ resourceType: "Patient", id });
  check.equal("deleted is not found", ids(await search({})), []);
}

async function conditional() {
  const criteria = `identifier=${encodeURIComponent(`${SYSTEM}|10`)}`;
  const create = () => client.create({ resourceType: "Patient", body: patient(10), options: having({ "If-None-Exist": criteria }) });
  const first = await create();
  const second = await create();
  check.equal("the second create finds the first", [statusOf(first), statusOf(second), second.id], [201, 200, first.id]);
  const update = (more) => client.update({ resourceType: "Patient", searchParams: { identifier: `${SYSTEM}|10` }, body: patient(10, more) });
  check.equal("an update by criteria", (await update({ active: true })).meta.versionId, "2");
  const another = await client.create({ resourceType: "Patient", body: patient(10) });
  for (const [what, action] of [["created", create], ["updated", update]]) {
    check.equal(`several, to be ${what}`, await refused(action()), [412, "multiple-matches"]);
  }
  const remove = () => client.request(`Patient?${criteria}`, { method: "DELETE" });
  check.equal("several, to be deleted", await refused(remove()), [412, "multiple-matches"]);
  await client.delete({ resourceType: "Patient", id: another.id });
  await remove();
  check.equal("deleted by criteria", await refused(client.read({ resourceType: "Patient", id: first.id })), [410, "deleted"]);
  await remove();
  const made = await update();
  check.equal("an update by criteria creates", [statusOf(made), made.meta.versionId], [201, "1"]);
  const known = await client.request(`Patient/${made.id}`, { options: having({ "If-None-Match": 'W/"7"' }) });
  check.equal("a read of what is not known", known.id, made.id);
  await client.delete({ resourceType: "Patient", id: made.id });
}

async function patches() {
  const { id, birthDate } = await client.create({ resourceType: "Patient", body: patient(20) });
  const patch = (...jsonPatch) => client.patch({ resourceType: "Patient", id, jsonPatch });
  const done = await patch({ op: "test", path: "/birthDate", value: birthDate }, { op: "add", path: "/gender", value: "other" });
  check.equal("JSON Patch", [done.gender, done.meta.versionId], ["other", "2"]);
  check.equal("a test that does not hold", await refused(patch({ op: "remove", path: "/gender" }, { op: "test", path: "/birthDate", value: "1900" })), [409, "conflict"]);
  check.equal("a place that is not there", await refused(patch({ op: "remove", path: "/photo" })), [422, "processing"]);
  check.equal("an outcome that breaks a rule", await refused(patch({ op: "replace", path: "/gender", value: "unheard-of" })), [422, "code-invalid"]);
  const body = fhirpathPatch("Patient.gender", "Code", "female");
  const again = await client.request(`Patient/${id}`, { method: "PATCH", body, options: having({ "Content-Type": "application/fhir+json" }) });
  check.equal("FHIRPath Patch", [again.gender, again.meta.versionId], ["female", "3"]);
  await client.delete({ resourceType: "Patient", id });
}

async function bundles() {
  const fullUrl = urn();
  const sent = bundle("transaction", entry("POST", "Patient", patient(30), { fullUrl }), entry("POST", "Observation", observation(fullUrl)));
  const done = await client.transaction({ body: sent });
  check.equal("a transaction creates", done.entry.map(({ response }) => response.status.slice(0, 3)), ["201", "201"]);
  const [subject, record] = done.entry.map(({ response }) => response.location.split("/")[1]);
  check.equal("the urn became a reference", (await client.read({ resourceType: "Observation", id: record })).subject.reference, `Patient/${subject}`);
  const bySearch = bundle("transaction", entry("POST", "Observation", observation(`Patient?identifier=${SYSTEM}|30`)));
  const [{ response }] = (await client.transaction({ body: bySearch })).entry;
  const [, other] = response.location.split("/");
  check.equal("a conditional reference", (await client.read({ resourceType: "Observation", id: other })).subject.reference, `Patient/${subject}`);
  const broken = bundle("transaction", entry("POST", "Patient", patient(31)), entry("POST", "Patient", patient(32, { gender: "unheard-of" })));
  check.equal("a broken transaction is refused", await refused(client.transaction({ body: broken })), [422, "code-invalid"]);
  const left = await client.resourceSearch({ resourceType: "Patient", searchParams: { identifier: `${SYSTEM}|31` } });
  check.equal("and leaves nothing", left.total, 0);
  const batch = bundle("batch", entry("GET", `Patient/${subject}`), entry("GET", "Patient/never-there"), entry("DELETE", `Observation/${record}`), entry("DELETE", `Observation/${other}`));
  const answers = (await client.batch({ body: batch })).entry;
  check.equal("a batch answers each", answers.map((one) => one.response.status.slice(0, 3)), ["200", "404", "204", "204"]);
  check.equal("with the outcome of each", answers[1].response.outcome.issue[0].code, "not-found");
  await client.delete({ resourceType: "Patient", id: subject });
}

async function operations() {
  const errors = ({ issue }) => issue.filter(({ severity }) => ["error", "fatal"].includes(severity)).map(({ code }) => code);
  const validate = (input) => client.operation({ name: "validate", resourceType: "Patient", input });
  check.equal("$validate finds nothing", errors(await validate(patient(40))), []);
  check.equal("$validate finds the fault", errors(await validate(patient(40, { gender: "unheard-of" }))), ["code-invalid"]);
  const call = (name, resourceType, id, input) => client.operation({ name, resourceType, id, method: "GET", input });
  const letter = await call("episode-summary", "EpisodeOfCare", EPISODE);
  check.equal("$episode-summary is a document", [letter.type, letter.entry[0].resource.resourceType], ["document", "Composition"]);
  const capabilities = await client.capabilityStatement();
  check.equal("capabilities are of R4", capabilities.fhirVersion, "4.0.1");
  if (claims(capabilities, "Observation", "lastn")) {
    const found = await call("lastn", "Observation", undefined, { patient: PATIENT, category: "survey", max: "1" });
    check("$lastn finds", found.type === "searchset" && found.entry.length > 0);
  }
  if (claims(capabilities, "Patient", "everything")) {
    const found = await call("everything", "Patient", PATIENT);
    check("$everything finds", found.entry.some(({ resource }) => resource.resourceType === "Patient"));
  }
}

for (const part of [lifeOfAResource, searches, conditional, patches, bundles, operations]) await part();
check.end(55);
