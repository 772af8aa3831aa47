"use strict";
// Without this script every page is complete. It adds two things: what is
// marked data-live follows the daemon's events, and curves can be read.
(() => {
  const svgSpace = "http://www.w3.org/2000/svg";

  // ---- readings: a slider below each curve, moved by pointer or keyboard

  const clamp = (v, low, high) => Math.min(Math.max(v, low), high);

  function readable(figure) {
    const svg = figure.querySelector("svg");
    const words = JSON.parse(figure.dataset.words || "[]");
    if (!svg || words.length === 0 || figure.querySelector("input")) return;
    const place = (list) => list.split(" ").map((v) => (v === "-" ? NaN : Number(v)));
    const across = place(figure.dataset.across), down = place(figure.dataset.down);
    const height = svg.viewBox.baseVal.height;
    const name = svg.getAttribute("aria-label") || "curve";

    const line = document.createElementNS(svgSpace, "line");
    line.setAttribute("class", "across");
    line.setAttribute("y1", "20");
    line.setAttribute("y2", String(height - 19));
    const spot = document.createElementNS(svgSpace, "circle");
    spot.setAttribute("class", "spot");
    spot.setAttribute("r", "3.6");
    const slider = document.createElement("input");
    slider.type = "range";
    slider.min = "0";
    slider.max = String(words.length - 1);
    slider.value = String(Math.floor((words.length - 1) / 2));
    slider.setAttribute("aria-label", "Read " + name);
    const reading = document.createElement("span");
    reading.className = "reading";
    reading.textContent = "Point at the curve, or move the slider, to read it.";
    reading.setAttribute("aria-hidden", "true"); // the slider says it
    figure.append(slider, reading);
    let shown = false;

    const show = () => {
      const i = Number(slider.value);
      slider.setAttribute("aria-valuetext", words[i]);
      reading.textContent = words[i];
      reading.classList.add("of");
      if (!shown) { svg.append(line, spot); shown = true; }
      figure.dataset.at = String(i);
      line.style.visibility = Number.isFinite(across[i]) ? "visible" : "hidden";
      spot.style.visibility = Number.isFinite(across[i]) && Number.isFinite(down[i]) ? "visible" : "hidden";
      if (!Number.isFinite(across[i])) return;
      line.setAttribute("x1", String(across[i]));
      line.setAttribute("x2", String(across[i]));
      if (Number.isFinite(down[i])) {
        spot.setAttribute("cx", String(across[i]));
        spot.setAttribute("cy", String(down[i]));
      }
    };
    slider.setAttribute("aria-valuetext", words[Number(slider.value)]);
    slider.addEventListener("input", show);
    slider.addEventListener("focus", show);
    const point = (event) => {
      const box = svg.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
      let best = -1, least = Infinity;
      for (let i = 0; i < across.length; i++) {
        const away = Math.abs(across[i] - x);
        if (away < least) { least = away; best = i; }
      }
      if (best >= 0) { slider.value = String(best); show(); }
    };
    svg.addEventListener("pointermove", point);
    svg.addEventListener("pointerdown", point);
    figure.readAt = (i) => { slider.value = String(clamp(i, 0, words.length - 1)); show(); };
  }

  // An X-Y figure is read in volts at the pointer; its words stand below it.
  function readableXY(figure) {
    const svg = figure.querySelector("svg"), words = figure.querySelector(".words");
    const edge = Number(figure.dataset.edge), said = words.textContent;
    const boxes = figure.dataset.boxes.split(",").map((box) => box.split(" ").map(Number));
    const volts = (v) => (v / (edge < 1 ? 1e-3 : 1)).toPrecision(3) + (edge < 1 ? " mV" : " V");
    const point = (event) => {
      const box = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / box.width;
      const x = (event.clientX - box.left) * scale, y = (event.clientY - box.top) * scale;
      const panel = boxes.find(([left, top, side]) => x >= left && x <= left + side && y >= top && y <= top + side);
      if (!panel) { words.textContent = said; return; }
      const [left, top, side] = panel;
      words.textContent = "At the pointer arm 1 " + volts(edge * (2 * (x - left) / side - 1)) + ", arm 2 " + volts(edge * (1 - 2 * (y - top) / side)) + ".";
    };
    svg.addEventListener("pointermove", point);
    svg.addEventListener("pointerdown", point);
    svg.addEventListener("pointerleave", () => { words.textContent = said; });
  }

  const readAll = (root) => {
    root.querySelectorAll("figure[data-words]").forEach(readable);
    root.querySelectorAll("figure[data-boxes]").forEach(readableXY);
  };

  // ---- the form of a job shows what goes with its kind

  function form() {
    const kind = document.getElementById("kind");
    if (!kind) return;
    const fit = () => document.querySelectorAll("[data-for]").forEach((part) => {
      const shown = part.dataset.for.split(" ").includes(kind.value);
      part.hidden = !shown;
      part.querySelectorAll("input, select").forEach((field) => { field.disabled = !shown; });
    });
    kind.addEventListener("change", fit);
    fit();
  }

  // ---- following the daemon

  const state = () => document.getElementById("state")?.textContent.trim() ?? "";

  function take(page) {
    const before = state();
    for (const part of document.querySelectorAll("[data-live]")) {
      const fresh = page.getElementById(part.id);
      if (!fresh) continue;
      const copy = document.importNode(fresh, true);
      if (part.dataset.was === copy.outerHTML) continue;
      const was = copy.outerHTML;
      const active = document.activeElement && part.contains(document.activeElement) ? document.activeElement : null;
      const place = active && { id: active.id, figure: active.closest("figure")?.id };
      const at = new Map();
      part.querySelectorAll("figure[data-at]").forEach((f) => at.set(f.id, Number(f.dataset.at)));
      const scroll = part.querySelector(".scroll")?.scrollTop ?? 0;
      part.replaceWith(copy);
      copy.dataset.was = was;
      readAll(copy);
      for (const [id, i] of at) copy.querySelector("#" + CSS.escape(id))?.readAt?.(i);
      if (scroll) copy.querySelector(".scroll").scrollTop = scroll;
      if (place?.figure) document.getElementById(place.figure)?.querySelector("input")?.focus();
      else if (place?.id) document.getElementById(place.id)?.focus();
    }
    document.title = page.title;
    const now = state();
    if (now !== before) document.getElementById("said").textContent = now;
  }

  const pace = 500, part = 8; // ms between two looks, and at least so many times what one takes
  let due = false, busy = false;

  async function look() {
    if (document.hidden) return; // it looks when it is seen again
    if (busy) { due = true; return; }
    busy = true;
    due = false;
    const begun = performance.now();
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (answer.redirected && new URL(answer.url).pathname === "/login") { location.reload(); return; }
      if (answer.ok) take(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch {
      // The stream tells when the daemon is back.
    }
    setTimeout(() => { busy = false; if (due) look(); }, Math.max(pace, part * (performance.now() - begun)));
  }

  function follow() {
    const stream = new EventSource("/api/v1/events");
    const link = document.getElementById("link");
    stream.addEventListener("open", () => { link.hidden = true; look(); });
    stream.addEventListener("error", () => {
      link.hidden = false;
      if (stream.readyState === EventSource.CLOSED) setTimeout(() => { stream.close(); follow(); }, 5000);
    });
    for (const kind of ["step", "job", "state", "reset"]) stream.addEventListener(kind, look);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
    addEventListener("pagehide", () => stream.close(), { once: true });
  }

  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  readAll(document);
  form();
  if (document.body.hasAttribute("data-follow")) follow();
})();
