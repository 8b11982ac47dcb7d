// The shelf, the player's page and the streams' page, by the address after #.
"use strict";

(function () {
  const { element, clockText, open, upright, RangeSource, Reel, refusal, StreamSource } = Thumbreel;
  const main = document.getElementById("main");
  let wasm = null;
  let current = null;
  let timer = 0;

  // Fetched once; every player makes its own instance of it.
  function viewer() {
    wasm = wasm || fetch("/page/viewer.wasm").then((answer) => answer.arrayBuffer());
    return wasm;
  }

  async function json(address) {
    const answer = await fetch(address);
    if (!answer.ok) throw new Error(refusal(answer));
    return answer.json();
  }

  function size(bytes) {
    return bytes < 1e6 ? `${(bytes / 1e3).toFixed(0)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
  }

  // A line is broken between facts, never before the dot or within one.
  function apart(facts) {
    return facts.flatMap((fact, n) => n < facts.length - 1 ? [element("span", { class: "fact" }, `${fact} ·`), " "] : [element("span", { class: "fact" }, fact)]);
  }

  // Posters are drawn one after another, each by a viewer of its own.
  let drawing = Promise.resolve();

  function drawPoster(canvas, reel) {
    const draw = async () => {
      const opened = await Reel.open(new RangeSource(reel.path, 16 * 1024), viewer());
      const image = opened.posterImage();
      if (!image) return;
      const panel = upright(image, { turns: reel.poster.rotation / 90, mirror: reel.poster.mirror });
      Object.assign(canvas, { width: panel.width, height: panel.height, className: opened.surround.round ? "round" : "" });
      canvas.getContext("2d").putImageData(panel, 0, 0);
    };
    drawing = drawing.then(draw).catch(() => {});
  }

  function card(reel) {
    const readable = !reel.error;
    const title = readable && reel.title ? reel.title : reel.name;
    // As the viewer sees it; a reel without a poster does not say.
    const [width, height] = reel.poster && reel.poster.rotation % 180 ? [reel.height, reel.width] : [reel.width || 4, reel.height || 3];
    const picture = element("canvas", { width, height, "aria-hidden": "true", class: reel.shape === "ellipse" ? "round" : "" });
    if (reel.poster) drawPoster(picture, reel);
    const facts = readable
      ? [`${width} x ${height}`, `${reel.rate.toFixed(reel.rate % 1 ? 2 : 0)} fps`, reel.coding,
        reel.seconds == null ? "length unknown" : clockText(reel.seconds), size(reel.bytes)]
      : [];
    const frame = element("span", { class: "poster" }, picture);
    const label = element("span", { class: "title" }, title);
    const name = element("span", { class: "name" }, reel.name);
    const text = element("span", { class: readable ? "quiet" : "bad" }, ...(readable ? apart(facts) : [reel.error]));
    const short = readable && reel.bytes < reel.stated_bytes
      ? [element("span", { class: "bad" }, `cut short: ${size(reel.bytes)} of ${size(reel.stated_bytes)}`)] : [];
    const inside = [frame, label, ...(title === reel.name ? [] : [name]), text, ...short];
    return element("li", {}, readable
      ? element("a", { class: "card", href: `#${reel.path}` }, ...inside)
      : element("div", { class: "card" }, ...inside));
  }

  async function shelf() {
    const reels = await json("/list.json");
    document.title = "Thumbreel shelf";
    const heading = element("h1", {}, reels.length === 1 ? "One reel" : `${reels.length} reels`);
    const empty = element("p", { class: "quiet" }, "No reels in this folder yet. Put some there and load this page again.");
    main.replaceChildren(heading, reels.length ? element("ul", { class: "shelf" }, ...reels.map(card)) : empty);
  }

  async function reelPage(path, live) {
    const name = decodeURIComponent(path.replace(/^\/(reels|live)\//, ""));
    document.title = name;
    const place = element("div", { class: "place" });
    const files = path.replace(/^\/live\//, "/reels/");
    const other = live
      ? element("a", { href: `#${files}` }, "From the start")
      : element("a", { href: `#${files.replace(/^\/reels\//, "/live/")}` }, "Live, as a board joins it");
    const links = element("p", { class: "links" }, other, " ", element("a", { href: files, download: name.split("/").pop() }, "Save the reel"));
    main.replaceChildren(element("h1", {}, name), place, links);
    const source = live ? new StreamSource(path) : new RangeSource(path);
    const opened = await open(place, source, viewer());
    if (location.hash !== `#${path}`) return opened.close();
    current = opened;
    if (current.header.title) main.querySelector("h1").textContent = current.header.title;
    current.root.focus({ preventScroll: true });
    if (live) await previewPoster(current, files);
    const found = await supply(files);
    if (found && location.hash === `#${path}`) main.append(found);
  }

  // Until a live reel plays, its panel shows the poster.
  async function previewPoster(player, files) {
    const still = await Reel.open(new RangeSource(files, 16 * 1024), viewer()).catch(() => null);
    const picture = still && still.posterPicture();
    const fits = picture && picture.width === player.header.width && picture.height === player.header.height;
    if (fits && !player.shown) player.draw.putImageData(picture, 0, 0);
  }

  // What the reel draws on the board that the server was told of, if it was.
  async function supply(files) {
    const answer = await fetch(files.replace(/^\/reels\//, "/supply/"));
    if (answer.status === 204) return null;
    const heading = (board) => element("h2", {}, board ? `Supply of ${board} over Wi-Fi` : "Supply");
    if (!answer.ok) return element("section", {}, heading(), element("p", { class: "note bad" }, (await answer.text()).trim()));
    const { board, sentences, cautions } = await answer.json();
    const list = element("ul", { class: "supply" }, ...sentences.map((text) => element("li", {}, text)));
    return element("section", {}, heading(board), list, ...cautions.map((text) => element("p", { class: "note" }, text)));
  }

  // One visit asks for a file in many parts: they are one row. Rows are together by
  // client, whatever the order of the requests: who is being sent something first,
  // then who was last.
  function clients(list) {
    const found = new Map();
    for (const stream of list) {
      const client = stream.peer.replace(/:\d+$/, "");
      if (!found.has(client)) found.set(client, new Map());
      const key = `${stream.reel} ${stream.delivery}`;
      const visit = found.get(client).get(key) || { ...stream, requests: 0, bytes: 0, seconds: 0, stalls: 0, stalled: 0, worst_lag: 0, rate: 0, open: false, whole: false };
      visit.requests += 1;
      for (const name of ["bytes", "seconds", "stalls", "stalled"]) visit[name] += stream[name];
      visit.worst_lag = Math.max(visit.worst_lag, stream.worst_lag);
      visit.id = Math.max(visit.id, stream.id);
      if (stream.open) visit.rate += stream.rate;
      visit.open = visit.open || stream.open;
      visit.whole = visit.whole || stream.whole;
      found.get(client).set(key, visit);
    }
    const first = (a, b) => b.open - a.open || b.id - a.id;
    const all = [...found].map(([client, visits]) => ({ client, visits: [...visits.values()].sort(first) }));
    return all.sort((a, b) => first(a.visits[0], b.visits[0]));
  }

  const COLUMNS = ["Reel", "Delivery", "State", "Requests", "Duration", "Sent", "Rate", "Stalls", "Lag"];

  function streamRow(w) {
    const state = w.open ? "open" : w.whole ? "complete" : "interrupted";
    // What is over within a second was only handed to the network's buffers.
    const rate = w.seconds < 1 ? "under 1 s" : `${((w.open ? w.rate : w.bytes / w.seconds) / 1000).toFixed(0)} kB/s`;
    const cells = [w.reel, w.delivery, state, w.requests, clockText(w.seconds), size(w.bytes), rate,
      w.stalls ? `${w.stalls} (${w.stalled.toFixed(1)} s)` : "none",
      w.delivery === "live" ? `${(1000 * w.lag).toFixed(0)} ms, worst ${(1000 * w.worst_lag).toFixed(0)} ms` : "not paced"];
    return element("tr", { class: w.open ? "" : "quiet", role: "row" }, ...cells.map((text, n) => element("td", { role: "cell", "data-name": COLUMNS[n] }, text)));
  }

  function clientRows({ client, visits }) {
    const open = visits.filter((visit) => visit.open).length;
    const name = element("th", { scope: "rowgroup", colspan: COLUMNS.length, role: "rowheader" }, client, open ? `: ${open} open` : "");
    return element("tbody", { role: "rowgroup", "data-client": client }, element("tr", { role: "row" }, name), ...visits.map(streamRow));
  }

  async function streams() {
    const list = await json("/streams.json");
    if (location.hash !== "#/streams") return;
    document.title = "Streams";
    // The roles stand where a narrow screen shows each row as a block of its own.
    const head = element("thead", { role: "rowgroup" }, element("tr", { role: "row" }, ...COLUMNS.map((name) => element("th", { scope: "col", role: "columnheader" }, name))));
    const table = element("table", { class: "streams", role: "table", "aria-label": "Streams by client" }, head, ...clients(list).map(clientRows));
    const explain = element("p", { class: "quiet" }, "Measured by the server, by client and with a row for each reel: a stall is a piece that waited more than 0.25 s for the client; lag is how late a live stream's slices leave, by its sound clock.");
    const body = list.length ? element("div", { class: "wide", tabindex: 0, role: "region", "aria-label": "Streams" }, table) : element("p", {}, "No streams yet.");
    const focused = document.activeElement.matches(".wide"), at = main.querySelector(".wide")?.scrollLeft;
    main.replaceChildren(element("h1", {}, "Streams"), body, explain);
    // It is drawn anew every two seconds under the hands of whoever reads it.
    if (focused) body.focus({ preventScroll: true });
    if (at) body.scrollLeft = at;
    timer = setTimeout(() => streams().catch(failed), 2000);
  }

  function failed(error) {
    main.replaceChildren(element("h1", {}, "That did not work"), element("p", { class: "note bad", role: "alert" }, error.message), element("p", {}, element("a", { href: "#/" }, "Back to the shelf")));
  }

  function route() {
    clearTimeout(timer);
    if (current) current.close();
    current = null;
    const path = location.hash.slice(1) || "/";
    const page = path.startsWith("/reels/") ? reelPage(path, false)
      : path.startsWith("/live/") ? reelPage(path, true)
      : path === "/streams" ? streams() : shelf();
    page.catch(failed);
  }

  addEventListener("hashchange", () => { route(); main.focus({ preventScroll: true }); });
  route();
})();
