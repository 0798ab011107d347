// What helps a person with both hands full: the trend of the live reading, a
// screen that stays on, answers by voice.
"use strict";

// --- The trend of the live reading -------------------------------------------

const trendLength = 80; // readings
let trendOf = 0; // the question that the trend belongs to
let readings = [];

// trend draws the latest readings as a line, from the lowest to the highest of
// them; nothing until there are three.
function trend(question, live) {
  if (question !== trendOf) { trendOf = question; readings = []; }
  if (live && live.unit) readings = [...readings, live.value].slice(-trendLength);
  const line = at("trend").querySelector("polyline");
  const low = Math.min(...readings), high = Math.max(...readings);
  at("trend").style.visibility = readings.length > 2 ? "visible" : "hidden";
  if (readings.length < 3) return;
  const y = (v) => (high > low ? 26 - 22 * (v - low) / (high - low) : 15);
  line.setAttribute("points", readings.map((v, i) => `${(4 + i * 292 / (trendLength - 1)).toFixed(1)},${y(v).toFixed(1)}`).join(" "));
}

// --- A screen that stays on ---------------------------------------------------

let awake = null; // a promise of the browser's word that it will

// stayOn keeps the screen on while the worksheet runs, where the browser can.
function stayOn(wanted) {
  if (!navigator.wakeLock || Boolean(awake) === Boolean(wanted)) return;
  if (!wanted) {
    awake.then((lock) => lock && lock.release());
    awake = null;
  } else if (document.visibilityState === "visible") {
    awake = navigator.wakeLock.request("screen").then((lock) => {
      lock.addEventListener("release", () => { awake = null; }); // another page came in front
      return lock;
    }, () => null); // a phone on its last battery refuses
  }
}

// --- Answers by voice ----------------------------------------------------------

let words = () => []; // what can be said now
let said = () => {}; // what is done with a word

const Recognition = window.SpeechRecognition || window.webkitSpeechRecognition;
let ears = null;

// hear listens for the words that the page can be told. The page's own voice must not
// answer it: while it speaks, and just after, nothing is heard.
function hear(on) {
  if (ears) { ears.onend = null; ears.stop(); ears = null; }
  if (!on || !Recognition) return;
  ears = new Recognition();
  ears.lang = "en";
  ears.continuous = true;
  ears.onresult = (e) => {
    if (window.speechSynthesis && speechSynthesis.speaking) return;
    const result = e.results[e.results.length - 1];
    const word = result.isFinal && spokenAnswer(result[0].transcript, words());
    if (word) said(word);
  };
  ears.onend = () => { if (ears) setTimeout(() => ears && ears.start(), 300); }; // browsers stop by themselves
  ears.onerror = (e) => { if (e.error === "not-allowed" || e.error === "service-not-allowed") (at("said") || at("refused")).textContent = "The browser may not listen here. Answer by touch or by key."; };
  ears.start();
}

// spokenAnswer is the answer that was said, alone or at the end: the longest that
// fits ("not done" is not "done"), if there is one such. What denies it is no
// answer; but the power is cut for smoke, however it was said.
function spokenAnswer(heard, answers) {
  const plain = (s) => s.toLowerCase().replace(/[^\p{L}\p{N} ]/gu, "").trim();
  const all = plain(heard);
  const fits = answers.filter((a) => all === plain(a) || all.endsWith(" " + plain(a)));
  const longest = Math.max(...fits.map((a) => plain(a).length));
  const best = fits.filter((a) => plain(a).length === longest);
  if (best.length !== 1) return "";
  const before = all.slice(0, all.length - longest);
  return best[0] !== "smoke" && /(^| )(no|not|never|cannot|(is|was|are|were|do|does|did|has|have|had|wo|ca|could|would|should)nt) /u.test(before) ? "" : best[0];
}
