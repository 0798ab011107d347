// The bench page: shows what the program sends, and sends back a person's word.
"use strict";

const at = (id) => document.getElementById(id);
const kept = (key) => { try { return localStorage.getItem(key); } catch { return null; } };
const keep = (key, value) => { try { localStorage.setItem(key, value); } catch { /* a private window */ } };

let now = null; // what is asked for
let spoken = 0; // the last thing said aloud

// --- Settings of this screen -------------------------------------------------

function toggle(id, apply) {
  const button = at(id);
  const set = (on) => { button.setAttribute("aria-pressed", on); keep(id, on ? "on" : ""); apply(on); };
  button.addEventListener("click", () => set(button.getAttribute("aria-pressed") !== "true"));
  set(kept(id) === "on");
}

toggle("night", (on) => document.documentElement.classList.toggle("night", on));
toggle("voice", (on) => { if (!on && window.speechSynthesis) speechSynthesis.cancel(); });
at("by").value = kept("by") || "";
at("by").addEventListener("input", () => keep("by", at("by").value));

function speak(n) {
  if (at("voice").getAttribute("aria-pressed") !== "true" || !window.speechSynthesis || n.id === spoken || !n.say) return;
  spoken = n.id;
  speechSynthesis.cancel();
  const u = new SpeechSynthesisUtterance(n.say);
  u.lang = "en";
  speechSynthesis.speak(u);
}

// --- Showing -----------------------------------------------------------------

function element(tag, className, text) {
  const e = document.createElement(tag);
  if (className) e.className = className;
  if (text) e.textContent = text;
  return e;
}

// The pictures are drawn by the program from numbers and escaped words.
function picture(svg) {
  const e = element("div");
  e.innerHTML = svg;
  return e;
}

function show(f) {
  const asked = !now || now.id !== f.now.id;
  now = f.now;
  if (asked) {
    if (now.kind !== "wait") {
      at("say").textContent = now.say;
      at("detail").textContent = now.detail || "";
    }
    at("now").classList.toggle("warn", Boolean(now.warn));
    buttons(now);
    speak(now);
  }
  at("reading").textContent = f.reading;
  at("phase").textContent = f.live ? f.live.phase : "";
  at("picture").replaceChildren(picture(f.picture));
  const s = now.step;
  at("wanted").textContent = s && s.design_value !== null ? "design value " + volts(s.design_value) + ", sound from " + volts(s.low) + " to " + volts(s.high) : "";
  at("verdict").replaceChildren(picture(f.stamp));
  at("done").textContent = f.circuits ? `circuit ${f.done} of ${f.circuits}` : "";
  at("report").href = "/report/" + f.worksheet;
  findings(f.findings || []);
  steps(f.from, f.steps);
}

const volts = (v) => (Math.abs(v) < 1 ? (v * 1000).toFixed(1) + " mV" : v.toFixed(3) + " V");

function buttons(n) {
  const form = at("answers");
  const parts = [];
  if (n.number) {
    const input = element("input");
    input.type = "number"; input.step = "any"; input.name = "number"; input.required = true;
    input.setAttribute("aria-label", "in " + n.number);
    parts.push(input, element("span", "", n.number));
  }
  (n.answers || (n.number ? ["Enter"] : [])).forEach((word, i) => {
    const b = element("button", i === 0 ? "first" : "", word);
    b.type = n.number ? "submit" : "button";
    if (!n.number) b.addEventListener("click", () => answer(word));
    parts.push(b);
  });
  form.replaceChildren(...parts);
  at("refused").textContent = "";
}

function findings(list) {
  at("found").hidden = list.length === 0;
  at("findings").replaceChildren(...list.map((f) => {
    const li = element("li");
    li.append(element("b", "", f.what), element("span", "", f.try));
    return li;
  }));
}

function steps(from, rows) {
  const list = at("steps");
  if (from === 0) list.replaceChildren();
  for (const r of rows) {
    const li = element("li");
    li.dataset.step = r.id;
    const value = element("span");
    value.append(element("b", "", r.value || r.note), element("div", "allowed", r.allowed));
    value.title = r.rule;
    li.append(element("span", "", r.title), value, picture(r.picture), picture(r.stamp));
    list.prepend(li);
  }
}

// --- Answering ---------------------------------------------------------------

async function answer(choice, number) {
  const by = at("by").value.trim();
  if (!by) {
    at("refused").textContent = "Who answers? Fill in your name at the top first.";
    at("by").focus();
    return;
  }
  const body = JSON.stringify({ id: now.id, choice: choice || "", number: number || 0, by });
  try {
    const r = await fetch("/answer", { method: "POST", headers: { "Content-Type": "application/json" }, body });
    at("refused").textContent = r.ok ? "" : await r.text();
  } catch {
    at("refused").textContent = "The program did not hear it. Try again when the line is back.";
  }
}

at("answers").addEventListener("submit", (e) => {
  e.preventDefault();
  const n = e.target.elements.number;
  if (n) answer("", Number(n.value));
});

// A foot switch is a key: space, enter or page down give the first answer, a
// digit the answer at that place.
document.addEventListener("keydown", (e) => {
  if (e.target.closest("input, button, a") || e.ctrlKey || e.altKey || e.metaKey || !now || !(now.answers || []).length) return;
  const place = [" ", "Enter", "PageDown"].includes(e.key) ? 1 : Number(e.key);
  if (place >= 1 && place <= now.answers.length) {
    e.preventDefault();
    answer(now.answers[place - 1]);
  }
});

// --- The line to the program -------------------------------------------------

const line = new EventSource("/events");
line.onmessage = (e) => { at("lost").hidden = true; show(JSON.parse(e.data)); };
line.onerror = () => { at("lost").hidden = false; };
