// The page of a recording: strips that show any stretch of it, from the whole
// down to single samples, and grow while it is recorded.
"use strict";

const id = document.querySelector("main").dataset.recording;
const figures = [...document.querySelectorAll("#strips figure")];
const strips = []; // one chart for each channel
const parts = []; // stretches that the analysis found, with their names
const liveLength = 30; // seconds that are followed

let data = null; // what the program sent last
let view = null; // the stretch that is looked at: from, to in seconds; null is the whole
let following = false;
let moment = null; // where the cursor is, in seconds

// --- What the program knows ---------------------------------------------------

let asking = null; // the request that is on its way

// ask fetches the stretch that is looked at, in as many columns as there is room for.
async function ask() {
  if (asking) asking.abort();
  const mine = asking = new AbortController();
  const columns = Math.max(100, Math.min(2000, Math.round(at("strips").clientWidth)));
  const q = new URLSearchParams({ n: columns });
  if (view) { q.set("from", view.from); q.set("to", view.to); }
  try {
    const r = await fetch(`/recording/${id}/view?${q}`, { signal: mine.signal });
    if (!r.ok) throw new Error(await r.text());
    show(await r.json());
    at("refused").textContent = "";
  } catch (e) {
    if (e.name !== "AbortError") at("refused").textContent = e instanceof TypeError ? "The line to the program is lost. This page looks for it." : e.message;
  } finally {
    if (asking === mine) asking = null;
  }
}

function show(d) {
  const grew = !data || d.end !== data.end;
  const ended = d.ended && (!data || !data.ended);
  data = d;
  strips.forEach((u, i) => u.setData(columns(d.channels[i]), false));
  for (const u of strips) u.setScale("x", { min: d.from, max: d.to > d.from ? d.to : d.from + 1 });
  if (!window.uPlot) at("run").src = `/recording/${id}/run.svg?${new URLSearchParams({ from: d.from, to: d.to })}`; // drawn by the program
  describe();
  if (grew || ended) listMarkers();
  at("follow").hidden = d.ended;
  if (ended) finish();
}

// columns are what a chart draws: time, least, most, mean.
function columns(c) {
  return [c.at, c.least || c.mean, c.most || c.mean, c.mean];
}

const clock = (t) => {
  const sign = t < 0 ? "−" : "", s = Math.abs(t), w = span(), digits = w < 2 ? 4 : w < 60 ? 2 : w < 600 ? 1 : 0;
  return s < 120 ? `${sign}${s.toFixed(digits)} s` : `${sign}${Math.floor(s / 60)} min ${(s % 60).toFixed(digits)} s`;
};
const span = () => (data ? data.to - data.from : 1);

function describe() {
  if (!data.channels.length) return;
  const single = data.channels.every((c) => c.single);
  const samples = single ? "single samples" : `least, most and mean of each ${(span() / Math.max(...data.channels.map((c) => c.at.length))).toPrecision(2)} s`;
  at("shown").textContent = data.end > data.begin
    ? `${clock(data.from)} to ${clock(data.to)}, of ${clock(data.end)}; ${samples}.`
    : "There is no sample yet.";
}

// finish is called once, when the recording has ended: now it can be analysed.
async function finish() {
  follow(false);
  at("state").textContent = at("state").textContent.replace("not ended", "ended now");
  try {
    const r = await fetch(`/recording/${id}/analysis`);
    const text = await r.text();
    if (!r.ok) throw new Error(text);
    at("analysis").innerHTML = text; // made by the program, words escaped
  } catch (e) {
    at("analysis").lastElementChild.textContent = "What it shows could not be found: " + e.message;
    return;
  }
  for (const row of at("analysis").querySelectorAll("[data-from]")) {
    const p = { from: Number(row.dataset.from), to: Number(row.dataset.to), name: row.dataset.name };
    parts.push(p);
    row.querySelector("button").addEventListener("click", () => { look(p.from, p.to); at("strips").focus(); });
  }
  redraw();
}

function listMarkers() {
  at("unmarked").hidden = data.markers.length > 0;
  at("markers").replaceChildren(...data.markers.map((m) => {
    const li = document.createElement("li"), b = document.createElement("button");
    b.type = "button";
    b.textContent = `${m.text || m.kind} at ${clock(m.at_s)}` + (m.by ? `, by ${m.by}` : "");
    b.addEventListener("click", () => { const w = Math.min(span(), 10) / 2; look(m.at_s - w, m.at_s + w); moveTo(m.at_s); });
    li.append(b);
    return li;
  }));
}

// --- Where to look --------------------------------------------------------------

let moving = 0;

// look moves the view; it stays within the recording, and above ten
// millionths of a second.
function look(from, to) {
  if (!data || data.end <= data.begin) return;
  const width = Math.min(Math.max(to - from, 1e-5), data.end - data.begin);
  from = Math.min(Math.max(from, data.begin), data.end - width);
  follow(false);
  view = width >= data.end - data.begin ? null : { from, to: from + width };
  for (const u of strips) u.setScale("x", { min: from, max: from + width }); // what is here already, until the rest comes
  clearTimeout(moving);
  moving = setTimeout(ask, 60); // fingers move the view many times a second
  reckon();
}

// scaleBy looks closer (below 1) or wider, about the cursor or the middle.
function scaleBy(factor, about) {
  if (!data) return;
  const now = view || data, width = now.to - now.from;
  const pivot = about ?? (moment !== null && moment >= now.from && moment <= now.to ? moment : (now.from + now.to) / 2);
  look(pivot - (pivot - now.from) * factor, pivot - (pivot - now.from) * factor + width * factor);
}

function shift(part) {
  if (!data) return;
  const now = view || data, by = (now.to - now.from) * part;
  look(now.from + by, now.to + by);
}

function wholeRun() {
  if (data) look(data.begin, data.end);
}

function follow(on) {
  following = on;
  at("follow").setAttribute("aria-pressed", on);
}

// A recording that goes on is asked for twice a second; one that does not grow
// (the program that made it was killed) less and less.
async function live() {
  let pause = 500;
  while (!data || !data.ended) {
    const before = data ? data.end : null;
    if (following && data) view = { from: Math.max(data.begin, data.end - liveLength), to: Math.max(data.end, data.begin + 1e-3) };
    if (!asking) await ask();
    pause = data && data.end !== before ? 500 : Math.min(pause * 1.2, 10000);
    await new Promise((done) => setTimeout(done, pause));
  }
}

// --- Charts ---------------------------------------------------------------------

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();

function axes(x, y) {
  const font = `12px system-ui, "DejaVu Sans", sans-serif`;
  const one = (size, values) => ({ stroke: () => ink("ink"), font, size, values, grid: { stroke: () => ink("rule"), width: 1 }, ticks: { stroke: () => ink("rule"), width: 1, size: 4 } });
  return [one(24, x), one(58, y)];
}

// fine writes a mark's value with as many digits as the step between marks needs.
const fine = (u, splits, axis, space, step) => splits.map((v) => v === null ? "" : v.toFixed(Math.max(0, Math.min(6, Math.ceil(-Math.log10(step) - 1e-9)))));

const ruler = (u, splits, axis, space, step) => splits.map((t) => {
  if (t === null) return "";
  if (step < 1 || splits[splits.length - 1] < 120) return t.toFixed(Math.max(0, Math.min(6, Math.ceil(-Math.log10(step) - 1e-9))));
  return `${Math.floor(t / 60)}:${String(Math.round(t % 60)).padStart(2, "0")}`;
});

function strip(figure, index) {
  const room = figure.querySelector(".strip");
  const first = index === 0;
  return new uPlot({
    width: room.clientWidth, height: room.clientHeight + (first ? 14 : 0), padding: [first ? 18 : 4, 6, 0, 0],
    legend: { show: false },
    scales: { x: { time: false, auto: false }, y: { range: (u, least, most) => air(least, most) } },
    axes: axes(ruler, fine),
    series: [
      {},
      { scale: "y", points: { show: false }, stroke: "transparent" },
      { scale: "y", points: { show: false }, stroke: "transparent" },
      { scale: "y", stroke: () => ink("accent"), width: 1.4, points: { size: 5, stroke: () => ink("accent"), fill: () => ink("accent") } },
    ],
    bands: [{ series: [2, 1], fill: () => ink("accent") + "55" }],
    cursor: {
      y: false, sync: { key: "recording" }, points: { show: false },
      drag: { x: true, y: false, setScale: false },
      bind: { dblclick: () => () => { wholeRun(); return null; } },
    },
    hooks: {
      drawClear: [(u) => shade(u, first)],
      draw: [markers],
      setCursor: [(u) => { if (u.cursor.event) moment = u.cursor.left >= 0 ? u.posToVal(u.cursor.left, "x") : moment; tell(u, figure); }],
      setSelect: [(u) => {
        const { left, width } = u.select;
        if (width > 3 && first) look(u.posToVal(left, "x"), u.posToVal(left + width, "x"));
        if (width) u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
      }],
    },
  }, [[], [], [], []], room);
}

// air is the range of a strip's values, with some room; never nothing.
function air(least, most) {
  if (least === null || most === null) return [0, 1];
  const room = (most - least) * 0.08 || Math.abs(most) * 0.01 || 0.5;
  return [least - room, most + room];
}

function letters(c, size) {
  c.font = `${size}px system-ui, "DejaVu Sans", sans-serif`;
  c.textAlign = "left";
  c.textBaseline = "alphabetic";
}

// shade lays the parts of the run under a strip, every other one darker, with
// their names above the first.
function shade(u, named) {
  const c = u.ctx, b = u.bbox, dots = devicePixelRatio;
  c.save();
  letters(c, 12 * dots);
  parts.forEach((p, i) => {
    const left = Math.max(b.left, u.valToPos(p.from, "x", true)), right = Math.min(b.left + b.width, u.valToPos(p.to, "x", true));
    if (right <= left) return;
    c.fillStyle = ink("rule") + (i % 2 ? "22" : "66");
    c.fillRect(left, b.top, right - left, b.height);
    if (!named || right - left < Math.min(60 * dots, c.measureText(p.name).width + 6 * dots)) return; // half a word says nothing
    c.save();
    c.beginPath();
    c.rect(left, 0, right - left - 3 * dots, b.top);
    c.clip();
    c.fillStyle = ink("ink");
    c.fillText(p.name, left + 3 * dots, b.top - 5 * dots);
    c.restore();
  });
  c.restore();
}

// markers are drawn as dashed lines, with the number that the list below has.
function markers(u) {
  if (!data) return;
  const c = u.ctx, b = u.bbox, dots = devicePixelRatio;
  c.save();
  c.strokeStyle = c.fillStyle = ink("ink");
  c.lineWidth = dots;
  letters(c, 11 * dots);
  let free = -Infinity; // numbers must not stand on each other
  data.markers.forEach((m, i) => {
    const x = u.valToPos(m.at_s, "x", true);
    if (x < b.left || x > b.left + b.width) return;
    c.setLineDash([4 * dots, 4 * dots]);
    c.beginPath();
    c.moveTo(x, b.top);
    c.lineTo(x, b.top + b.height);
    c.stroke();
    if (x < free) return;
    c.fillText(i + 1, x + 2 * dots, b.top + 12 * dots);
    free = x + 16 * dots;
  });
  c.restore();
}

// tell writes what a strip shows at the cursor.
function tell(u, figure) {
  const out = figure.querySelector(".value"), i = u.cursor.idx;
  const [at, least, most, mean] = u.data;
  if (i === null || i === undefined || u.cursor.left < 0 || !at.length) { out.textContent = ""; return; }
  if (mean[i] === null || mean[i] === undefined) { out.textContent = `nothing at ${clock(at[i])}`; return; }
  const d = Number(figure.dataset.decimals), n = (v) => v.toFixed(d);
  const range = least[i] === most[i] ? "" : ` (${n(least[i])} to ${n(most[i])})`;
  out.textContent = `${n(mean[i])} ${figure.dataset.unit}${range} at ${clock(at[i])}`;
}

// moveTo puts the cursor of all strips on a moment.
function moveTo(t) {
  moment = t;
  for (const u of strips) u.setCursor({ left: u.valToPos(t, "x"), top: u.over.clientHeight / 2 }, true, false);
}

// step moves the cursor to the next or the last moment that there is something at.
function step(by) {
  const finest = strips.reduce((a, b) => (b.data[0].length > a.data[0].length ? b : a));
  const t = finest.data[0];
  if (!t.length) return;
  if (moment === null) { moveTo((data.from + data.to) / 2); return; }
  let i = t.findIndex((x) => x >= moment - 1e-12);
  if (i < 0) i = t.length;
  if (t[i] === undefined || Math.abs(t[i] - moment) > 1e-9) i -= by > 0 ? 1 : 0;
  i += by;
  if (i < 0 || i >= t.length) { shift(by * 0.2); return; }
  moveTo(t[i]);
}

function redraw() { for (const u of [...strips, ...Object.values(others)]) u.redraw(false, true); }

// --- Fingers ---------------------------------------------------------------------

// One finger moves the view sideways (up and down scrolls the page), two look
// closer or wider.
function fingers(u) {
  const down = new Map(); // where each finger is
  let began = null; // the view, and the moments under the fingers, at the last change of fingers
  const where = (e) => e.clientX - u.over.getBoundingClientRect().left;
  const begin = () => {
    const now = view || data;
    began = now && { from: now.from, to: now.to, at: [...down.values()].map((x) => now.from + (x / u.over.clientWidth) * (now.to - now.from)) };
  };
  u.over.addEventListener("pointerdown", (e) => {
    if (e.pointerType !== "touch") return;
    down.set(e.pointerId, where(e));
    begin();
  });
  u.over.addEventListener("pointermove", (e) => {
    if (!down.has(e.pointerId) || !began) return;
    down.set(e.pointerId, where(e));
    const w = u.over.clientWidth, [x1, x2] = [...down.values()], [t1, t2] = began.at;
    if (down.size === 1) {
      const by = t1 - (began.from + (x1 / w) * (began.to - began.from));
      if (Math.abs(by) > (began.to - began.from) * 0.02) look(began.from + by, began.to + by);
    } else if (Math.abs(x2 - x1) > 8 && t1 !== t2) {
      const each = Math.abs((t2 - t1) / (x2 - x1)), from = t1 - x1 * each;
      look(from, from + w * each);
    }
  });
  for (const over of ["pointerup", "pointercancel"]) addEventListener(over, (e) => { if (down.delete(e.pointerId)) begin(); });
  u.over.addEventListener("wheel", (e) => {
    if (!e.ctrlKey) return; // two fingers on a trackpad
    e.preventDefault();
    scaleBy(Math.exp(e.deltaY * 0.01), u.posToVal(where(e), "x"));
  }, { passive: false });
}

// --- Spectrum, and one channel against another -----------------------------------

const others = {}; // charts in details that are open

// reckon makes what is open below the strips anew, a moment after the view moved.
let reckoning = 0;
function reckon() {
  clearTimeout(reckoning);
  reckoning = setTimeout(() => { lines(); across(); }, 250);
}

const slowest = 20; // Hz: loads and regulators change slower, rectifiers and strobes have lines above

const unitOf = (index) => figures[index].dataset.unit;

// plain is a chart of its own in a details element.
function plain(box, kind, series, said) {
  if (others[kind]) others[kind].destroy();
  const room = box.querySelector(".strip");
  others[kind] = new uPlot({
    width: room.clientWidth, height: room.clientHeight, padding: [8, 20, 0, 0], legend: { show: false },
    scales: { x: { time: false }, y: { range: (u, least, most) => (kind === "lines" ? [0, most * 1.05] : air(least, most)) } },
    axes: axes(fine, fine), series: [{}, series],
    cursor: { y: false, points: { show: false }, drag: { x: kind === "lines", y: false } },
    hooks: { setCursor: [(u) => said(u.cursor.idx)] },
  }, [[], []], room);
  return others[kind];
}

async function lines() {
  const box = at("lines");
  if (!box.open || !data) return;
  const channel = Number(at("of").value), stretch = view || data;
  const r = await fetch(`/recording/${id}/spectrum?` + new URLSearchParams({ channel, from: stretch.from, to: stretch.to }));
  if (!r.ok) { at("line").textContent = await r.text(); return; }
  const s = await r.json();
  const hz = s.amplitude.map((_, i) => i * s.bin_hz);
  const told = (i) => `${s.amplitude[i].toPrecision(3)} ${unitOf(channel)} at ${hz[i].toPrecision(4)} Hz, give or take ${(s.bin_hz / 2).toPrecision(2)} Hz`;
  const slow = Math.min(Math.ceil(slowest / s.bin_hz), s.amplitude.length - 1); // what changes slowly is no line
  const most = Math.max(...s.amplitude.slice(slow)), strongest = s.amplitude.indexOf(most, slow);
  const say = (i) => { if (i !== null && i !== undefined) at("line").textContent = told(i); };
  const u = plain(box, "lines", { stroke: () => ink("accent"), width: 1, points: { show: false } }, say);
  u.setData([hz, s.amplitude]);
  u.setScale("y", { min: 0, max: most || 1 });
  at("line").textContent = `Strongest: ${told(strongest)}`;
}

// across puts the means of the columns of one channel over those of another at
// the same moments.
function across() {
  const box = at("across");
  if (!box.open || !data) return;
  const up = data.channels[at("up").value], side = data.channels[at("side").value];
  const dots = [];
  for (let i = 0, j = 0; i < up.at.length; i++) {
    while (j + 1 < side.at.length && Math.abs(side.at[j + 1] - up.at[i]) <= Math.abs(side.at[j] - up.at[i])) j++;
    if (side.mean[j] != null && up.mean[i] != null) dots.push([side.mean[j], up.mean[i], up.at[i]]);
  }
  dots.sort((a, b) => a[0] - b[0]);
  const say = (i) => {
    if (i === null || i === undefined || !dots[i]) return;
    at("dot").textContent = `${dots[i][1].toPrecision(4)} ${unitOf(at("up").value)} at ${dots[i][0].toPrecision(4)} ${unitOf(at("side").value)}, ${clock(dots[i][2])}`;
  };
  const u = plain(box, "across", { paths: () => null, points: { show: true, size: 4, stroke: () => ink("accent"), fill: () => ink("accent") } }, say);
  u.setData([dots.map((d) => d[0]), dots.map((d) => d[1])]);
}

// --- Begin -----------------------------------------------------------------------

function begin() {
  if (window.uPlot) {
    figures.forEach((f, i) => strips.push(strip(f, i)));
    strips.forEach(fingers);
    at("lines").addEventListener("toggle", lines);
    at("of").addEventListener("change", lines);
    const amperes = figures.findIndex((f) => f.dataset.unit === "A");
    if (amperes >= 0) at("side").value = amperes;
    at("across").addEventListener("toggle", across);
    for (const s of ["up", "side"]) at(s).addEventListener("change", across);
    at("night").addEventListener("click", redraw);
    addEventListener("resize", () => {
      for (const u of [...strips, ...Object.values(others)]) u.setSize({ width: u.root.parentElement.clientWidth, height: u.height });
      ask();
    });
  } else {
    at("strips").hidden = at("keys").hidden = true;
    at("table").open = true;
    at("run").hidden = false;
  }
  const buttons = { all: wholeRun, closer: () => scaleBy(0.5), wider: () => scaleBy(2), back: () => shift(-0.5), on: () => shift(0.5), follow: () => { follow(!following); if (!following) wholeRun(); } };
  for (const [name, act] of Object.entries(buttons)) at(name).addEventListener("click", act);
  live();
}

document.addEventListener("keydown", (e) => {
  if (e.target.closest("input, select, textarea, summary, .scroll") || e.altKey || e.ctrlKey || e.metaKey) return;
  const keys = {
    ArrowLeft: () => (e.shiftKey ? shift(-0.2) : step(-1)), ArrowRight: () => (e.shiftKey ? shift(0.2) : step(1)),
    "+": () => scaleBy(0.5), "=": () => scaleBy(0.5), "-": () => scaleBy(2), Home: wholeRun,
  };
  if (!keys[e.key] || !strips.length) return;
  e.preventDefault();
  keys[e.key]();
});

begin();
