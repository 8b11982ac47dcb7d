// Reels in the browser. The container reader and the decoders are the crate's
// own, compiled to WebAssembly (viewer.wasm); this file feeds them bytes and
// takes out pictures and sound. No names but `Thumbreel` are left behind.
"use strict";

var Thumbreel = Thumbreel || {};

(function () {
  // Event numbers and places in the table of facts, as the viewer's source has them.
  const HUNGRY = 0, HEADER = 1, CHUNK = 2, SLICE = 3, SOUND = 4, PICTURE = 5, STALE = 6, DAMAGE = 7, END = 8;
  const FAILED = -1;
  const POSTER = 1, NOTE = 6, KEY = 1;
  const HEADER_FACTS = [
    "width", "height", "shape", "pixelFormat", "coding", "level", "sound", "clockRate",
    "rateNum", "rateDen", "firstTick", "duration", "reelDuration", "fileLength", "firstPicture",
    "pictureCount", "sliceCount", "largestChunk", "prebuffer", "meanRate", "worstRate",
    "posterOffset", "posterLength", "part", "parts",
    "worstBusBytes", "worstInstructions", "workingMemory", "turns", "mirror",
  ];
  const CODINGS = ["raw", "jpeg", "patch"];
  const SOUNDS = ["none", "16-bit PCM", "8-bit PCM", "IMA ADPCM"];

  // One reader and one panel in WebAssembly memory.
  class Viewer {
    static async load(wasm) {
      const { instance } = await WebAssembly.instantiate(await wasm, {});
      const viewer = new Viewer();
      viewer.core = instance.exports;
      viewer.core.start();
      return viewer;
    }

    bytes(at, count) { return new Uint8Array(this.core.memory.buffer, at, count); }
    facts() { return new Float64Array(this.core.memory.buffer, this.core.facts(), 64); }
    message() {
      const text = this.bytes(this.core.message(), this.core.message_length());
      return new TextDecoder().decode(text);
    }

    supply(bytes) {
      const count = Math.min(bytes.length, this.core.input_size());
      this.bytes(this.core.input(), count).set(bytes.subarray(0, count));
      return this.core.supply(count);
    }

    // The next event as a plain object; null when bytes are needed first.
    next() {
      const kind = this.core.next();
      const facts = this.facts();
      switch (kind) {
        case HUNGRY: return null;
        case FAILED: throw new Error(this.message());
        case HEADER: {
          const header = { kind: "header", title: this.message() };
          HEADER_FACTS.forEach((name, i) => { header[name] = facts[i]; });
          if (header.duration < 0) header.duration = null;
          header.codingName = CODINGS[header.coding] || "?";
          header.soundName = SOUNDS[header.sound] || "?";
          return header;
        }
        case CHUNK: return { kind: "chunk", of: facts[0], bytes: this.bytes(facts[1], facts[2]).slice() };
        case SLICE: return { kind: "slice", tick: facts[0], ticks: facts[1], key: facts[2] !== 0, length: facts[3] };
        case SOUND: {
          const samples = new Int16Array(this.core.memory.buffer, facts[2], facts[1]).slice();
          return { kind: "sound", tick: facts[0], ticks: facts[1], samples };
        }
        case PICTURE: return {
          kind: "picture", tick: facts[0], number: facts[1], coding: facts[2], flags: facts[3],
          bytes: this.bytes(facts[4], facts[5]).slice(),
        };
        case STALE: return { kind: "stale", tick: facts[0], number: facts[1] };
        case DAMAGE: return { kind: "damage", from: facts[0], to: facts[1], why: this.message() };
        case END: return { kind: "end", whole: facts[0] !== 0 };
        default: throw new Error("unknown event " + kind);
      }
    }

    // Decodes a picture onto the panel; the rectangles that were sent to it. After
    // a broken picture null, until a key picture: the others build on it.
    show(picture) {
      if (picture.flags & KEY) this.waiting = false;
      if (this.waiting) return null;
      this.bytes(this.core.input(), picture.bytes.length).set(picture.bytes);
      const count = this.core.decode(picture.coding, picture.flags, picture.bytes.length);
      if (count < 0) {
        this.waiting = true;
        throw new Error(this.message());
      }
      picture.instructions = this.core.instructions();
      const words = new Uint16Array(this.core.memory.buffer, this.core.rectangles(), count * 4);
      const list = [];
      for (let i = 0; i < count; i++) {
        list.push({ x: words[4 * i], y: words[4 * i + 1], w: words[4 * i + 2], h: words[4 * i + 3] });
      }
      return list;
    }

    // What the panel shows: RGB565, and as 8-bit RGBA for a canvas.
    pixels(header) {
      return new Uint16Array(this.core.memory.buffer, this.core.pixels(), header.width * header.height).slice();
    }
    rgba(header) {
      const at = this.core.rgba();
      return new Uint8ClampedArray(this.core.memory.buffer, at, header.width * header.height * 4);
    }
  }

  // Bytes of a reel held in the page.
  class BytesSource {
    constructor(bytes) { this.all = bytes; }
    async read(offset, length) { return this.all.subarray(offset, offset + length); }
  }

  // Bytes of a reel on the server, fetched by ranges in blocks of one size.
  class RangeSource {
    constructor(address, size = 256 * 1024) {
      this.address = address;
      this.size = size;
      this.blocks = new Map();
      this.etag = null;
    }

    async read(offset, length) {
      const block = Math.floor(offset / this.size);
      const bytes = await this.block(block);
      const from = offset - block * this.size;
      return bytes.subarray(from, from + length);
    }

    block(number) {
      let waiting = this.blocks.get(number);
      if (!waiting) {
        waiting = this.fetch(number).catch((error) => { this.blocks.delete(number); throw error; });
        this.blocks.set(number, waiting);
        // Sixteen megabytes are enough to play and to step back in.
        if (this.blocks.size > 64) this.blocks.delete(this.blocks.keys().next().value);
      }
      return waiting;
    }

    async fetch(number) {
      const from = number * this.size;
      const headers = { Range: `bytes=${from}-${from + this.size - 1}` };
      if (this.etag) headers["If-Range"] = this.etag;
      const answer = await fetch(this.address, { headers });
      if (answer.status === 416) return new Uint8Array(0);
      if (answer.status !== 206) {
        if (answer.body) await answer.body.cancel();
        throw new Error(this.etag && answer.ok ? "the reel has changed; load it again" : refusal(answer));
      }
      this.etag = answer.headers.get("ETag");
      return new Uint8Array(await answer.arrayBuffer());
    }
  }

  // What an answer that is none means, with the way out.
  function refusal(answer) {
    if (answer.status === 404) return "the folder has no such reel; it may have been renamed or removed: choose one on the shelf";
    return `the server answered ${answer.status}; load the page again, and look at what the server says`;
  }

  // The stream of a live reel: forwards only.
  class StreamSource {
    constructor(address) {
      this.address = address;
      this.rest = new Uint8Array(0);
      this.abort = new AbortController();
    }

    async read() {
      if (!this.reader) {
        const answer = await fetch(this.address, { signal: this.abort.signal });
        if (!answer.ok) throw new Error(refusal(answer));
        this.reader = answer.body.getReader();
      }
      const { done, value } = await this.reader.read();
      return done ? new Uint8Array(0) : value;
    }

    close() { this.abort.abort(); }
  }

  // The panel around a picture that is smaller, as the reel's note tells; without
  // such a note the picture fills it.
  function surroundOf(note, { width, height, shape }) {
    const full = { width, height, x: 0, y: 0, round: shape === 1 };
    try {
      const { width: across, height: down, x, y, round } = JSON.parse(new TextDecoder().decode(note)).panel;
      const holds = [across, down, x, y].every((n) => Number.isInteger(n) && n >= 0 && n <= 1024) && x + width <= across && y + height <= down;
      return holds ? { width: across, height: down, x, y, round: round === true || (full.round && across === width && down === height) } : full;
    } catch {
      // A note that is none, or made by hand, tells of no panel.
      return full;
    }
  }

  // The panel with a picture on it, dark around.
  function onPanel(image, { width, height, x, y }) {
    const panel = new ImageData(width, height);
    new Uint32Array(panel.data.buffer).fill(new Uint32Array(new Uint8Array([0, 0, 0, 255]).buffer)[0]);
    for (let row = 0; row < image.height; row++) {
      const line = image.data.subarray(4 * row * image.width, 4 * (row + 1) * image.width);
      panel.data.set(line, 4 * ((y + row) * width + x));
    }
    return panel;
  }

  // A reel: its header, then its events in order, from any time.
  class Reel {
    static async open(source, wasm) {
      const reel = new Reel();
      reel.source = source;
      reel.live = source instanceof StreamSource;
      reel.viewer = await Viewer.load(wasm);
      reel.rest = new Uint8Array(0);
      reel.header = await reel.next();
      reel.surround = surroundOf(null, reel.header);
      // Poster, tables and note precede the first slice: read them before the first seek.
      await reel.passChunks();
      return reel;
    }

    // Reads up to the first slice; keeps the poster, the payload of a key picture,
    // and what the note says of the panel.
    async passChunks() {
      for (;;) {
        const event = await this.next();
        if (event.kind === "chunk" && event.of === POSTER) this.poster = event.bytes;
        if (event.kind === "chunk" && event.of === NOTE) this.surround = surroundOf(event.bytes, this.header);
        if (event.kind === "chunk" || (event.kind === "damage" && !this.live)) continue;
        this.held = event;
        return;
      }
    }

    // The poster as an image of the panel; pictures start afresh after it.
    posterImage() {
      const picture = this.posterPicture();
      return picture && onPanel(picture, this.surround);
    }

    // The poster without what surrounds the picture on its panel.
    posterPicture() {
      if (!this.poster) return null;
      const { width, height, coding } = this.header;
      this.viewer.show({ coding, flags: KEY, bytes: this.poster });
      return new ImageData(this.viewer.rgba(this.header).slice(), width, height);
    }

    async next() {
      if (this.held) {
        const event = this.held;
        this.held = null;
        return event;
      }
      for (;;) {
        const event = this.viewer.next();
        if (event) return event;
        await this.feed();
      }
    }

    async feed() {
      const core = this.viewer.core;
      if (this.live) {
        if (this.rest.length === 0) this.rest = await this.source.read();
        if (this.rest.length === 0) core.end_of_input();
        else this.rest = this.rest.subarray(this.viewer.supply(this.rest));
        return;
      }
      const bytes = await this.source.read(core.need_offset(), core.need_length());
      core.jump();
      if (bytes.length === 0) core.end_of_input();
      else this.viewer.supply(bytes);
    }

    // Events go on at the last key slice at or before `tick`.
    seek(tick) {
      this.held = null;
      this.viewer.core.seek(tick);
    }

    seconds(tick) { return (tick - this.header.firstTick) / this.header.clockRate; }
    ticks(seconds) { return Math.round(seconds * this.header.clockRate) + this.header.firstTick; }
  }

  // The image as the viewer of a panel mounted like that sees it: left and right
  // exchanged if `mirror`, then quarter turns back.
  function upright(image, { turns, mirror }) {
    const { width: w, height: h } = image;
    const [width, height] = turns % 2 ? [h, w] : [w, h];
    const from = new Uint32Array(image.data.buffer);
    const to = new Uint32Array(width * height);
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const [column, row] = [[x, y], [w - 1 - y, x], [w - 1 - x, h - 1 - y], [y, h - 1 - x]][turns];
        to[y * width + x] = from[row * w + (mirror ? w - 1 - column : column)];
      }
    }
    return new ImageData(new Uint8ClampedArray(to.buffer), width, height);
  }

  Object.assign(Thumbreel, { BytesSource, RangeSource, StreamSource, Reel, refusal, upright, POSTER });
})();
