// The pages in a real browser: a therapist fills in a visit, sees the segment map change and prints
// the letter; an auditor works with the audit (audit_pages.mjs); every page is looked through by axe-core.
//
//     browser.mjs BASE FOLDER     BASE is the server's root; FOLDER holds node_modules, takes pictures
//
// Needs Chromium: the one that CHROMIUM names, else the first of the usual names.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { existsSync, readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { audit } from "./audit_pages.mjs";

const [base, folder] = process.argv.slice(2);
const { default: puppeteer } = await import(createRequire(join(folder, "x.js")).resolve("puppeteer-core"));
const axe = readFileSync(join(folder, "node_modules/axe-core/axe.min.js"), "utf8");
const names = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
const executablePath = process.env.CHROMIUM ?? names.find(existsSync);
assert.ok(executablePath, "no Chromium is installed; CHROMIUM may name one");
const browser = await puppeteer.launch({ executablePath, args: ["--no-sandbox"], headless: true });
let checks = 0;
const check = (what, holds) => {
  checks += 1;
  assert.ok(holds, what);
};

const EPISODE = "demo-evanne-episode";
const root = base.replace(/\/fhir$/, "");
const api = async (path, init) => {
  const answer = await fetch(`${root}/fhir${path}`, init);
  return { status: answer.status, body: await answer.json() };
};

// A page as people get it: its policy in force, its errors told.
async function open(path, width = 1280) {
  const page = await browser.newPage();
  const faults = [];
  page.on("pageerror", (error) => faults.push(error.message));
  page.on("console", (message) => message.type() === "error" && faults.push(message.text()));
  await page.setViewport({ width, height: 900 });
  await page.goto(root + path, { waitUntil: "load" });
  return { page, faults };
}

// What axe-core finds serious, in the page as it stands. The policy lets no script in, so axe is run in
// a page of the same content without it.
async function accessible(path, act = async () => {}) {
  const page = await browser.newPage();
  await page.setBypassCSP(true);
  await page.goto(root + path, { waitUntil: "load" });
  await act(page);
  await page.evaluate(axe);
  const { violations, passes } = await page.evaluate(() => globalThis.axe.run(document));
  const serious = violations.filter(({ impact }) => ["serious", "critical"].includes(impact));
  const told = serious.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.target).join(" ")}`);
  assert.deepEqual(told, [], path);
  check(`${path} was looked through`, passes.length > 10);
  // What was typed is a draft that the next page would find.
  await page.evaluate(() => localStorage.clear());
  await page.close();
}

async function everyPage() {
  const letter = `/fhir/EpisodeOfCare/${EPISODE}/$episode-summary?_format=text/html`;
  const pages = ["/", "/patients/demo-evanne", `/episodes/${EPISODE}`, `/episodes/${EPISODE}?language=de`,
    `/episodes/${EPISODE}/visit`, `/episodes/${EPISODE}/visit?language=de`, letter, `${letter}&language=de`,
    `/episodes/${EPISODE}/letters`, `/episodes/${EPISODE}/letters?language=de`,
    "/episodes/none", "/fhir/Patient?birthdate=soon", "/episodes/none?language=de"];
  for (const path of pages) {
    await accessible(path);
    for (const width of [1280, 390]) {
      const { page, faults } = await open(path, width);
      // A page of a fault is told in the console by its status, and by nothing else.
      assert.deepEqual(faults.filter((fault) => !/status of 40[04]/.test(fault)), [], path);
      const wider = await page.evaluate(() => document.documentElement.scrollWidth > document.documentElement.clientWidth);
      check(`${path} fits ${width} pixels`, !wider);
      await page.close();
    }
  }
  // A form with refusals shown, and all that is folded away opened.
  await accessible(`/episodes/${EPISODE}/visit`, async (page) => {
    await page.type("#pain-now", "11");
    await page.click("[type=submit]");
    await page.$$eval("details", (all) => all.forEach((one) => one.setAttribute("open", "")));
  });
}

const set = async (page, name, value) => {
  const field = await page.$(`[name="${name}"]`);
  const kind = await field.evaluate((one) => (one.tagName === "SELECT" ? "select" : one.type));
  if (kind === "select") await page.select(`[name="${name}"]`, value);
  else if (kind === "checkbox") await field.click();
  else if (kind === "text" || kind === "textarea") {
    // What the form names already is typed over.
    await field.evaluate((one) => (one.value = ""));
    await field.type(value);
  } else {
    await field.evaluate((one, typed) => {
      one.value = typed;
      one.dispatchEvent(new Event("input", { bubbles: true }));
    }, value);
  }
};
const marks = (page, segment) =>
  page.$$eval("table.words tbody tr", (rows, wanted) => {
    const row = rows.find((one) => one.querySelector("th").textContent === wanted);
    return row ? [...row.querySelectorAll("td")].map((cell) => cell.textContent) : [];
  }, segment);

async function visit() {
  const before = await open(`/episodes/${EPISODE}`);
  const marksBefore = await marks(before.page, "C1-C2");
  await before.page.close();

  const { page, faults } = await open(`/episodes/${EPISODE}/visit`);
  await page.$$eval("details", (all) => all.forEach((one) => one.setAttribute("open", "")));
  await set(page, "start", "2026-11-23T09:00");
  await set(page, "end", "2026-11-23T09:40");

  // What cannot be read is told at its field before anything is sent.
  await set(page, "segment.C1-C2.left", "9");
  await page.click("[type=submit]");
  await page.waitForSelector("[aria-invalid]");
  check("the field is marked", await page.$eval('[name="segment.C1-C2.left"]', (one) => one.getAttribute("aria-invalid") === "true"));
  check("the fault is in the list", await page.$$eval("#visit-refusals li a", (all) => all.length === 1));
  await page.$eval('[name="segment.C1-C2.left"]', (one) => (one.value = ""));

  // Keyboard: from one segment to the next with the arrow, to the next field with Enter.
  await page.focus('[name="segment.C1-C2.left"]');
  await page.keyboard.type("3");
  await page.keyboard.press("ArrowDown");
  check("down is the next segment", await page.evaluate(() => document.activeElement.name === "segment.C2-C3.left"));
  await page.keyboard.type("2");
  await page.keyboard.press("Enter");
  check("Enter is the next field", await page.evaluate(() => document.activeElement.name === "segment.C2-C3.left.pain"));
  await page.keyboard.type("4");
  const values = {
    "segment.C2-C3.left.feel": "hard", "segment.C1-C2.right": "3", test: "paivm-unilateral-pa",
    "screening.cancer": "N", "screening.recent-trauma": "N",
    consent: "given", "consent-covers": "mobilisation of the neck", "consent-form": "VERBAL", "consent.nature": "", "consent.risk": "",
    "treatment.0.technique": "oscillatory-mobilisation", "treatment.0.segment": "C2-C3", "treatment.0.side": "left",
    "treatment.0.grade": "III", "treatment.0.series": "3", "treatment.0.oscillations": "10", "treatment.0.rate-low": "1",
    "treatment.0.rate-high": "2", "treatment.0.direction": "unilateral-posteroanterior", "treatment.0.contactPoint": "articular-pillar",
    "treatment.0.patientPosition": "prone",
    "treatment.1.technique": "oscillatory-mobilisation", "treatment.1.segment": "C3-C4", "treatment.1.side": "both",
    "treatment.1.alone": "graded hypermobile",
    disability: "8", "pain-now": "2", change: "5", "activity.1.name": "reading", "activity.1.score": "7", "range.rotation-left": "66",
    "event.0.what": "local-soreness", "event.0.text": "sore for a day", "event.0.date": "2026-11-20T20:00", "event.0.class": "mild",
    "event.0.serious": "Non-serious", "event.0.cause": "Possible", "event.0.suspect": "treatment.0",
    "flag.kind": "clinical", "flag.text": "waits for an image", systolic: "118", diastolic: "76",
    "plan.treat": "C2-C3 left", "plan.leave": "C3-C4", "plan.text": "See again in two weeks",
    "exercise.text": "turning while lying", "exercise.series": "2", "exercise.repetitions": "10", "exercise.often": "3", "exercise.often-unit": "/d",
    "onward.service": "183561008", "onward.to": "Dr Iva Somebody", "onward.priority": "routine", "onward.reason": "blood pressure",
    "pain-provoked": "4", "range.flexion-rotation-test-left": "38", "habit-urge": "3",
    habit: "0", "habit-from": "2026-11-17", "habit-to": "2026-11-22", advice: "Keep counting.",
    "goal.text": "Read for an hour", "goal.measure": "psfs", "goal.value": "8", "goal.due": "2026-12-21",
  };
  for (const [name, value] of Object.entries(values)) await set(page, name, value);

  // The connection is lost: the draft stays, also over a new start of the page.
  await page.setOfflineMode(true);
  await page.click("[type=submit]");
  await page.waitForFunction(() => /No connection/.test(document.getElementById("visit-status").textContent));
  await page.setOfflineMode(false);
  await page.reload({ waitUntil: "load" });
  check("the draft is back", await page.$eval("[name=advice]", (one) => one.value === "Keep counting."));
  check("choices too", await page.$eval('[name="treatment.0.contactPoint"]', (one) => one.value === "articular-pillar"));
  check("and marks", await page.$eval('[name="consent.risk"]', (one) => one.checked));

  // The server refuses: its issue stands at the field, nothing was stored.
  const versions = (await api("/_history?_count=1")).body.entry[0].fullUrl;
  await page.select('[name="treatment.0.grade"]', "V");
  await page.click("[type=submit]");
  await page.waitForFunction(() => document.querySelectorAll("#visit-refusals li").length > 0);
  check("it is told that the server refused", await page.$eval("#visit-status", (one) => /refused/.test(one.textContent)));
  check("the issue is at its field", await page.$eval('[name="treatment.0.technique"]', (one) => one.getAttribute("aria-invalid") === "true"));
  check("nothing was stored", (await api("/_history?_count=1")).body.entry[0].fullUrl === versions);
  await page.select('[name="treatment.0.grade"]', "III");

  await page.click("[type=submit]");
  await page.waitForFunction(() => /^Stored/.test(document.getElementById("visit-status").textContent), { timeout: 10000 }).catch(async () => {
    assert.fail(await page.$eval("#visit", (one) => one.querySelector("#visit-status").textContent + one.querySelector("#visit-refusals").textContent));
  });
  const link = await page.$eval("#visit-status a", (one) => one.getAttribute("href"));
  check("it leads to the episode", link === `/episodes/${EPISODE}`);
  // The two refusals that were made on purpose are told in the console as well.
  check("nothing else went wrong", faults.every((fault) => /422|ERR_INTERNET_DISCONNECTED/.test(fault)));
  await page.close();

  const after = await open(link);
  const marksAfter = await marks(after.page, "C1-C2");
  check("the map has one more visit", marksAfter.length === marksBefore.length + 1);
  check("both sides are normal now", /L normal/.test(marksAfter.at(-1)) && /R normal/.test(marksAfter.at(-1)));
  const text = await after.page.$eval("main", (one) => one.innerText);
  for (const words of ["Keep counting.", "Read for an hour", "mobilisation of the neck", "graded hypermobile",
    "sore for a day", "waits for an image", "118/76", "See again in two weeks", "turning while lying", "Dr Iva Somebody"]) check(words, text.includes(words));
  await after.page.screenshot({ path: join(folder, "episode-after-visit.png") });
  await after.page.close();
}

// Stored by the form, each resource is what its profile asks; and sent again it is refused nowhere.
async function stored() {
  const { body } = await api(`/Observation?_count=100&episode-of-care=EpisodeOfCare/${EPISODE}&date=2026-11-23`);
  check("observations of the visit", body.entry.length >= 9);
  for (const { resource } of body.entry) {
    const { body: outcome } = await api(`/Observation/${resource.id}/$validate`, { method: "POST" });
    const errors = outcome.issue.filter(({ severity }) => severity === "error");
    assert.deepEqual(errors, [], resource.id);
  }
}

// At the next visit: activities are named, what was recorded is told how it went on, by patches.
async function nextVisit() {
  const { page, faults } = await open(`/episodes/${EPISODE}/visit`);
  check("the activity is named", await page.$eval('[name="activity.1.name"]', (one) => one.value === "reading"));
  const change = (kind) => page.$eval(`[name^="change.${kind}."]`, (one) => one.name);
  const [event, flag, goal] = [await change("AdverseEvent"), await change("Flag"), await change("Goal")];
  const values = { start: "2026-11-24T09:00", "pain-now": "1", [event]: "resolved", [flag]: "inactive", [goal]: "achieved" };
  await page.$$eval("details", (all) => all.forEach((one) => one.setAttribute("open", "")));
  for (const [name, value] of Object.entries(values)) await set(page, name, value);
  await page.click("[type=submit]");
  await page.waitForFunction(() => /^Stored|refused/.test(document.getElementById("visit-status").textContent), { timeout: 10000 });
  check("it is stored", await page.$eval("#visit", (one) => one.querySelector("#visit-status").textContent.startsWith("Stored")));
  assert.deepEqual(faults, []);
  const target = (name) => `/${name.split(".")[1]}/${name.split(".").slice(2).join(".")}`;
  check("the event has an outcome", (await api(target(event))).body.outcome.coding[0].code === "resolved");
  const ended = (await api(target(flag))).body;
  check("the warning has ended", ended.status === "inactive" && ended.period.end.startsWith("2026-11-24"));
  check("the goal is achieved", (await api(target(goal))).body.achievementStatus.coding[0].code === "achieved");
  await page.close();
}

// Who signs, twice asked; a refusal in place; the letter in the list; never twice.
async function sign() {
  const path = `/episodes/${EPISODE}/letters`;
  const { page, faults } = await open(path);
  await page.click("#sign-check");
  check("nobody signs: told at the field", await page.$eval("#attester", (one) => one.getAttribute("aria-invalid") === "true"));
  check("and in the list, which has the focus", await page.evaluate(() => document.activeElement.id === "sign-refusals"));
  const who = await page.$eval("#attester option:nth-child(2)", (one) => one.value);
  await page.select("#attester", who);
  await page.type("#words", "All in order.");
  await page.click("#sign-check");
  check("the second step is shown", await page.$eval("#sign-confirm", (one) => !one.hidden));
  check("the first cannot be changed meanwhile", await page.$eval("#sign-asked", (one) => one.disabled));
  await page.screenshot({ path: join(folder, "sign.png"), fullPage: true });
  await page.click("#sign-now");
  check("unread is not signed", await page.$eval("#read", (one) => one.getAttribute("aria-invalid") === "true"));
  await page.click("#sign-back");
  check("one can go back", await page.$eval("#sign-asked", (one) => !one.disabled));
  await page.click("#sign-check");

  // The record changes while the page is open: refused, nothing signed.
  const { body: found } = await api(`/Observation?_count=1&code=72514-3&episode-of-care=EpisodeOfCare/${EPISODE}`);
  const one = found.entry[0].resource;
  await api(`/Observation/${one.id}`, { method: "PUT", headers: { "Content-Type": "application/fhir+json" }, body: JSON.stringify({ ...one, note: [{ text: "more" }] }) });
  await page.click("#read");
  await page.click("#sign-now");
  await page.waitForFunction(() => document.querySelectorAll("#sign-refusals li").length > 0);
  check("a changed record is told", await page.$eval("#sign-refusals", (list) => /record has changed/.test(list.textContent)));
  check("nothing is signed", (await api(`/Composition?subject=Patient/demo-evanne`)).body.total === 0);
  check("nothing else went wrong", faults.every((fault) => /409/.test(fault)));
  await page.close();

  // Read again, and signed; a second press changes nothing.
  const again = await open(path);
  await again.page.select("#attester", who);
  await again.page.click("#sign-check");
  await again.page.click("#read");
  await again.page.evaluate(() => {
    const button = document.getElementById("sign-now");
    button.click();
    button.click();
  });
  await again.page.waitForFunction(() => /^Signed and stored/.test(document.getElementById("sign-status").textContent), { timeout: 20000 });
  check("signed once", (await api(`/Composition?subject=Patient/demo-evanne`)).body.total === 1);
  check("the form is closed", await again.page.$eval("#sign-asked", (one) => one.disabled));
  await Promise.all([again.page.waitForNavigation(), again.page.click("#sign-status a")]);
  const text = await again.page.$eval("main", (one) => one.innerText);
  check("the letter is in the list", /Signed/.test(text) && text.includes("as they were when it was signed"));
  // Signed again it is the same letter.
  await again.page.select("#attester", who);
  await again.page.click("#sign-check");
  await again.page.click("#read");
  await again.page.click("#sign-now");
  await again.page.waitForFunction(() => /had been signed before/.test(document.getElementById("sign-status").textContent), { timeout: 20000 });
  check("still one", (await api(`/Composition?subject=Patient/demo-evanne`)).body.total === 1);
  assert.deepEqual(again.faults, []);
  const signed = await again.page.$eval(".letter a[href*=Binary]", (one) => one.getAttribute("href"));
  await again.page.close();
  const letter = await open(signed);
  check("the signed page is read as it is", (await letter.page.title()).length > 0 && /Signed by/.test(await letter.page.$eval("header", (one) => one.innerText)));
  assert.deepEqual(letter.faults, []);
  await letter.page.close();
  // A page of another site cannot sign: what it may send without asking is refused.
  const simple = await fetch(`${root}/fhir/EpisodeOfCare/${EPISODE}/$finalize-letter`, { method: "POST", headers: { "Content-Type": "text/plain", Accept: "application/fhir+json" }, body: "{}" });
  check("a form of another site is refused", simple.status === 415);
  await accessible(path, async (one) => {
    await one.select("#attester", who);
    await one.click("#sign-check");
    await one.$$eval("details", (all) => all.forEach((fold) => fold.setAttribute("open", "")));
  });
}

async function print() {
  const path = `/fhir/EpisodeOfCare/${EPISODE}/$episode-summary`;
  const { page } = await open(`${path}?_format=text/html`);
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: "dark" }]);
  for (const format of ["A4", "Letter"]) {
    const file = join(folder, `letter-${format}.pdf`);
    await page.pdf({ path: file, format });
    const info = execFileSync("pdfinfo", [file], { encoding: "utf8" });
    const pages = Number(/Pages:\s+(\d+)/.exec(info)[1]);
    check(`printed on ${format} it has ${pages} pages`, pages >= 1 && pages <= 4);
    const words = execFileSync("pdftotext", ["-layout", file, "-"], { encoding: "utf8" });
    check(`${format} has its words`, words.includes("In short") && words.includes("Keep counting."));
    check(`${format} has no link of the screen`, !words.includes("Records behind"));
    const sheets = words.split("\f").filter((sheet) => sheet.trim() !== "");
    const caution = "local codes and licensed practice prevail. In an emergency";
    check(`${format} has the cautions on every page`, sheets.every((sheet) => sheet.replace(/\s+/g, " ").includes(caution)));
  }
  await page.close();
  const pdf = Buffer.from(await (await fetch(`${root}${path}?_format=application/pdf`)).arrayBuffer());
  writeFileSync(join(folder, "letter.pdf"), pdf);
  const words = execFileSync("pdftotext", ["-layout", join(folder, "letter.pdf"), "-"], { encoding: "utf8" });
  check("the PDF has the visit", words.includes("Keep counting.") && words.includes("23 Nov"));
}

try {
  await everyPage();
  await visit();
  await stored();
  await nextVisit();
  await print();
  await sign();
  await audit({ root, folder, check, open, accessible, api });
  console.log(`browser: ${checks} passed`);
} finally {
  await browser.close();
}
