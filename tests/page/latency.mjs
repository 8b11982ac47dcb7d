// Processor time of the page's main thread for each change in the calculator, in
// milliseconds, until the picture of the screen that shows it; wall time beside it.
//
//   node latency.mjs PAGE.html
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const require = createRequire(process.env.THUMBREEL_NODE + "/");
const { chromium } = require("playwright-core");
const CHANGES = 80;
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: ["--no-sandbox", "--disable-gpu"] });
const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
const page = await context.newPage();
const devtools = await context.newCDPSession(page);
await devtools.send("Performance.enable", { timeDomain: "threadTicks" });
await page.goto(pathToFileURL(process.argv[2]).href);
await page.waitForSelector(".bars li");
const metrics = async () => Object.fromEntries((await devtools.send("Performance.getMetrics")).metrics.map(({ name, value }) => [name, value]));
const changes = [];
for (let n = 0; n < CHANGES; n++) {
  const before = await metrics();
  const wall = await page.evaluate(async (n) => {
    const slider = document.getElementById(["rate", "size", "quality", "distance", "length"][n % 5]);
    const start = performance.now();
    const [min, max] = [slider.min, slider.max].map(Number);
    slider.value = min + (max - min) * (n * 37 % 101) / 100;
    slider.dispatchEvent(new Event("input", { bubbles: true }));
    // A message that is sent in a frame arrives after its picture was made.
    await new Promise((done) => requestAnimationFrame(() => {
      const { port1, port2 } = new MessageChannel();
      port1.onmessage = done;
      port2.postMessage(0);
    }));
    return performance.now() - start;
  }, n);
  const after = await metrics();
  const spent = (name) => 1000 * (after[name] - before[name]);
  changes.push({ "processor time": spent("TaskDuration"), "of it script and model": spent("ScriptDuration"), "of it style and layout": spent("RecalcStyleDuration") + spent("LayoutDuration"), "wall time": wall });
  await page.waitForTimeout(60);
}
await browser.close();
for (const name of Object.keys(changes[0])) {
  const sorted = changes.map((change) => change[name]).sort((a, b) => a - b);
  const at = (share) => sorted[Math.min(CHANGES - 1, Math.floor(share * CHANGES))].toFixed(1);
  console.log(`${name}: median ${at(0.5)} ms, 95 % ${at(0.95)} ms, worst ${at(1)} ms`);
}
