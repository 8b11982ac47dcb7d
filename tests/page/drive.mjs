// Drives a real browser through the shelf, the player and a report, and
// compares what it shows and plays with what the Rust decoder said.
//
//   node drive.mjs PART SERVERS EXPECTED.json SHOTS SUPPLY REPORT.html CALCULATOR.html
//
// PART: `reels` (shelf, players, live, supply, streams) or `pages` (what cannot be shown,
// calculator, report); both may run at the same time. SERVERS: three addresses: the reels, a folder of reels that do not play through
// (damaged.tbr, short.tbr, noise.tbr), an empty one. EXPECTED: [{ path, title, pictures: [{ tick, number, crc }], sound: [{ tick,
// ticks, crc }] }]; the CRCs are over little-endian 16-bit values. SUPPLY: { server,
// path, told }: a server that feeds a board, and what the budget says. Exits 0 only
// if everything agrees; says what did not on stderr.
import { createRequire } from "node:module";
import { get } from "node:http";
import { readFileSync, mkdirSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [part, servers, expectedPath, shots, supplied, report, calculator] = process.argv.slice(2);
const [server, troubled, empty] = servers.split(" ");
const supply = JSON.parse(supplied);
const expected = JSON.parse(readFileSync(expectedPath, "utf8"));
const require = createRequire(process.env.THUMBREEL_NODE + "/");
const { chromium } = require("playwright-core");
// Deque's axe-core: rules for WCAG 2.2, run in the page.
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
mkdirSync(shots, { recursive: true });

const browser = await chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=user-gesture-required"],
});
const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, colorScheme: "light" });
const page = await context.newPage();
const complaints = [];
page.on("console", (message) => {
  // This script reads canvases back; the page itself never does.
  const ours = message.text().includes("willReadFrequently");
  if (["error", "warning"].includes(message.type()) && !ours) complaints.push(`console: ${message.text()}`);
});
page.on("pageerror", (error) => complaints.push(`page: ${error}`));
page.on("request", (request) => {
  const url = request.url();
  const own = [server, troubled, empty].some((address) => url.startsWith(address)) || url.startsWith(supply.server) || url.startsWith("data:") || url.startsWith("blob:") || [report, calculator].some((file) => url === pathToFileURL(file).href);
  if (!own) complaints.push(`outside request: ${url}`);
});

function check(holds, what) { if (!holds) complaints.push(what); }

// Helpers that run in the page.
await context.addInitScript(() => {
  const table = Uint32Array.from({ length: 256 }, (_, n) => {
    for (let k = 0; k < 8; k++) n = n & 1 ? n >>> 1 ^ 0xEDB88320 : n >>> 1;
    return n >>> 0;
  });
  window.testCrc = (words) => {
    let crc = 0xFFFFFFFF;
    for (const byte of new Uint8Array(words.buffer, words.byteOffset, words.byteLength)) crc = table[(crc ^ byte) & 255] ^ crc >>> 8;
    return (crc ^ 0xFFFFFFFF) >>> 0;
  };
  window.testPlayer = () => document.querySelector(".place").player;
  // Pixels that a round panel hides may hold anything: they count as zero. A
  // pixel is hidden if its centre lies outside the inscribed ellipse.
  window.testPixels = () => {
    const player = window.testPlayer();
    const { width, height, shape } = player.header;
    const off = (at, size) => (2 * at + 1 - size) / size;
    return player.pixels().map((p, i) => shape === 1 && off(i % width, width) ** 2 + off(Math.floor(i / width), height) ** 2 > 1 ? 0 : p);
  };
  // The canvas shows the panel's pixels, each expanded by bit replication.
  window.testCanvasAgrees = () => {
    const player = window.testPlayer();
    const shown = player.draw.getImageData(0, 0, player.header.width, player.header.height).data;
    return player.pixels().every((p, i) => {
      const r = p >> 11, g = p >> 5 & 63, b = p & 31;
      return shown[4 * i] === (r << 3 | r >> 2) && shown[4 * i + 1] === (g << 2 | g >> 4) && shown[4 * i + 2] === (b << 3 | b >> 2);
    });
  };
});

// What the calculator asks its module in the page.
await context.addInitScript(() => {
  window.testCalculator = { asked: [], workers: 0 };
  const instantiate = WebAssembly.instantiate;
  WebAssembly.instantiate = async (...given) => {
    const instance = await instantiate(...given);
    const { answer, input, memory } = instance.exports || {};
    if (!answer) return instance;
    let room = null;
    const exports = { ...instance.exports,
      input: (length) => { room = [input(length), length]; return room[0]; },
      answer: () => {
        window.testCalculator.asked.push(JSON.parse(new TextDecoder().decode(new Uint8Array(memory.buffer, ...room))));
        return answer();
      } };
    return { exports };
  };
});

const waitForPlayer = () => page.waitForFunction(() => window.testPlayer && document.querySelector(".place")?.player?.shown, null, { timeout: 20000 });

// What a person sees of a place on the screen, by fractions of its sides.
const judge = await context.newPage();
async function colourOf(shot, across, down) {
  return judge.evaluate(async ([base64, x, y]) => {
    const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
    const image = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
    const ink = new OffscreenCanvas(image.width, image.height).getContext("2d");
    ink.drawImage(image, 0, 0);
    return [...ink.getImageData(Math.floor(x * image.width), Math.floor(y * image.height), 1, 1).data.slice(0, 3)];
  }, [shot.toString("base64"), across, down]);
}

// Two of the reels are smaller than their panels (see make.rs): where their
// pictures lie, by fractions of the panel's sides as the viewer sees it.
const places = {
  "/reels/silent.tbr": { x: 60 / 160, y: 20 / 80, w: 0.5, h: 0.5 },
  "/reels/turned.tbr": { x: 30 / 200, y: 10 / 100, w: 0.8, h: 0.8 },
};

// The scene stands upright, however the panel is mounted: its lamp is at the
// upper right, its sea below.
async function checkUpright(name, path, shot) {
  const { x, y, w, h } = places[path] || { x: 0, y: 0, w: 1, h: 1 };
  const lamp = await colourOf(shot, x + 0.8 * w, y + 0.25 * h), sea = await colourOf(shot, x + 0.5 * w, y + 0.95 * h);
  for (const [across, down] of [[x / 2, 0.5], [x + w + (1 - x - w) / 2, 0.5], [0.5, y / 2], [0.5, y + h + (1 - y - h) / 2]].filter(() => w < 1)) {
    const dark = await colourOf(shot, across, down);
    check(dark.every((c) => c === 0), `${name}: around the picture, at ${across} and ${down}, the panel is not dark but ${dark}`);
  }
  check(lamp[0] > 220 && lamp[1] > 200 && lamp[2] > 130, `${name}: no lamp at the upper right but ${lamp}`);
  check(sea[0] < 40 && sea[1] < 70, `${name}: no sea at the bottom but ${sea}`);
}

async function checkReel(name, want) {
  await waitForPlayer();
  await page.evaluate(() => window.testPlayer().seek(0));
  await checkUpright(name, want.path, await page.locator(".screen").screenshot());
  for (const { tick, number, crc } of want.pictures) {
    const got = await page.evaluate(async (at) => {
      const player = window.testPlayer();
      await player.seekTick(at);
      return { number: player.shown.number, crc: window.testCrc(window.testPixels()), note: player.note.textContent, canvas: window.testCanvasAgrees() };
    }, tick);
    check(got.number === number, `${name}: seek to tick ${tick} shows picture ${got.number}, not ${number}`);
    check(got.crc === crc, `${name}: picture ${number} differs from the Rust decoder's`);
    check(!got.note, `${name}: picture ${number}: ${got.note}`);
    check(got.canvas, `${name}: the canvas does not show picture ${number}`);
  }
  // Between two pictures the earlier one stands; one step goes one picture.
  const first = want.pictures[1];
  const steps = await page.evaluate(async (at) => {
    const player = window.testPlayer();
    await player.seekTick(at + 1);
    const numbers = [player.shown.number];
    for (const way of [1, 1, -1, -1, -1]) { await player.step(way); numbers.push(player.shown.number - numbers[0]); }
    return numbers;
  }, first.tick);
  check(JSON.stringify(steps) === JSON.stringify([first.number, 1, 2, 1, 0, -1]), `${name}: steps from ${first.number}: ${steps}`);
  const sound = await page.evaluate(async () => {
    const { reel } = window.testPlayer();
    await window.testPlayer().seekTick(reel.header.firstTick);
    reel.seek(reel.header.firstTick);
    const blocks = [];
    for (;;) {
      const event = await reel.next();
      if (event.kind === "end") return blocks;
      if (event.kind === "sound") blocks.push({ tick: event.tick, ticks: event.ticks, crc: window.testCrc(event.samples) });
    }
  });
  const plain = (blocks) => JSON.stringify(blocks.map(({ tick, ticks, crc }) => [tick, ticks, crc]));
  check(plain(sound) === plain(want.sound), `${name}: decoded sound differs from the Rust decoder's`);
}

async function checkPlay(name, want) {
  await page.evaluate(() => window.testPlayer().seek(0));
  await page.locator(".player").focus();
  await page.keyboard.press("Space");
  await page.waitForFunction(() => window.testPlayer().position() > 0.7, null, { timeout: 20000 });
  if (want.sound.length) {
    const level = await page.evaluate(async () => {
      const { clock } = window.testPlayer();
      const meter = new AnalyserNode(clock.context);
      clock.gain.connect(meter);
      let loudest = 0;
      for (let i = 0; i < 20; i++) {
        await new Promise((done) => setTimeout(done, 40));
        const samples = new Float32Array(meter.fftSize);
        meter.getFloatTimeDomainData(samples);
        loudest = Math.max(loudest, ...samples.map(Math.abs));
      }
      return { loudest, rate: clock.context.sampleRate, state: clock.context.state };
    });
    check(level.state === "running" && level.loudest > 0.001, `${name}: no sound comes out: ${JSON.stringify(level)}`);
  }
  const before = await page.evaluate(() => window.testPlayer().shown.number);
  await page.waitForFunction((n) => window.testPlayer().shown.number > n, before, { timeout: 10000 });
  await page.keyboard.press("Space");
  check(!(await page.evaluate(() => window.testPlayer().playing)), `${name}: the space bar does not pause`);
  await page.keyboard.press("u");
  const marked = await page.evaluate(async () => {
    const player = window.testPlayer();
    for (let i = 0; i < 20; i++) {
      await player.step(1);
      if (player.rectangles.length) break;
    }
    const ink = player.marks.getContext("2d").getImageData(0, 0, player.marks.width, player.marks.height).data;
    return { boxes: player.boxes, some: player.rectangles.length, drawn: ink.some((v) => v) };
  });
  check(marked.boxes && marked.drawn === marked.some > 0, `${name}: updated regions are not drawn: ${JSON.stringify(marked)}`);
  await page.keyboard.press("u");
  await page.keyboard.press("End");
  await page.waitForFunction(() => Math.abs(window.testPlayer().position() - window.testPlayer().length()) < 0.01, null, { timeout: 10000 });
  await page.keyboard.press("Home");
  await page.waitForFunction(() => window.testPlayer().position() === 0, null, { timeout: 10000 });
}

// What a program can check of WCAG: no violation in both themes, as on a desk and on a phone.
async function judgeAccess(name) {
  await page.evaluate(axe);
  const found = await page.evaluate(async () => {
    // Of the rules that are off by default: labels as they are seen and spoken, sizes of what is touched.
    const { violations, passes } = await window.axe.run({ rules: { "label-content-name-mismatch": { enabled: true }, "target-size": { enabled: true } } });
    return { passes: passes.length, violations: violations.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.target).slice(0, 3).join(", ")}`) };
  });
  check(found.passes > 5, `${name}: only ${found.passes} rules were met`);
  for (const violation of found.violations) check(false, `${name}: ${violation}`);
}

async function shoot(name) {
  for (const [theme, width, height] of [["light", 1280, 900], ["dark", 1280, 900], ["light", 390, 844], ["dark", 390, 844]]) {
    await page.emulateMedia({ colorScheme: theme });
    await page.setViewportSize({ width, height });
    await page.waitForTimeout(100);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    check(wide <= 0, `${name}: ${wide} pixels wider than a window of ${width}`);
    const over = await page.evaluate(() => [...document.querySelectorAll(".card *")].filter((e) => e.getBoundingClientRect().right > e.closest(".card").getBoundingClientRect().right).map((e) => e.textContent));
    check(!over.length, `${name}, ${width} pixels: text beyond the edge of its card: ${over.join("; ")}`);
    await page.screenshot({ path: `${shots}/${name}-${theme}-${width}.png`, fullPage: true });
    // What is folded away counts, too.
    const folded = await page.evaluate(() => [...document.querySelectorAll("details:not([open])")].map((part) => (part.open = true, part)).length);
    const small = await page.evaluate(() => [...document.querySelectorAll("body *")].filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) && e.checkVisibility() && parseFloat(getComputedStyle(e).fontSize) < 12).map((e) => e.outerHTML.slice(0, 60)));
    check(!small.length, `${name}: text of less than 12 pixels: ${small.slice(0, 3).join("; ")}`);
    const open = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    check(open <= 0, `${name}: ${open} pixels wider than a window of ${width} with all of it unfolded`);
    await judgeAccess(`${name}, ${theme}, ${width} pixels`);
    if (folded) await page.screenshot({ path: `${shots}/${name}-${theme}-${width}-open.png`, fullPage: true });
    if (folded) await page.evaluate(() => { for (const part of document.querySelectorAll("details")) part.open = false; });
  }
  await checkPaper(name);
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize({ width: 1280, height: 900 });
}

// On paper: black on white in the dark theme, too, nothing folded, nothing beyond the
// edge. 718 pixels at 96 per inch are A4 (ISO 216) less margins of 10 mm.
async function checkPaper(name) {
  await page.setViewportSize({ width: 718, height: 1000 });
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  const paper = await page.evaluate(() => {
    const shown = [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility({ contentVisibilityAuto: true }));
    const beyond = shown.filter((e) => !e.closest(".unseen, svg") && e.getBoundingClientRect().right > innerWidth + 1);
    return {
      ground: getComputedStyle(document.body).backgroundColor,
      ink: getComputedStyle(document.body).color,
      beyond: beyond.slice(0, 3).map((e) => `${e.tagName}.${e.className} by ${(e.getBoundingClientRect().right - innerWidth).toFixed(0)}`),
      folded: [...document.querySelectorAll("details.more")].filter((part) => part.lastElementChild.getBoundingClientRect().height < 1).length,
    };
  });
  check(paper.ground === "rgb(255, 255, 255)" && paper.ink === "rgb(0, 0, 0)", `${name} on paper: ${paper.ink} on ${paper.ground}`);
  check(!paper.beyond.length, `${name} on paper: beyond the edge: ${paper.beyond.join("; ")}`);
  check(!paper.folded, `${name} on paper: ${paper.folded} parts stay folded`);
  await page.pdf({ path: `${shots}/${name}.pdf`, printBackground: false, format: "A4" });
  await page.emulateMedia({ media: "screen", colorScheme: "light" });
  await page.setViewportSize({ width: 1280, height: 900 });
}

async function checkShelf() {
  await page.goto(server + "/");
  await page.waitForFunction((n) => document.querySelectorAll(".shelf a.card").length === n, expected.length, { timeout: 20000 });
  // Posters are drawn when they have come: not black any more.
  await page.waitForFunction(() => [...document.querySelectorAll(".poster canvas")].every((c) => c.width < 8 || c.getContext("2d").getImageData(0, 0, c.width, c.height).data.some((v, i) => i % 4 < 3 && v)), null, { timeout: 20000 });
  const inFrames = await page.evaluate(() => [...document.querySelectorAll(".poster")].every((frame) => {
    const [outer, inner] = [frame, frame.querySelector("canvas")].map((e) => e.getBoundingClientRect());
    return Math.abs(outer.width - outer.height) < 1 && Math.abs(inner.height - outer.height) < 1;
  }));
  check(inFrames, "a poster stands over its square frame");
  for (const { title, path } of expected) {
    const card = page.locator("a.card").filter({ has: page.getByText(title, { exact: true }) });
    await checkUpright(`poster of ${title}`, path, await card.locator("canvas").evaluate((c) => c.toDataURL().split(",")[1]).then((text) => Buffer.from(text, "base64")));
  }
  await shoot("shelf");
  // By keyboard alone: tab to a card and open it.
  await page.keyboard.press("Tab");
  for (let i = 0; i < 20 && !(await page.evaluate(() => document.activeElement.matches("a.card"))); i++) await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  await waitForPlayer();
}

// Tabs to what `selector` names and does nothing else.
async function tabTo(selector) {
  for (let i = 0; i < 60; i++) {
    await page.keyboard.press("Tab");
    if (await page.evaluate((wanted) => document.activeElement.matches(wanted), selector)) return;
  }
  check(false, `the Tab key does not reach ${selector}`);
}

// The calculator from a disk, by keyboard alone.
async function checkCalculator() {
  const text = (selector) => page.locator(selector).first().innerText();
  // What a key changes stands there with the next picture of the screen.
  const frame = () => page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
  const press = async (key) => { await page.keyboard.press(key); await frame(); };
  const rehearsed = () => page.waitForFunction(() => [...document.querySelectorAll(".verdict")].every((v) => v.innerText.includes("and played in simulated time")) && document.querySelector(".verdict"), null, { timeout: 20000 });
  await page.goto(pathToFileURL(calculator).href);
  await page.waitForSelector(".bars li");
  check(await text("#rate-told") === "12 fps" && (await text("#budget-line")).includes("--frame-rate 12"), "calculator: it does not begin with the command's settings");
  await rehearsed();
  const before = await text(".bars");
  await tabTo("#rate");
  await press("End");
  check(await text("#rate-told") === "60 fps" && await text(".bars") !== before, "calculator: the bars do not follow the frame rate");
  check((await text("#convert-line")).includes("--frame-rate 60"), "calculator: the command does not follow the frame rate");
  await tabTo("#length");
  const small = await text("#length-told");
  await press("End");
  check(small.startsWith("6 s, ") && (await text("#length-told")).startsWith("30 min, ") && (await text("#budget-line")).includes("--minutes 30"), `calculator: the length does not follow: ${small}`);
  check(/file size/.test(await text(".bars")), "calculator: no bar for the file's size");
  await press("Home");
  await tabTo("#coding");
  await press("End");
  check(await page.locator("#quality").isDisabled() && (await text("#budget-line")).includes("--coding raw"), "calculator: raw pictures do not follow from the keyboard");
  await press("Home");
  await tabTo("#distance");
  await press("Home");
  check((await text("#distance-told")).includes("1 m, MCS 7") && (await text("#save-first")).includes("lantern-room-1-m.toml"), "calculator: the distance does not move the board");
  await press("End");
  check((await text("#distance-told")).includes("37 m, MCS 0"), "calculator: the distance ends elsewhere");
  await tabTo("#reset");
  await press("Enter");
  check(await text("#rate-told") === "12 fps" && await text(".bars") === before, "calculator: the start does not come back");
  await tabTo("#save");
  const saving = page.waitForEvent("download");
  await press("Enter");
  const saved = readFileSync(await (await saving).path(), "utf8");
  check((await saving).suggestedFilename() === "lantern-room.toml" && saved.includes("[panel]"), "calculator: the saved profile is none");
  // A profile dropped onto the page, with a name that no HTML may break.
  const drop = (profile) => page.evaluate(([name, content]) => {
    const data = new DataTransfer();
    data.items.add(new File([content], name));
    dispatchEvent(new DragEvent("drop", { dataTransfer: data, cancelable: true }));
  }, ["gull's <b>.toml", profile]);
  await drop(saved.replace(/^clock_hz = .*/m, "clock_hz = 10000000"));
  await page.waitForFunction(() => document.getElementById("budget-line").textContent.includes("'gull'\\''s <b>.toml'"), null, { timeout: 5000 });
  check(await text(".verdict.not, .verdict.tight") !== "", "calculator: a panel's bus of 10 MHz changes nothing");
  // A change is shown by formula alone, at once, in the same task: no worker and no
  // rehearsal. Of many changes within a picture of the screen the first and the last are computed.
  const work = await page.evaluate(async () => {
    const { asked } = window.testCalculator, Real = window.Worker, rate = document.getElementById("rate");
    window.Worker = class { constructor() { window.testCalculator.workers += 1; } postMessage() {} terminate() {} };
    const frame = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    await frame();
    asked.length = 0;
    window.testCalculator.workers = 0;
    const bars = [];
    for (let fps = 11; fps <= 30; fps++) {
      rate.value = fps;
      rate.dispatchEvent(new Event("input", { bubbles: true }));
      bars.push(document.querySelector(".bars").innerHTML);
    }
    const atOnce = { first: new Set(bars).size === 1 && document.getElementById("rate-told").textContent, asked: asked.length, workers: window.testCalculator.workers };
    await frame();
    const depths = asked.map((request) => request.depth), rates = asked.map((request) => request.rate[0]);
    window.Worker = Real;
    return { ...atOnce, depths, rates, last: document.getElementById("rate-told").textContent };
  });
  check(work.first === "11 fps" && work.asked === 1 && work.workers === 0 && work.last === "30 fps" && work.rates.join() === "11,30" && work.depths.every((depth) => depth === "formula"), `calculator: a change costs ${JSON.stringify(work)}`);
  await drop("[panel]\nwidht = 3");
  await page.waitForFunction(() => document.getElementById("problem").textContent.includes("widht"), null, { timeout: 5000 });
  await tabTo("#reset");
  await press("Enter");
  await rehearsed();
  await shoot("calculator");
}

// What cannot be shown is said, in the same look.
async function checkTrouble() {
  await page.goto(empty + "/");
  await page.getByText("No reels in this folder yet").waitFor();
  await shoot("empty");
  await page.goto(troubled + "/");
  await page.waitForFunction(() => document.querySelectorAll(".shelf .card").length === 3, null, { timeout: 20000 });
  const cards = await page.locator(".shelf .card").allInnerTexts();
  check(cards.some((text) => text.includes("cut short:")) && cards.some((text) => text.includes("noise.tbr")), `troubled: the shelf says ${cards.join("; ")}`);
  check(await page.locator("a.card").count() === 2, "troubled: what is no reel can be opened");
  const short = cards.find((text) => text.includes("noise.tbr"));
  check(/no reel.*27 bytes/.test(short), `troubled: the shelf says of a line of text: ${short}`);
  await shoot("troubled");
  await page.goto(`${troubled}/#/reels/damaged.tbr`);
  await waitForPlayer();
  await page.locator(".player").focus();
  await page.keyboard.press("Space");
  await page.waitForFunction(() => document.querySelector(".note.bad")?.textContent.startsWith("Damage at "), null, { timeout: 20000 });
  await page.keyboard.press("Space");
  await shoot("damaged");
  const before = complaints.length;
  await page.goto(`${troubled}/#/reels/missing.tbr`);
  await page.locator('[role="alert"]').waitFor();
  // The browser itself tells of the answer 404.
  await page.waitForTimeout(200);
  complaints.splice(before, complaints.length - before, ...complaints.slice(before).filter((line) => !line.includes("404")));
  const missing = await page.locator('[role="alert"]').innerText();
  check(missing.includes("no such reel") && missing.includes("shelf"), `troubled: a missing reel is told of as: ${missing}`);
  await shoot("missing");
  await tabTo("main a");
  await page.keyboard.press("Enter");
  await page.waitForFunction(() => document.querySelectorAll(".shelf .card").length === 3, null, { timeout: 20000 });
}

async function checkReels() {
  await checkShelf();
  for (const want of expected) {
    await page.goto(`${server}/#${want.path}`);
    await page.waitForFunction((title) => document.querySelector("h1")?.textContent === title, want.title, { timeout: 20000 });
    await checkReel(want.path, want);
    await checkPlay(want.path, want);
    // Sizes are told as they are seen, also of a panel that is mounted on its side.
    const seen = { "/reels/turned.tbr": "200 x 100", "/reels/turned-mirror.tbr": "64 x 96" }[want.path];
    const said = await page.locator(".player .facts").last().innerText();
    check(!seen || said.includes(seen), `${want.path}: the panel is told as ${said}`);
  }
  await page.evaluate(() => { const p = window.testPlayer(); p.markBox.click(); return p.seek(p.length() / 2); });
  await shoot("player");
  const last = expected[expected.length - 1];
  await page.goto(`${server}/#${last.path.replace("/reels/", "/live/")}`);
  await page.waitForFunction(() => document.querySelector(".place")?.player?.reel.live, null, { timeout: 20000 });
  // Before it plays, its panel shows the poster and not black.
  await page.waitForFunction(() => { const { draw, panel } = window.testPlayer(); return draw.getImageData(0, 0, panel.width, panel.height).data.some((v, i) => i % 4 < 3 && v); }, null, { timeout: 20000 });
  await page.locator(".player").focus();
  await page.keyboard.press("Space");
  await page.waitForFunction(() => window.testPlayer().shown && window.testPlayer().position() > 0.5, null, { timeout: 20000 });
  const live = await page.evaluate(() => {
    const { header, scale, screen } = window.testPlayer();
    return { picture: header.width * header.height * scale ** 2, panel: screen.clientWidth * screen.clientHeight };
  });
  const { w, h } = places[last.path];
  check(Math.abs(live.panel * w * h - live.picture) < 1, `${last.path} live: the panel's ${live.panel} pixels do not surround the picture's ${live.picture}`);
  await page.keyboard.press("Space");
  await page.waitForTimeout(200);
  await shoot("live");
  check(await page.locator(".supply").count() === 0, "a supply is told of where no board is known");
  // A server that feeds a board says of its supply what the budget says.
  await page.goto(`${supply.server}/#${supply.path}`);
  await page.waitForSelector(".supply li", { timeout: 20000 });
  const told = await page.locator(".supply li").allTextContents();
  for (const text of told) check(supply.told.includes(text), `supply: the budget does not say: ${text}`);
  check(told.some((text) => /^[0-9]+ mA from the source on average/.test(text)) && told.length > 1, `supply: ${told.join("; ")}`);
  check((await page.locator(".supply ~ .note").allTextContents()).some((text) => text.includes("local codes")), "supply: no caution");
  await shoot("supply");
  // Two more viewers take reels by turns: their rows are together, whatever the order.
  for (const path of [expected[0].path, expected[1].path, expected[2].path]) {
    for (const localAddress of ["127.0.0.2", "127.0.0.3"]) {
      await new Promise((done, failed) => get(server + path, { localAddress }, (answer) => answer.resume().on("end", done)).on("error", failed));
    }
  }
  await page.goto(`${server}/#/streams`);
  await page.waitForSelector("tbody tr");
  const groups = await page.locator("tbody").evaluateAll((all) => all.map((group) => ({
    client: group.dataset.client, head: group.querySelector("th").textContent,
    rows: [...group.querySelectorAll("tr")].slice(1).map((row) => [...row.children].slice(0, 2).map((cell) => cell.textContent).join(" ")),
  })));
  const listed = JSON.stringify(groups);
  check(new Set(groups.map((group) => group.client)).size === groups.length && ["127.0.0.1", "127.0.0.2", "127.0.0.3"].every((client) => groups.some((group) => group.client === client)), `streams: a client stands in several places: ${listed}`);
  check(groups.every(({ client, head, rows }) => head.startsWith(client) && new Set(rows).size === rows.length), `streams: one visit makes several rows: ${listed}`);
  check(groups.filter(({ client }) => client !== "127.0.0.1").every(({ rows }) => rows.length === 3), `streams: a viewer of three reels has not three rows: ${listed}`);
  await shoot("streams");
}

async function checkReport() {
  await page.goto(pathToFileURL(report).href);
  const carried = expected.find((reel) => reel.path === `/reels/${report.split("/").pop().replace(".html", ".tbr")}`);
  await checkReel("report", carried);
  await checkPlay("report", carried);
  // The cursor over the plot and the player move each other; its figures are the drawn ones.
  await page.locator(".moment input").focus();
  await page.keyboard.press("End");
  await page.waitForFunction(() => Math.abs(window.testPlayer().position() - window.testPlayer().length()) < 0.05, null, { timeout: 10000 });
  await page.evaluate(() => window.testPlayer().seek(window.testPlayer().length() / 2));
  const cursor = await page.waitForFunction(() => {
    const { from, to } = document.querySelector(".reel-plot").dataset;
    const at = Number(from) + (to - from) * parseFloat(document.querySelector(".cursor").style.left) / 100;
    const slider = Number(document.querySelector(".moment input").value);
    return Math.max(Math.abs(at - window.testPlayer().position()), Math.abs(at - slider)) < 0.01 && document.querySelector(".readout").textContent;
  }, null, { timeout: 10000 }).then((value) => value.jsonValue());
  check(/Link, need: [0-9.]+ kB\/s · Panel bus, busy: [0-9.]+ %.*Ring buffer, level: [0-9.]+ kB/.test(cursor), `report: the cursor says ${cursor}`);
  // On a phone the verdict of each part is in view, not beyond the edge of its table.
  await page.setViewportSize({ width: 390, height: 844 });
  await page.evaluate(() => { for (const part of document.querySelectorAll("details")) part.open = true; });
  const columns = await page.locator('.wide[aria-label^="Budget"] thead th').evaluateAll((all) => all.map((th) => [th.textContent, th.getBoundingClientRect().right]));
  for (const [name, right] of columns) check(!["Part", "Used", "Verdict"].includes(name) || right <= 390, `report: the column ${name} ends at ${right} pixels on a phone`);
  check(columns.length >= 12, `report: ${columns.length} columns`);
  await page.evaluate(() => { for (const part of document.querySelectorAll("details")) part.open = false; });
  await page.setViewportSize({ width: 1280, height: 900 });
  // Folded parts open from the keyboard.
  await page.locator("h1").click();
  await tabTo("details.more > summary");
  await page.keyboard.press("Enter");
  check(await page.locator("details.more[open]").count() === 1, "report: a folded part does not open from the keyboard");
  await page.keyboard.press("Enter");
  await shoot("report");
}

async function checkPages() {
  await checkTrouble();
  await page.goto(`${supply.server}/calculator`);
  await page.waitForSelector(".bars li");
  check(await page.locator("#board").inputValue() === "lantern-room", "calculator: it does not begin with the server's board");
  await checkCalculator();
  await checkReport();
}

try {
  await { reels: checkReels, pages: checkPages }[part]();
} catch (error) {
  complaints.push(`stopped: ${error.stack}`);
  await page.screenshot({ path: `${shots}/${part}-stopped.png` }).catch(() => {});
} finally {
  await browser.close();
}
for (const complaint of complaints) console.error(complaint);
process.exit(complaints.length ? 1 : 0);
