"use strict";
// The waveform: draws the part of a window that is in view, zooms and pans by d3, reads times and T-states with two cursors.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const svg = d3.select("#waveform");
  const readout = document.getElementById("readout");
  const chooser = document.getElementById("window");
  if (!data.windows.length) { readout.textContent = "The capture holds nothing to draw."; return; }

  const LABEL = 84, MARGIN = 18, ROW = 22, TOP = 26, LEVEL = 14, SMALL_T = 7, TALL = 76, LIMITS = [0.8, 2.0];
  let width = 900, current = data.windows[0], source = null, rows, cyclesY, instructionsY, height;
  const cursors = { a: null, b: null };

  const clip = svg.append("clipPath").attr("id", "drawn").append("rect").attr("x", LABEL);
  const axis = svg.append("g").attr("class", "axis").attr("transform", `translate(0,${TOP - 6})`);
  const plot = svg.append("g").attr("clip-path", "url(#drawn)");
  const labels = svg.append("g");

  // Each capture has lines, a timescale and a clock of its own.
  function use(next) {
    if (source === next) return;
    source = next;
    let next_y = TOP;
    rows = source.rows.map(row => { const made = { ...row, y: next_y, tall: row.volts ? TALL : ROW }; next_y += made.tall; return made; });
    cyclesY = next_y + 4;
    instructionsY = cyclesY + ROW;
    height = instructionsY + ROW + 4;
    svg.attr("height", height);
    clip.attr("height", height);
    plot.selectAll("*").remove();
    const volts = rows.filter(row => row.volts);
    const limits = volts.flatMap(row => LIMITS.map(limit => [`${limit.toFixed(1)} V`, y_of(row, limit) + 4, "faint"]));
    const names = [...rows.map(row => [row.label, row.y + LEVEL, ""]), ...limits, ["cycles", cyclesY + 15, "faint"], ["program", instructionsY + 15, "faint"]];
    labels.selectAll("text").data(names).join("text").attr("x", LABEL - 8).attr("y", n => n[1]).attr("text-anchor", "end").attr("class", n => n[2]).text(n => n[0]);
  }

  // Volts of a scope: where a voltage lies in its row.
  const y_of = (row, volts) => row.y + row.tall - 6 - (volts - row.volts[0]) / (row.volts[1] - row.volts[0]) * (row.tall - 12);
  const base = d3.scaleLinear();
  let x = base.copy();
  // The wheel scrolls the page, unless the waveform was chosen by a click or the tab key.
  const free = event => event.type !== "wheel" || document.activeElement === svg.node();
  const zoom = d3.zoom().filter(event => free(event) && !event.button && (!event.ctrlKey || event.type === "wheel")).on("zoom", event => { x = event.transform.rescaleX(base); draw(); });
  svg.call(zoom).on("dblclick.zoom", null);

  const hex = (value, digits) => value.toString(16).padStart(digits, "0");
  const seconds = ticks => source.startSeconds + ticks * source.tickSeconds;
  function time(s, step) {
    const size = Math.max(Math.abs(s), step || 0);
    const [factor, unit] = size >= 1 ? [1, "s"] : size >= 1e-3 ? [1e3, "ms"] : size >= 1e-6 ? [1e6, "µs"] : [1e9, "ns"];
    const digits = step ? Math.max(0, Math.min(9, Math.ceil(-Math.log10(step * factor)))) : 4;
    return `${(s * factor).toFixed(digits)} ${unit}`;
  }
  const span = (w, ticks) => Math.min(w.end - w.start, ticks);

  function layout() {
    width = Math.max(360, svg.node().clientWidth || 900);
    svg.attr("viewBox", `0 0 ${width} ${height}`);
    clip.attr("width", width - LABEL - MARGIN);
    base.domain([current.start, Math.max(current.end, current.start + 1)]).range([LABEL, width - MARGIN]);
    const smallest = source.tState ? source.tState * 2 : Math.max(1, (current.end - current.start) / 500);
    zoom.scaleExtent([1, Math.max(1, (current.end - current.start) / smallest)])
      .extent([[LABEL, 0], [width - MARGIN, height]]).translateExtent([[LABEL, 0], [width - MARGIN, height]]);
  }
  function show(from, to) {
    const k = Math.max(1, (current.end - current.start) / Math.max(1, to - from));
    const transform = d3.zoomIdentity.translate(LABEL, 0).scale(k).translate(-base(from), 0);
    svg.call(zoom.transform, transform);
  }
  function moment() {
    const half = span(current, source.tState ? source.tState * 24 : (current.end - current.start) / 4) / 2;
    show(Math.max(current.start, current.moment - half * 0.5), Math.min(current.end, current.moment + half * 1.5));
  }
  function choose(key) {
    const found = data.windows.find(w => w.key === key);
    if (!found) return false;
    current = found;
    use(data.sources[found.source]);
    chooser.value = key;
    cursors.a = current.moment; cursors.b = null;
    layout();
    moment();
    svg.attr("data-window", key);
    return true;
  }

  // The index of the last change at or before a time; a trace is time, value, time, value ...
  function at(trace, ticks) {
    let low = 0, high = trace.length / 2 - 1;
    while (low < high) { const mid = (low + high + 1) >> 1; if (trace[mid * 2] <= ticks) low = mid; else high = mid - 1; }
    return low;
  }
  function level(row, from, to) {
    const trace = current.traces[row.name];
    let i = at(trace, from), path = "", value = trace[i * 2 + 1];
    const y = v => row.y + (v ? 3 : 3 + LEVEL);
    path = `M${x(Math.max(from, current.start)).toFixed(1)} ${y(value)}`;
    for (i += 1; i * 2 < trace.length && trace[i * 2] <= to; i++) {
      const px = x(trace[i * 2]).toFixed(1);
      path += `H${px}V${y(trace[i * 2 + 1])}`;
    }
    return path + `H${x(Math.min(to, current.end)).toFixed(1)}`;
  }
  // The volts themselves, with what lies just outside the view, so that no edge is cut off.
  function voltage(row, from, to) {
    const trace = current.volts[row.name] || [];
    if (!trace.length) return "";
    let path = "";
    for (let i = at(trace, from); i * 2 < trace.length && (i === 0 || trace[i * 2 - 2] <= to); i++)
      path += `${path ? "L" : "M"}${x(trace[i * 2]).toFixed(1)} ${y_of(row, trace[i * 2 + 1]).toFixed(1)}`;
    return path;
  }
  // What a strobe should have done, dashed: high, and low from begin to end.
  function ghost(row, from, to) {
    const spans = current.ghosts[row.name], high = row.y + 1, low = row.y + (row.volts ? row.tall - 3 : 5 + LEVEL);
    let path = `M${x(Math.max(from, current.start)).toFixed(1)} ${high}`;
    for (let i = 0; i < spans.length; i += 2)
      if (spans[i + 1] >= from && spans[i] <= to) path += `H${x(Math.max(from, spans[i])).toFixed(1)}V${low}H${x(spans[i + 1]).toFixed(1)}V${high}`;
    return path + `H${x(Math.min(to, current.end)).toFixed(1)}`;
  }
  // The level of a data line that was written, dashed over the read that gives back another one.
  function expected([name, from, to, level]) {
    const row = rows.find(r => r.name === name), y = row.y + (level ? 1 : row.volts ? row.tall - 3 : 5 + LEVEL);
    return `M${x(from).toFixed(1)} ${y}H${x(to).toFixed(1)}`;
  }
  function values(row, from, to) {
    const trace = current.traces[row.name], boxes = [];
    for (let i = at(trace, from); i * 2 < trace.length && trace[i * 2] <= to; i++) {
      const end = i * 2 + 2 < trace.length ? trace[i * 2 + 2] : current.end;
      boxes.push({ key: i, from: Math.max(trace[i * 2], from), to: Math.min(end, to), text: hex(trace[i * 2 + 1], Math.ceil(row.width / 4)) });
    }
    return boxes;
  }
  const KIND = { opcode_fetch: "fetch", memory_read: "read", memory_write: "write", memory_access: "access", io_read: "I/O read",
    io_write: "I/O write", interrupt_acknowledge: "acknowledge", bus_granted: "bus granted", unknown: "?" };
  const DARK = new Set(["opcode_fetch"]);  // every other fill is light enough for black text
  function cycleText(c) {
    const parts = [KIND[data.kinds[c[2]]]];
    if (c[3] !== null) parts.push(hex(c[3], 4));
    if (c[4] !== null) parts.push(hex(c[4], 2));
    if (c[6]) parts.push(c[6].replace("_", " "));
    return parts.join(" ");
  }
  function fit(text, room) { return room > text.length * 6.4 + 6 ? text : room > 26 ? text.slice(0, Math.max(1, Math.floor((room - 8) / 6.4))) : ""; }

  function boxes(name, list, y, style) {
    const group = plot.selectAll(`g.${name}`).data([0]).join("g").attr("class", name);
    const items = group.selectAll("g").data(list, d => d.key).join(enter => { const g = enter.append("g"); g.append("rect"); g.append("text"); return g; });
    items.select("rect").attr("x", d => x(d.from)).attr("width", d => Math.max(1, x(d.to) - x(d.from))).attr("y", y).attr("height", ROW - 5).attr("class", d => style(d));
    items.select("text").attr("x", d => (x(d.from) + x(d.to)) / 2).attr("y", y + 13).attr("text-anchor", "middle")
      .attr("class", d => d.light === undefined ? null : d.light ? "on-light" : "on-dark").text(d => fit(d.text, x(d.to) - x(d.from)));
  }
  function draw() {
    const [from, to] = x.domain();
    svg.attr("data-from", from).attr("data-to", to);
    const ticks = Math.max(2, Math.floor((width - LABEL) / 120));
    const step = d3.tickStep(seconds(from), seconds(to), ticks);
    const scale = d3.scaleLinear([seconds(from), seconds(to)], [LABEL, width - MARGIN]);
    axis.call(d3.axisTop(scale).ticks(ticks).tickFormat(s => time(s, step)));
    const inView = current.cycles.filter(c => c[1] >= from && c[0] <= to);
    const lines = [];
    if (source.tState && (x(from + source.tState) - x(from)) >= SMALL_T)
      for (const c of inView) for (let n = 0; n < Math.max(1, c[5] || 1); n++) lines.push(c[0] + n * (c[5] ? (c[1] - c[0]) / c[5] : 0));
    plot.selectAll("line.grid").data(lines).join("line").attr("class", "grid").attr("x1", d => x(d)).attr("x2", d => x(d)).attr("y1", TOP - 4).attr("y2", cyclesY);
    const named = new Set(current.lines || []);
    const measured = rows.filter(r => r.volts);
    plot.selectAll("line.limit").data(measured.flatMap(r => LIMITS.map(limit => y_of(r, limit)))).join("line").attr("class", "limit")
      .attr("x1", LABEL).attr("x2", width - MARGIN).attr("y1", d => d).attr("y2", d => d);
    plot.selectAll("path.volts").data(measured, r => r.name).join("path")
      .attr("class", r => named.has(r.name) ? "volts named" : "volts").attr("d", r => voltage(r, from, to));
    plot.selectAll("path.level").data(rows.filter(r => !r.width && !r.volts), r => r.name).join("path")
      .attr("class", r => named.has(r.name) ? "level named" : "level").attr("d", r => level(r, from, to));
    plot.selectAll("path.ghost").data(rows.filter(r => current.ghosts[r.name]), r => r.name).join("path").attr("class", "ghost").attr("d", r => ghost(r, from, to));
    plot.selectAll("path.expected").data(current.expected.filter(e => e[2] >= from && e[1] <= to), e => e[0]).join("path").attr("class", "ghost expected").attr("d", expected);
    for (const row of rows.filter(r => r.width)) boxes(`bus-${row.name}`, values(row, from, to), row.y + 1, () => "bus");
    boxes("cycles", inView.map(c => ({ key: c[0], from: Math.max(c[0], from), to: Math.min(c[1], to), text: cycleText(c), kind: data.kinds[c[2]], light: !DARK.has(data.kinds[c[2]]) })),
      cyclesY, d => `box ${d.kind}`);
    boxes("program", current.instructions.filter(i => i[1] >= from && i[0] <= to).map(i => ({ key: i[0], from: Math.max(i[0], from), to: Math.min(i[1], to), text: i[2] })), instructionsY, () => "instruction");
    const marks = [["moment", current.moment], ["cursor-a", cursors.a], ["cursor-b", cursors.b]].filter(m => m[1] !== null);
    plot.selectAll("line.over").data(marks, m => m[0]).join("line").attr("class", m => `over ${m[0]}`)
      .attr("x1", m => x(m[1])).attr("x2", m => x(m[1])).attr("y1", TOP - 4).attr("y2", height).raise();
    read();
  }
  function read() {
    const parts = [];
    const step = 1e-9;
    for (const name of ["a", "b"]) if (cursors[name] !== null) parts.push(`${name.toUpperCase()} ${time(seconds(cursors[name]), step * 10)}`);
    if (cursors.a !== null && cursors.b !== null) {
      const d = cursors.b - cursors.a;
      parts.push(`A to B ${time(d * source.tickSeconds, step)}` + (source.tState ? ` = ${(d / source.tState).toFixed(2)} T-states` : ""));
    }
    if (cursors.a !== null) {
      const cycle = current.cycles.find(c => c[0] <= cursors.a && cursors.a < c[1]);
      if (cycle) {
        const t = source.tState ? `, T${Math.floor((cursors.a - cycle[0]) / source.tState) + 1}` : "";
        parts.push(`in ${cycleText(cycle)}${t}${cycle[7] ? " (inferred)" : ""}`);
      }
      const levels = rows.map(row => {
        const trace = current.traces[row.name], value = trace[at(trace, cursors.a) * 2 + 1];
        const volts = row.volts && current.volts[row.name].length ? ` (${current.volts[row.name][at(current.volts[row.name], cursors.a) * 2 + 1].toFixed(2)} V)` : "";
        return `${row.label} ${row.width ? hex(value, Math.ceil(row.width / 4)) : value}${volts}`;
      });
      parts.push("\nat A: " + levels.join("  "));
    }
    readout.textContent = parts.join("   ") || "Click into the waveform to set cursor A, shift and click for cursor B.";
  }
  function place(name, ticks) { cursors[name] = Math.min(current.end, Math.max(current.start, Math.round(ticks))); draw(); }
  function edge(direction) {
    const now = cursors.a === null ? (x.domain()[0] + x.domain()[1]) / 2 : cursors.a;
    let best = null;
    for (const row of rows) {
      const trace = current.traces[row.name];
      const i = direction > 0 ? at(trace, now) + 1 : at(trace, now - 1);
      const t = i * 2 < trace.length ? trace[i * 2] : null;
      if (t !== null && (direction > 0 ? t > now : t < now) && (best === null || (direction > 0 ? t < best : t > best))) best = t;
    }
    if (best === null) return;
    place("a", best);
    const [from, to] = x.domain();
    if (best < from || best > to) { const half = (to - from) / 2; show(best - half, best + half); }
  }
  const act = {
    in: () => svg.call(zoom.scaleBy, 1.5, [x(centre()), 0]), out: () => svg.call(zoom.scaleBy, 1 / 1.5, [x(centre()), 0]),
    left: () => pan(-0.25), right: () => pan(0.25), moment, all: () => svg.call(zoom.transform, d3.zoomIdentity),
    edge: () => edge(1), edgeback: () => edge(-1), previous: () => other(-1), next: () => other(1),
    clear: () => { cursors.a = cursors.b = null; draw(); },
  };
  function centre() { const [from, to] = x.domain(); return cursors.a !== null && cursors.a >= from && cursors.a <= to ? cursors.a : (from + to) / 2; }
  function pan(share) { const [from, to] = x.domain(), d = (to - from) * share; show(from + d, to + d); }
  function other(step) {
    const i = data.windows.indexOf(current) + step;
    if (i >= 0 && i < data.windows.length) choose(data.windows[i].key);
  }

  svg.on("click", event => {
    if (event.defaultPrevented) return;
    const px = d3.pointer(event)[0];
    if (px >= LABEL) place(event.shiftKey ? "b" : "a", x.invert(px));
    svg.node().focus({ preventScroll: true });
  });
  svg.on("keydown", event => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const keys = { "+": act.in, "=": act.in, "-": act.out, ArrowLeft: act.left, ArrowRight: act.right, m: act.moment, 0: act.all, Escape: act.clear,
      a: () => place("a", (x.domain()[0] + x.domain()[1]) / 2), b: () => place("b", (x.domain()[0] + x.domain()[1]) / 2),
      "[": () => edge(-1), "]": () => edge(1), n: () => other(1), p: () => other(-1) };
    const run = keys[event.key];
    if (run) { run(); event.preventDefault(); }
  });
  document.querySelectorAll("[data-do]").forEach(button => button.addEventListener("click", () => act[button.dataset.do]()));
  chooser.addEventListener("change", () => choose(chooser.value));
  document.querySelectorAll("a[data-window]").forEach(link => link.addEventListener("click", event => {
    if (!choose(link.dataset.window)) return;
    event.preventDefault();
    document.getElementById("waveform-title").scrollIntoView({ block: "start" });
    svg.node().focus({ preventScroll: true });
  }));
  addEventListener("resize", () => { const [from, to] = x.domain(); layout(); show(from, to); });
  choose(current.key);
})();
