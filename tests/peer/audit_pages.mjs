// The audit in a real browser: an auditor asks by the form, finds an outlier in the funnel by keyboard,
// goes to its cases and to the record of one, downloads the table, prints the page.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";

// An invented practice: who treated, how many episodes ended in 2025, how many as drop-outs.
const PRACTICE = [["ambrel", "Ina Ambrel", 40, 6], ["brisk", "Tomas Brisk", 36, 5], ["calder", "Oda Calder", 30, 5],
  ["dunmere", "Pell Dunmere", 44, 26], ["elstow", "Runa Elstow", 18, 5], ["farrow", "Lino Farrow", 6, 1]];
const OWN = "https://spondyl.example/fhir";

function practice() {
  const entry = [];
  const put = (resource) => entry.push({ resource, request: { method: "PUT", url: `${resource.resourceType}/${resource.id}` } });
  for (const [id, name, all, dropped] of PRACTICE) {
    put({ resourceType: "Practitioner", id: `audit-${id}`, name: [{ text: name }] });
    for (let at = 0; at < all; at += 1) {
      const code = at < dropped ? "did-not-attend" : "goals-met";
      put({
        resourceType: "EpisodeOfCare", id: `audit-${id}-${at}`, status: "finished",
        extension: [{ url: `${OWN}/StructureDefinition/episode-end-reason`, valueCodeableConcept: { coding: [{ system: `${OWN}/CodeSystem/episode-end-reason`, code }] } }],
        patient: { reference: `Patient/audit-${id}-${at}` }, careManager: { reference: `Practitioner/audit-${id}` },
        period: { start: "2025-01-01", end: `2025-${String((at * 5) % 12 + 1).padStart(2, "0")}-15` },
      });
    }
  }
  return { resourceType: "Bundle", type: "transaction", entry };
}

const PERIOD = "periodStart=2025-01-01&periodEnd=2025-12-31";

export async function audit({ root, folder, check, open, accessible, api }) {
  const init = { method: "POST", headers: { "Content-Type": "application/fhir+json" }, body: JSON.stringify(practice()) };
  check("the practice is stored", (await api("", init)).status === 200);

  const { page, faults } = await open("/audit");
  await page.select("#measure", "drop-out");
  const set = (name, value) => page.$eval(`#${name}`, (field, typed) => (field.value = typed), value);
  await set("periodStart", "2025-12-31");
  await set("periodEnd", "2025-01-01");
  await Promise.all([page.waitForNavigation(), page.click("#ask [type=submit]")]);
  check("a reversed period is told", await page.$eval("#audit-refusals", (list) => /ends before it starts/.test(list.textContent)));
  check("at its field", await page.$eval("#periodEnd", (field) => field.getAttribute("aria-invalid") === "true"));
  check("what was typed is still there", await page.$eval("#periodStart", (field) => field.value === "2025-12-31"));
  await set("periodStart", "2025-01-01");
  await set("periodEnd", "2025-12-31");
  await page.focus("#periodEnd");
  await Promise.all([page.waitForNavigation(), page.keyboard.press("Enter")]);
  const url = new URL(page.url());
  check("the address can be kept", url.search === `?measure=drop-out&${PERIOD}&stratifier=practitioner`);
  const figure = await page.$eval(".result", (one) => one.innerText);
  check(`the figure is there: ${figure}`, /27\.6\s*%/.test(figure) && figure.includes("48 of 174 known cases"));
  const request = await page.$eval(".result a", (one) => one.getAttribute("href"));
  const report = (await api(request.replace("/fhir", ""))).body;
  check("it is that of the request", Math.abs(report.group[0].measureScore.value - 48 / 174) < 1e-12);
  await page.screenshot({ path: join(folder, "audit.png"), fullPage: true });

  // To the outlier by keyboard: its point leads to its row, the row to its cases, a case to its record.
  const outlier = await page.$('svg a[aria-label*="beyond the 99.8"]');
  const label = await outlier.evaluate((one) => one.getAttribute("aria-label"));
  check(`the outlier is named: ${label}`, label.startsWith("Pell Dunmere: 59.1"));
  await outlier.evaluate((one) => one.focus());
  await page.keyboard.press("Enter");
  await page.waitForFunction(() => location.hash.startsWith("#groups-"));
  const row = await page.$("tr:target");
  const words = await row.evaluate((one) => one.innerText);
  check("its row has all numbers", words.includes("26 of 44") && words.includes("beyond the 99.8 % limits"));
  await Promise.all([page.waitForNavigation(), (await row.$("a.cases")).click()]);
  check("44 cases", (await page.$$("tbody tr")).length === 44);
  await Promise.all([page.waitForNavigation(), page.click("tbody th a")]);
  check("the record of one", /^\/episodes\/audit-dunmere-\d+$/.test(new URL(page.url()).pathname) && (await page.$("h1")) !== null);
  // The fault that was made on purpose is told in the console as well.
  assert.deepEqual(faults.filter((fault) => !/status of 400/.test(fault)), []);
  await page.close();
  await download(root, folder, check, open);
  await print(folder, check, open);

  const path = `/audit?measure=drop-out&${PERIOD}`;
  for (const one of ["/audit", "/audit?language=de", `${path}&stratifier=practitioner`, `${path}&stratifier=site&language=de`,
    `/audit?measure=days-per-episode&${PERIOD}&stratifier=practitioner`, `/audit?measure=drop-out&${PERIOD.replace("12-31", "13-31")}`,
    `/audit/cases?measure=drop-out&${PERIOD}&stratum=Practitioner/audit-dunmere`, "/audit?measure=pain-change&periodStart=2026-01-01&periodEnd=2026-12-31&stratifier=sex"]) {
    await accessible(one);
    for (const width of [1280, 390]) {
      const { page: fits } = await open(one, width);
      check(`${one} fits ${width} pixels`, await fits.evaluate(() => document.documentElement.scrollWidth <= document.documentElement.clientWidth));
      await fits.close();
    }
  }
}

async function download(root, folder, check, open) {
  const { page } = await open(`/audit?measure=drop-out&${PERIOD}&stratifier=practitioner`);
  const session = await page.createCDPSession();
  await session.send("Browser.setDownloadBehavior", { behavior: "allow", downloadPath: folder, eventsEnabled: true });
  const done = new Promise((resolve) => session.on("Browser.downloadProgress", ({ state }) => state === "completed" && resolve()));
  await page.click('a[href*="_format=csv"]');
  await done;
  const file = join(folder, "audit-drop-out-practitioner-2025-01-01-2025-12-31.csv");
  check("the table is a file", existsSync(file));
  const [names, ...lines] = readFileSync(file, "utf8").trim().split("\n").map((line) => line.split(","));
  check("with a line for all and for each", lines.length === 1 + PRACTICE.length);
  const line = lines.find((cells) => cells[names.indexOf("stratum")] === "Practitioner/audit-dunmere");
  check("and the numbers", line[names.indexOf("count")] === "26" && line[names.indexOf("of")] === "44");
  const withheld = lines.find((cells) => cells[names.indexOf("stratum")] === "Practitioner/audit-farrow");
  check("but not what is withheld", withheld[names.indexOf("withheld")] === "true" && withheld[names.indexOf("count")] === "");
  await page.close();
}

async function print(folder, check, open) {
  const { page } = await open(`/audit?measure=drop-out&${PERIOD}&stratifier=practitioner`);
  const file = join(folder, "audit.pdf");
  await page.pdf({ path: file, format: "A4" });
  const pages = Number(/Pages:\s+(\d+)/.exec(execFileSync("pdfinfo", [file], { encoding: "utf8" }))[1]);
  check(`printed it has ${pages} pages`, pages >= 1 && pages <= 4);
  const words = execFileSync("pdftotext", ["-layout", file, "-"], { encoding: "utf8" }).replace(/\s+/g, " ");
  check("printed it has figure, request and cautions", words.includes("48 of 174") && words.includes("$evaluate-measure") && words.includes("It does not judge a person"));
  check("and no form", !words.includes("Compare by"));
  await page.close();
}
