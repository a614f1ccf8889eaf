// The form that signs a letter: two steps, one request, every refusal at its field (by `form.js`,
// which is loaded before).
//
// `parametersOf` is pure: fields in, Parameters and refusals out. The request is JSON of FHIR, which a
// browser sends to another origin only if that one allows it, so no other site can sign from here. Once
// a letter is signed the form stays closed until the page is read again.
// Sources: schemas/operation/finalize-letter.json, http://hl7.org/fhir/R4/operations.html#executing,
// https://fetch.spec.whatwg.org/#cors-safelisted-request-header
"use strict";

const MOST_WORDS = 4000;

// values: attester, kind, language, words; replaces: references; read: whether the draft was read.
function parametersOf({ values, replaces, digest }) {
  const refusals = [];
  if (!values.attester) refusals.push({ field: "attester", rule: "who" });
  if ([...values.words].length > MOST_WORDS) refusals.push({ field: "words", rule: "too-long" });
  const parameter = [
    { name: "attester", valueReference: { reference: values.attester } },
    { name: "kind", valueCode: values.kind },
    { name: "language", valueCode: values.language },
    { name: "digest", valueUri: digest },
  ];
  if (values.words.trim()) parameter.push({ name: "words", valueString: values.words });
  for (const reference of replaces) parameter.push({ name: "replaces", valueReference: { reference } });
  return { body: { resourceType: "Parameters", parameter }, refusals };
}

// Each issue of an OperationOutcome with the field that it speaks of, where it names one.
function faultsOf(outcome) {
  const issues = Array.isArray(outcome?.issue) ? outcome.issue : [];
  return issues.map((issue) => {
    const place = [issue.expression].flat().find((part) => typeof part === "string") ?? "";
    const field = /^http\.(attester|kind|language|words|replaces)$/.exec(place)?.[1];
    return { field, text: issue.diagnostics || issue.details?.text || issue.code };
  });
}

// The references of an answer, by name.
function toldOf(answer) {
  const parts = Array.isArray(answer?.parameter) ? answer.parameter : [];
  return Object.fromEntries(parts.map((part) => [part.name, part.valueReference?.reference]));
}

function attachSigning(form) {
  const words = JSON.parse(form.dataset.words);
  const known = JSON.parse(form.dataset.letters);
  const part = (id) => document.getElementById(id);
  const [asked, confirm, status, list] = ["sign-asked", "sign-confirm", "sign-status", "sign-refusals"].map(part);
  let signed = false;
  const say = (text) => {
    status.textContent = text;
  };
  const read = () => ({
    values: Object.fromEntries(["attester", "kind", "language", "words"].map((name) => [name, part(name).value])),
    replaces: [...form.querySelectorAll("[name=replaces]:checked")].map((one) => one.value),
    digest: form.dataset.digest,
  });
  const find = (field) => part(field) ?? form.querySelector(`[name="${field}"]`);
  const { clear, show } = refusalsOn(form, list, find);
  const told = (refusals) => refusals.map(({ field, rule }) => ({ field, text: words[rule] ?? rule }));
  const step = (second) => {
    [asked.disabled, confirm.hidden] = [second, !second];
    part("read").checked = false;
  };

  const check = () => {
    clear();
    const now = read();
    const { refusals } = parametersOf(now);
    if (refusals.length > 0) {
      say(words["not-sent"]);
      show(told(refusals));
      return;
    }
    const chosen = (id) => part(id).selectedOptions[0].textContent;
    const lines = [words.sum.replace("{name}", chosen("attester")).replace("{kind}", chosen("kind")).replace("{language}", chosen("language"))];
    if (now.replaces.length > 0) lines.push(words["sum-replaces"].replace("{n}", now.replaces.length));
    if (now.values.words.trim()) lines.push(words["sum-words"]);
    part("sign-sum").textContent = lines.join(" ");
    step(true);
    say(words.check);
    part("sign-sum").focus();
  };
  const back = () => {
    step(false);
    clear();
    say("");
    part("attester").focus();
  };
  const finish = (answer) => {
    signed = true;
    confirm.hidden = true;
    const letter = toldOf(answer).letter;
    say(known.includes(letter) ? words.before : words.done);
    const link = document.createElement("a");
    [link.href, link.textContent] = [form.dataset.here, words.reload];
    status.append(" ", link);
    link.focus();
  };

  const sign = async () => {
    clear();
    if (!part("read").checked) {
      say(words["not-sent"]);
      show(told([{ field: "read", rule: "read" }]));
      return;
    }
    say(words.signing);
    const answer = await sendResource(form.dataset.operation, parametersOf(read()).body);
    if (!answer) {
      // Whether it arrived is not known; the same letter is not signed twice.
      say(words.lost);
      return;
    }
    if (answer.ok) {
      finish(answer.body);
      return;
    }
    const faults = faultsOf(answer.body);
    if (faults.some(({ field }) => field)) step(false);
    say(`${words.refused} (${answer.status})`);
    show(faults.length > 0 ? faults : [{ text: `${words["no-reason"]} (${answer.status})` }]);
  };

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!signed && confirm.hidden) check();
  });
  part("sign-back").addEventListener("click", back);
  const button = part("sign-now");
  button.addEventListener("click", () => {
    if (signed || button.disabled) return;
    button.disabled = true;
    sign().finally(() => {
      button.disabled = signed;
    });
  });
}

if (typeof document !== "undefined") {
  document.addEventListener("DOMContentLoaded", () => {
    const form = document.getElementById("sign");
    if (form) attachSigning(form);
  });
}
if (typeof module !== "undefined") module.exports = { parametersOf, faultsOf, toldOf };
