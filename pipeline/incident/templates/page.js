"use strict";
(() => {
  const box = document.getElementById("traces");
  const data = JSON.parse(document.getElementById("trace-data").textContent);
  for (const lane of data.lanes) {
    for (const one of [lane.window, lane.call]) {
      let ms = 0;
      if (one) one.t = one.t.map((step) => { ms += step; return ms / 1000; });
    }
  }
  const NS = "http://www.w3.org/2000/svg";
  const LEFT = 78, RIGHT = 8, TOP = 26, FOOT = 34, LANE = 58;
  const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 28800, 86400, 172800, 604800];
  const kinds = [...new Set(data.lanes.map((lane) => lane.of))];
  const shown = new Set(["tension"]);
  const loss = data.marks.find((mark) => mark.loss);
  const middle = loss ? loss.t : 0;
  const outer = [Math.min(data.call[0], data.window[0]), Math.max(data.call[1], data.window[1])];
  let view = data.window.slice();

  const make = (parent, name, attributes, words) => {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (words !== undefined) made.textContent = words;
    parent.appendChild(made);
    return made;
  };
  const pad = (n) => String(n).padStart(2, "0");
  const clock = (seconds, shift, digits) => {
    const at = new Date(data.zero_ms + (seconds + shift) * 1000);
    const whole = `${pad(at.getUTCHours())}:${pad(at.getUTCMinutes())}`;
    if (digits < 0) return whole;
    const rest = `${whole}:${pad(at.getUTCSeconds())}`;
    return digits ? `${rest}.${String(at.getUTCMilliseconds()).padStart(3, "0").slice(0, digits)}` : rest;
  };
  const dated = (seconds) => `${new Date(data.zero_ms + seconds * 1000).toISOString().slice(0, 10)} ${clock(seconds, 0, 1)}`;
  const ahead = (t) => data.local.reduce((found, [from, seconds]) => (t >= from ? seconds : found), data.local[0][1]);
  const after = (times, t) => {
    let low = 0, high = times.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (times[mid] < t) low = mid + 1; else high = mid;
    }
    return low;
  };
  const within = () => view[0] >= data.window[0] - 1e-6 && view[1] <= data.window[1] + 1e-6;
  const series = (lane) => (within() ? lane.window || lane.call : lane.call || lane.window);
  const tops = {};
  for (const lane of data.lanes) {
    for (const one of [lane.window, lane.call]) {
      for (const v of one ? one.v : []) if (v !== null && !(v <= tops[lane.of])) tops[lane.of] = v;
    }
  }

  const outline = (one, x, y, width) => {
    // Of readings closer than a pixel the lowest and the highest are drawn, so that no peak is lost.
    let from = Math.max(after(one.t, view[0]) - 1, 0), to = Math.min(after(one.t, view[1]) + 1, one.t.length);
    const out = [];
    let pen = "M", column = null, low = 0, high = 0;
    const flush = () => {
      if (column === null) return;
      out.push(`${pen}${column} ${y(low).toFixed(1)}`);
      if (high !== low) out.push(`L${column} ${y(high).toFixed(1)}`);
      pen = "L";
      column = null;
    };
    const dense = to - from > 2 * width;
    for (let i = from; i < to; i += 1) {
      const v = one.v[i];
      if (v === null) { flush(); pen = "M"; continue; }
      const at = dense ? Math.round(x(one.t[i])) : Number(x(one.t[i]).toFixed(1));
      if (!dense) { out.push(`${pen}${at} ${y(v).toFixed(1)}`); pen = "L"; continue; }
      if (at !== column) { flush(); column = at; low = v; high = v; }
      low = Math.min(low, v);
      high = Math.max(high, v);
    }
    flush();
    return out.join("");
  };

  let geometry = null;
  const draw = () => {
    const width = Math.max(box.clientWidth, 280);
    const lanes = data.lanes.filter((lane) => shown.has(lane.of));
    const height = TOP + LANE * lanes.length + FOOT, inner = width - LEFT - RIGHT, bottom = height - FOOT;
    const x = (t) => LEFT + ((t - view[0]) / (view[1] - view[0])) * inner;
    box.textContent = "";
    const picture = make(box, "svg", { viewBox: `0 0 ${width} ${height}`, role: "img",
      "aria-label": `Traces of ${lanes.length} channels from ${clock(view[0], 0, 0)} to ${clock(view[1], 0, 0)} UTC` });
    const clip = make(make(picture, "defs", {}), "clipPath", { id: "inner" });
    make(clip, "rect", { x: LEFT, y: 0, width: inner, height });
    const step = STEPS.find((s) => ((view[1] - view[0]) / s) * 62 <= inner) || STEPS[STEPS.length - 1];
    const digits = step < 1 ? 1 : step < 60 ? 0 : -1;
    const base = (data.zero_ms / 1000) % step;
    for (let k = Math.ceil((view[0] + base) / step); k * step - base <= view[1]; k += 1) {
      const t = k * step - base;
      make(picture, "line", { x1: x(t), x2: x(t), y1: TOP, y2: bottom, class: "c-grid" });
      make(picture, "text", { x: x(t), y: bottom + 13, "text-anchor": "middle", class: "c-small" }, clock(t, 0, digits));
      make(picture, "text", { x: x(t), y: bottom + 26, "text-anchor": "middle", class: "c-small" }, clock(t, ahead(t), digits));
    }
    make(picture, "text", { x: 2, y: bottom + 13, class: "c-small" }, "UTC");
    make(picture, "text", { x: 2, y: bottom + 26, class: "c-small" }, "local");
    const inside = make(picture, "g", { "clip-path": "url(#inner)" });
    const rows = new Map();
    lanes.forEach((lane, i) => {
      const foot = TOP + LANE * (i + 1), usable = LANE - 10, top = (tops[lane.of] || 1) * 1.05;
      if (lane.of === "tension") rows.set(lane.line, foot);
      make(picture, "line", { x1: LEFT, x2: width - RIGHT, y1: foot, y2: foot, class: "c-frame" });
      make(picture, "text", { x: 2, y: foot - usable / 2 - 2, class: "c-strong" }, lane.name.slice(0, 12));
      const under = lane.of !== "tension" ? lane.of : lane.lost ? "lost its load" : "";
      make(picture, "text", { x: 2, y: foot - usable / 2 + 9, class: "c-small" }, under);
      const unit = lane.unit === "1" ? "" : ` ${lane.unit}`;
      make(picture, "text", { x: 2, y: foot - 3, class: "c-small" }, `0 to ${Number((top / 1.05).toPrecision(3))}${unit}`);
      const one = series(lane);
      if (one) {
        const y = (v) => foot - (v / top) * usable;
        make(inside, "path", { d: outline(one, x, y, inner), class: lane.lost && lane.of === "tension" ? "c-line c-lost" : "c-line" });
      }
      if (!lane.corrected) {
        make(picture, "text", { x: width - RIGHT, y: foot - usable + 4, "text-anchor": "end", class: "c-small" }, "own clock, not corrected");
      }
    });
    const ends = new Map();
    for (const mark of data.marks) {
      if (mark.high < view[0] || mark.low > view[1]) continue;
      const whole = mark.loss || !rows.has(mark.line);
      const y1 = whole ? TOP : rows.get(mark.line) - LANE, y2 = whole ? bottom : rows.get(mark.line);
      if (mark.loss) {
        make(inside, "rect", { x: x(mark.low), y: TOP, width: Math.max(x(mark.high) - x(mark.low), 1.5), height: bottom - TOP, class: "c-band" });
      }
      make(inside, "line", { x1: x(mark.t), x2: x(mark.t), y1, y2, class: "c-mark" });
      const row = whole ? "top" : mark.line, at = x(mark.t);
      if (at >= LEFT && at - (ends.has(row) ? ends.get(row) : -99) > 44) {
        ends.set(row, at);
        const link = make(inside, "a", { href: `#${mark.anchor}` });
        make(link, "title", {}, `${mark.number}: ${mark.line || ""} ${mark.kind}`);
        make(link, "text", { x: at + 2, y: whole ? TOP - 8 : y1 + 12, class: "c-small" }, mark.number);
      }
    }
    const hair = make(picture, "line", { x1: 0, x2: 0, y1: TOP, y2: bottom, class: "c-hair", visibility: "hidden" });
    const pick = make(picture, "rect", { x: 0, y: TOP, width: 0, height: bottom - TOP, class: "c-pick", visibility: "hidden" });
    geometry = { picture, width, inner, lanes, hair, pick };
    box.dataset.from = view[0].toFixed(3);
    box.dataset.to = view[1].toFixed(3);
    box.dataset.coarse = String(!within());
    state.textContent = `${dated(view[0])} to ${dated(view[1])} UTC` +
      (within() ? "" : "; the whole call is drawn from the lowest and highest reading of each stretch");
  };

  const look = (from, to) => {
    const least = 0.5, span = Math.min(Math.max(to - from, least), outer[1] - outer[0]);
    const start = Math.min(Math.max((from + to - span) / 2, outer[0]), outer[1] - span);
    view = [start, start + span];
    draw();
  };
  const zoom = (factor, at) => {
    const around = at === undefined ? (view[0] + view[1]) / 2 : at;
    look(around - (around - view[0]) * factor, around + (view[1] - around) * factor);
  };
  const pan = (share) => {
    const by = (view[1] - view[0]) * share;
    look(view[0] + by, view[1] + by);
  };
  const acts = {
    "Zoom in": () => zoom(0.5), "Zoom out": () => zoom(2), "Earlier": () => pan(-0.25), "Later": () => pan(0.25),
    "At the loss": () => look(middle - 20, middle + 40), "Window": () => look(data.window[0], data.window[1]),
    "Whole call": () => look(data.call[0], data.call[1]),
  };
  const tools = document.createElement("div");
  tools.className = "tools";
  for (const [name, act] of Object.entries(acts)) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", act);
    tools.appendChild(button);
  }
  for (const kind of kinds.length > 1 ? kinds : []) {
    const label = document.createElement("label"), tick = document.createElement("input");
    tick.type = "checkbox";
    tick.checked = shown.has(kind);
    tick.addEventListener("change", () => { if (tick.checked) shown.add(kind); else shown.delete(kind); draw(); });
    label.append(tick, ` ${kind}`);
    tools.appendChild(label);
  }
  const state = document.createElement("p");
  state.className = "note";
  box.before(tools, state);

  const time = (event) => {
    const bounds = box.getBoundingClientRect();
    const at = ((event.clientX - bounds.left) * geometry.width) / bounds.width;
    return view[0] + ((at - LEFT) / geometry.inner) * (view[1] - view[0]);
  };
  const place = (t) => LEFT + ((t - view[0]) / (view[1] - view[0])) * geometry.inner;
  const readout = document.getElementById("readout");
  const read = (t) => {
    geometry.hair.setAttribute("x1", place(t));
    geometry.hair.setAttribute("x2", place(t));
    geometry.hair.setAttribute("visibility", "visible");
    const said = geometry.lanes.map((lane) => {
      const one = series(lane);
      if (!one || !one.t.length) return `${lane.name} -`;
      const i = Math.max(after(one.t, t + 1e-9) - 1, 0);
      const v = one.v[i];
      return `${lane.name} ${v === null ? "-" : `${v} ${lane.unit === "1" ? "" : lane.unit}`.trim()}`;
    });
    readout.textContent = `${clock(t, 0, 2)} UTC, last reading drawn before: ${said.join("; ")}`;
  };
  let began = null;
  box.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest("a")) return;
    began = time(event);
  });
  box.addEventListener("pointermove", (event) => {
    const t = Math.min(Math.max(time(event), view[0]), view[1]);
    read(t);
    if (began === null) return;
    const left = Math.min(place(began), place(t));
    geometry.pick.setAttribute("x", left);
    geometry.pick.setAttribute("width", Math.abs(place(began) - place(t)));
    geometry.pick.setAttribute("visibility", "visible");
  });
  window.addEventListener("pointerup", (event) => {
    if (began === null) return;
    const ended = time(event), from = began;
    began = null;
    if (Math.abs(place(ended) - place(from)) > 8) look(Math.min(from, ended), Math.max(from, ended));
    else geometry.pick.setAttribute("visibility", "hidden");
  });
  box.addEventListener("pointercancel", () => { began = null; geometry.pick.setAttribute("visibility", "hidden"); });
  box.addEventListener("dblclick", acts.Window);
  box.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoom(event.deltaY < 0 ? 0.8 : 1.25, time(event));
  }, { passive: false });
  const keys = { "+": acts["Zoom in"], "=": acts["Zoom in"], "-": acts["Zoom out"], ArrowLeft: acts.Earlier,
    ArrowRight: acts.Later, "0": acts.Window, Home: acts.Window, l: acts["At the loss"], c: acts["Whole call"] };
  box.addEventListener("keydown", (event) => {
    const act = event.ctrlKey || event.metaKey || event.altKey ? undefined : keys[event.key];
    if (act) { event.preventDefault(); act(); }
  });
  let last = 0;
  new ResizeObserver(() => {
    if (box.clientWidth !== last) { last = box.clientWidth; draw(); }
  }).observe(box);
  window.addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("details")) folded.open = true;
  });
  draw();
})();
