// What every form does: tell its refusals, each at its field, and send a resource.
//
// Loaded before the script of the form. Which element a field is, the form says.
"use strict";

// The refusals of a form, told in a list above it and beside each field. find: the element of a field.
function refusalsOn(form, list, find) {
  const clear = () => {
    list.replaceChildren();
    list.hidden = true;
    for (const note of form.querySelectorAll(".refusal")) note.remove();
    for (const field of form.querySelectorAll("[aria-invalid]")) {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
  };
  const show = (refusals) => {
    list.hidden = refusals.length === 0;
    refusals.forEach(({ field, text }, at) => {
      const item = document.createElement("li");
      const element = field && find(field);
      if (element) {
        const note = document.createElement("span");
        [note.className, note.id, note.textContent] = ["refusal", `${list.id}-${at}`, text];
        element.after(note);
        element.setAttribute("aria-invalid", "true");
        element.setAttribute("aria-describedby", note.id);
        // What is folded away and refused is shown.
        element.closest("details")?.setAttribute("open", "");
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
  return { clear, show };
}

// What only a page of this server has, where somebody is signed in.
const csrf = () => document.querySelector("meta[name=csrf-token]")?.content;

// The answer to a resource that is sent, with its body where it has one; none where the connection was
// lost, so that nobody knows whether it arrived.
async function sendResource(url, resource) {
  let response;
  const token = csrf();
  try {
    response = await fetch(url, {
      method: "POST",
      headers: {
        "Content-Type": "application/fhir+json",
        Accept: "application/fhir+json",
        ...(token ? { "X-CSRF-Token": token } : {}),
      },
      body: JSON.stringify(resource),
    });
  } catch {
    return undefined;
  }
  const body = await response.json().catch(() => undefined);
  return { ok: response.ok, status: response.status, body };
}
