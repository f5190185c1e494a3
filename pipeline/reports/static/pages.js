"use strict";
// What a page does beyond lying there: units and clocks by choice, tables that sort and filter, charts that zoom.
(() => {
  // Kilonewtons to what the reader chose, and digits more than kN has. Source: NIST SP 811, 4.448 222 and 9.806 65 kN.
  const UNITS = { kN: [1, 0], tf: [1 / 9.80665, 1], kip: [1 / 4.4482216152605, 1] };
  const THIN = "\u202f";
  const all = (where, what) => [...where.querySelectorAll(what)];
  const choice = { unit: "kN", clock: "utc" };

  // A page opened from a folder may have no storage; then a choice holds for the page alone.
  const remembered = (name) => { try { return localStorage.getItem("tautlog-" + name); } catch { return null; } };
  const remember = (name, value) => { try { localStorage.setItem("tautlog-" + name, value); } catch { /* see above */ } };

  function grouped(value, digits) {
    const [whole, part] = Math.abs(value).toFixed(digits).split(".");
    const text = whole.replace(/\B(?=(\d{3})+$)/g, THIN) + (part ? "." + part : "");
    return (value < 0 && /[1-9]/.test(text) ? "-" : "") + text;
  }

  function showUnits() {
    const [factor, more] = UNITS[choice.unit];
    for (const fig of all(document, 'data.fig[data-unit="kN"]')) {
      fig.dataset.asWritten ??= fig.textContent;
      fig.textContent = choice.unit === "kN" ? fig.dataset.asWritten
        : grouped(Number(fig.value) * factor, Number(fig.dataset.digits || 0) + more);
    }
    for (const unit of all(document, ".unit")) {
      unit.dataset.asWritten ??= unit.textContent;
      unit.textContent = unit.dataset.asWritten.replace(/\bkN\b/, choice.unit);
    }
    for (const text of all(document, "svg [data-kn]")) {
      text.dataset.asWritten ??= text.textContent;
      text.textContent = choice.unit === "kN" ? text.dataset.asWritten
        : `${grouped(Number(text.dataset.kn) * factor, more)} ${choice.unit}`;
    }
  }

  function showClocks() {
    for (const time of all(document, "time[data-local]")) time.textContent = time.dataset[choice.clock];
    for (const clock of all(document, ".clock")) clock.textContent = choice.clock === "utc" ? "UTC" : "local";
  }

  function choices() {
    for (const [name, show] of [["unit", showUnits], ["clock", showClocks]]) {
      const select = document.getElementById(name);
      const before = remembered(name);
      if (before && all(select, "option").some((option) => option.value === before)) choice[name] = before;
      select.value = choice[name];
      select.addEventListener("change", () => { choice[name] = select.value; remember(name, select.value); show(); redraw(); });
      show();
    }
  }

  // -- tables ---------------------------------------------------------------------------------------------------------
  function keyOf(row, column) {
    const cell = row.cells[column];
    if (cell.dataset.sort !== undefined) return cell.dataset.sort === "" ? null : Number(cell.dataset.sort);
    return cell.textContent.trim();
  }

  function compare(a, b, down) {
    if (a === null || b === null) return (a === null) - (b === null);  // what is not known comes last, either way
    const order = typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b), "en", { numeric: true });
    return down ? -order : order;
  }

  function sortable(table) {
    const heads = all(table.tHead, "th");
    heads.forEach((head, column) => {
      const words = head.querySelector(".head");
      if (!words) return;
      const button = document.createElement("button");
      button.type = "button";
      words.replaceWith(button);
      button.append(words);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        heads.forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const rows = [...table.tBodies[0].rows].map((row) => [keyOf(row, column), row]);
        rows.sort((a, b) => compare(a[0], b[0], down));
        table.tBodies[0].append(...rows.map(([, row]) => row));
      });
    });
  }

  function filterable(box) {
    const input = box.querySelector(".filter"), count = box.querySelector(".count");
    if (!input) return;
    const table = box.querySelector("table"), rows = [...table.tBodies[0].rows];
    const heads = all(table.tHead, "th").map((head) => head.querySelector(".head").textContent);
    const text = (row, column) => row.cells[column].textContent.trim();
    const tests = [(row) => {
      const there = row.textContent.toLowerCase();
      return input.value.toLowerCase().split(/\s+/).every((word) => there.includes(word));
    }];
    const apply = () => {
      for (const row of rows) row.hidden = !tests.every((test) => test(row));
      const shown = rows.filter((row) => !row.hidden).length;
      count.textContent = shown < rows.length ? `${shown} of ${rows.length} rows` : "";
    };
    const add = (words, control) => {
      const label = document.createElement("label");
      label.append(words + " ", control);
      count.before(label, " ");
      control.addEventListener("change", apply);
    };
    for (const head of (box.dataset.picks ?? "").split("|").filter(Boolean)) {
      const column = heads.indexOf(head), select = document.createElement("select");
      const values = [...new Set(rows.map((row) => text(row, column)))];
      values.sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
      select.append(new Option("any", ""), ...values.map((value) => new Option(value || "none", value || " ")));
      tests.push((row) => !select.value || text(row, column) === select.value.trim());
      add(head, select);
    }
    if (box.dataset.between) {
      const column = heads.indexOf(box.dataset.between);
      // Days of UTC; cells of instants are sorted by microseconds.
      for (const [words, passes] of [["from day", (at, day) => at >= day], ["to day", (at, day) => at < day + 864e8]]) {
        const day = document.createElement("input");
        day.type = "date";
        tests.push((row) => !day.value || passes(Number(row.cells[column].dataset.sort), Date.parse(day.value) * 1000));
        add(`${words} (UTC)`, day);
      }
    }
    input.addEventListener("input", apply);
  }

  // -- charts ---------------------------------------------------------------------------------------------------------
  const drawn = [];  // { box, spec, figure, view }
  const PAPER_PX = 700;  // A4 less its margins in pages.css, 186 mm at 96 px an inch
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim() || name;
  const factorOf = (axis) => (axis.unit === "kN" ? UNITS[choice.unit][0] : 1);
  const unitOf = (axis) => (axis.unit === "kN" ? choice.unit : axis.unit);
  const labelOf = (axis) => (unitOf(axis) ? `${axis.label} [${unitOf(axis)}]` : axis.label);
  const typeOf = (axis) => ({ at: "datetime", log: "log", number: "linear" })[axis.scale];
  const scaled = (values, factor) => values && Float64Array.from(values, (value) => (value === null ? NaN : value * factor));

  function load(name) {
    return new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = new URL(name, document.querySelector("script[src$='pages.js']").src).href;
      script.onload = done;
      script.onerror = () => failed(new Error(`${name} does not lie beside the pages`));
      document.head.append(script);
    });
  }

  // A light blue to a deep one; on dark paper the other way round.
  function shades(value) {
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    const most = Math.max(...value.filter(Number.isFinite), 0);
    return Array.from(value, (one) => {
      const share = most > 0 ? Math.log1p(one) / Math.log1p(most) : 0;
      const light = dark ? 22 + 62 * share : 92 - 62 * share;
      return `hsl(205 65% ${light.toFixed(0)}%)`;
    });
  }

  function addSeries(figure, spec, one) {
    const fx = factorOf(spec.x), fy = factorOf(spec.y);
    const data = { x: scaled(one.x, fx), y: scaled(one.y, fy) };
    if (one.x2) data.x2 = scaled(one.x2, fx);
    if (one.y2) data.y2 = scaled(one.y2, fy);
    const c = colour(one.colour);
    const line = { line_color: c, line_width: one.width, line_dash: one.dash };
    const named = spec.series.length > 1 ? { legend_label: one.name, name: one.name } : {};
    const x = { field: "x" }, y = { field: "y" };
    if (one.kind === "cells") {
      data.shade = shades(Float64Array.from(one.value));
      data.value = Float64Array.from(one.value);
      const source = new Bokeh.ColumnDataSource({ data });
      return figure.quad({ left: x, right: { field: "x2" }, bottom: y, top: { field: "y2" }, source, fill_color: { field: "shade" }, line_color: null });
    }
    const source = new Bokeh.ColumnDataSource({ data });
    if (one.kind === "bars") {
      const floor = spec.y.scale === "log" ? (spec.y.low ?? 1) * fy : 0;
      return figure.quad({ left: x, right: { field: "x2" }, bottom: floor, top: y, source, fill_color: c, fill_alpha: .75, line_color: c, ...named });
    }
    if (one.kind === "band") return figure.varea({ x, y1: y, y2: { field: "y2" }, source, fill_color: c, fill_alpha: .25, ...named });
    if (one.kind === "points") return figure.scatter(x, y, { source, marker: one.marker ?? "circle", size: one.marker ? 10 : 5, fill_color: one.marker ? null : c, line_color: c, line_width: one.marker ? 2 : 1, ...named });
    if (one.kind === "step") return figure.step(x, y, "after", { source, ...line, ...named });
    return figure.line(x, y, { source, ...line, ...named });
  }

  function styled(figure, spec, width) {
    const ink = colour("ink"), soft = colour("soft"), rule = colour("rule");
    figure.background_fill_color = null;
    figure.border_fill_color = null;
    figure.outline_line_color = rule;
    for (const axis of [...figure.xaxes, ...figure.yaxes]) {
      Object.assign(axis, { axis_line_color: soft, major_tick_line_color: soft, minor_tick_line_color: null,
        major_label_text_color: ink, axis_label_text_color: ink, axis_label_text_font_style: "normal" });
    }
    for (const grid of [...figure.xgrids, ...figure.ygrids]) grid.grid_line_color = rule;
    for (const legend of figure.panels.filter((part) => part instanceof Bokeh.Legend)) {
      // Above the frame, where it hides neither a peak nor the words at a limit.
      figure.center = figure.center.filter((part) => part !== legend);
      figure.above = [...figure.above, legend];
      Object.assign(legend, { orientation: "horizontal", location: "left", background_fill_color: colour("paper"), background_fill_alpha: .75,
        border_line_color: null, label_text_color: ink, padding: 3, spacing: 10, label_text_font_size: "11px", glyph_height: 12 });
      // In rows, where one would be wider than the chart: a name takes some 7 px a letter, and its stroke 40.
      const needed = spec.series.reduce((sum, one) => sum + one.name.length * 7 + 40, 0), rows = Math.ceil(needed / (width - 90));
      if (rows > 1) legend.ncols = Math.ceil(spec.series.length / rows);
    }
    if (spec.x.scale === "at") {
      // Bokeh's own have the month first and a slash.
      Object.assign(figure.xaxes[0].formatter, { months: "%Y-%m", days: "%m-%d", hours: "%H:%M", hourmin: "%H:%M",
        minutes: "%H:%M", minsec: "%H:%M:%S", seconds: "%H:%M:%S" });
      localClock(figure.xaxes[0]);
    }
  }

  // Bokeh writes times of day in UTC; by the site's clock where the reader chose that.
  function localClock(axis) {
    // Bokeh leaves the hour away where ticks are minutes apart.
    Object.assign(axis.formatter, { minutes: "%H:%M", hourmin: "%H:%M", hours: "%H:%M", minsec: "%H:%M:%S", seconds: "%H:%M:%S" });
    if (choice.clock === "utc") return;
    const zone = document.documentElement.dataset.zone;
    const formatter = axis.formatter;
    formatter.doFormat = (ticks) => {
      const span = ticks.length > 1 ? ticks[1] - ticks[0] : 0;
      const how = span >= 864e5 ? { month: "2-digit", day: "2-digit" }
        : { hour: "2-digit", minute: "2-digit", hourCycle: "h23", ...(span && span < 6e4 ? { second: "2-digit" } : {}) };
      const write = new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...how });
      return ticks.map((tick) => write.format(tick));
    };
  }

  function marked(figure, spec) {
    const add = (mark, dimension, axis) => {
      const factor = factorOf(axis);
      const words = mark.valued ? `${mark.words} ${grouped(mark.at * factor, axis.unit === "kN" ? UNITS[choice.unit][1] : 0)} ${unitOf(axis)}` : mark.words;
      const c = colour(mark.colour);
      figure.add_layout(new Bokeh.Span({ location: mark.at * factor, dimension, line_color: c, line_dash: "dashed", line_width: 1 }));
      const at = dimension === "height"
        ? { x: mark.at * factor, y: 4, y_units: "screen", angle: Math.PI / 2, y_offset: 0, x_offset: -3 }
        // Below its line: above, the words at the highest would be cut by the frame.
        : { x: 4, x_units: "screen", y: mark.at * factor, y_offset: -2, text_baseline: "top" };
      figure.add_layout(new Bokeh.Label({ ...at, text: words, text_color: c, text_font_size: "11px" }));
    };
    for (const mark of spec.marks) add(mark, "height", spec.x);
    for (const level of spec.levels) add(level, "width", spec.y);
  }

  function rangeOf(axis) {
    const f = factorOf(axis);
    return axis.low !== null && axis.high !== null ? new Bokeh.Range1d({ start: axis.low * f, end: axis.high * f }) : undefined;
  }

  function build(spec, width) {
    const options = { height: spec.height, sizing_mode: "stretch_width", toolbar_location: null, tools: [],
      x_axis_type: typeOf(spec.x), y_axis_type: typeOf(spec.y), x_axis_label: spec.x.scale === "at" ? `${spec.x.label} (${choice.clock === "utc" ? "UTC" : "local"})` : labelOf(spec.x), y_axis_label: labelOf(spec.y) };
    const x = rangeOf(spec.x) ?? new Bokeh.Range1d(), y = rangeOf(spec.y);
    options.x_range = x;
    if (y) options.y_range = y;
    const figure = Bokeh.Plotting.figure(options);
    spec.series.forEach((one) => addSeries(figure, spec, one));
    marked(figure, spec);
    const zoom = new Bokeh.BoxZoomTool({ dimensions: "width" });
    const tips = [...(spec.series.length > 1 ? [["", "$name"]] : []), [spec.x.label, spec.x.scale === "at" ? "$x{%F %T} UTC" : "$x{0.[000]}"], [spec.y.label, "$y{0.[0000]}"]];
    if (spec.series.some((one) => one.kind === "cells")) tips.push(["value", "@value"]);
    const hover = new Bokeh.HoverTool({ tooltips: tips, formatters: { $x: spec.x.scale === "at" ? "datetime" : "numeral" }, mode: "mouse" });
    figure.add_tools(zoom, hover);
    figure.toolbar.active_drag = zoom;
    styled(figure, spec, width);
    return figure;
  }

  const whole = (spec) => {
    let low = Infinity, high = -Infinity;
    for (const one of spec.series) for (const values of [one.x, one.x2]) {
      for (const value of values ?? []) if (value !== null) { low = Math.min(low, value); high = Math.max(high, value); }
    }
    return low < high ? [low, high] : [low - 1, high + 1];
  };

  const linkedTo = (entry) => drawn.filter((other) => other === entry || (entry.spec.link && other.spec.link === entry.spec.link));

  // A document of Bokeh's cannot share a range with another: linked charts follow one another by hand.
  function show(entry, from, to) {
    if (!(from < to) || (entry.spec.x.scale === "log" && from <= 0)) return;
    const f = factorOf(entry.spec.x);
    for (const other of linkedTo(entry)) {
      other.shown = [from, to];
      [other.box.dataset.from, other.box.dataset.to] = other.shown;
      if (!other.figure) continue;
      other.following = true;
      other.figure.x_range.setv({ start: from * f, end: to * f });
      other.following = false;
    }
  }

  function follow(entry) {
    const range = entry.figure.x_range, f = factorOf(entry.spec.x);
    range.change.connect(() => { if (!entry.following) show(entry, range.start / f, range.end / f); });
  }

  function toolsFor(entry) {
    const at = entry.box.querySelector(".chart-tools");
    if (at.childElementCount) return;
    const move = (how) => () => {
      const log = entry.spec.x.scale === "log";
      const f = factorOf(entry.spec.x), range = entry.figure.x_range;
      let [a, b] = [range.start / f, range.end / f];
      if (log) [a, b] = [Math.log(a), Math.log(b)];
      [a, b] = how(a, b);
      if (log) [a, b] = [Math.exp(a), Math.exp(b)];
      show(entry, a, b);
    };
    const buttons = [
      ["Zoom in", move((a, b) => [a + (b - a) / 4, b - (b - a) / 4])],
      ["Zoom out", move((a, b) => [a - (b - a) / 2, b + (b - a) / 2])],
      [entry.spec.x.scale === "at" ? "Earlier" : "Left", move((a, b) => [a - (b - a) / 4, b - (b - a) / 4])],
      [entry.spec.x.scale === "at" ? "Later" : "Right", move((a, b) => [a + (b - a) / 4, b + (b - a) / 4])],
      ["Whole", () => show(entry, ...entry.whole)],
    ];
    // Zooming in goes to the middle, where an episode of an hour seldom has its peak.
    const peaks = entry.spec.link ? entry.spec.series.find((one) => one.kind === "points" && one.colour === "alarm") : undefined;
    if (peaks?.x.length) {
      const at = peaks.x[peaks.y.indexOf(Math.max(...peaks.y))];
      buttons.push(["To the peak", () => show(entry, at - 6e4, at + 6e4)]);
    }
    for (const [words, act] of buttons) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.addEventListener("click", act);
      at.append(button);
    }
  }

  async function draw(entry) {
    const { box, spec } = entry, target = box.querySelector(".chart");
    entry.figure = build(spec, target.clientWidth);
    show(entry, ...(entry.shown ?? [spec.from_x ?? entry.whole[0], spec.to_x ?? entry.whole[1]]));
    follow(entry);
    target.replaceChildren();
    target.dataset.scheme = matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
    entry.view = await Bokeh.Plotting.show(entry.figure, target);
    target.addEventListener("dblclick", () => show(entry, ...entry.whole));
    box.dataset.drawn = "true";
    toolsFor(entry);
  }

  async function drawAll() {
    for (const entry of drawn) await draw(entry);
    document.documentElement.dataset.charts = "drawn";
  }

  function redraw() { if (window.Bokeh) drawAll(); }

  async function charts() {
    const boxes = all(document, ".chart-box");
    if (!boxes.length) { document.documentElement.dataset.charts = "none"; return; }
    for (const box of boxes) {
      const spec = JSON.parse(box.querySelector("script[type='application/json']").textContent);
      box.querySelector(".chart").style.minHeight = spec.height + "px";
      drawn.push({ box, spec, whole: whole(spec) });
    }
    try {
      await load("bokeh.min.js");
      await load("bokeh-api.min.js");
    } catch (error) {
      for (const box of boxes) box.querySelector(".chart").textContent = `Not drawn: ${error.message}.`;
      return;
    }
    await drawAll();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
    // Paper is narrower than most screens: a chart is shrunk to it as it stands, as no new one is drawn in time.
    addEventListener("beforeprint", () => {
      for (const at of all(document, ".chart")) {
        const wide = at.clientWidth;
        if (wide > PAPER_PX) Object.assign(at.style, { width: `${wide}px`, maxWidth: "none", zoom: String(PAPER_PX / wide) });
      }
    });
    addEventListener("afterprint", () => {
      for (const at of all(document, ".chart")) Object.assign(at.style, { width: "", maxWidth: "", zoom: "" });
    });
  }

  choices();
  all(document, "table.sorts").forEach(sortable);
  all(document, ".table").forEach(filterable);
  document.documentElement.dataset.ready = "true";
  // After the first paint: figures and tables do not wait for the charts.
  requestAnimationFrame(() => setTimeout(charts));
})();
