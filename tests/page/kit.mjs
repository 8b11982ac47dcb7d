// Presents reels with the page's own reader (reel.js and viewer.wasm) and prints
// two lines for each, in the words of tests/data/kit/LIST: read forwards as a
// stream is, and as a file, which the page seeks in before it plays.
//
//   node kit.mjs REEL_JS VIEWER_WASM REEL...
import { readFileSync } from "node:fs";
import { basename } from "node:path";
import { runInThisContext } from "node:vm";
import { crc32 } from "node:zlib";

const [script, wasm, ...paths] = process.argv.slice(2);
runInThisContext(readFileSync(script, "utf8"), { filename: script });
const core = readFileSync(wasm);

// A stream whose pieces are of uneven sizes.
class Pieces extends Thumbreel.StreamSource {
  constructor(bytes) { super(""); this.all = bytes; this.at = 0; this.size = 1; }
  async read() {
    this.size = this.size * 7 % 4099;
    const piece = this.all.subarray(this.at, this.at + this.size);
    this.at += piece.length;
    return piece;
  }
}

// What is seen and heard, silence wherever time is missing.
class Audience {
  constructor({ header, viewer }) {
    Object.assign(this, { header, viewer, samples: 0, panels: 0, shown: 0, heard: header.firstTick });
  }

  silence(to) {
    for (let left = this.header.sound ? to - this.heard : 0; left > 0; left -= 65536) {
      this.samples = crc32(new Uint8Array(2 * Math.min(left, 65536)), this.samples);
    }
    this.heard = Math.max(this.heard, to);
  }

  hear({ tick, ticks, samples }) {
    this.samples = crc32(new Uint8Array(samples.buffer), this.samples);
    this.heard = tick + ticks;
  }

  see(picture) {
    try {
      if (!this.viewer.show(picture)) return;
    } catch { return; }
    this.shown += 1;
    this.panels = crc32(new Uint8Array(this.viewer.pixels(this.header).buffer), this.panels);
  }

  take(event) {
    if (event.kind === "slice") this.silence(event.tick);
    if (event.kind === "damage") this.silence(event.to);
    if (event.kind === "sound") this.hear(event);
    if (event.kind === "picture") this.see(event);
  }

  told() {
    const hex = (crc) => crc.toString(16).padStart(8, "0");
    return `samples ${hex(this.samples)} pictures ${this.shown} panels ${hex(this.panels)}`;
  }
}

async function present(source) {
  try {
    const reel = await Thumbreel.Reel.open(source, core);
    if (!reel.live) reel.seek(reel.header.firstTick);
    const audience = new Audience(reel);
    for (;;) {
      const event = await reel.next();
      if (event.kind === "end") break;
      audience.take(event);
    }
    const { duration, firstTick } = reel.header;
    if (duration !== null) audience.silence(firstTick + duration);
    return audience.told();
  } catch { return "refused"; }
}

for (const path of paths) {
  const bytes = new Uint8Array(readFileSync(path));
  console.log(`${basename(path)} ${await present(new Pieces(bytes))}`);
  console.log(`${basename(path)} ${await present(new Thumbreel.BytesSource(bytes))}`);
}
