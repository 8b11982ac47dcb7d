// The calculator: settings in, bars, verdicts and command lines out. All figures
// are of the crate's own model as WebAssembly.
"use strict";

(function () {
  // Also the worker's script, so it may use nothing from around it.
  function engine(module) {
    return WebAssembly.instantiate(module, {}).then(({ exports }) => {
      const read = (length) => JSON.parse(new TextDecoder().decode(new Uint8Array(exports.memory.buffer, exports.output(), length)));
      return {
        boards: () => read(exports.boards()),
        ask: (request) => {
          const text = new TextEncoder().encode(JSON.stringify(request));
          const at = exports.input(text.length);
          new Uint8Array(exports.memory.buffer, at, text.length).set(text);
          return read(exports.answer());
        },
      };
    });
  }

  const $ = (id) => document.getElementById(id);
  const start = JSON.parse($("start").textContent);
  const bytes = Uint8Array.from(atob($("calculator-bytes").textContent.replace(/\s/g, "")), (c) => c.charCodeAt(0)).buffer;
  const RATES = [8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000];
  // Quality: twelve steps double the bits per pixel, from 0.05 on.
  const bitsAt = (step) => Number((0.05 * 2 ** (step / 12)).toPrecision(2));
  const stepOf = (bits) => Math.round(12 * Math.log2(bits / 0.05));
  // Lengths in minutes. The time of an answer grows with the number of pictures: longer clips are for the command.
  const LENGTHS = [...new Set([0.1, 0.25, 0.5, 1, 2, 3, 5, 10, 15, 20, 30, start.minutes])].sort((a, b) => a - b);
  const headings = { card: "From the card", wifi: "Over Wi-Fi" };

  let ask = null;
  let module = null;
  let request = null;
  let panel = null;
  let shownLinks = "both";
  let worker = null;
  let waiting = 0;
  let fresh = false;
  let behind = null;
  let profile = null;

  function element(tag, attributes, ...inside) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...inside);
    return made;
  }

  const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1) + ".";

  // The panel's size as the viewer sees it, and what the board says of itself.
  function meet() {
    const { answer, error } = ask({ ...request, distance: null, size: null });
    if (error) return error;
    panel = answer.size;
    $("summary").textContent = answer.summary;
    const longer = Math.max(...panel);
    Object.assign($("size"), { max: longer });
    $("distance").disabled = !answer.distance;
    const rates = [...new Set([...RATES, answer.sound_rate])].sort((a, b) => a - b);
    $("sound-rate").replaceChildren(...rates.map((hz) => element("option", { value: hz }, `${hz} Hz`)));
    return null;
  }

  // The controls as the request says.
  function settle(answer) {
    $("size").value = Math.max(...answer.size);
    $("rate").value = request.rate[0] / request.rate[1];
    $("length").value = LENGTHS.indexOf(request.minutes);
    $("coding").value = request.coding;
    $("quality").value = stepOf(answer.bits_per_pixel);
    $("quality").disabled = request.coding === "raw";
    $("sound").value = request.sound;
    $("sound-rate").value = answer.sound_rate;
    $("sound-rate").disabled = request.sound === "none";
    if (answer.distance) $("distance").value = answer.distance[0];
    tell(answer);
  }

  // What each slider stands at, in its unit; the spoken value is the same.
  function tell(answer) {
    const told = {
      size: `${answer.size[0]} x ${answer.size[1]} pixels`,
      rate: `${Number((request.rate[0] / request.rate[1]).toFixed(3))} fps`,
      length: `${request.minutes < 1 ? `${Number((60 * request.minutes).toFixed(1))} s` : `${request.minutes} min`}, ${Number((answer.bytes / 1e6).toPrecision(3))} MB`,
      quality: `${answer.bits_per_pixel} bits per pixel${request.bits_per_pixel == null && request.coding !== "raw" ? ", typical" : ""}`,
      distance: answer.distance ? `${answer.distance[0]} m, MCS ${answer.distance[1]}${request.distance == null ? " in the profile" : ""}` : "no Wi-Fi",
    };
    for (const [name, text] of Object.entries(told)) {
      $(`${name}-told`).textContent = text;
      $(name).setAttribute("aria-valuetext", text);
    }
  }

  function linkSection(link, state) {
    const verdict = element("div", { class: `verdict ${link.verdict === "does-not-fit" ? "not" : link.verdict}` },
      element("p", {}, element("strong", {}, `${link.name}: ${link.word}.`), ` ${sentence(link.sentence)}`),
      element("p", {}, `Limited by ${link.limit}.`),
      element("p", { class: "quiet" }, link.change ? `${link.change}.` : "Looking for the best change."),
      element("p", { class: "quiet" }, state));
    const bars = document.createRange().createContextualFragment(link.bars);
    const more = link.highest.map((text) => element("p", { class: "quiet" }, `${text}.`));
    const head = element("div", {}, element("h2", {}, headings[link.link]), verdict);
    return element("section", { id: `link-${link.link}` }, head, element("div", {}, bars, ...more));
  }

  // Of two states of one answer the later knows more.
  function show(answer, depth) {
    const states = { formula: "By formula; playing it in simulated time comes next.", changes: "By formula; being played in simulated time.", rehearsals: "By formula and played in simulated time.", alone: "By formula; thumbreel budget also plays it in simulated time." };
    const links = answer.links.filter((link) => shownLinks === "both" || link.link === shownLinks);
    const none = links.length ? [] : [element("p", {}, `This board has no ${shownLinks === "card" ? "card" : "Wi-Fi"}.`)];
    $("links").classList.toggle("two", links.length === 2);
    $("links").replaceChildren(...none, ...links.map((link) => linkSection(link, states[depth])));
    $("glance").replaceChildren(...links.map((link) => element("a", { href: `#link-${link.link}` }, `${link.name}: ${link.word}`)));
    $("advice").textContent = answer.advice ? sentence(answer.advice) : "";
    $("convert-line").textContent = answer.convert_line;
    $("budget-line").textContent = answer.budget_line;
    $("profile-name").textContent = answer.profile_name;
    $("save-first").textContent = answer.save_first ? `Save the profile first: the board stands elsewhere now, and both commands read ${answer.profile_name}.` : "";
    profile = answer;
    if (depth === "rehearsals") $("status").textContent = links.map((link) => `${link.name}: ${link.word}.`).join(" ");
  }

  // Rehearsals take seconds: a worker plays them, and is ended when a setting moves.
  function rehearse() {
    if (worker) worker.terminate();
    worker = null;
    const asked = request;
    const source = `"use strict"; ${engine} onmessage = async ({ data }) => {
      const { ask } = await engine(data.module);
      for (const depth of ["changes", "rehearsals"]) postMessage({ depth, ...ask({ ...data.request, depth }) });
    };`;
    const address = URL.createObjectURL(new Blob([source], { type: "text/javascript" }));
    const alone = () => show(ask({ ...asked, depth: "changes" }).answer, "alone");
    try {
      worker = new Worker(address);
    } catch {
      alone();
      return;
    } finally {
      URL.revokeObjectURL(address);
    }
    worker.onmessage = ({ data }) => { if (asked === request && data.answer) show(data.answer, data.depth); };
    worker.onerror = () => { if (asked === request) alone(); };
    worker.postMessage({ module, request: asked });
  }

  // Answers at once by formula; the rest follows when the settings rest. Of changes
  // that come faster than pictures of the screen only the last is computed.
  function update(change, settled) {
    request = { ...request, ...change };
    behind = { settled: settled || (behind && behind.settled) };
    clearTimeout(waiting);
    if (worker) worker.terminate();
    worker = null;
    if (!fresh) compute();
  }

  function compute() {
    const { settled } = behind;
    behind = null;
    fresh = true;
    requestAnimationFrame(() => { fresh = false; if (behind) compute(); });
    const { answer, error } = ask({ ...request, depth: "formula" });
    $("problem").textContent = error || "";
    if (error) return;
    show(answer, "formula");
    if (settled) settle(answer);
    else tell(answer);
    waiting = setTimeout(rehearse, 300);
  }

  // The controls of the board that is asked for; an error if it cannot be used.
  function place() {
    const error = meet();
    if (error) return error;
    const own = request.profile ? request.board : "";
    const option = $("board").querySelector('option[value=""]');
    option.hidden = !own;
    option.textContent = own || "your own";
    $("board").value = own ? "" : request.board;
    return null;
  }

  // Another board: what was set of the old one's own goes.
  function board(change) {
    const before = request;
    request = { ...request, ...change, size: null, sound_rate: null, distance: null };
    const error = place();
    if (!error) return update({}, true);
    request = before;
    $("problem").textContent = error;
    $("board").value = before.profile ? "" : before.board;
  }

  function begin() {
    request = { ...start };
    place();
    update({}, true);
  }

  async function load(file) {
    if (file) board({ board: file.name, profile: await file.text() });
  }

  function sized() {
    const longer = Math.max(...panel), at = Number($("size").value);
    if (at >= longer) return null;
    return panel.map((side) => Math.max(16, 2 * Math.round(side * at / longer / 2)));
  }

  function listen() {
    const on = (id, event, work) => $(id).addEventListener(event, work);
    on("board", "change", () => { if ($("board").value) board({ board: $("board").value, profile: null }); });
    on("file", "change", () => load($("file").files[0]));
    on("size", "input", () => update({ size: sized() }));
    on("rate", "input", () => update({ rate: [Number($("rate").value), 1] }));
    on("length", "input", () => update({ minutes: LENGTHS[$("length").value] }));
    on("coding", "change", () => update({ coding: $("coding").value, bits_per_pixel: null }, true));
    on("quality", "input", () => update({ bits_per_pixel: bitsAt($("quality").value) }));
    on("sound", "change", () => update({ sound: $("sound").value }, true));
    on("sound-rate", "change", () => update({ sound_rate: Number($("sound-rate").value) }));
    on("distance", "input", () => update({ distance: Number($("distance").value) }));
    on("reset", "click", () => { document.querySelector('[name="link"]').checked = true; shownLinks = "both"; begin(); });
    for (const radio of document.querySelectorAll('[name="link"]')) radio.addEventListener("change", () => { shownLinks = radio.value; update({}); });
    for (const button of document.querySelectorAll("[data-copy]")) {
      button.addEventListener("click", () => {
        const range = document.createRange();
        range.selectNodeContents($(button.dataset.copy));
        getSelection().removeAllRanges();
        getSelection().addRange(range);
        // The older way works from a disk and without a certificate, too.
        const done = document.execCommand("copy");
        $("status").textContent = done ? "Copied." : "Selected: copy it with your keyboard.";
        const label = button.firstChild;
        label.textContent = done ? "Copied" : "Selected";
        setTimeout(() => { label.textContent = "Copy"; }, 1500);
      });
    }
    on("save", "click", () => {
      const address = URL.createObjectURL(new Blob([profile.profile], { type: "application/toml" }));
      element("a", { href: address, download: profile.profile_name }).click();
      setTimeout(() => URL.revokeObjectURL(address), 1000);
    });
    const drop = document.querySelector(".drop");
    const over = (event, is) => { event.preventDefault(); drop.classList.toggle("over", is); };
    addEventListener("dragover", (event) => over(event, true));
    addEventListener("dragleave", (event) => over(event, false));
    addEventListener("drop", (event) => { over(event, false); load(event.dataTransfer.files[0]); });
  }

  WebAssembly.compile(bytes).then((compiled) => engine(module = compiled)).then((made) => {
    ask = made.ask;
    $("length").max = LENGTHS.length - 1;
    const own = element("option", { value: "" }, "your own");
    own.hidden = true;
    $("board").replaceChildren(...made.boards().map((b) => element("option", { value: b.name }, b.name)), own);
    listen();
    begin();
  }).catch((error) => { $("problem").textContent = error.message; });
})();
