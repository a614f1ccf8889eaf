// The pages in a real browser: a therapist fills in a visit, sees the segment map change and prints
// the letter; every page is looked through by axe-core.
//
//     browser.mjs BASE FOLDER     BASE is the server's root; FOLDER holds node_modules, takes pictures
//
// Needs Chromium: the one that CHROMIUM names, else the first of the usual names.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { existsSync, readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";

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
    `/episodes/${EPISODE}/visit`, `/episodes/${EPISODE}/visit?language=de`, letter, `${letter}&language=de`];
  for (const path of pages) {
    await accessible(path);
    for (const width of [1280, 390]) {
      const { page, faults } = await open(path, width);
      assert.deepEqual(faults, [], path);
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
  else if (kind === "text" || kind === "textarea") await field.type(value);
  else {
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
  for (const words of ["Keep counting.", "Read for an hour", "mobilisation of the neck", "graded hypermobile"]) check(words, text.includes(words));
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
  await print();
  console.log(`browser: ${checks} passed`);
} finally {
  await browser.close();
}
