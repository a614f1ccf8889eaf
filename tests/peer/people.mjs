// People in a real browser: a therapist signs in at an issuer of this file, records a visit, signs the
// letter, makes a link; the recipient opens it in a browser of their own; the therapist sees the use, ends
// the link and signs out. The new pages are looked through by axe-core, on a screen and on a phone.
//
//     people.mjs SPONDYL FOLDER     SPONDYL is the program; FOLDER holds node_modules, takes pictures
//
// Needs Chromium: the one that CHROMIUM names, else the first of the usual names.
// Source of the issuer: https://openid.net/specs/openid-connect-core-1_0.html#CodeFlowAuth,
// https://www.rfc-editor.org/rfc/rfc7636#section-4.6
import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { createHash, createSign, generateKeyPairSync, randomUUID } from "node:crypto";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createServer } from "node:http";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";

const [program, folder] = process.argv.slice(2);
const { default: puppeteer } = await import(createRequire(join(folder, "x.js")).resolve("puppeteer-core"));
const axe = readFileSync(join(folder, "node_modules/axe-core/axe.min.js"), "utf8");
const names = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
const executablePath = process.env.CHROMIUM ?? names.find(existsSync);
assert.ok(executablePath, "no Chromium is installed; CHROMIUM may name one");
let checks = 0;
const check = (what, holds) => {
  checks += 1;
  assert.ok(holds, what);
};

// The issuer: it lets in whoever comes, as the person that the test names.
const person = { claim: "Practitioner/demo-therapist-plenderbeck" };
const CLIENT = "spondyl";
const { publicKey, privateKey } = generateKeyPairSync("rsa", { modulusLength: 2048 });
const codes = new Map();
let url;
const issuer = createServer((request, response) => {
  const { pathname, searchParams } = new URL(request.url, url);
  const json = (value, status = 200) => response.writeHead(status, { "Content-Type": "application/json" }).end(JSON.stringify(value));
  if (pathname === "/.well-known/openid-configuration") {
    json({ issuer: url, jwks_uri: `${url}/keys`, authorization_endpoint: `${url}/authorize`, token_endpoint: `${url}/token` });
  } else if (pathname === "/keys") json({ keys: [{ ...publicKey.export({ format: "jwk" }), kid: "k", use: "sig", alg: "RS256" }] });
  else if (pathname === "/authorize") {
    const code = randomUUID();
    codes.set(code, Object.fromEntries(searchParams));
    const back = `${searchParams.get("redirect_uri")}?code=${code}&state=${searchParams.get("state")}`;
    response.writeHead(302, { Location: back }).end();
  } else if (pathname === "/token") {
    let body = "";
    request.on("data", (chunk) => (body += chunk)).on("end", () => {
      const form = new URLSearchParams(body);
      const asked = codes.get(form.get("code"));
      codes.delete(form.get("code"));
      const challenge = createHash("sha256").update(form.get("code_verifier") ?? "").digest("base64url");
      const good = asked && challenge === asked.code_challenge && form.get("redirect_uri") === asked.redirect_uri;
      if (!good || form.get("client_id") !== CLIENT) return json({ error: "invalid_grant" }, 400);
      const now = Math.floor(Date.now() / 1000);
      const part = (value) => Buffer.from(JSON.stringify(value)).toString("base64url");
      const claims = { iss: url, sub: "1", aud: CLIENT, exp: now + 60, iat: now, nonce: asked.nonce, fhirUser: person.claim };
      const text = `${part({ alg: "RS256", kid: "k" })}.${part(claims)}`;
      const signature = createSign("RSA-SHA256").update(text).sign(privateKey, "base64url");
      return json({ access_token: "unused", token_type: "Bearer", id_token: `${text}.${signature}` });
    });
  } else response.writeHead(404).end();
});
await new Promise((done) => issuer.listen(0, "127.0.0.1", done));
url = `http://127.0.0.1:${issuer.address().port}`;

// A server, once it says where it is.
async function serve(...args) {
  const server = spawn(program, ["serve", "--listen", "127.0.0.1:0", ...args], { stdio: ["ignore", "pipe", "pipe"] });
  let told = "";
  const root = await new Promise((found, lost) => {
    const read = (chunk) => {
      told += chunk;
      const base = /(http:\/\/127\.0\.0\.1:\d+)\/fhir/.exec(told);
      if (base) found(base[1]);
    };
    server.stdout.on("data", read);
    server.stderr.on("data", read);
    server.on("exit", () => lost(new Error(told)));
  });
  const stop = () => new Promise((done) => server.removeAllListeners("exit").on("exit", done).kill());
  return { root, stop, told: () => told };
}

const data = mkdtempSync(join(tmpdir(), "spondyl-people-"));
const demo = await serve("--data", data, "--demo");
const isThere = async () => (await fetch(`${demo.root}/fhir/EpisodeOfCare/demo-evanne-episode`)).ok;
for (let tries = 0; tries < 200 && !(await isThere()); tries += 1) await new Promise((done) => setTimeout(done, 100));
await demo.stop();
const server = await serve("--data", data, "--access", "smart", "--outbound", url, "--outbound-private",
  "--sign-in-issuer", url, "--sign-in-client", CLIENT);
const { root } = server;
const EPISODE = "/episodes/demo-evanne-episode";

const browser = await puppeteer.launch({ executablePath, args: ["--no-sandbox"], headless: true });
const text = (page) => page.$eval("body", (one) => one.innerText);
const profile = async () => {
  const context = await browser.createBrowserContext();
  const faults = [];
  const open = async (path, width = 1280) => {
    const page = await context.newPage();
    page.on("pageerror", (error) => faults.push(error.message));
    page.on("console", (message) => message.type() === "error" && faults.push(message.text()));
    await page.setViewport({ width, height: 900 });
    await page.goto(path.startsWith("http") ? path : root + path, { waitUntil: "load" });
    return page;
  };
  return { context, open, faults };
};
// A press that leads to another page.
const press = (page, what) => Promise.all([page.waitForNavigation({ waitUntil: "load" }), page.click(what)]);

// What axe-core finds serious in the page as it stands, in a page without the policy, which lets no
// script in; whether the page fits a screen and a phone; pictures of both.
async function look(page, name) {
  const other = await page.browserContext().newPage();
  await other.setBypassCSP(true);
  await other.setContent(await page.content(), { waitUntil: "load" });
  await other.evaluate(axe);
  const { violations, passes } = await other.evaluate(() => globalThis.axe.run(document));
  await other.close();
  const serious = violations.filter(({ impact }) => ["serious", "critical"].includes(impact));
  assert.deepEqual(serious.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.target).join(" ")}`), [], name);
  check(`${name} was looked through`, passes.length > 8);
  for (const width of [1280, 390]) {
    await page.setViewport({ width, height: 900 });
    const wider = await page.evaluate(() => document.documentElement.scrollWidth > document.documentElement.clientWidth);
    check(`${name} fits ${width} pixels`, !wider);
    await page.screenshot({ path: join(folder, `people-${name}-${width}.png`), fullPage: true });
  }
  await page.setViewport({ width: 1280, height: 900 });
}

async function visit(therapist) {
  const page = await therapist.open(`${EPISODE}/visit`);
  check("the visit is recorded by who is signed in", /Joris Plenderbeck/.test(await page.$eval("header", (one) => one.innerText)));
  await page.$$eval("details", (all) => all.forEach((one) => one.setAttribute("open", "")));
  const date = (name, value) => page.$eval(`[name="${name}"]`, (one, typed) => (one.value = typed), value);
  await date("start", "2026-11-23T09:00");
  await date("end", "2026-11-23T09:40");
  await page.type("#pain-now", "2");
  await page.select('[name="flag.kind"]', "clinical");
  await page.type('[name="flag.text"]', "waits for an image");
  await page.click("form#visit [type=submit]");
  await page.waitForFunction(() => /^Stored/.test(document.getElementById("visit-status").textContent), { timeout: 20000 }).catch(async () => {
    assert.fail(await page.$eval("#visit", (one) => one.querySelector("#visit-status").textContent + one.querySelector("#visit-refusals").textContent));
  });
  check("the visit is stored", true);
  await page.close();
}

async function sign(therapist) {
  const page = await therapist.open(`${EPISODE}/letters`);
  const signers = await page.$$eval("#attester option", (all) => all.map((one) => one.textContent));
  assert.deepEqual(signers.slice(1), ["Joris Plenderbeck"], "who is signed in signs, and nobody else");
  await page.select("#attester", person.claim);
  await page.click("#sign-check");
  await page.click("#read");
  await page.click("#sign-now");
  await page.waitForFunction(() => /signed|Signed/.test(document.getElementById("sign-status").textContent) && document.querySelector("#sign-status a"), { timeout: 30000 }).catch(async () => {
    assert.fail(await page.$eval("#sign", (one) => one.innerText));
  });
  check("the letter is signed", true);
  await page.close();
}

async function makeLink(therapist) {
  const page = await therapist.open(`${EPISODE}/letters`);
  await page.click(".sharing summary");
  await page.type("[name=recipient]", "Dr Iva Somebody");
  await look(page, "letters");
  await press(page, ".sharing [type=submit]");
  const address = await page.$eval("input.address", (one) => one.value);
  check("the address is of this server", address.startsWith(`${root}/shared/`));
  await look(page, "link-made");
  await page.close();
  return address;
}

async function read(address) {
  const recipient = await profile();
  const page = await recipient.open(address);
  check("it names the recipient", /Dr Iva Somebody/.test(await text(page)));
  check("and nobody else", !/Evanne/i.test(await text(page)));
  await look(page, "link-first");
  await press(page, "main button");
  check("the address has no secret any more", page.url() === `${root}/shared`);
  await look(page, "link-letter");
  await press(page, 'a[href="/shared/letter/page"]');
  check("the letter is shown", /Dear|Summary|Letter/i.test(await text(page)));
  await page.screenshot({ path: join(folder, "people-letter.png") });
  const answer = await page.evaluate(async () => (await fetch("/fhir/Patient", { headers: { Accept: "application/fhir+json" } }).catch(() => ({ status: 0 }))).status);
  check("nothing else is open", answer === 401 || answer === 0);
  const [cookie] = (await recipient.context.cookies()).filter(({ name }) => name.endsWith("spondyl-letter"));
  check("scripts cannot have the cookie", cookie.httpOnly && cookie.sameSite === "Strict");
  return recipient;
}

async function ended(therapist, recipient, address) {
  const page = await therapist.open(`${EPISODE}/letters`);
  check("the use is listed", /Opened 1 of 5 times/.test(await text(page)));
  await look(page, "letters-with-link");
  await press(page, ".shared button");
  check("back at the letters", page.url().startsWith(`${root}${EPISODE}/letters`));
  check("the link is ended", await page.$eval(".shared .state", (one) => one.textContent === "ended"));
  const gone = await recipient.open(address);
  check("it opens nothing", /opens nothing/.test(await text(gone)));
  await look(gone, "link-gone");
  await page.close();
}

async function people() {
  const therapist = await profile();
  const first = await therapist.open(`${EPISODE}?language=de`);
  assert.equal(first.url(), `${root}${EPISODE}?language=de`, `signed in, and back at the page: ${await text(first)}`);
  check("the page says who it is", /Angemeldet: Joris Plenderbeck/.test(await text(first)));
  await first.goto(`${root}/`, { waitUntil: "load" });
  await look(first, "first-page");
  const [cookie] = (await therapist.context.cookies()).filter(({ name }) => name.endsWith("spondyl-session"));
  check("scripts cannot have the session", cookie.httpOnly && cookie.sameSite === "Lax");
  await visit(therapist);
  await sign(therapist);
  const address = await makeLink(therapist);
  const recipient = await read(address);
  await ended(therapist, recipient, address);
  await press(first, ".person button");
  check("signed out", /You are signed out/.test(await text(first)));
  await look(first, "signed-out");
  check("the session is gone", !(await therapist.context.cookies()).some(({ name }) => name.endsWith("spondyl-session")));
  // Told in the console is what was refused on purpose.
  assert.deepEqual([...therapist.faults, ...recipient.faults].filter((fault) => !/status of (401|410)/.test(fault) && !/connect-src|Content Security Policy/.test(fault)), []);

  person.claim = "Practitioner/nobody";
  const nobody = await profile();
  const page = await nobody.open("/");
  check("who is nobody here is told so", /no active practitioner/.test(await text(page)));
  await look(page, "refused");
  check("no secret is in the log", !server.told().includes(address.split("/").at(-1)));
}

try {
  await people();
  console.log(`people: ${checks} checks passed`);
} finally {
  await browser.close();
  await server.stop();
  issuer.close();
  rmSync(data, { recursive: true, force: true });
}
