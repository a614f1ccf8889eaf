// The visit form: from what was typed to one transaction Bundle, and back to each refusal.
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
  const members = segments({ values, text, number, refuse, observation, finding });
  if (members.length > 0) {
    observation("segments", "segmental-examination", "exam", finding("segmental-examination"), {
      hasMember: members.map((reference) => ({ reference })),
    });
  }
  treatments({ values, text, number, refuse, add, common: { extension, subject, visit, performer, start } });
  scores({ text, number, refuse, observation, finding });
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
// could not be tested; segment.<segment>.<side>.pain: pain on the test.
function segments({ values, text, number, refuse, observation, finding }) {
  const members = [];
  for (const name of Object.keys(values)) {
    const found = /^segment\.([^.]+)\.(left|right)$/.exec(name);
    if (!found) continue;
    const typed = text(name).replace("\u2212", "-");
    const pain = number(`${name}.pain`, 0, 10, true);
    if (typed === "") {
      if (pain !== undefined) refuse(`${name}.pain`, "pain-without-grade");
      continue;
    }
    const class_ = CLASSES[typed] ?? (/^[0-6]$/.test(typed) ? GRADE_CLASSES[Number(typed)] : undefined);
    if (class_ === undefined && typed !== "x") {
      refuse(name, "grade");
      continue;
    }
    const coding = class_ ? [own("mobility-class", class_)] : [];
    if (/^[0-6]$/.test(typed)) coding.push(own("mobility-grade", typed));
    const untested = coded({ system: "http://terminology.hl7.org/CodeSystem/data-absent-reason", code: "not-performed" });
    members.push(
      observation(name, "segmental-mobility", "exam", finding("segmental-mobility"), {
        ...(class_ ? { valueCodeableConcept: { coding } } : { dataAbsentReason: untested }),
        bodySite: site(found[1], found[2]),
        ...(text("test") ? { method: coded(own("test-method", text("test"))) } : {}),
        ...(pain === undefined ? {} : { component: [{ code: finding("pain-on-test"), valueInteger: pain }] }),
      }),
    );
  }
  return members;
}

// Fields named treatment.<row>.<part>.
function treatments({ values, text, number, refuse, add, common }) {
  const rows = new Set();
  for (const name of Object.keys(values)) {
    const found = /^treatment\.(\d+)\./.exec(name);
    if (found && text(name) !== "") rows.add(Number(found[1]));
  }
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
    for (const lever of ["flexion", "lateral-flexion", "shift", "rotation"]) {
      if (part(lever)) dose.push({ url: "lever", valueCodeableConcept: coded(own("lever-component", lever)) });
    }
    add(at("technique"), {
      resourceType: "Procedure",
      meta: profile("manual-therapy"),
      extension: dose.length === 0 ? common.extension : [
        ...common.extension,
        { url: `${OWN}/StructureDefinition/dose`, extension: dose },
      ],
      status: "completed",
      code: coded(own("technique", part("technique"))),
      subject: common.subject,
      encounter: { reference: common.visit },
      performedDateTime: common.start,
      performer: [{ actor: common.performer }],
      bodySite: [site(part("segment"), part("side"))],
    });
  }
}

// Scores, ranges of motion, self-manipulation.
function scores({ text, number, refuse, observation, finding }) {
  const percent = text("disability-unit") === "%";
  const disability = number("disability", 0, percent ? 100 : 50);
  if (disability !== undefined) {
    observation("disability", "disability-score", "survey", coded({ system: LOINC, code: "82237-9" }), {
      valueQuantity: quantity(disability, percent ? "%" : "{score}"),
    });
  }
  for (const kind of ["now", "worst"]) {
    const pain = number(`pain-${kind}`, 0, 10);
    if (pain === undefined) continue;
    const code = coded({ system: LOINC, code: "72514-3" }, own("finding", `pain-${kind}`));
    observation(`pain-${kind}`, "pain-intensity", "survey", code, { valueQuantity: quantity(pain, "{score}") });
  }
  const activities = [];
  for (const at of [1, 2, 3]) {
    const score = number(`activity.${at}.score`, 0, 10);
    const name = text(`activity.${at}.name`);
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
  for (const movement of ["flexion", "extension", "lateral-flexion-left", "lateral-flexion-right", "rotation-left", "rotation-right"]) {
    const degrees = number(`range.${movement}`, 0, 180);
    if (degrees === undefined) continue;
    observation(`range.${movement}`, "range-of-motion", "exam", finding(`cervical-${movement}`), {
      valueQuantity: quantity(degrees, "deg"),
      method: coded(own("motion-mode", "active")),
    });
  }
  const habit = number("habit", 0, 10000);
  const [from, to] = [text("habit-from"), text("habit-to")];
  if (habit === undefined) {
    return;
  }
  if ((from === "") !== (to === "") || from > to) refuse(from ? "habit-to" : "habit-from", "period");
  observation("habit", "self-manipulation-frequency", "social-history", finding("self-manipulation-frequency"), {
    ...(from && to ? { effectivePeriod: { start: from, end: to } } : {}),
    valueQuantity: quantity(habit, "/d"),
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

if (typeof document !== "undefined") {
  document.addEventListener("DOMContentLoaded", () => {
    const form = document.getElementById("visit");
    if (form) attach(form);
  });
}

// Joins the form to the draft, the keyboard and the server.
function attach(form) {
  const { api, episode, patient, performer } = form.dataset;
  const words = JSON.parse(form.dataset.words);
  const key = `spondyl-visit-${episode}`;
  const status = document.getElementById("visit-status");
  const list = document.getElementById("visit-refusals");
  const about = { episode, patient, performer };
  let ids = {};
  const say = (text, link) => {
    status.textContent = text;
    if (link) {
      const anchor = document.createElement("a");
      [anchor.href, anchor.textContent] = [link, words.open];
      status.append(" ", anchor);
    }
  };
  const fieldsOf = () => [...form.elements].filter((element) => element.name);
  const values = () =>
    Object.fromEntries(fieldsOf().map((f) => [f.name, f.type === "checkbox" ? (f.checked ? "yes" : "") : f.value]));
  const keep = () => {
    try {
      localStorage.setItem(key, JSON.stringify({ values: values(), ids }));
      return true;
    } catch {
      say(words["no-draft"]);
      return false;
    }
  };
  const idOf = (field) => (ids[field] ??= crypto.randomUUID());

  const restore = () => {
    let draft;
    try {
      draft = JSON.parse(localStorage.getItem(key) ?? "null");
    } catch {
      say(words["no-draft"]);
    }
    if (!draft) return;
    ids = draft.ids ?? {};
    for (const field of fieldsOf()) {
      if (!(field.name in draft.values)) continue;
      if (field.type === "checkbox") field.checked = draft.values[field.name] !== "";
      else field.value = draft.values[field.name];
    }
    say(words.restored);
  };

  const clear = () => {
    list.replaceChildren();
    list.hidden = true;
    for (const note of form.querySelectorAll(".refusal")) note.remove();
    for (const field of fieldsOf()) {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
  };
  const show = (refusals) => {
    list.hidden = refusals.length === 0;
    refusals.forEach(({ field, text }, at) => {
      const item = document.createElement("li");
      const element = field && form.elements.namedItem(field);
      if (element) {
        const note = document.createElement("span");
        [note.className, note.id, note.textContent] = ["refusal", `refusal-${at}`, text];
        element.after(note);
        element.setAttribute("aria-invalid", "true");
        element.setAttribute("aria-describedby", note.id);
        const link = document.createElement("a");
        [link.href, link.textContent] = [`#${element.id}`, text];
        link.addEventListener("click", (event) => {
          event.preventDefault();
          element.focus();
        });
        item.append(link);
      } else item.textContent = text;
      list.append(item);
    });
    if (refusals.length > 0) list.focus();
  };

  const send = async () => {
    clear();
    const { bundle, fields, refusals } = build({ values: values(), about, ids: idOf });
    keep();
    if (refusals.length > 0) {
      say(words["not-sent"]);
      show(refusals.map(({ field, rule }) => ({ field, text: words[rule] ?? rule })));
      return;
    }
    say(words.sending);
    let response;
    try {
      response = await fetch(api, {
        method: "POST",
        headers: { "Content-Type": "application/fhir+json", Accept: "application/fhir+json" },
        body: JSON.stringify(bundle),
      });
    } catch {
      say(words.lost);
      return;
    }
    const body = await response.json().catch(() => undefined);
    if (!response.ok) {
      say(`${words.refused} (${response.status})`);
      const issues = refusalsOf(body, fields);
      show(issues.length > 0 ? issues : [{ text: `${words["no-reason"]} (${response.status})` }]);
      return;
    }
    localStorage.removeItem(key);
    ids = {};
    form.reset();
    say(words.stored.replace("{n}", bundle.entry.length), form.dataset.episodePage);
  };

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = form.querySelector("[type=submit]");
    button.disabled = true;
    send().finally(() => {
      button.disabled = false;
    });
  });
  form.addEventListener("input", keep);
  window.addEventListener("offline", () => say(words.lost));
  window.addEventListener("online", () => say(words.back));
  form.addEventListener("keydown", (event) => move(form, event));
  const now = new Date(Date.now() - new Date().getTimezoneOffset() * 60000);
  form.elements.namedItem("start").defaultValue = now.toISOString().slice(0, 16);
  restore();
}

// Within a table of fields: up and down go to the same column of the next row, Enter to the next field.
function move(form, event) {
  const field = event.target;
  const row = field.closest("tr");
  if (field.tagName !== "INPUT" || field.type === "checkbox" || !row) return;
  const column = [...row.querySelectorAll("input, select")].indexOf(field);
  if (event.key === "Enter") {
    event.preventDefault();
    const all = [...form.querySelectorAll("input, select, button")];
    all[all.indexOf(field) + 1]?.focus();
  } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    const other = event.key === "ArrowDown" ? row.nextElementSibling : row.previousElementSibling;
    const next = other?.querySelectorAll("input, select")[column];
    if (next) {
      event.preventDefault();
      next.focus();
    }
  }
}
