// Opens reports in a real browser: nothing is logged, nothing leaves the file, the
// switches work, nothing overflows, nothing is inaccessible, and it prints.
//
//   node check.mjs DIR     DIR holds demo, short, hostile, strange and crowded.html

import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import path from "node:path";
import { chromium } from "playwright-core";

const folder = path.resolve(process.argv[2]);
const axe = readFileSync(new URL("./node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const failures = [];
const check = (holds, what) => {
  if (!holds) failures.push(what);
};

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-dev-shm-usage"],
});

/** Opens a report and watches it; every page is closed by `use`. */
async function open(name, options, use) {
  const context = await browser.newContext({ viewport: { width: 1400, height: 900 }, ...options });
  const page = await context.newPage();
  const address = pathToFileURL(path.join(folder, `${name}.html`)).href;
  page.on("console", (message) => check(false, `${name}: console: ${message.text()}`));
  page.on("pageerror", (error) => check(false, `${name}: error: ${error.message}`));
  page.on("dialog", (dialog) => {
    check(false, `${name}: dialog: ${dialog.message()}`);
    dialog.dismiss();
  });
  page.on("request", (request) => {
    const own = request.url() === address || request.url().startsWith("data:");
    check(own, `${name}: request: ${request.url().slice(0, 100)}`);
  });
  await page.goto(address);
  await use(page);
  await context.close();
}

/** Elements that reach beyond the page and do not scroll within a part of their own. */
const overflowing = () => {
  const wide = document.documentElement.clientWidth;
  const scrolls = (element) => {
    for (let part = element.parentElement; part; part = part.parentElement) {
      if (["auto", "scroll", "hidden"].includes(getComputedStyle(part).overflowX)) return true;
    }
    return false;
  };
  const beyond = Array.from(document.body.querySelectorAll("*")).filter((element) => {
    const box = element.getBoundingClientRect();
    return box.width > 0 && box.right > wide + 1 && !scrolls(element) && !element.closest("svg, .skip");
  });
  const page = document.documentElement.scrollWidth > wide ? ["the page"] : [];
  return page.concat(beyond.slice(0, 3).map((e) => `${e.tagName} ${e.textContent.slice(0, 40)}`));
};

for (const name of ["demo", "short", "hostile", "strange", "crowded"]) {
  for (const width of [360, 800, 1400]) {
    await open(name, { viewport: { width, height: 900 } }, async (page) => {
      const found = await page.evaluate(overflowing);
      check(found.length === 0, `${name} at ${width} px overflows: ${found.join("; ")}`);
    });
  }
}

// The checker has to be run in pages whose policy forbids foreign script.
for (const name of ["demo", "hostile", "strange"]) {
  for (const colorScheme of ["light", "dark"]) {
    await open(name, { colorScheme, bypassCSP: true }, async (page) => {
      await page.addScriptTag({ content: axe });
      const { violations } = await page.evaluate(() =>
        globalThis.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }),
      );
      for (const one of violations) {
        check(false, `${name}, ${colorScheme}: ${one.id}: ${one.nodes[0].html.slice(0, 160)}`);
      }
    });
  }
}

await open("demo", {}, async (page) => {
  const ids = await page.$$eval("[data-switch]", (boxes) => boxes.map((b) => b.dataset.switch));
  check(ids.length > 1, "demo: no switches");
  const rows = () => page.locator("#set tbody tr:visible").count();
  const before = await rows();
  await page.locator("[data-switch]").nth(1).uncheck();
  check((await rows()) === before - 1, "demo: switching one injector off hides its row");
  check(!(await page.locator("#injector-2").isVisible()), "demo: and its part");
  const dim = await page.$$eval("#set svg g[data-i='1']", (all) => all.map((g) => getComputedStyle(g).opacity));
  check(dim.length > 0 && dim.every((o) => Number(o) < 0.2), "demo: and dims its marks");
  check((await page.locator("#shown").textContent()).includes(`${ids.length - 1} of ${ids.length}`), "demo: and says so");
  await page.locator("[data-all='1']").click();
  check((await rows()) === before, "demo: all are shown again");

  const flow = page.locator("#enter tbody td").first();
  const first = await flow.innerText();
  const list = page.locator("[data-unit='f']");
  const choices = await list.locator("option").allInnerTexts();
  check(choices.length > 1, "demo: no units to choose");
  await list.selectOption({ label: choices[1] });
  const second = await flow.innerText();
  check(first.endsWith(choices[0]) && second.endsWith(choices[1]), `demo: units: ${first}, ${second}`);

  const mark = page.locator("#set svg g polygon").first();
  await mark.scrollIntoViewIfNeeded();
  await mark.hover({ force: true });
  const said = await page.locator("#readout").innerText();
  check(/^\S+, .* ±/.test(said), `demo: under the pointer: ${said}`);
  await page.keyboard.press("Escape");
  await page.locator("#set figure [tabindex]").focus();
  await page.keyboard.press("ArrowRight");
  check(await page.locator("#readout").isVisible(), "demo: read by keyboard");
});

await open("demo", { javaScriptEnabled: false }, async (page) => {
  check(!(await page.locator("#tools").isVisible()), "without script: switches are hidden");
  check((await page.locator("#set tbody tr:visible").count()) > 1, "without script: the set is there");
  check((await page.locator("figure svg:visible").count()) > 3, "without script: pictures are there");
});

await open("hostile", {}, async (page) => {
  check((await page.title()).length > 0, "hostile: no title");
  check((await page.locator("script").count()) === 1, "hostile: a foreign script element");
  check((await page.locator("h2 bdi", { hasText: "<script>" }).count()) > 0, "hostile: ids are shown as text");
});

/** Pages of a PDF, by its page objects. */
const pages = (pdf) => pdf.toString("latin1").match(/\/Type\s*\/Page[^s]/g)?.length ?? 0;

const expected = JSON.parse(readFileSync(new URL("./pages.json", import.meta.url), "utf8"));
for (const [name, format, least, most] of expected) {
  await open(name, {}, async (page) => {
    const count = pages(await page.pdf({ format, preferCSSPageSize: false }));
    check(count >= least && count <= most, `${name} on ${format}: ${count} pages, not ${least} to ${most}`);
  });
}

await browser.close();
for (const failure of failures) console.error(failure);
if (failures.length > 0) process.exit(1);
console.log("browser: all checks passed");
