// Takes the picture of the demo report that the README shows.
//
//   node screenshots.mjs REPORT.html ../../docs/images
//
// 1100 by 1180 pixels at one pixel each: large enough to read, below 200 kB.

import path from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [report, folder] = process.argv.slice(2).map((part) => path.resolve(part));
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-dev-shm-usage"],
});
const page = await browser.newPage({ viewport: { width: 1100, height: 1180 }, colorScheme: "light" });
await page.goto(pathToFileURL(report).href);
// The switches are for the screen; the picture shows what they switch.
await page.locator("#tools").evaluate((tools) => (tools.hidden = true));
await page.screenshot({ path: path.join(folder, "report.png") });
await browser.close();
