// Writes what the page's player draws and plays of reels, in a real browser.
//
//   node see.mjs SERVER [PATH PICTURES SAMPLES]...
//
// PICTURES: for each picture nanoseconds (i64) and the canvas as RGB, in the
// order of the panel's memory. SAMPLES: 16 bits, all of the reel.
import { createRequire } from "node:module";
import { writeFileSync } from "node:fs";

const [server, ...rest] = process.argv.slice(2);
const require = createRequire(process.env.THUMBREEL_NODE + "/");
const { chromium } = require("playwright-core");
const browser = await chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});

// Runs in the page: goes through the reel's pictures one after the other.
async function pictures() {
  const player = document.querySelector(".place").player;
  const { width, height, clockRate, firstTick } = player.header;
  await player.seekTick(firstTick);
  const all = [];
  for (let last = -1; player.shown.number !== last; await player.step(1)) {
    last = player.shown.number;
    const seen = player.draw.getImageData(0, 0, width, height).data;
    let text = "";
    for (let i = 0; i < seen.length; i += 4) text += String.fromCharCode(seen[i], seen[i + 1], seen[i + 2]);
    all.push({ seconds: (player.shown.tick - firstTick) / clockRate, rgb: btoa(text) });
  }
  return all;
}

async function samples() {
  const { reel } = document.querySelector(".place").player;
  reel.seek(reel.header.firstTick);
  let text = "";
  for (;;) {
    const event = await reel.next();
    if (event.kind === "end") return btoa(text);
    if (event.kind !== "sound") continue;
    const bytes = new Uint8Array(event.samples.buffer, event.samples.byteOffset, event.samples.byteLength);
    for (const byte of bytes) text += String.fromCharCode(byte);
  }
}

function record({ seconds, rgb }) {
  const time = Buffer.alloc(8);
  time.writeBigInt64LE(BigInt(Math.round(seconds * 1e9)));
  return Buffer.concat([time, Buffer.from(rgb, "base64")]);
}

try {
  for (; rest.length; rest.splice(0, 3)) {
    const page = await browser.newPage();
    await page.goto(`${server}/#${rest[0]}`);
    await page.waitForFunction(() => document.querySelector(".place")?.player?.shown, null, { timeout: 20000 });
    const seen = await page.evaluate(pictures);
    writeFileSync(rest[1], Buffer.concat(seen.map(record)));
    writeFileSync(rest[2], Buffer.from(await page.evaluate(samples), "base64"));
    await page.close();
  }
} finally {
  await browser.close();
}
