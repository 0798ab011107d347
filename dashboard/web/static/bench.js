// The bench page: shows what the program sends, and sends back a person's word.
"use strict";

let now = null; // what is asked for
let spoken = 0; // the last thing said aloud
let takeOver = false; // the next answer takes the probes over
let sent = 0; // the question whose answer is on its way

// --- Settings of this screen -------------------------------------------------

at("ears").hidden = !Recognition || document.body.dataset.right === "watch";
words = () => [...((now && now.answers) || []), ...(at("smoke").hidden ? [] : ["smoke"])];
said = (w) => (w === "smoke" ? word({ kind: "smoke" }) : answer(w));
toggle("ears", hear);
toggle("voice", (on) => { if (!on && window.speechSynthesis) speechSynthesis.cancel(); });
const by = at("by"); // none on a paired device: its pass names it
if (by) {
  by.value = kept("by") || "";
  by.addEventListener("input", () => keep("by", by.value));
  by.addEventListener("keydown", (e) => { if (e.key === "Enter") by.blur(); });
}
const watching = document.body.dataset.right === "watch";

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
  const asked = !now || now.id !== f.now.id || now.say !== f.now.say;
  now = f.now;
  if (asked) {
    if (now.kind !== "wait") {
      at("say").textContent = now.say;
      at("detail").textContent = (now.refused ? "Not taken: " + now.refused + ". " : "") + (now.detail || "");
    }
    at("now").classList.toggle("warn", Boolean(now.warn));
    at("live").hidden = now.kind === "ended" || ((now.answers || []).length > 0 || now.number || now.write) && !now.step && !now.felt; // the buttons come up to the question
    buttons(now, f.settle, f.typed);
    speak(now);
  }
  at("smoke").firstChild.data = f.by_hand ? "Smoke: everything off by hand " : "Smoke: cut the power ";
  at("smoke").hidden = !f.worksheet || now.kind === "ended";
  at("skip").hidden = watching || !now.can_skip;
  at("photo").hidden = watching || !f.worksheet || now.kind === "ended";
  at("reading").textContent = f.reading;
  at("next").textContent = f.next ? "Then: " + f.next : "";
  sources(f.sources);
  at("sign").hidden = now.kind !== "ended" || !f.worksheet;
  for (const a of at("sign").querySelectorAll("[data-path]")) a.href = a.dataset.path + f.worksheet;
  at("phase").textContent = f.live ? f.live.phase : "";
  at("picture").replaceChildren(picture(f.picture));
  at("wanted").textContent = f.wanted;
  trend(now.id, f.live);
  stayOn(now.kind !== "ended" && now.kind !== "wait");
  at("verdict").replaceChildren(picture(f.stamp));
  at("aircraft").textContent = f.aircraft;
  at("procedure").textContent = f.procedure;
  at("done").textContent = f.circuits ? `circuit ${f.done} of ${f.circuits}` : "";
  at("report").href = "/report/" + f.worksheet;
  at("report").hidden = !f.worksheet;
  findings(f.findings || []);
  // The cautions stand above the first hold points, until work has begun.
  at("cautions").hidden = f.from + f.steps.length > 0;
  at("cautions").replaceChildren(...(f.cautions || []).map((text) => element("li", "", text)));
  steps(f.from, f.steps);
}

function buttons(n, settle, how) {
  const form = at("answers");
  const parts = [];
  const typed = n.number || n.write;
  if (typed) {
    const input = element("input");
    input.type = n.write === "date" ? "date" : "text"; input.name = "words"; input.required = true; input.autocomplete = "off";
    input.setAttribute("aria-label", [n.say, how].join(" ").trim());
    parts.push(input);
    if (how) parts.push(element("span", "how", how));
  }
  (n.answers || (typed ? ["Enter"] : [])).forEach((word, i) => {
    const b = element("button", i === 0 ? "first" : "", word);
    b.type = typed ? "submit" : "button";
    if (!typed) b.addEventListener("click", () => answer(word));
    parts.push(b);
  });
  form.replaceChildren(...parts);
  form.dataset.asked = n.id;
  // A bounce of the press that answered the question before must not answer
  // this one; the program refuses it too.
  form.dataset.ready = "";
  setTimeout(() => { if (now.id === n.id) form.dataset.ready = n.id; }, settle);
  at("refused").textContent = "";
}

// sources tells how each instrument is, by word and sign.
function sources(list) {
  at("instruments").hidden = list.length === 0;
  at("sources").replaceChildren(...list.map((s) => element("li", s.good ? "" : "bad", `${s.good ? "✓" : "✕"} ${s.name}: ${s.says}`)));
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
  at("none").hidden = from + rows.length > 0;
  for (const r of rows) {
    for (const old of list.children) if (old.dataset.step === r.id) {
      old.classList.add("before");
      old.querySelector(".more")?.remove(); // it is the later one that can be done again
    }
    const li = element("li");
    li.dataset.step = r.id;
    const value = element("span");
    value.append(element("b", "", r.value || r.note), element("div", "allowed", r.allowed), element("div", "allowed", r.before));
    value.title = r.rule;
    li.append(element("span", "", r.title), value, picture(r.picture), picture(r.stamp));
    const more = element("span", "more");
    if (r.again) {
      const b = element("button", "again", "Once more");
      b.type = "button";
      b.setAttribute("aria-label", "Once more: " + r.title);
      b.addEventListener("click", () => word({ kind: "redo", step: r.id }));
      more.append(b);
    }
    more.append(photoButton(r.id, r.title));
    if (!watching) li.append(more);
    list.prepend(li);
  }
}

// --- Answering ---------------------------------------------------------------

// word says something that was not asked for.
async function word(w) {
  const name = by ? by.value.trim() : "";
  try {
    const r = await fetch("/word", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...w, by: name }) });
    at("refused").textContent = r.ok ? "" : await r.text();
  } catch {
    at("refused").textContent = w.kind === "smoke" ? "The program did not hear it. Switch the power off by hand, now." : "The program did not hear it.";
  }
}

at("smoke").addEventListener("click", () => word({ kind: "smoke" }));
at("skip").addEventListener("click", () => {
  const id = now.id;
  const reason = prompt("Why is it left out? Begin with n/a where there is no such thing on this aircraft.");
  if (!reason) return;
  const none = /^n\/a[ :,]*/i;
  word({ kind: none.test(reason) ? "not applicable" : "skip", id, reason: reason.replace(none, "") || reason });
});
at("take").addEventListener("click", () => { at("take").hidden = true; takeOver = true; at("refused").textContent = "Now answer: you hold the probes from then on."; });

async function answer(choice, text) {
  if (watching) return;
  const name = by ? by.value.trim() : "";
  if (by && !name) {
    at("refused").textContent = "Who answers? Fill in your name at the top first.";
    by.focus();
    return;
  }
  const id = now.id;
  if (sent === id || at("answers").dataset.ready !== String(id)) return; // a second tap, or a foot switch that bounces
  sent = id;
  const body = JSON.stringify({ id, choice: choice || "", text: text || "", by: name, take: takeOver });
  try {
    const r = await fetch("/answer", { method: "POST", headers: { "Content-Type": "application/json" }, body });
    takeOver = false;
    if (r.ok) { at("take").hidden = true; return; }
    at("take").hidden = r.status !== 423; // somebody else holds the probes
    at("refused").textContent = await r.text();
  } catch {
    at("refused").textContent = "The program did not hear it. Try again when the line is back.";
  }
  sent = 0;
}

at("answers").addEventListener("submit", (e) => {
  e.preventDefault();
  const { words } = e.target.elements;
  if (words) answer("", words.value);
});

// A foot switch is a key: space, enter or page down give the first answer, a
// digit the answer at that place. A key held down answers once: what comes next
// is another question. While the worksheet runs these keys do not scroll: a foot
// that is early must not carry the instruction out of sight.
document.addEventListener("keydown", (e) => {
  if (e.target.closest("input, button, a") || e.ctrlKey || e.altKey || e.metaKey || !now) return;
  if (e.key === "s" && !e.repeat && !at("smoke").hidden) {
    word({ kind: "smoke" });
    return;
  }
  const first = [" ", "Enter", "PageDown"].includes(e.key);
  if (first && now.kind !== "ended") e.preventDefault();
  if (e.repeat || !(now.answers || []).length) return;
  const place = first ? 1 : Number(e.key);
  if (place >= 1 && place <= now.answers.length) {
    e.preventDefault();
    answer(now.answers[place - 1]);
  }
});

// --- The line to the program -------------------------------------------------

// The browser looks for a line that broke by itself, but not for one that was
// refused, and it does not see one that has only gone silent.
const silence = 15000; // milliseconds: three signs of life missed
let line = null;
let watch = 0;

function listen() {
  if (line) line.close();
  line = new EventSource("/events");
  line.onmessage = (e) => { heard(); show(JSON.parse(e.data)); };
  line.addEventListener("here", (e) => { heard(); sources(JSON.parse(e.data)); });
  line.onopen = () => { sent = 0; }; // a program that was started again counts its questions anew
  line.onerror = () => { lost(); if (line.readyState === EventSource.CLOSED) again(2000); };
  again(silence);
}

function heard() { at("lost").hidden = true; again(silence); }
function lost() { at("lost").hidden = false; }
function again(after) { clearTimeout(watch); watch = setTimeout(() => { lost(); listen(); }, after); }

document.addEventListener("visibilitychange", () => stayOn(now && now.kind !== "ended" && now.kind !== "wait"));
listen();
