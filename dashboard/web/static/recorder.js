// The recorder's buttons: start, mark, stop, and how it goes.
"use strict";

const box = at("recorder");
const mayAnswer = box.dataset.right !== "watch";
const who = at("by"); // none on a paired device: its pass names it
let state = null;

if (who) {
  who.value = kept("by") || "";
  who.addEventListener("input", () => keep("by", who.value));
}

// --- What the program says ---------------------------------------------------------

const phases = {
  idle: "Nothing is being recorded.",
  waiting: "Waiting for what begins it.",
  recording: "Recording.",
  stopping: "Writing the last samples.",
};

function lasting(seconds) {
  if (!seconds) return "";
  const hours = seconds / 3600;
  if (hours > 48) return `The disk lasts for ${Math.floor(hours / 24)} days.`;
  return hours >= 2 ? `The disk lasts for ${Math.floor(hours)} hours.` : `The disk lasts for ${Math.floor(seconds / 60)} minutes.`;
}

function listOf(place, texts) {
  place.replaceChildren(...texts.map((text) => { const li = document.createElement("li"); li.textContent = text; return li; }));
}

function tellState(s) {
  const before = state;
  state = s;
  const busy = s.phase !== "idle";
  at("phase").textContent = [phases[s.phase], s.phase === "recording" ? `${Math.floor(s.elapsed_s)} s, ${s.samples} samples.` : "", s.phase === "waiting" && s.trigger ? `It begins when ${s.trigger}.` : "", busy ? lasting(s.room_s) : ""].filter(Boolean).join(" ");
  listOf(at("trouble"), [s.trouble, busy ? "" : s.error].filter(Boolean));
  listOf(at("messages"), (s.messages || []).slice(-5).map((m) => m.text));
  values(busy ? s.channels || [] : []);
  if (mayAnswer) {
    at("begin").hidden = busy;
    at("going").hidden = !busy;
    at("stop").disabled = s.phase === "stopping";
    if (!busy && (!before || before.phase !== "idle" || JSON.stringify(before.sources) !== JSON.stringify(s.sources))) choices(s);
    if (!before) kinds(s.kinds || []);
  }
  // From the page where it is begun to that of the recording; who looks at
  // another one is told where it is.
  const here = document.querySelector("main").dataset.recording, elsewhere = s.recording > 0 && String(s.recording) !== here;
  at("made").hidden = !(elsewhere && here && busy);
  at("made").href = `/recording/${s.recording}`;
  if (elsewhere && !here && before && (s.phase === "recording" || before.phase !== "idle")) location.href = at("made").href;
}

function values(channels) {
  at("values").hidden = !channels.length;
  at("values").tBodies[0].replaceChildren(...channels.map((c) => {
    const row = document.createElement("tr");
    for (const text of [c.name, c.samples ? `${c.value.toPrecision(4)} ${c.unit}` : "none yet", c.samples, c.gaps]) row.insertCell().textContent = text;
    return row;
  }));
}

// choices lists what can be recorded, each with what it is of.
function choices(s) {
  const channels = (s.sources || []).flatMap((source) => source.channels.map((c) => ({ ...c, open: source.open })));
  at("channels").replaceChildren(...channels.map((c) => {
    const li = document.createElement("li"), label = document.createElement("label"), tick = document.createElement("input"), role = document.createElement("select");
    tick.type = "checkbox";
    tick.value = c.write;
    tick.checked = c.stated && c.open;
    label.append(tick, ` ${c.write}, ${c.quantity}${c.open ? "" : " (not connected now)"}${c.stated ? "" : " (its accuracy is not stated)"}`);
    role.setAttribute("aria-label", `What ${c.name} is of`);
    for (const r of ["", ...(s.roles || [])]) role.add(new Option(r || "nothing in particular", r));
    li.append(label, role);
    return li;
  }));
  if (!channels.length) listOf(at("channels"), ["No source is there. Name one with --source, and connect it."]);
}

function kinds(list) {
  at("kinds").replaceChildren(...list.map((kind) => {
    const b = document.createElement("button");
    b.type = "button";
    b.textContent = kind;
    b.addEventListener("click", () => mark(kind));
    return b;
  }));
}

// --- What a person says --------------------------------------------------------------

async function post(what, body) {
  if (who && !who.value.trim()) {
    at("said").textContent = "Who does it? Fill in your name first.";
    who.focus();
    return false;
  }
  try {
    const r = await fetch("/recorder/" + what, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...body, by: who ? who.value.trim() : "" }) });
    at("said").textContent = r.ok ? "" : await r.text();
    return r.ok;
  } catch {
    at("said").textContent = "The program did not hear it. Try again when the line is back.";
    return false;
  }
}

async function mark(text) {
  if (await post("mark", { text })) at("said").textContent = `Marked: ${text}.`;
}

if (mayAnswer) {
  at("begin").addEventListener("submit", (e) => {
    e.preventDefault();
    const f = e.target.elements, body = { title: f.title.value.trim() };
    body.channels = [...at("channels").children].filter((li) => li.querySelector("input")?.checked).map((li) => {
      const role = li.querySelector("select").value;
      return li.querySelector("input").value + (role ? ":" + role : "");
    });
    if (f.trigger.value.trim()) body.trigger = f.trigger.value.trim();
    if (f.before.value) body.before_s = Number(f.before.value);
    if (f.length.value) body.for_s = Number(f.length.value);
    post("start", body);
  });
  at("marking").addEventListener("submit", async (e) => {
    e.preventDefault();
    const input = e.target.elements.text;
    await mark(input.value.trim() || "mark");
    input.value = "";
  });
  at("stop").addEventListener("click", () => post("stop", {}));
  document.addEventListener("keydown", (e) => {
    if (e.target.closest("input, select, textarea") || e.altKey || e.ctrlKey || e.metaKey || e.repeat) return;
    if (e.key !== "m" || !state || state.phase === "idle") return;
    e.preventDefault();
    mark("mark");
  });
  at("ears").hidden = !Recognition;
  words = () => (state && state.phase !== "idle" ? [...(state.kinds || []), "mark"] : []);
  said = (word) => mark(word);
  toggle("ears", hear);
}

// --- The line to the program -----------------------------------------------------------

let line = null;
let watch = 0;

function listen() {
  if (line) line.close();
  line = new EventSource("/recorder/live");
  line.addEventListener("state", (e) => { heard(); tellState(JSON.parse(e.data)); });
  line.addEventListener("here", heard);
  line.onerror = () => { at("lost").hidden = false; if (line.readyState === EventSource.CLOSED) again(2000); };
  again(15000);
}

function heard() { at("lost").hidden = true; again(15000); }
function again(after) { clearTimeout(watch); watch = setTimeout(() => { at("lost").hidden = false; listen(); }, after); }

listen();
