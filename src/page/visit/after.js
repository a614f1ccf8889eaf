// What a visit tells beside findings, treatments and scores: what happened after the last one, warnings,
// exercises, blood pressure, a plan, a referral onward; and what became of what is recorded already.
//
// Loaded before `build.js`, which hands over how to read fields and how to write resources. What is
// recorded already is changed by FHIRPath Patch, one element of it, so that sending again changes
// nothing more. Sources: http://hl7.org/fhir/R4/fhirpatch.html, the profiles of this server.
"use strict";

const TERMINOLOGY = "http://terminology.hl7.org/CodeSystem";
const SNOMED = "http://snomed.info/sct";
const SIDES = {
  left: "left", l: "left", links: "left", right: "right", r: "right", rechts: "right",
  both: "both", beide: "both", beidseits: "both", central: "central", zentral: "central",
};

// form: how to read fields, to refuse and to write; common: what every resource of the visit has;
// treated: the references of the treatments of this visit by row; goals: the goals of the episode.
function afterVisit(form, common, { treated, goals }) {
  adverseEvents(form, common, treated);
  flags(form, common);
  bloodPressure(form);
  exercise(form, common);
  plan(form, common, goals);
  onward(form, common);
  changes(form, common);
}

const filled = ({ text }, names) => names.some((name) => text(name) !== "");
// Refuses each of the named fields that is empty; answers whether all are filled in.
function needed({ text, refuse }, names) {
  const missing = names.filter((name) => text(name) === "");
  missing.forEach((name) => refuse(name, "needed"));
  return missing.length === 0;
}

// Fields event.<row>.<part>. Class and severity agree, as the profile's rule spo-36 has it.
function adverseEvents(form, { extension, subject, visit, performer, start }, treated) {
  const { text, refuse, add, coded, own, profile, instant } = form;
  const severities = { mild: "mild", moderate: "moderate", major: "severe" };
  for (const row of [0, 1]) {
    const at = (part) => `event.${row}.${part}`;
    const parts = ["what", "text", "date", "class", "serious", "outcome", "cause", "suspect"].map(at);
    if (!filled(form, parts)) continue;
    const wanted = ["what", "date", "class", "serious", "cause", "suspect"].map(at);
    if (!needed(form, wanted)) continue;
    const date = instant(text(at("date")));
    if (!date) {
      refuse(at("date"), "time");
      continue;
    }
    const suspect = text(at("suspect"));
    const instance = suspect.startsWith("treatment.") ? treated[suspect.slice("treatment.".length)] : suspect;
    if (!instance) {
      refuse(at("suspect"), "no-treatment");
      continue;
    }
    const class_ = text(at("class"));
    const from = (system, code) => ({ system: `${TERMINOLOGY}/${system}`, code });
    const event = coded(own("treatment-reaction", text(at("what"))));
    if (text(at("text"))) event.text = text(at("text"));
    add(at("what"), {
      resourceType: "AdverseEvent",
      meta: profile("treatment-adverse-event"),
      extension,
      actuality: "actual",
      event,
      subject,
      encounter: { reference: visit },
      date,
      recordedDate: start,
      seriousness: coded(from("adverse-event-seriousness", text(at("serious")))),
      severity: coded(from("adverse-event-severity", severities[class_]), own("adverse-event-class", class_)),
      ...(text(at("outcome")) ? { outcome: coded(from("adverse-event-outcome", text(at("outcome")))) } : {}),
      recorder: performer,
      suspectEntity: [{
        instance: { reference: instance },
        causality: [{ assessment: coded(from("adverse-event-causality-assess", text(at("cause")))) }],
      }],
    });
  }
}

// Fields flag.kind, flag.text.
function flags(form, { subject, visit, performer, start }) {
  const { text, add, coded, profile } = form;
  const parts = ["flag.kind", "flag.text"];
  if (!filled(form, parts) || !needed(form, parts)) return;
  add("flag.text", {
    resourceType: "Flag",
    meta: profile("episode-flag"),
    status: "active",
    category: [coded({ system: `${TERMINOLOGY}/flag-category`, code: text("flag.kind") })],
    code: { text: text("flag.text") },
    subject,
    period: { start },
    encounter: { reference: visit },
    author: performer,
  });
}

// Fields systolic, diastolic, in mm Hg.
function bloodPressure(form) {
  const { number, observation, coded, quantity, LOINC } = form;
  const parts = ["systolic", "diastolic"];
  if (!filled(form, parts) || !needed(form, parts)) return;
  const [systolic, diastolic] = [number("systolic", 30, 300), number("diastolic", 10, 250)];
  if (systolic === undefined || diastolic === undefined) return;
  const part = (code, value) => ({ code: coded({ system: LOINC, code }), valueQuantity: quantity(value, "mm[Hg]") });
  observation("systolic", "blood-pressure", "vital-signs", coded({ system: LOINC, code: "85354-9" }), {
    component: [part("8480-6", systolic), part("8462-4", diastolic)],
  });
}

// Fields exercise.<part>.
function exercise(form, { extension, subject, visit, performer, start }) {
  const { text, number, refuse, add, coded, quantity, profile, OWN } = form;
  const parts = ["text", "series", "repetitions", "hold", "often", "often-unit"].map((part) => `exercise.${part}`);
  if (!filled(form, parts.slice(0, 5)) || !needed(form, ["exercise.text"])) return;
  const dose = [];
  for (const name of ["series", "repetitions"]) {
    const value = number(`exercise.${name}`, 1, 1000, true);
    if (value !== undefined) dose.push({ url: name, valuePositiveInt: value });
  }
  const hold = number("exercise.hold", 1, 3600);
  if (hold !== undefined) dose.push({ url: "hold", valueQuantity: quantity(hold, "s") });
  const often = number("exercise.often", 0.1, 100);
  if (often !== undefined && text("exercise.often-unit") === "") refuse("exercise.often-unit", "needed");
  else if (often !== undefined) dose.push({ url: "frequency", valueQuantity: quantity(often, text("exercise.often-unit")) });
  add("exercise.text", {
    resourceType: "Procedure",
    meta: profile("exercise"),
    extension: dose.length === 0 ? extension : [...extension, { url: `${OWN}/StructureDefinition/exercise-dose`, extension: dose }],
    status: "completed",
    code: { ...coded({ system: SNOMED, code: "51998003" }), text: text("exercise.text") },
    subject,
    encounter: { reference: visit },
    performedDateTime: start,
    performer: [{ actor: performer }],
  });
}

// Segments as one writes them in a line: "C2-C3 left, C7-T1"; undefined where one cannot be read.
function segmentsOf(typed, known) {
  const parts = typed.replaceAll("\u2013", "-").split(/[,;]/).map((part) => part.trim()).filter(Boolean);
  const found = parts.map((part) => {
    const [segment, side, ...more] = part.split(/\s+/);
    const code = known.find((one) => one.toLowerCase() === segment.toLowerCase());
    const where = side === undefined ? null : SIDES[side.toLowerCase()];
    return code && where !== undefined && more.length === 0 ? { segment: code, side: where } : undefined;
  });
  return found.includes(undefined) ? undefined : found;
}

// Fields plan.treat and plan.leave: segments in a line; plan.text: what else is planned.
function plan(form, { extension, subject, visit, performer, start, about }, goals) {
  const { text, refuse, add, own, coded, profile, OWN } = form;
  const parts = ["plan.treat", "plan.leave", "plan.text"];
  if (!filled(form, parts)) return;
  const [treat, leave] = parts.slice(0, 2).map((name) => {
    const found = segmentsOf(text(name), about.segments);
    if (!found) refuse(name, "segment-list");
    return found ?? [];
  });
  // Rule spo-33 of the profile, told before anything is sent.
  const meets = (a, b) => a.segment === b.segment && (a.side === b.side || a.side === null || b.side === null || a.side === "both" || b.side === "both");
  if (treat.some((one) => leave.some((other) => meets(one, other)))) refuse("plan.leave", "both-ways");
  if (about.problems.length === 0) refuse("plan.text", "no-problem");
  if (goals.length === 0) refuse("plan.text", "no-goal");
  const site = ({ segment, side }) => ({
    url: `${OWN}/StructureDefinition/plan-segment`,
    valueCodeableConcept: {
      ...(side ? { extension: [{ url: `${OWN}/StructureDefinition/laterality`, valueCodeableConcept: coded(own("side", side)) }] } : {}),
      coding: [own("motion-segment", segment)],
    },
  });
  const activity = (segments, description, more) => ({
    detail: { ...(segments.length ? { extension: segments.map(site) } : {}), kind: "ServiceRequest", status: "scheduled", ...more, description },
  });
  const activities = [];
  if (treat.length > 0) activities.push(activity(treat, text("plan.treat"), {}));
  if (leave.length > 0) activities.push(activity(leave, text("plan.leave"), { doNotPerform: true }));
  if (text("plan.text")) activities.push(activity([], text("plan.text"), {}));
  add("plan.text", {
    resourceType: "CarePlan",
    meta: profile("spine-plan"),
    extension,
    ...(about.plans.length === 0 ? {} : { replaces: about.plans.map((reference) => ({ reference })) }),
    status: "active",
    intent: "plan",
    subject,
    encounter: { reference: visit },
    period: { start: start?.slice(0, 10) },
    created: start?.slice(0, 10),
    author: performer,
    addresses: about.problems.map((reference) => ({ reference })),
    goal: goals.map((reference) => ({ reference })),
    activity: activities,
  });
}

// Fields onward.<part>.
function onward(form, { extension, subject, visit, performer, start }) {
  const { text, add, coded, profile } = form;
  const names = ["service", "to", "priority", "reason"].map((part) => `onward.${part}`);
  if (!filled(form, [...names, "onward.question"]) || !needed(form, names)) return;
  add("onward.service", {
    resourceType: "ServiceRequest",
    meta: profile("onward-referral"),
    extension,
    status: "active",
    intent: "order",
    priority: text("onward.priority"),
    code: coded({ system: SNOMED, code: text("onward.service") }),
    subject,
    encounter: { reference: visit },
    authoredOn: start,
    requester: performer,
    performer: [/^[A-Za-z]+\/\S+$/.test(text("onward.to")) ? { reference: text("onward.to") } : { display: text("onward.to") }],
    reasonCode: [{ text: text("onward.reason") }],
    ...(text("onward.question") ? { note: [{ text: text("onward.question") }] } : {}),
  });
}

// Fields change.<Type>.<id>: what became of an adverse event, a goal, a flag.
function changes(form, { start }) {
  const { values, text, patch, coded } = form;
  const operation = (...parts) => ({ name: "operation", part: parts });
  const part = (name, value) => ({ name, ...value });
  const without = (path) => operation(part("type", { valueCode: "delete" }), part("path", { valueString: path }));
  const withNew = (path, name, value) =>
    operation(part("type", { valueCode: "add" }), part("path", { valueString: path }), part("name", { valueString: name }), part("value", value));
  const set = (path, name, value) => [without(`${path}.${name}`), withNew(path, name, value)];
  const concept = (system, code) => ({ valueCodeableConcept: coded({ system: `${TERMINOLOGY}/${system}`, code }) });
  const kinds = {
    AdverseEvent: (code) => set("AdverseEvent", "outcome", concept("adverse-event-outcome", code)),
    Goal: (code) => set("Goal", "achievementStatus", concept("goal-achievement", code)),
    Flag: () => [
      operation(part("type", { valueCode: "replace" }), part("path", { valueString: "Flag.status" }), part("value", { valueCode: "inactive" })),
      ...set("Flag.period", "end", { valueDateTime: start }),
    ],
  };
  for (const name of Object.keys(values)) {
    const found = /^change\.(AdverseEvent|Goal|Flag)\.(.+)$/.exec(name);
    if (!found || text(name) === "" || !start) continue;
    patch(name, `${found[1]}/${found[2]}`, kinds[found[1]](text(name)));
  }
}

if (typeof module !== "undefined") module.exports = { afterVisit, segmentsOf };
