// From what was typed in the visit form to one transaction Bundle, and from an OperationOutcome back
// to the fields. Without any page: `form.js` joins it to one.
//
// `build` is pure: fields in, Bundle and refusals out. Each entry is a PUT under an id that the
// draft keeps, so that sending again after a lost connection stores nothing twice. Nothing is
// refused silently: what cannot be read is told before anything is sent, and every issue of the
// server is shown beside its field, or in the list.
// Sources: http://hl7.org/fhir/R4/http.html#transaction, http://hl7.org/fhir/R4/operationoutcome.html
"use strict";

const OWN = "https://spondyl.example/fhir";
const LOINC = "http://loinc.org";
const UCUM = "http://unitsofmeasure.org";
const CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category";
const EPISODE_LINK = "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare";
// In a page the other script is there already.
const furtherOf = typeof require === "undefined" ? (...all) => afterVisit(...all) : require("./after.js").afterVisit;
const CLASSES = { "-": "hypomobile", n: "normal", "+": "hypermobile" };
const GRADE_CLASSES = ["hypomobile", "hypomobile", "hypomobile", "normal", "hypermobile", "hypermobile", "hypermobile"];

const own = (system, code) => ({ system: `${OWN}/CodeSystem/${system}`, code });
const coded = (...coding) => ({ coding });
const quantity = (value, code) => ({ value, unit: code, system: UCUM, code });
const profile = (id) => ({ profile: [`${OWN}/StructureDefinition/${id}`] });

function site(segment, side) {
  return {
    extension: [{ url: `${OWN}/StructureDefinition/laterality`, valueCodeableConcept: coded(own("side", side)) }],
    coding: [own("motion-segment", segment)],
  };
}

// A draft: what was typed, by name; what it is about; ids that stay the same when it is sent again.
// Answers { bundle, fields, refusals }: fields[i] is the name of the field that entry i came from.
function build({ values, about, ids }) {
  const entries = [];
  const fields = [];
  const refusals = [];
  const refuse = (field, rule) => refusals.push({ field, rule });
  const text = (name) => (values[name] ?? "").trim();
  const add = (field, resource) => {
    const id = ids(field);
    const reference = `${resource.resourceType}/${id}`;
    entries.push({ resource: { ...resource, id }, request: { method: "PUT", url: reference } });
    fields.push(field);
    return reference;
  };
  // What is stored already, changed by one patch each.
  const patch = (field, url, parameter) => {
    entries.push({ resource: { resourceType: "Parameters", parameter }, request: { method: "PATCH", url } });
    fields.push(field);
  };
  // A number within bounds; undefined where nothing or something else was typed.
  const number = (name, least, most, whole = false) => {
    const typed = text(name).replace(",", ".");
    if (typed === "") return undefined;
    const value = /^-?\d+(\.\d+)?$/.test(typed) ? Number(typed) : NaN;
    if (!(value >= least && value <= most) || (whole && !Number.isInteger(value))) {
      refuse(name, whole ? "whole" : "number");
      return undefined;
    }
    return value;
  };

  const start = instant(text("start"));
  const end = text("end") === "" ? undefined : instant(text("end"));
  if (!start) refuse("start", "time");
  if (text("end") !== "" && (!end || end < start)) refuse("end", "end");
  if (!about.performer) refuse("start", "performer");
  const subject = { reference: about.patient };
  const performer = { reference: about.performer };
  const visit = add("start", {
    resourceType: "Encounter",
    meta: profile("spine-visit"),
    status: end ? "finished" : "in-progress",
    class: { system: "http://terminology.hl7.org/CodeSystem/v3-ActCode", code: "AMB" },
    subject,
    episodeOfCare: [{ reference: about.episode }],
    participant: [{ individual: performer }],
    period: end ? { start, end } : { start },
  });
  const extension = [{ url: EPISODE_LINK, valueReference: { reference: about.episode } }];
  const observation = (field, id, category, code, more) =>
    add(field, {
      resourceType: "Observation",
      meta: profile(id),
      extension,
      status: "final",
      category: [coded({ system: CATEGORY, code: category })],
      code,
      subject,
      encounter: { reference: visit },
      ...(more.effectivePeriod ? {} : { effectiveDateTime: start }),
      performer: [performer],
      ...more,
    });

  const finding = (code) => coded(own("finding", code));
  const linked = { extension: [{ url: `${OWN}/StructureDefinition/episode-link`, valueReference: { reference: about.episode } }] };
  screening({ values, text, observation, finding });
  consent({ text, add, refuse, linked, subject, start });
  const aim = goal({ text, number, add, refuse, linked, subject, start });
  const members = segments({ values, text, number, refuse, observation, finding });
  if (members.length > 0) {
    observation("segments", "segmental-examination", "exam", finding("segmental-examination"), {
      hasMember: members.map((reference) => ({ reference })),
    });
  }
  const common = { extension, subject, visit, performer, start, about };
  const treated = treatments({ values, text, number, refuse, add, common });
  disability({ text, number, refuse, observation });
  scores({ text, number, refuse, observation, finding, former: about.activities ?? [] });
  advice({ text, add, extension, subject, visit, performer, start });
  const form = { values, text, number, refuse, add, patch, observation, own, coded, quantity, profile, instant, OWN, LOINC };
  furtherOf(form, common, { treated, goals: [...(about.goals ?? []), ...(aim ? [aim] : [])] });
  if (entries.length === 1 && refusals.length === 0) refuse("start", "empty");
  return { bundle: { resourceType: "Bundle", type: "transaction", entry: entries }, fields, refusals };
}

// An instant with its offset, from what a field for local date and time holds.
function instant(local) {
  if (!/^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?$/.test(local)) return undefined;
  const date = new Date(local);
  if (Number.isNaN(date.getTime())) return undefined;
  const minutes = -date.getTimezoneOffset();
  const two = (n) => String(Math.floor(n)).padStart(2, "0");
  const seconds = local.length === 16 ? `${local}:00` : local;
  return `${seconds}${minutes < 0 ? "-" : "+"}${two(Math.abs(minutes) / 60)}:${two(Math.abs(minutes) % 60)}`;
}

// Fields named segment.<segment>.<side>: a grade 0-6, or -, n, + for a class alone, or x where it
// could not be tested; .pain after it: pain on the test; .feel: the end feel.
function segments({ values, text, number, refuse, observation, finding }) {
  const members = [];
  for (const name of Object.keys(values)) {
    const found = /^segment\.([^.]+)\.(left|right)$/.exec(name);
    if (!found) continue;
    const typed = text(name).replace("\u2212", "-");
    const pain = number(`${name}.pain`, 0, 10, true);
    const feel = text(`${name}.feel`);
    if (typed === "") {
      if (pain !== undefined) refuse(`${name}.pain`, "pain-without-grade");
      if (feel !== "") refuse(`${name}.feel`, "pain-without-grade");
      continue;
    }
    const class_ = CLASSES[typed] ?? (/^[0-6]$/.test(typed) ? GRADE_CLASSES[Number(typed)] : undefined);
    if (class_ === undefined && typed !== "x") {
      refuse(name, "grade");
      continue;
    }
    const coding = class_ ? [own("mobility-class", class_)] : [];
    if (/^[0-6]$/.test(typed)) coding.push(own("mobility-grade", typed));
    const component = [];
    if (pain !== undefined) component.push({ code: finding("pain-on-test"), valueInteger: pain });
    if (feel !== "") component.push({ code: finding("end-feel"), valueCodeableConcept: coded(own("end-feel", feel)) });
    const untested = coded({ system: "http://terminology.hl7.org/CodeSystem/data-absent-reason", code: "not-performed" });
    members.push(
      observation(name, "segmental-mobility", "exam", finding("segmental-mobility"), {
        ...(class_ ? { valueCodeableConcept: { coding } } : { dataAbsentReason: untested }),
        bodySite: site(found[1], found[2]),
        ...(text("test") ? { method: coded(own("test-method", text("test"))) } : {}),
        ...(component.length === 0 ? {} : { component }),
      }),
    );
  }
  return members;
}

// Fields named treatment.<row>.<part>; answers the references of what was done, by row.
function treatments({ values, text, number, refuse, add, common }) {
  const rows = new Set();
  for (const name of Object.keys(values)) {
    const found = /^treatment\.(\d+)\./.exec(name);
    if (found && text(name) !== "") rows.add(Number(found[1]));
  }
  const treated = {};
  for (const row of [...rows].sort((a, b) => a - b)) {
    const at = (part) => `treatment.${row}.${part}`;
    const part = (name) => text(at(name));
    for (const name of ["technique", "segment", "side"]) if (part(name) === "") refuse(at(name), "needed");
    const dose = [];
    const whole = (name) => {
      const value = number(at(name), 1, 10000, true);
      if (value !== undefined) dose.push({ url: name, valuePositiveInt: value });
    };
    if (part("grade")) dose.push({ url: "grade", valueCodeableConcept: coded(own("mobilisation-grade", part("grade"))) });
    whole("series");
    whole("oscillations");
    const [low, high] = [number(at("rate-low"), 0.1, 20), number(at("rate-high"), 0.1, 20)];
    if (high !== undefined && (low === undefined || low > high)) refuse(at("rate-high"), "range-order");
    else if (high !== undefined && high !== low) {
      dose.push({ url: "rate", valueRange: { low: quantity(low, "Hz"), high: quantity(high, "Hz") } });
    } else if (low !== undefined) dose.push({ url: "rate", valueQuantity: quantity(low, "Hz") });
    const seconds = number(at("duration"), 1, 3600);
    if (seconds !== undefined) dose.push({ url: "duration", valueQuantity: quantity(seconds, "s") });
    whole("repetitions");
    const concept = (name, system, url = name) => {
      if (part(name)) dose.push({ url, valueCodeableConcept: coded(own(system, part(name))) });
    };
    concept("direction", "force-direction");
    concept("contactPoint", "contact-point");
    concept("patientPosition", "patient-position");
    concept("movement", "finding");
    if (part("cavitation")) dose.push({ url: "cavitation", valueBoolean: part("cavitation") === "yes" });
    for (const lever of ["flexion", "lateral-flexion", "shift", "rotation"]) {
      if (part(lever)) dose.push({ url: "lever", valueCodeableConcept: coded(own("lever-component", lever)) });
    }
    // A segment that is left alone on purpose has a reason and no dose.
    const alone = part("alone");
    if (alone && dose.length > 0) refuse(at("alone"), "alone-with-dose");
    const reference = add(at("technique"), {
      resourceType: "Procedure",
      meta: profile("manual-therapy"),
      extension: dose.length === 0 ? common.extension : [
        ...common.extension,
        { url: `${OWN}/StructureDefinition/dose`, extension: dose },
      ],
      ...(alone ? { status: "not-done", statusReason: { text: alone } } : { status: "completed" }),
      code: coded(own("technique", part("technique"))),
      subject: common.subject,
      encounter: { reference: common.visit },
      performedDateTime: common.start,
      performer: [{ actor: common.performer }],
      bodySite: [site(part("segment"), part("side"))],
    });
    if (!alone) treated[row] = reference;
  }
  return treated;
}

// Fields disability, disability-unit, disability.item.<n>: the total, or the scores of the items by
// number. A missing item takes the mean of the others, two at most; the total is then a percentage.
// Source: the author's note on scoring, chiro.org/forms/NDI_Explain.shtml; two: common practice.
function disability({ text, number, refuse, observation }) {
  const codes = ["82227-0", "82228-8", "82229-6", "82230-4", "82231-2", "82232-0", "82233-8", "82234-6", "82235-3", "82236-1"];
  const scores = codes.map((code, at) => ({ code, score: number(`disability.item.${at + 1}`, 0, 5, true) }));
  const answered = scores.filter(({ score }) => score !== undefined);
  const inPercent = text("disability-unit") === "%";
  let total = number("disability", 0, inPercent ? 100 : 50);
  let unit = inPercent ? "%" : "{score}";
  const sum = answered.reduce((all, { score }) => all + score, 0);
  if (answered.length > 0 && answered.length < 8) refuse("disability.item.1", "items");
  else if (answered.length > 0 && total === undefined) {
    const all = answered.length === codes.length;
    [total, unit] = all ? [sum, "{score}"] : [Math.round((10000 * sum) / (5 * answered.length)) / 100, "%"];
  } else if (answered.length === codes.length && total !== (inPercent ? 2 * sum : sum)) refuse("disability", "sum");
  if (total === undefined) return;
  const component = answered.map(({ code, score }) => ({ code: coded({ system: LOINC, code }), valueInteger: score }));
  observation("disability", "disability-score", "survey", coded({ system: LOINC, code: "82237-9" }), {
    valueQuantity: quantity(total, unit),
    ...(component.length === 0 ? {} : { component }),
  });
}

// Fields screening.<item>: Y or N. An item without an answer was not asked, which is not a no.
function screening({ values, text, observation, finding }) {
  const items = Object.keys(values).filter((name) => name.startsWith("screening."));
  if (items.every((name) => text(name) === "")) return;
  const notAsked = coded({ system: "http://terminology.hl7.org/CodeSystem/data-absent-reason", code: "not-asked" });
  const answer = (code) => coded({ system: "http://terminology.hl7.org/CodeSystem/v2-0136", code });
  const positive = items.some((name) => text(name) === "Y");
  observation(items.find((name) => text(name) !== ""), "red-flag-screening", "exam", finding("red-flag-screening"), {
    valueCodeableConcept: coded(own("screening-result", positive ? "item-positive" : "no-item-positive")),
    component: items.map((name) => ({
      code: coded(own("screening-item", name.slice("screening.".length))),
      ...(text(name) === "" ? { dataAbsentReason: notAsked } : { valueCodeableConcept: answer(text(name)) }),
    })),
  });
}

// Fields consent, consent-covers, consent-form, consent.<what was explained>.
function consent({ text, add, refuse, linked, subject, start }) {
  const parts = ["nature", "benefit", "risk", "alternatives", "questions"];
  const explained = parts.filter((part) => text(`consent.${part}`)).map((part) => ({ url: part, valueBoolean: true }));
  const more = text("consent-covers") !== "" || text("consent-form") !== "" || explained.length > 0;
  if (text("consent") === "") {
    if (more) refuse("consent", "needed");
    return;
  }
  if (text("consent-covers") === "") refuse("consent-covers", "needed");
  const given = text("consent") === "given";
  const form = { system: "http://terminology.hl7.org/CodeSystem/v3-ParticipationMode", code: text("consent-form") };
  const extension = [...linked.extension];
  if (explained.length > 0) extension.push({ url: `${OWN}/StructureDefinition/consent-explained`, extension: explained });
  if (form.code) extension.push({ url: `${OWN}/StructureDefinition/consent-form`, valueCodeableConcept: coded(form) });
  add("consent", {
    resourceType: "Consent",
    meta: profile("treatment-consent"),
    extension,
    status: given ? "active" : "rejected",
    scope: coded({ system: "http://terminology.hl7.org/CodeSystem/consentscope", code: "treatment" }),
    category: [coded({ system: LOINC, code: "59284-0" })],
    patient: subject,
    dateTime: start,
    performer: [subject],
    policyRule: { text: "Consent to treatment as local law asks" },
    provision: { type: given ? "permit" : "deny", code: [{ text: text("consent-covers") }] },
  });
}

// Fields goal.text, goal.measure, goal.value, goal.due; answers the reference of the goal.
function goal({ text, number, add, refuse, linked, subject, start }) {
  const parts = ["text", "measure", "value", "due"].map((part) => `goal.${part}`);
  if (parts.every((name) => text(name) === "")) return undefined;
  const missing = parts.filter((name) => text(name) === "");
  missing.forEach((name) => refuse(name, "needed"));
  const measures = {
    ndi: { code: { system: LOINC, code: "82237-9" }, unit: "%", most: 100, bound: "high" },
    pain: { code: { system: LOINC, code: "72514-3" }, unit: "{score}", most: 10, bound: "high" },
    psfs: { code: own("finding", "psfs-score"), unit: "{score}", most: 10, bound: "low" },
    habit: { code: own("finding", "self-manipulation-frequency"), unit: "/d", most: 1000, bound: "high" },
  };
  const measure = measures[text("goal.measure")];
  const value = number("goal.value", 0, measure?.most ?? 1000);
  if (missing.length > 0 || value === undefined || !start) return undefined;
  return add("goal.text", {
    resourceType: "Goal",
    meta: profile("spine-goal"),
    extension: linked.extension,
    lifecycleStatus: "active",
    category: [coded({ system: "http://terminology.hl7.org/CodeSystem/goal-category", code: "physiotherapy" })],
    description: { text: text("goal.text") },
    subject,
    startDate: start.slice(0, 10),
    target: [{
      measure: coded(measure.code),
      detailRange: { [measure.bound]: quantity(value, measure.unit) },
      dueDate: text("goal.due"),
    }],
  });
}

// Field advice: what the patient was told.
function advice({ text, add, extension, subject, visit, performer, start }) {
  if (text("advice") === "") return;
  add("advice", {
    resourceType: "Communication",
    meta: profile("advice"),
    extension,
    status: "completed",
    category: [coded({ system: "http://terminology.hl7.org/CodeSystem/communication-category", code: "instruction" })],
    subject,
    topic: coded({ system: "http://snomed.info/sct", code: "225967005" }),
    encounter: { reference: visit },
    sent: start,
    recipient: [subject],
    sender: performer,
    payload: [{ contentString: text("advice") }],
  });
}

// Pain, activities, rating of change, ranges of motion, self-manipulation.
// The names of the activities that were scored last stand in the form; without a score they are not
// scored today.
function scores({ text, number, refuse, observation, finding, former }) {
  for (const kind of ["now", "at-rest", "worst", "average", "provoked"]) {
    const pain = number(`pain-${kind}`, 0, 10);
    if (pain === undefined) continue;
    const code = coded({ system: LOINC, code: "72514-3" }, own("finding", `pain-${kind}`));
    observation(`pain-${kind}`, "pain-intensity", "survey", code, { valueQuantity: quantity(pain, "{score}") });
  }
  const activities = [];
  for (const at of [1, 2, 3, 4, 5]) {
    const score = number(`activity.${at}.score`, 0, 10);
    const name = text(`activity.${at}.name`);
    if (score === undefined && name === (former[at - 1] ?? "").trim() && text(`activity.${at}.score`) === "") continue;
    if ((score === undefined) !== (name === "")) refuse(`activity.${at}.${name ? "score" : "name"}`, "needed");
    else if (name) activities.push({ name, score });
  }
  if (activities.length > 0) {
    const mean = activities.reduce((sum, { score }) => sum + score, 0) / activities.length;
    observation("activity.1.name", "function-score", "survey", finding("psfs-score"), {
      valueQuantity: quantity(Math.round(mean * 100) / 100, "{score}"),
      component: activities.map(({ name, score }) => ({
        code: { ...finding("psfs-activity"), text: name },
        valueQuantity: quantity(score, "{score}"),
      })),
    });
  }
  const change = number("change", -7, 7, true);
  if (change !== undefined) {
    observation("change", "global-rating-of-change", "survey", finding("global-rating-of-change"), { valueInteger: change });
  }
  const movements = ["flexion", "extension", "lateral-flexion-left", "lateral-flexion-right", "rotation-left", "rotation-right"];
  const tests = ["flexion-rotation-test-left", "flexion-rotation-test-right"];
  for (const movement of [...movements, ...tests]) {
    const degrees = number(`range.${movement}`, 0, 180);
    if (degrees === undefined) continue;
    const isTest = tests.includes(movement);
    const mode = isTest ? "passive" : text("range-mode") || "active";
    const code = finding(isTest ? movement : `cervical-${movement}`);
    observation(`range.${movement}`, isTest ? "flexion-rotation-test" : "range-of-motion", "exam", code, {
      valueQuantity: quantity(degrees, "deg"),
      method: coded(own("motion-mode", mode)),
    });
  }
  const habit = number("habit", 0, 10000);
  const [from, to] = [text("habit-from"), text("habit-to")];
  const urge = number("habit-urge", 0, 10, true);
  if (habit === undefined) {
    if (urge !== undefined) refuse("habit", "needed");
    return;
  }
  if ((from === "") !== (to === "") || from > to) refuse(from ? "habit-to" : "habit-from", "period");
  observation("habit", "self-manipulation-frequency", "social-history", finding("self-manipulation-frequency"), {
    ...(from && to ? { effectivePeriod: { start: from, end: to } } : {}),
    valueQuantity: quantity(habit, "/d"),
    ...(urge === undefined ? {} : { component: [{ code: coded(own("finding", "self-manipulation-urge")), valueInteger: urge }] }),
  });
}

// Each issue of an OperationOutcome with the field that its entry came from, where it names one.
function refusalsOf(outcome, fields) {
  const issues = Array.isArray(outcome?.issue) ? outcome.issue : [];
  return issues.map((issue) => {
    const place = [issue.expression, issue.location].flat().filter((part) => typeof part === "string").join(" ");
    const entry = /entry\[(\d+)\]/.exec(`${place} ${issue.diagnostics ?? ""}`);
    const words = [issue.details?.text, issue.diagnostics].filter(Boolean).join(" ") || issue.code;
    return { field: entry ? fields[Number(entry[1])] : undefined, text: place ? `${words} (${place})` : words, severity: issue.severity };
  });
}

if (typeof module !== "undefined") module.exports = { build, instant, refusalsOf };
