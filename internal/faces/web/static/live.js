// Keeps a page true: one stream of server-sent events fills the words of the strip and, on the live
// page, its numbers, charts and log. When nothing comes for a while the page says so and greys what
// it shows: an old reading must never look live.

import { kept, keep } from "./choice.js";
import { told } from "./camera.js";
import { tone } from "./tone.js";
import { dotsKept, say as sayLoop, tell } from "./fixing.js";

const silence = 3500; // ms without a message after which the page is not live
const keptLooks = 900, keptLog = 60;

const words = {}; // elements by the name of the word that they show
for (const e of document.querySelectorAll("[data-live]")) (words[e.dataset.live] ??= []).push(e);
const shows = {}; // elements that are there only while a word is set
for (const e of document.querySelectorAll("[data-show]")) (shows[e.dataset.show] ??= []).push(e);

const untitled = document.title.replace(/^(RF [^–]*– )+/, ""); // without what it says of RF
let heard = 0, lastAt = document.body.dataset.at ?? "";

function dead() {
  if (heard) document.title = "NOT LIVE – " + untitled;
  document.body.dataset.fresh = "no";
  for (const e of document.querySelectorAll("[data-since]")) e.textContent = "not live since " + lastAt;
  for (const e of document.querySelectorAll('[data-now="watched"]')) e.textContent = e.textContent && "Nobody knows whether this page still watches.";
  for (const e of document.querySelectorAll('[data-live="read"]')) e.textContent = "as it was at " + lastAt;
  sayLoop(null);
}

function alive(at) {
  heard = Date.now(); lastAt = at;
  document.body.dataset.fresh = "yes";
}

function say(view) {
  for (const [name, list] of Object.entries(words)) {
    const text = String(at(view, name) ?? "");
    for (const e of list) if (e.textContent !== text) e.textContent = text;
  }
  for (const [name, list] of Object.entries(shows)) for (const e of list) e.hidden = !at(view, name);
  for (const e of document.querySelectorAll(".big[data-rf]")) e.dataset.rf = view.rf;
  for (const e of document.querySelectorAll("[data-dut]")) e.dataset.dut = view.dut || "none";
  for (const e of document.querySelectorAll("progress[data-part]")) {
    e.max = e.dataset.part === "dwell" ? 1 : Math.max(view.known, 1);
    e.value = e.dataset.part === "dwell" ? view.dwellShare : view.done;
  }
  for (const e of document.querySelectorAll("[data-when]")) e.disabled = !({ here: view.here && !view.ended, out: view.here && !view.ended && view.loop?.out, "held-point": !!view.loop?.held, held: view.held, going: view.here && !view.ended && !view.held })[e.dataset.when];
  for (const e of document.querySelectorAll("[data-figure]")) figure(e, String(at(view, e.dataset.figure) ?? ""));
  for (const e of document.querySelectorAll("[data-old-if]")) e.toggleAttribute("data-old", !!view[e.dataset.oldIf]);
  nearest(view.nearest ?? []);
  sound(view);
  monitors(view.monitors ?? []);
  prompt(view.prompt);
  sayLoop(view);
}

const at = (view, path) => path.split(".").reduce((v, name) => v?.[name], view);

// figure shows a quantity large, its unit smaller.
function figure(e, text) {
  if (e.dataset.text === text) return;
  e.dataset.text = text;
  const cut = /\d/.test(text) ? text.lastIndexOf(" ") : -1;
  e.replaceChildren(cut > 0 ? text.slice(0, cut) : text);
  if (cut > 0) e.append(" ", Object.assign(document.createElement("span"), { className: "unit", textContent: text.slice(cut + 1) }));
}

// nearest shows the ratings with the least headroom as bars.
function nearest(list) {
  const box = document.querySelector("#nearest");
  if (!box) return;
  const svg = "http://www.w3.org/2000/svg";
  while (box.children.length > Math.max(list.length, 1)) box.lastElementChild.remove();
  if (!list.length) { box.replaceChildren(Object.assign(document.createElement("li"), { className: "none", textContent: "–" })); return; }
  list.forEach((n, i) => {
    let li = box.children[i];
    if (!li?.querySelector(".fill")) {
      li?.remove();
      li = document.createElement("li");
      const bar = document.createElementNS(svg, "svg");
      for (const [k, v] of Object.entries({ class: "bar", viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" })) bar.setAttribute(k, v);
      for (const c of ["rail", "fill"]) {
        const r = document.createElementNS(svg, "rect");
        r.setAttribute("class", c); r.setAttribute("width", 100); r.setAttribute("height", 8);
        bar.append(r);
      }
      li.append(document.createElement("span"), bar, document.createElement("b"));
      box.insertBefore(li, box.children[i] ?? null);
    }
    li.className = n.over ? "over" : n.near ? "near" : "";
    if (li.firstChild.textContent !== n.name) li.firstChild.textContent = n.name;
    if (li.lastChild.textContent !== n.left) li.lastChild.textContent = n.left;
    li.querySelector(".fill").setAttribute("width", n.share);
  });
}

// An upset is heard where the person at the bench wants that: a tone, or a word besides. The choice is the browser's.
let wasUpset = false;
function sound(view) {
  const upset = view.dut === "upset", rises = upset && !wasUpset;
  wasUpset = upset;
  const how = document.querySelector("#sound")?.value || (view.loop?.held ? "tone" : ""); // who holds a point by hand looks elsewhere
  if (!rises || !how) return;
  upsetTone();
  if (how === "word") globalThis.speechSynthesis?.speak(Object.assign(new SpeechSynthesisUtterance("upset at " + view.frequency), { lang: "en" }));
}

const upsetTone = () => tone(880, 0.4, 660);

function sounds() {
  const choice = document.querySelector("#sound");
  if (!choice) return;
  choice.value = kept("sound");
  choice.addEventListener("change", () => { keep("sound", choice.value); if (choice.value) upsetTone(); });
}

// bench fills the strip, which tells of the bench and not of the run that a page shows.
function bench(now) {
  const strip = document.querySelector("#now");
  if (strip) strip.dataset.rf = now.rf;
  told(now.camera);
  title(now);
  for (const e of document.querySelectorAll("[data-now]")) { const text = String(now[e.dataset.now] ?? ""); if (e.textContent !== text) e.textContent = text; }
  const shown = document.body.dataset.run;
  if (shown === undefined || String(now.run) === shown) return;
  if (!new URLSearchParams(location.search).has("run")) location.reload(); // a newer run has begun
  const other = document.querySelector("#elsewhere");
  if (other) other.hidden = now.rf === "off";
}

// title lets the browser's tab say that RF is on, or not known to be off.
function title(now) {
  const text = now.rf === "off" ? untitled : now.tab + " – " + untitled;
  if (document.title !== text) document.title = text;
}

// prompt shows what a person is asked to do by hand, and stays while it is the same.
function prompt(p) {
  const box = document.querySelector("#prompt");
  if (!box) return;
  box.hidden = !p;
  if (!p || box.dataset.number === String(p.number) + p.doubt) return;
  box.dataset.number = String(p.number) + p.doubt;
  box.querySelector("h2").textContent = p.title;
  box.querySelector("p").textContent = p.instrument;
  box.querySelector(".doubt").textContent = p.doubt;
  box.querySelector("ol").replaceChildren(...(p.lines ?? []).map(l => Object.assign(document.createElement("li"), { textContent: l })));
  box.querySelector("[name=number]").value = p.number;
  const answer = box.querySelector("#answer");
  answer.placeholder = p.wants;
  answer.required = !p.plain; // where Enter alone is the answer, the button says so
  box.querySelector("form button").textContent = p.plain ? "Now" : "Answer";
  answer.focus();
}

function monitors(list) {
  const body = document.querySelector("#monitors tbody");
  if (!body) return;
  while (body.rows.length > list.length) body.deleteRow(-1);
  list.forEach((m, i) => {
    let row = body.rows[i];
    if (!row) { row = body.insertRow(); for (let k = 0; k < 5; k++) row.insertCell(); }
    [m.id, m.reading, m.away, m.tolerance, (m.bad ? "✕ " : "✓ ") + m.verdict].forEach((t, k) => { if (row.cells[k].textContent !== t) row.cells[k].textContent = t; });
    row.className = m.bad ? "upset" : "";
  });
}

// log adds a record, newest first; old ones leave.
function log(line) {
  const list = document.querySelector("#log");
  if (!list) return;
  const li = document.createElement("li"), at = document.createElement("time"), kind = document.createElement("b");
  at.textContent = line.at; kind.textContent = line.kind;
  if (line.mark) li.className = line.mark;
  li.append(at, " ", kind, " ", line.text);
  list.prepend(li);
  while (list.children.length > keptLog) list.lastElementChild.remove();
}

export function live(charts) {
  const body = document.body.dataset;
  for (const e of document.querySelectorAll("[data-scripted]")) e.hidden = false;
  sounds();
  if (!body.stream) return;
  const growing = charts.growing, strip = charts.strip;
  let lines = [], record = ""; // the last one that came
  let source = listen();
  // A browser has six connections to one address. A page that is left but kept for "back", and one in
  // the background that only shows the strip, must not hold one: RF off needs it. One page of the
  // browser keeps its stream even there, for as long as it is open: a run may be watched from it.
  const brief = body.stream.includes("brief=");
  let keeps = false, came = false; // back from where it was kept for "back"
  const closed = () => source.readyState === EventSource.CLOSED;
  navigator.locks?.request("provoke-watch", () => {
    keeps = true;
    if (closed()) source = listen();
    return new Promise(() => {});
  });
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", e => { if (e.persisted) { came = true; source = listen(); } }); // loaded again when the server answers
  if (brief) document.addEventListener("visibilitychange", () => {
    if (document.hidden && !keeps) source.close();
    else if (!document.hidden && closed()) source = listen();
  });
  setInterval(() => { if (Date.now() - heard > silence) dead(); }, 500);
  setInterval(() => requestAnimationFrame(() => {
    for (const l of lines) log(l);
    lines = [];
    growing?.refresh();
    strip?.refresh();
  }), 120);

  function listen() {
    const from = new URL(body.stream, location);
    if (record) from.searchParams.set("from", record);
    if (from.searchParams.has("dots")) from.searchParams.set("dots", dotsKept());
    from.searchParams.set("job", document.querySelector("nav .job")?.textContent ?? "");
    const source = new EventSource(from);
    source.addEventListener("now", e => {
      if (came) return location.reload();
      const m = JSON.parse(e.data);
      alive(m.view.at);
      say(m.view);
      bench(m.now);
      if (m.strip && strip) { strip.c.y.label = m.strip.label; if (m.strip.hasBand) { strip.c.low = m.strip.low; strip.c.high = m.strip.high; } strip.draw(); }
      if (m.looks && strip) looks(strip, m.looks);
      if (m.since && strip && m.since - (strip.now ?? 0) >= 0.5) { strip.now = m.since; strip.stale = true; }
      if (m.view.ended && body.ended === "no") { body.ended = "yes"; setTimeout(() => location.reload(), 600); } // findings and links of the end
    });
    source.addEventListener("moved", () => { source.close(); location.assign("/"); }); // another job was opened
    source.addEventListener("record", e => {
      const line = JSON.parse(e.data);
      record = e.lastEventId;
      if (line.spot && growing) growing.add(line.spot);
      lines.push(line);
      if (lines.length > keptLog) lines.shift();
    });
    source.addEventListener("loop", e => tell(JSON.parse(e.data)));
    source.addEventListener("error", () => {
      if (Date.now() - heard > silence) dead();
      if (source.readyState === EventSource.CLOSED) setTimeout(again, 2000, source); // refused, as when too many listen
    });
    return source;
  }

  function again(old) {
    if (source === old && !(brief && document.hidden && !keeps)) source = listen();
  }
}

// looks draws readings in time, with the stretches shaded in which RF was on.
function looks(strip, list) {
  const c = strip.c, good = c.series[0].y, bad = c.series[1].y, last = c.at[c.at.length - 1] ?? -1;
  for (const [t, v, isBad, on] of list) {
    if (t <= last) continue;
    c.at.push(t); good.push(isBad ? null : v); bad.push(isBad ? v : null);
    const s = strip.shade[strip.shade.length - 1];
    if (on && (!s || s.closed)) strip.shade.push(Object.assign([t, t], { closed: false }));
    else if (s && !s.closed) { s[1] = t; if (!on) s.closed = true; }
  }
  const drop = c.at.length - keptLooks;
  if (drop > 0) { c.at.splice(0, drop); good.splice(0, drop); bad.splice(0, drop); }
  while (strip.shade.length && strip.shade[0][1] < c.at[0]) strip.shade.shift();
  strip.stale = true;
}
