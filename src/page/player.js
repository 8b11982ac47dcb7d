// The player: a reel on a panel drawn pixel by pixel, at the panel's size or
// enlarged, with its sound. Sound is the master clock, as on the board.
"use strict";

(function () {
  const { Reel } = Thumbreel;
  // Seconds of sound and pictures kept ready.
  const AHEAD = 2;
  const UNCHANGED = 2;

  function element(name, attributes, ...children) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
      else if (value === true) made.setAttribute(key, "");
      else if (value !== false && value != null) made.setAttribute(key, value);
    }
    made.append(...children);
    return made;
  }

  function clockText(seconds) {
    const whole = Math.floor(seconds / 60);
    return `${whole}:${(seconds - 60 * whole).toFixed(2).padStart(5, "0")}`;
  }

  // Plays decoded sound blocks at their ticks; also the clock of a silent reel.
  class SoundClock {
    constructor(rate, silent) {
      this.rate = rate;
      this.silent = silent;
      this.volume = 0.6;
      this.nodes = new Set();
    }

    // Seconds by the clock that the sound follows.
    now() { return this.context ? this.context.currentTime : performance.now() / 1000; }

    async start(tick) {
      if (!this.silent && !this.context) {
        // At the reel's own rate blocks join without a seam.
        this.context = new AudioContext({ sampleRate: this.rate });
        this.gain = new GainNode(this.context, { gain: this.volume });
        this.gain.connect(this.context.destination);
      }
      if (this.context) await this.context.resume();
      this.origin = this.now() + 0.06;
      this.from = tick;
    }

    stop() {
      for (const node of this.nodes) node.stop();
      this.nodes.clear();
    }

    tick() { return this.from + (this.now() - this.origin) * this.rate; }

    play(block) {
      const skipped = Math.max(0, this.from - block.tick);
      const count = block.samples.length - skipped;
      if (!this.context || count <= 0) return;
      const buffer = this.context.createBuffer(1, count, this.rate);
      const data = buffer.getChannelData(0);
      for (let i = 0; i < count; i++) data[i] = block.samples[skipped + i] / 32768;
      const node = new AudioBufferSourceNode(this.context, { buffer });
      node.connect(this.gain);
      node.onended = () => this.nodes.delete(node);
      this.nodes.add(node);
      node.start(this.origin + (block.tick + skipped - this.from) / this.rate);
    }

    setVolume(volume) {
      this.volume = volume;
      if (this.gain) this.gain.gain.value = volume;
    }
  }

  class Player {
    // Builds the player into `place`; `options.facts`: show the reel's facts below.
    constructor(place, reel, options = {}) {
      this.place = place;
      this.reel = reel;
      this.header = reel.header;
      this.clock = new SoundClock(this.header.clockRate, this.header.sound === 0);
      this.pictures = [];
      this.blocks = [];
      this.damage = [];
      this.ended = false;
      this.playing = false;
      this.loop = false;
      this.boxes = false;
      this.shown = null;
      this.at = this.header.firstTick;
      this.readTick = -1;
      this.turn = 0;
      this.busy = Promise.resolve();
      this.build(options);
      place.player = this;
    }

    build(options) {
      const { width, height } = this.header;
      const { surround } = this.reel;
      this.panel = element("canvas", { width, height, class: "panel", role: "img", "aria-label": `Panel, ${surround.width} by ${surround.height} pixels` });
      this.marks = element("canvas", { class: "marks", "aria-hidden": "true" });
      // The panel as it is mounted; the screen around it shows it upright.
      this.mounted = element("div", { class: "mounted" }, this.panel, this.marks);
      this.screen = element("div", { class: surround.round ? "screen round" : "screen" }, this.mounted);
      this.draw = this.panel.getContext("2d");
      const button = (label, hint, act) => element("button", { type: "button", title: hint, "aria-label": hint, onclick: act }, label);
      this.playButton = button("Play", "Play or pause (space)", () => this.toggle());
      this.bar = element("input", { type: "range", min: 0, max: 1000, value: 0, step: 1, class: "time", "aria-label": "Time", 
        oninput: () => this.seek(this.bar.value / 1000 * this.length()) });
      this.clockLabel = element("output", { class: "clock" }, "0:00.00");
      this.loopBox = element("input", { type: "checkbox", onchange: () => { this.loop = this.loopBox.checked; } });
      this.markBox = element("input", { type: "checkbox", onchange: () => { this.boxes = this.markBox.checked; this.drawMarks(); } });
      this.volume = element("input", { type: "range", min: 0, max: 100, value: 60, "aria-label": "Volume", oninput: () => this.clock.setVolume(this.volume.value / 100) });
      this.scaleChoice = element("select", { "aria-label": "Size", onchange: () => this.chooseScale(Number(this.scaleChoice.value)) });
      for (let n = 1; n <= 6; n++) this.scaleChoice.append(element("option", { value: n }, n === 1 ? "panel size" : `${n} times`));
      this.note = element("p", { class: "note", role: "status" });
      this.pictureFacts = element("p", { class: "picture-facts" });
      const row = (name, ...items) => element("div", { class: `row ${name}` }, ...items);
      const controls = element("div", { class: "controls" },
        row("transport", this.playButton,
          ...(this.reel.live ? [] : [
            button("Previous frame", "Previous frame (left arrow)", () => this.step(-1)),
            button("Next frame", "Next frame (right arrow)", () => this.step(1))]),
          this.clockLabel),
        ...(this.reel.live ? [] : [this.bar]),
        row("choices",
          element("label", {}, "Size ", this.scaleChoice),
          ...(this.clock.silent ? [] : [element("label", {}, "Volume ", this.volume)]),
          ...(this.reel.live ? [] : [element("label", {}, this.loopBox, " Loop")]),
          element("label", {}, this.markBox, " Updated regions")),
        this.pictureFacts, this.note, this.keyList(), ...(options.facts === false ? [] : [this.factList()]));
      this.root = element("div", { class: "player", tabindex: 0, role: "group", "aria-label": "Player", onkeydown: (event) => this.key(event) },
        element("div", { class: "stage" }, this.screen), controls);
      this.place.replaceChildren(this.root);
      this.setScale(this.roomyScale());
      this.refit = () => { if (!this.chosen) this.setScale(this.roomyScale()); };
      addEventListener("resize", this.refit);
    }

    keyList() {
      const seeking = [["left, right", "previous, next frame"], ["Page Up, Page Down", "one second back, forward"], ["Home, End", "start, end"], ["l", "loop"]];
      const keys = [["space", "play, pause"], ...(this.reel.live ? [] : seeking), ["+ and -", "larger, smaller"], ["u", "updated regions"]];
      return element("details", { class: "keys" }, element("summary", {}, "Keys"),
        element("dl", { class: "facts" }, ...keys.flatMap(([key, text]) => [element("dt", {}, key), element("dd", {}, text)])));
    }

    factList() {
      const h = this.header;
      const panel = this.reel.surround;
      // As the viewer sees it.
      const across = ({ width, height }) => h.turns % 2 ? `${height} x ${width}` : `${width} x ${height}`;
      const kB = (bytes) => `${(bytes / 1000).toFixed(1)} kB`;
      const pairs = [
        ["Panel", `${across(panel)}${panel.round ? ", round" : ""}`],
        ...(h.width === panel.width && h.height === panel.height ? [] : [["Picture", across(h)]]),
        ["Pictures", `${(h.rateNum / h.rateDen).toFixed(2)} fps, ${h.codingName}${h.level ? (h.level === 1 ? " light" : " full") : ""}`],
        ["Sound", h.sound === 0 ? "none" : `${h.clockRate} Hz, ${h.soundName}`],
        ["Link", h.meanRate ? `${kB(h.meanRate)}/s mean, ${kB(h.worstRate)}/s at worst` : "not stated"],
        ["Length", h.duration == null ? "live" : `${clockText(this.length())}, ${kB(h.fileLength)}`],
      ];
      return element("dl", { class: "facts" }, ...pairs.flatMap(([name, text]) => [element("dt", {}, name), element("dd", {}, text)]));
    }

    length() { return this.header.duration == null ? 0 : this.header.duration / this.header.clockRate; }

    // The panel's size as the viewer sees it.
    uprightSize() {
      const { turns } = this.header;
      const { width, height } = this.reel.surround;
      return turns % 2 ? { width: height, height: width } : { width, height };
    }

    // The largest whole enlargement that leaves room on the page.
    roomyScale() {
      const across = Math.min(this.place.clientWidth || 480, 720) - 24;
      const down = Math.max(240, window.innerHeight * 0.6);
      const { width, height } = this.uprightSize();
      return Math.max(1, Math.min(6, Math.floor(across / width), Math.floor(down / height)));
    }

    chooseScale(scale) {
      this.chosen = true;
      this.setScale(scale);
    }

    setScale(scale) {
      this.scale = scale;
      this.scaleChoice.value = String(scale);
      const { width, height, turns, mirror } = this.header;
      const upright = this.uprightSize();
      this.screen.style.width = `${upright.width * scale}px`;
      this.screen.style.height = `${upright.height * scale}px`;
      const { surround } = this.reel;
      this.mounted.style.width = `${surround.width * scale}px`;
      this.mounted.style.height = `${surround.height * scale}px`;
      for (const canvas of [this.panel, this.marks]) {
        Object.assign(canvas.style, { left: `${surround.x * scale}px`, top: `${surround.y * scale}px`, width: `${width * scale}px`, height: `${height * scale}px` });
      }
      this.mounted.style.transform = `translate(-50%, -50%) rotate(${-90 * turns}deg) scaleX(${mirror ? -1 : 1})`;
      this.marks.width = width * scale;
      this.marks.height = height * scale;
      this.drawMarks();
    }

    key(event) {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      const inField = event.target.matches("select") || (event.target === this.volume && /^(Arrow|Page|Home|End)/.test(event.key));
      const act = {
        " ": () => this.toggle(),
        "ArrowLeft": () => this.step(-1), "ArrowRight": () => this.step(1),
        "PageUp": () => this.seek(this.position() - 1), "PageDown": () => this.seek(this.position() + 1),
        "Home": () => this.seek(0), "End": () => this.seek(this.length()),
        "l": () => { if (!this.reel.live) this.loopBox.click(); }, "u": () => this.markBox.click(),
        "+": () => this.chooseScale(Math.min(6, this.scale + 1)), "-": () => this.chooseScale(Math.max(1, this.scale - 1)),
      }[event.key];
      if (!act || inField || (event.key === " " && event.target.matches("button, input"))) return;
      event.preventDefault();
      act();
    }

    // Calls to the reader run one at a time, in order.
    queue(work) {
      this.busy = this.busy.then(work).catch((error) => this.fail(error));
      return this.busy;
    }

    fail(error) {
      this.note.textContent = error.message;
      this.note.classList.add("bad");
      this.pause();
    }

    // Reads on until sound and pictures reach `tick`, or to the end.
    async readTo(tick, turn) {
      while (!this.ended && turn === this.turn && this.readTick < tick) {
        const event = await this.reel.next();
        if (turn !== this.turn) return;
        if (event.kind === "slice") this.readTick = event.tick;
        else if (event.kind === "sound") this.blocks.push(event);
        else if (event.kind === "picture") this.pictures.push(event);
        else if (event.kind === "damage") this.noteDamage(event);
        else if (event.kind === "end") this.ended = true;
      }
    }

    noteDamage(event) {
      this.damage.push(event);
      const at = clockText(Math.max(0, this.reel.seconds(event.from)));
      this.note.textContent = `Damage at ${at}: ${event.why}`;
      this.note.classList.add("bad");
    }

    // Shows the picture at `seconds`; playback continues from there if it was running.
    seek(seconds) {
      if (this.reel.live) return Promise.resolve();
      const last = Math.max(0, this.length());
      return this.seekTick(this.reel.ticks(Math.min(Math.max(0, seconds), last)));
    }

    seekTick(tick) {
      const turn = ++this.turn;
      this.clock.stop();
      return this.queue(async () => {
        if (turn !== this.turn) return;
        Object.assign(this, { pictures: [], blocks: [], ended: false, readTick: -1, shown: null });
        this.reel.seek(tick);
        await this.readTo(tick + 1, turn);
        if (turn !== this.turn) return;
        this.showUpTo(tick);
        this.at = tick;
        this.refresh();
        if (this.playing) await this.start(tick);
      });
    }

    // Decodes every picture that is due at `tick`; draws the last.
    showUpTo(tick) {
      let drawn = false;
      while (this.pictures.length && (this.pictures[0].tick <= tick || (!this.shown && !drawn))) {
        this.decode(this.pictures.shift());
        drawn = true;
      }
      if (drawn) this.paint();
    }

    decode(picture) {
      try {
        this.rectangles = this.reel.viewer.show(picture) || [];
      } catch (error) {
        // As on the board: the panel keeps its last good picture.
        this.rectangles = [];
        this.noteDamage({ from: picture.tick, why: error.message });
      }
      this.shown = picture;
    }

    paint() {
      const { width, height } = this.header;
      this.draw.putImageData(new ImageData(this.reel.viewer.rgba(this.header).slice(), width, height), 0, 0);
      this.drawMarks();
      const sent = this.rectangles.reduce((sum, box) => sum + box.w * box.h, 0);
      const share = (100 * sent / (width * height)).toFixed(0);
      const { number, bytes, flags, instructions } = this.shown;
      const windows = `${this.rectangles.length} ${this.rectangles.length === 1 ? "window" : "windows"}`;
      const work = instructions ? `, about ${instructions.toLocaleString("en")} instructions to decode` : "";
      this.pictureFacts.textContent = `Picture ${number}: ` + (flags & UNCHANGED ? "unchanged, nothing sent" :
        `${bytes.length.toLocaleString("en")} bytes, ${share} % of the panel in ${windows}${work}`);
    }

    drawMarks() {
      const ink = this.marks.getContext("2d");
      ink.clearRect(0, 0, this.marks.width, this.marks.height);
      if (!this.boxes || !this.rectangles) return;
      ink.lineWidth = Math.max(1, this.scale / 2);
      ink.strokeStyle = "#ff5d3a";
      ink.fillStyle = "rgba(255, 93, 58, 0.16)";
      for (const { x, y, w, h } of this.rectangles) {
        ink.fillRect(x * this.scale, y * this.scale, w * this.scale, h * this.scale);
        ink.strokeRect(x * this.scale + 0.5, y * this.scale + 0.5, w * this.scale - 1, h * this.scale - 1);
      }
    }

    // Seconds from the reel's start.
    position() { return Math.max(0, this.reel.seconds(this.at)); }

    refresh() {
      const now = this.position();
      const all = this.length();
      this.clockLabel.textContent = all ? `${clockText(now)} of ${clockText(all)}` : clockText(now);
      if (all && document.activeElement !== this.bar) this.bar.value = String(1000 * now / all);
      this.bar.setAttribute("aria-valuetext", clockText(now));
      this.playButton.textContent = this.playing ? "Pause" : "Play";
    }

    toggle() { return this.playing ? this.pause() : this.play(); }

    play() {
      if (this.playing) return this.busy;
      this.playing = true;
      if (this.reel.live) return this.queue(() => this.startLive());
      const over = this.ended && this.pictures.length === 0 && this.position() >= this.length();
      return this.seekTick(over ? this.header.firstTick : this.at);
    }

    async startLive() {
      await this.readTo(this.header.firstTick + 1, this.turn);
      await this.start(this.shown ? this.at : this.header.firstTick);
    }

    async start(tick) {
      await this.clock.start(tick);
      this.refresh();
      this.frame();
      this.fill();
    }

    pause() {
      this.playing = false;
      this.turn++;
      this.clock.stop();
      this.refresh();
      return this.busy;
    }

    // Keeps sound and pictures ready while playing.
    async fill() {
      const turn = this.turn;
      while (turn === this.turn) {
        const until = this.clock.tick() + AHEAD * this.header.clockRate;
        if (!this.ended && this.readTick < until) await this.queue(() => this.readTo(until, turn));
        if (turn !== this.turn) return;
        while (this.blocks.length && this.blocks[0].tick < until) this.clock.play(this.blocks.shift());
        await new Promise((done) => setTimeout(done, 100));
      }
    }

    frame() {
      const turn = this.turn;
      const paintOne = () => {
        if (turn !== this.turn) return;
        const tick = Math.max(this.clock.from, this.clock.tick());
        this.showUpTo(tick);
        this.at = tick;
        const end = this.header.duration == null ? Infinity : this.header.firstTick + this.header.duration;
        if (this.ended && this.pictures.length === 0 && tick >= Math.min(end, this.lastTick())) return this.atEnd();
        this.refresh();
        requestAnimationFrame(paintOne);
      };
      requestAnimationFrame(paintOne);
    }

    // Where a stream of unknown length turned out to end.
    lastTick() { return this.header.duration == null ? this.readTick : Infinity; }

    atEnd() {
      this.pause();
      if (this.loop) this.play();
    }

    // Steps one frame; play stops.
    step(direction) {
      if (this.reel.live) return Promise.resolve();
      if (this.playing) this.pause();
      if (direction < 0) return this.seekTick(Math.max(this.header.firstTick, (this.shown ? this.shown.tick : 0) - 1));
      const turn = this.turn;
      return this.queue(async () => {
        while (!this.pictures.length && !this.ended && turn === this.turn) await this.readTo(this.readTick + 1, turn);
        if (turn !== this.turn || !this.pictures.length) return;
        const next = this.pictures.shift();
        this.decode(next);
        this.at = next.tick;
        this.paint();
        this.refresh();
      });
    }

    // What the panel shows, RGB565; for scripts.
    pixels() { return this.reel.viewer.pixels(this.header); }

    close() {
      this.pause();
      removeEventListener("resize", this.refit);
      if (this.reel.source.close) this.reel.source.close();
      if (this.clock.context) this.clock.context.close();
    }
  }

  // Opens `source` and shows its first picture in `place`.
  async function open(place, source, wasm, options) {
    const reel = await Reel.open(source, wasm);
    const player = new Player(place, reel, options);
    if (!reel.live) await player.seekTick(reel.header.firstTick);
    return player;
  }

  Object.assign(Thumbreel, { Player, open, element, clockText });
})();
