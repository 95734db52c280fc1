// Editing in place: whatever is typed is checked by the server, which sends the parts of the page
// that depend on it. Nothing is computed here.
import { mountAll } from "./chart.js";

const grow = t => { t.rows = t.value.split("\n").length + 1; };

// take replaces the parts of this page by those of another rendering of it.
// A part that is the same stays, so that no click on it is lost; one in which somebody types is kept, and brought up to date once the focus has left it, unless it is forced.
export function take(doc, forced) {
  for (const part of doc.querySelectorAll("[data-part][id]")) {
    const here = document.getElementById(part.id);
    if (!here || here.isEqualNode(part) || "keep" in here.dataset && !forced && (here.contains(document.activeElement) || alike(here, part))) continue;
    const open = [...here.querySelectorAll("details")].map(d => d.open);
    const fresh = document.adoptNode(part);
    here.replaceWith(fresh);
    fresh.querySelectorAll("details").forEach((d, i) => { d.open = open[i] ?? d.open; });
    mountAll(fresh);
  }
  const shape = doc.querySelector("[data-shape]"), shaped = document.querySelector("[data-shape]");
  if (shape && shaped && shape.dataset.shape !== shaped.dataset.shape) shaped.replaceWith(document.adoptNode(shape)); // other blocks
  for (const from of doc.querySelectorAll("[data-sync]")) {
    const to = document.querySelector(`[data-sync="${CSS.escape(from.dataset.sync)}"]`);
    if (to && to !== document.activeElement && to.value !== from.value) { to.value = from.value; if (to.id === "text") grow(to); }
  }
}

const alike = (a, b) => [a, b].map(e => [...e.querySelectorAll("[name]")].map(f => f.name).join()).every((n, _, all) => n === all[0]);

export async function fetchPage(url, init) {
  const r = await fetch(url, init);
  return new DOMParser().parseFromString(await r.text(), "text/html");
}

export function edit() {
  const form = document.querySelector("form[data-try]");
  if (form) tries(form);
  asksBeforeItIsLeft();
  document.addEventListener("click", e => {
    const a = e.target.closest("a[data-line]");
    if (a) { e.preventDefault(); toLine(+a.dataset.line); }
  });
  slider();
  drop();
  countdown();
}

function tries(form) {
  let timer, turn = 0, last;
  const ask = async (forced, submitter) => {
    const mine = ++turn;
    clearTimeout(timer);
    const doc = await fetchPage(form.dataset.try, { method: "POST", body: new URLSearchParams(new FormData(form, submitter)) });
    if (mine === turn) take(last = doc, forced);
  };
  form.addEventListener("input", e => {
    if (e.target.id === "text") grow(e.target);
    dirty = true;
    clearTimeout(timer);
    timer = setTimeout(ask, 350);
  });
  form.addEventListener("focusout", e => {
    const keep = e.target.closest("[data-keep]"), mine = turn;
    if (keep && last) setTimeout(() => { if (mine === turn && !keep.contains(document.activeElement)) take(last); });
  });
  form.addEventListener("submit", e => {
    if (["add", "drop"].includes(e.submitter?.name)) { e.preventDefault(); dirty = true; ask(true, e.submitter); return; }
    turn++; // an answer that is still on its way is about another state than what is sent now
    clearTimeout(timer);
    dirty = false;
  });
  dirty = !!document.querySelector("#unsaved b") && !!form.elements.stamp?.value;
  // The button to arm comes back when the run that is being done has ended.
  setInterval(() => { if (form.querySelector("#arm-button .go:disabled")) ask(); }, 2000);
  // A page that the browser brings back may be older than the file.
  addEventListener("pageshow", e => { if (e.persisted) ask(true); });
}

// Other forms are asked for too, once something was typed into them.
function asksBeforeItIsLeft() {
  for (const form of document.querySelectorAll('main form[method="post"]:not([data-try], [data-quiet])')) {
    form.addEventListener("input", e => { if (e.target.matches("textarea, input:not([type=checkbox], [type=radio], [type=file], [type=range])")) dirty = true; });
    form.addEventListener("submit", () => { dirty = false; });
  }
}

let dirty = false;
addEventListener("beforeunload", e => { if (dirty) e.preventDefault(); });

function toLine(n) {
  const t = document.querySelector("#text");
  t.closest("details")?.setAttribute("open", "");
  let at = 0;
  for (let i = 1; i < n; i++) at = t.value.indexOf("\n", at) + 1;
  const end = t.value.indexOf("\n", at);
  t.focus({ preventScroll: true });
  t.setSelectionRange(at, end < 0 ? t.value.length : end);
  const box = t.closest(".editor"), line = parseFloat(getComputedStyle(t).lineHeight);
  box.scrollTop = Math.max(0, (n - 4) * line);
  box.scrollIntoView({ block: "nearest" });
}

// The slider asks the server for the chain at another frequency: one question at a time, and always the newest.
function slider() {
  const box = document.querySelector("[data-slide]");
  if (!box) return;
  let busy = false, again = false;
  const ask = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      do {
        again = false;
        const q = new URLSearchParams([...box.querySelectorAll("[name]")].map(e => [e.name, e.value]));
        q.delete(moved === "range" ? "at" : "i");
        const body = new URLSearchParams(q), fields = box.closest("form").elements;
        for (const name of ["file", "text"]) body.set(name, fields[name].value);
        take(await fetchPage(box.dataset.slide, { method: "POST", body }));
        q.set("file", body.get("file"));
        history.replaceState(null, "", "/bench?" + q);
      } while (again);
    } finally { busy = false; }
  };
  let moved = "";
  for (const kind of ["input", "change"]) box.addEventListener(kind, e => {
    e.stopPropagation(); // the file is not changed by it
    if (kind === "change" && e.target.tagName !== "SELECT") return;
    moved = e.target.type;
    ask();
  });
}

// A page that shows what is not saved yet asks before it is left.
if (location.pathname.startsWith("/bench/") && document.querySelector("#unsaved b")) dirty = true;

// A curve file that is dropped on a block, or on one of its curves, is that curve's.
function drop() {
  const place = e => {
    const block = e.target.closest?.("[data-block]");
    return e.target.closest?.("[data-curve]") ?? block?.querySelector("[data-curve]");
  };
  for (const kind of ["dragover", "dragleave", "drop"]) addEventListener(kind, e => {
    if (!e.dataTransfer?.types.includes("Files")) return;
    e.preventDefault();
    for (const o of document.querySelectorAll("[data-curve].over")) o.classList.remove("over");
    const to = place(e);
    if (!to) return;
    if (kind === "dragover") { to.closest("details").open = true; to.classList.add("over"); }
    if (kind === "drop" && e.dataTransfer.files[0]) {
      to.querySelector("[type=file]").files = e.dataTransfer.files;
      to.querySelector("button").click();
    }
  });
}

function countdown() {
  const e = document.querySelector("[data-countdown]");
  if (!e) return;
  const end = Date.now() + 1000 * e.dataset.countdown;
  const timer = setInterval(() => {
    const left = Math.max(0, Math.round((end - Date.now()) / 1000));
    e.textContent = left + " s";
    if (left === 0) { clearInterval(timer); e.textContent = "no longer: check the plan again"; for (const b of document.querySelectorAll("main form button")) b.disabled = true; }
  }, 500);
}
