// The fixing loop on the live page: hands in, going on, the strip, the tables, and one point by hand. RF comes on by a
// button or key that is held, and by nothing else; whoever asked for it says that he is there until it does. "Hands in"
// in large words comes from the server alone, which says so only when RF was read back as off.
import { footKey, takes } from "./mark.js";
import { tone } from "./tone.js";

const holdFor = 1000, presentEvery = 300, signEvery = 10000, patience = 4000; // ms
const off = "keep hands off";
const box = document.querySelector(".cockpit.fixing"), form = document.querySelector("#going-on"), button = document.querySelector("#rf-again");
const dots = []; // of each place, its exposures in time: see loopTold
let chart, told = { dots: [], hands: [], wanted: [] }, chosen = 0, view = null, live = false, total = 0;
let mine = false, asked = 0, beat = 0, second = 0, held = null, signed = 0, epoch;

const post = (path, fields = {}) => fetch(path, { method: "POST", body: new URLSearchParams(fields), headers: { Accept: "application/json" } });

// send does what a key or button asks for, and says so where it was not taken.
async function send(path, fields) {
  const said = document.querySelector("#said");
  try {
    const r = await post(path, fields);
    if (said) said.textContent = r.ok ? "" : "that was not taken: " + new DOMParser().parseFromString(await r.text(), "text/html").querySelector("main p")?.textContent.trim();
    return r.ok;
  } catch (err) {
    if (said) said.textContent = "that did not arrive: " + err.message;
    return false;
  }
}

export const dotsKept = () => total;

export function fixing(charts) {
  if (!box) return;
  chart = charts.loop;
  for (const e of box.querySelectorAll("[data-place]")) e.addEventListener("click", () => choose(+e.dataset.place));
  const first = document.querySelector("#loop-told");
  if (first) { chosen = Math.max(0, [...box.querySelectorAll("[data-place]")].findIndex(e => e.hasAttribute("data-now-here"))); tell(JSON.parse(first.textContent)); choose(chosen); }
  if (!form) return;
  document.querySelector("#hands-in").addEventListener("submit", e => { e.preventDefault(); e.stopImmediatePropagation(); handsIn("page"); }, true);
  for (const b of document.querySelectorAll("[data-move]")) b.addEventListener("click", () => move(b.dataset.move));
  document.querySelector("#alternate").addEventListener("change", propose);
  button.addEventListener("pointerdown", e => { if (e.button === 0) down("pointer"); });
  for (const kind of ["pointerup", "pointercancel", "pointerleave", "blur"]) button.addEventListener(kind, up);
  form.addEventListener("submit", e => e.preventDefault()); // Enter in the name is no going on
  addEventListener("keydown", key, true);
  addEventListener("keyup", e => { if (held && held === e.key.toLowerCase()) up(); }, true);
  for (const kind of ["blur", "pagehide"]) addEventListener(kind, () => { up(); mine = false; });
  document.addEventListener("visibilitychange", () => { if (document.hidden) { up(); mine = false; } });
  addEventListener("pointerdown", e => { sign(e); if (view?.hands === "going out") cancel(); }, true);
  addEventListener("keydown", sign, true);
}

// sign tells that a person is here: by what only a person does.
function sign(e) {
  if (!e.isTrusted || !live || view?.hands || Date.now() - signed < signEvery) return;
  signed = Date.now();
  post("/fixing/sign").catch(() => {});
}

async function handsIn(by) {
  asked = Date.now();
  large(off, "switching RF off", "going in");
  if (!await send("/fixing/in", { by })) { asked = 0; doubt("HANDS IN WAS NOT TAKEN: KEEP HANDS OFF. Press “RF off”."); }
}

// footIn is hands in by a foot switch, where it was told to mean that; it cannot mean going on.
export function footIn() { if (!form) return false; view?.hands === "going out" ? cancel() : handsIn("foot"); return true; }

function cancel() { mine = false; send("/fixing/in", { by: "page" }); }

const modifiers = ["Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock", "Fn"];
function key(e) {
  if (view?.hands === "going out") { // any key ends it
    if (e.repeat || modifiers.includes(e.key)) return;
    if (e.key !== "Escape") { e.preventDefault(); e.stopImmediatePropagation(); }
    cancel();
    return;
  }
  if (e.ctrlKey || e.altKey || e.metaKey || e.key === footKey()) return;
  const name = e.key.toLowerCase(), on = document.activeElement === button;
  if (name === "g" && !takes(e.key, e.target) || on && (e.key === "Enter" || e.key === " ")) {
    if (!view?.ask) return;
    e.preventDefault(); e.stopImmediatePropagation();
    if (!e.repeat) down(name);
    return;
  }
  if (takes(e.key, e.target) || e.target.closest?.(".plot")) return;
  const does = e.repeat ? moves[e.key] && (() => move(e.key)) : name === "h" && view?.out ? () => handsIn("key") : name === "r" ? () => document.querySelector("#refer").requestSubmit() : moves[e.key.length === 1 ? name : e.key] && (view?.held || name === "b") && view?.out && (() => move(e.key.length === 1 ? name : e.key));
  if (!does) return;
  e.preventDefault(); e.stopImmediatePropagation();
  does();
}

// Where a point goes that is held by hand.
const moves = {
  ArrowUp: () => ({ steps: 1 }), ArrowDown: () => ({ steps: -1 }), PageUp: () => ({ steps: view.three }), PageDown: () => ({ steps: -view.three }),
  ArrowRight: () => ({ along: 1 }), ArrowLeft: () => ({ along: -1 }), n: () => ({ next: 1 }), p: () => ({ next: -1 }),
  m: () => ({ carrier: view.held?.carrier ? "no" : "yes" }), t: () => ({ follow: "yes" }),
  b: () => view.held ? {} : ({ at: box.querySelector(`[data-place="${chosen}"] .label`).textContent }),
};

// move sends moves one after the other: two requests at once may arrive in any order, and a step up that was held up is
// not to come long after the key.
let moving = Promise.resolve();
function move(name) {
  if (!view) return;
  const to = moves[name](), pressed = Date.now();
  moving = moving.then(() => {
    if (Date.now() - pressed < patience) return send("/fixing/point", to);
    document.querySelector("#said").textContent = "a move by hand was not sent: those before it took too long";
  });
}

// down and up are of the button or key that has to be held for RF to come on.
let timer;
function down(by) {
  if (held || button.disabled || !live) return;
  held = by;
  button.dataset.holding = "yes";
  timer = setTimeout(() => { up(); again(); }, holdFor);
}
function up() { clearTimeout(timer); held = null; if (button) button.dataset.holding = "no"; }

async function again() {
  const fields = Object.fromEntries(new FormData(form));
  if (!live || !view?.ask || document.hidden) return;
  mine = true;
  button.blur(); // no key that is pressed later is to be one of this button
  if (!await send("/fixing/out", fields)) { mine = false; return; }
  clearInterval(beat);
  beat = setInterval(() => { mine && live && !document.hidden ? post("/fixing/present").catch(() => {}) : clearInterval(beat); }, presentEvery);
}

// say takes the view of the moment; null where the stream is dead.
export function say(v) {
  if (!box) return;
  const was = view?.hands;
  live = !!v; view = v?.loop ?? view;
  if (!v) { mine = false; up(); if (view?.hands || asked) large("not live: " + off, "nobody knows whether RF is off", "going in"); if (button) button.disabled = true; return; }
  if (!view) return;
  const { hands } = view;
  if (hands) asked = 0;
  box.dataset.hands = hands || (asked ? "going in" : "");
  if (asked) { large(off, "switching RF off", "going in"); if (Date.now() - asked > patience) doubt("RF IS NOT READ BACK AS OFF: KEEP HANDS OFF. Press “RF off”, or switch the amplifier off by hand."); }
  if (asked && Date.now() - asked > 3 * patience) asked = 0;
  if (hands === "in" && was !== "in") { if (was !== "going out") form?.reset(); propose(); form?.querySelector("#what").focus(); }
  if (was === "going out" && hands !== was) { mine = false; clearInterval(beat); }
  if (button) button.disabled = !view.ask;
  if (view.second !== second && view.second) tone(view.second === 1 ? 1175 : 880, 0.2);
  second = view.second;
  const what = document.querySelector("#what");
  if (what && what.placeholder !== view.next) what.placeholder = view.next;
  const list = document.querySelector("#known"), known = (view.known ?? []).join("\n");
  if (list && list.dataset.known !== known) { list.dataset.known = known; list.replaceChildren(...(view.known ?? []).map(n => Object.assign(document.createElement("option"), { value: n }))); }
  for (const e of box.querySelectorAll("[data-place]")) {
    const i = +e.dataset.place;
    e.toggleAttribute("data-now-here", i === view.now);
    e.dataset.mark = view.places[i]?.mark ?? "";
  }
}

// propose fills in what an alternation does next.
function propose() {
  if (!view?.again || !document.querySelector("#alternate")?.checked) return;
  form.querySelector("#what").value = view.again;
  form.querySelector(`[name=did][value=${view.againOut ? "out" : "in"}]`).checked = true;
}

function large(words, label, hands) {
  const e = box.querySelector('[data-figure="large"]');
  e.dataset.text = words; e.textContent = words;
  box.querySelector('[data-live="label"]').textContent = label;
  box.querySelector('[data-live="below"]').textContent = "Hands stay away until this page says “hands in”.";
  box.dataset.hands = hands;
}

function doubt(words) {
  for (const e of document.querySelectorAll('[data-live="alarm"]')) e.textContent = words;
  for (const e of document.querySelectorAll('[data-show="alarm"]')) e.hidden = false;
}

// tell takes what a record added: it is drawn at once.
export function tell(t) {
  if (!box) return;
  for (const d of t.dots ?? []) (dots[d[1]] ??= []).push(d);
  total = t.total;
  told = t;
  rows("tries", t.tries); rows("gains", t.gains);
  if (!chart) return;
  for (const d of t.dots ?? []) if (d[1] === chosen) add(d);
  draw();
}

function choose(i) {
  chosen = i;
  for (const e of box.querySelectorAll("[data-place]")) e.setAttribute("aria-pressed", +e.dataset.place === i);
  if (!chart) return;
  chart.c.at.length = 0;
  for (const s of chart.c.series) s.y.length = 0;
  epoch = undefined;
  for (const d of dots[i] ?? []) add(d);
  draw();
}

// add draws an exposure. Between two epochs the lines end.
function add(d) {
  const c = chart.c, [at, i, level, upset, onset, low, high, e] = d;
  const put = (x, ...ys) => { c.at.push(x); ys.forEach((y, k) => c.series[k].y.push(y)); };
  if (epoch !== undefined && e !== epoch) put(at - 1e-4, null, null, null, told.wanted?.[i], null, null);
  epoch = e;
  put(at, onset, low, high, told.wanted?.[i], upset ? null : level, upset ? level : null);
}

function draw() {
  const c = chart.c, at = box.querySelector(`[data-place="${chosen}"] .label`)?.textContent, title = "The onset in time at " + at;
  const now = c.at[c.at.length - 1] ?? 0;
  c.x.last = Math.min(20, Math.max(0.2, now));
  chart.shade = (told.hands ?? []).map(([a, b]) => [a, b < a ? Math.max(a, now) : b]);
  const e = chart.figure.querySelector("figcaption b");
  if (e.textContent !== title) e.textContent = title;
  chart.plot.setData(chart.data, !chart.zoomed);
  if (chart.zoomed) chart.plot.redraw();
}

function rows(id, list) {
  const body = document.querySelector(`#${id} tbody`);
  if (!body || !list?.length) return;
  body.querySelector(".none")?.remove();
  while (body.rows.length > list.length) body.deleteRow(-1);
  list.forEach((cells, i) => {
    const row = body.rows[i] ?? body.insertRow();
    cells.forEach((t, k) => {
      let cell = row.cells[k];
      if (!cell) { cell = row.appendChild(document.createElement(k ? "td" : "th")); if (!k) cell.scope = "row"; }
      if (cell.textContent !== t) cell.textContent = t;
    });
  });
}
