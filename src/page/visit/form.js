// The visit form in the page: its draft, its keys, its sending. What is sent is made by `build.js`;
// it and `form.js` of all forms are loaded before.
"use strict";

document.addEventListener("DOMContentLoaded", () => {
  const form = document.getElementById("visit");
  if (form) attach(form);
});

// Joins the form to the draft, the keyboard and the server.
function attach(form) {
  const { api, episode, patient, performer } = form.dataset;
  const words = JSON.parse(form.dataset.words);
  const key = `spondyl-visit-${episode}`;
  const status = document.getElementById("visit-status");
  const list = document.getElementById("visit-refusals");
  const about = { episode, patient, performer, ...JSON.parse(form.dataset.about) };
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
      const value = draft.values[field.name];
      if (field.type === "checkbox") field.checked = value !== "";
      else field.value = value;
      // What is folded away and filled in is shown.
      if (value !== "") field.closest("details")?.setAttribute("open", "");
    }
    say(words.restored);
  };

  const { clear, show } = refusalsOn(form, list, (field) => form.elements.namedItem(field));

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
    const answer = await sendResource(api, bundle);
    if (!answer) {
      say(words.lost);
      return;
    }
    if (!answer.ok) {
      say(`${words.refused} (${answer.status})`);
      const issues = refusalsOf(answer.body, fields);
      show(issues.length > 0 ? issues : [{ text: `${words["no-reason"]} (${answer.status})` }]);
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

// Within a table of fields: up and down go to the same place in the next row of its kind, Enter to the
// next field.
function move(form, event) {
  const field = event.target;
  const row = field.closest("tr");
  const isText = field.tagName === "INPUT" && field.type === "text";
  if (!isText || !row) return;
  if (event.key === "Enter") {
    event.preventDefault();
    const all = [...form.querySelectorAll("input, select, textarea, button")];
    all[all.indexOf(field) + 1]?.focus();
  } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    const inRow = (one) => [...one.querySelectorAll("input, select")];
    const rows = [...form.querySelectorAll(`tr[data-row="${row.dataset.row}"]`)];
    const next = rows[rows.indexOf(row) + (event.key === "ArrowDown" ? 1 : -1)];
    const other = next && inRow(next)[inRow(row).indexOf(field)];
    if (other) {
      event.preventDefault();
      other.focus();
    }
  }
}
