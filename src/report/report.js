// Opens the player on the reel that this page carries, and moves the cursor over the
// plot with it.
"use strict";

(function () {
  function bytes(id) {
    const text = atob(document.getElementById(id).textContent.replace(/\s/g, ""));
    return Uint8Array.from(text, (c) => c.charCodeAt(0));
  }

  // Each curve of the plot as it is drawn: name, times, values.
  function curves(figure) {
    return [...figure.querySelectorAll("svg.plot")].flatMap((svg) => {
      const title = svg.querySelector(".name").textContent.split(",")[0];
      const unit = svg.querySelector(".name").textContent.split(", ")[1];
      const keys = [...svg.querySelectorAll(".key ~ text")].map((text) => text.textContent);
      const logarithmic = svg.querySelector(".name").textContent.includes("logarithmic");
      return [...svg.querySelectorAll("polyline")].map((line, n) => {
        const points = line.getAttribute("points").split(" ").map((point) => point.split(",").map(Number));
        return { name: `${title}, ${keys[n]}`, unit, points: points.map(([at, y]) => [at, logarithmic ? 10 ** -y : -y]) };
      });
    });
  }

  // The cursor stands where the player stands, and the slider moves both.
  function link(player, figure) {
    const slider = figure.querySelector(".moment input"), told = figure.querySelector("output"), cursor = figure.querySelector(".cursor");
    const [from, to] = [figure.dataset.from, figure.dataset.to].map(Number);
    const all = curves(figure);
    let shown = -1;
    let seeks = 0;
    const show = (at) => {
      // A hand that moves the slider is ahead of the player.
      if (!seeks) slider.value = at;
      if (at === shown) return;
      shown = at;
      const values = all.map(({ name, unit, points }) => {
        const past = points.filter((point) => point[0] <= at + 1e-9);
        return past.length ? `${name}: ${past[past.length - 1][1].toFixed(1)} ${unit.replace(" of the time", "")}` : "";
      });
      cursor.hidden = false;
      cursor.style.left = `${100 * (at - from) / (to - from)}%`;
      told.textContent = `${at.toFixed(2)} s`;
      slider.setAttribute("aria-valuetext", [`${at.toFixed(2)} s`, ...values].join("; "));
      readout.textContent = values.filter((text) => text).join(" · ");
    };
    const readout = document.createElement("p");
    readout.className = "quiet readout";
    figure.querySelector(".moment").after(readout);
    slider.addEventListener("input", () => {
      seeks += 1;
      player.seek(Number(slider.value)).finally(() => { seeks -= 1; });
    });
    figure.querySelector(".panels").addEventListener("click", (event) => {
      const box = event.currentTarget.getBoundingClientRect();
      const at = from + (to - from) * (event.clientX - box.left) / box.width;
      player.seek(Math.min(Math.max(at, 0), Number(slider.max)));
    });
    const follow = () => { show(player.position()); requestAnimationFrame(follow); };
    follow();
  }

  addEventListener("beforeprint", () => { for (const part of document.querySelectorAll("details")) part.open = true; });
  const place = document.querySelector(".place");
  Thumbreel.open(place, new Thumbreel.BytesSource(bytes("reel-bytes")), bytes("viewer-bytes").buffer)
    .then((player) => { const figure = document.querySelector(".reel-plot"); if (figure) link(player, figure); })
    .catch((error) => place.replaceChildren(Thumbreel.element("p", { class: "note bad" }, error.message)));
})();
