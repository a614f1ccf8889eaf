// What search parameters find, by another FHIRPath engine (fhirpath.js, from npm).
//
//   search.mjs BASE SCHEMAS
//
// Reads all resources of the types of a clinic from a running server, evaluates the expression of
// every search parameter over them, and asks the server: `:missing=false` must find exactly the
// resources in which the expression finds something, and a value that it finds must lead back to
// the resource that has it.
import { readFileSync, readdirSync } from "node:fs";
import { join } from "node:path";
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";

const [base, schemas] = process.argv.slice(2);
const TYPES = ["Patient", "Practitioner", "Organization", "EpisodeOfCare", "Encounter",
    "Observation", "Procedure", "Condition", "Goal", "CarePlan", "ServiceRequest", "AdverseEvent",
    "Consent", "Flag"];

const lines = readFileSync(join(schemas, "search-parameter/r4.ndjson"), "utf8").trim().split("\n");
const own = readdirSync(join(schemas, "profile")).filter((name) => name.startsWith("search-parameter-"));
const parameters = lines.map((line) => JSON.parse(line)).concat(
    own.map((name) => JSON.parse(readFileSync(join(schemas, "profile", name), "utf8"))));

async function all(path) {
    const found = [];
    for (let url = `${base}/${path}`; url;) {
        const answer = await fetch(url, { headers: { Accept: "application/fhir+json" } });
        if (answer.status !== 200) throw new Error(`${path}: ${answer.status}`);
        const bundle = await answer.json();
        const matches = (bundle.entry ?? []).filter((entry) => entry.search.mode === "match");
        found.push(...matches.map((entry) => entry.resource));
        url = bundle.link.find((link) => link.relation === "next")?.url;
    }
    return found;
}

// The engine would fetch what a reference points to; its type stands in the reference. R4 writes
// `as`, which is for one value only, where values of a type among many are meant.
function local(expression) {
    return expression.replace(/\(([\w.]+) as (\w+)\)/g, "$1.ofType($2)").replace(/\.as\(/g, ".ofType(").replace(/\.where\(resolve\(\) is (\w+)\)/g,
        (_, type) => `.where(reference.matches('^(.*/)?${type}/[A-Za-z0-9.-]+(/_history/[0-9]+)?$'))`);
}

// The parts between bars outside of parentheses.
function split(expression) {
    const parts = [""];
    let depth = 0;
    for (const letter of expression) {
        depth += letter === "(" ? 1 : letter === ")" ? -1 : 0;
        if (letter === "|" && depth === 0) parts.push("");
        else parts[parts.length - 1] += letter;
    }
    return parts.map((part) => part.trim());
}

// The parts that are about the type; others would only find nothing.
function about(expression, type) {
    const parts = split(expression);
    const mine = parts.filter((part) => new RegExp(`^\\(?(${type}|Resource|DomainResource)\\b`).test(part));
    return local(mine.join(" | ").replace(/\b(Domain)?Resource\b/g, type));
}

const quote = (text) => text.replace(/[\\,$|]/g, (letter) => `\\${letter}`);

// A value as a query would give it; none for what has no simple form.
function value(kind, found) {
    if (kind === "token") {
        const coding = found.coding?.[0] ?? found;
        if (typeof found === "string" || typeof found === "boolean") return quote(String(found));
        if (coding.code) return `${quote(coding.system ?? "")}|${quote(coding.code)}`;
        if (found.value && found.use === undefined && found.rank === undefined && !/^(phone|email|fax|url)$/.test(found.system ?? "")) {
            return `${quote(found.system ?? "")}|${quote(found.value)}`;
        }
        return found.value ? quote(String(found.value)) : undefined;
    }
    if (kind === "reference") return found.reference ? quote(found.reference) : undefined;
    if (kind === "date") {
        const date = typeof found === "string" ? found : found.start;
        return date && (typeof found === "string" ? date : `ge${date}`);
    }
    if (kind === "string") {
        const text = typeof found === "string" ? found : found.family ?? found.city ?? found.text;
        return text && /[\p{L}\p{N}]/u.test(text) ? quote(text) : undefined;
    }
    if (kind === "uri") return typeof found === "string" ? quote(found) : undefined;
    if (kind === "quantity" && found.value !== undefined) {
        return `${found.value}|${quote(found.system ?? "")}|${quote(found.code ?? found.unit ?? "")}`;
    }
    return kind === "number" ? String(found) : undefined;
}

let checks = 0;
const faults = [];
for (const type of TYPES) {
    const resources = await all(`${type}?_count=500`);
    for (const parameter of parameters) {
        const applies = parameter.base.some((name) => [type, "Resource", "DomainResource"].includes(name));
        if (!applies || !parameter.expression || ["composite", "special"].includes(parameter.type)) continue;
        if (parameter.code === "_id") continue;
        const expression = about(parameter.expression, type);
        if (!expression) continue;
        let evaluate;
        try {
            evaluate = fhirpath.compile(expression, r4);
        } catch {
            throw new Error(`${type} ${parameter.code}: ${expression} cannot be read`);
        }
        const expected = new Map();
        for (const resource of resources) {
            const found = evaluate(resource).filter((item) => item !== null && item !== undefined);
            if (found.length > 0) expected.set(resource.id, found[0]);
        }
        const name = `${type}?${parameter.code}`;
        const ids = (await all(`${type}?${parameter.code}:missing=false&_elements=id&_count=500`)).map((r) => r.id);
        const wrong = ids.filter((id) => !expected.has(id)).concat([...expected.keys()].filter((id) => !ids.includes(id)));
        checks += 1;
        if (wrong.length > 0) faults.push(`${name}:missing: ${wrong.length} of ${resources.length} differ, such as ${wrong[0]}`);
        const [first] = expected;
        const asked = first && value(parameter.type, JSON.parse(JSON.stringify(first[1])));
        if (asked === undefined || asked === null) continue;
        const back = (await all(`${name}=${encodeURIComponent(asked)}&_elements=id&_count=500`)).map((r) => r.id);
        checks += 1;
        if (!back.includes(first[0])) faults.push(`${name}=${asked} does not find ${first[0]}`);
    }
}
faults.forEach((fault) => console.log(`FAIL ${fault}`));
console.log(`search: ${checks - faults.length} of ${checks} checks passed`);
process.exit(faults.length === 0 && checks > 100 ? 0 : 1);
