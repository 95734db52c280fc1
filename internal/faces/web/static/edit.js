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

// The slider asks the server for the chain at another frequency.
function slider() {
  const form = document.querySelector("form[data-slide]");
  if (!form) return;
  let timer, turn = 0;
  form.addEventListener("input", e => {
    const q = new URLSearchParams(new FormData(form));
    if (e.target.type === "range") q.delete("at"); else q.delete("i");
    clearTimeout(timer);
    timer = setTimeout(async () => {
      const mine = ++turn, url = form.getAttribute("action") + "?" + q;
      const doc = await fetchPage(url);
      if (mine !== turn) return;
      take(doc);
      history.replaceState(null, "", url);
    }, 60);
  });
}

// A curve file that is dropped on the page is sent to the server, which says what is in it.
function drop() {
  const form = document.querySelector("form[data-drop]");
  if (!form) return;
  const send = async file => {
    const body = new FormData();
    body.set("file", file); body.set("bench", form.elements.bench.value);
    take(await fetchPage(form.action, { method: "POST", body }));
    document.querySelector("#imported")?.scrollIntoView({ block: "nearest" });
  };
  form.addEventListener("change", e => { if (e.target.files?.[0]) send(e.target.files[0]); });
  for (const kind of ["dragenter", "dragover", "dragleave", "drop"]) addEventListener(kind, e => {
    if (!e.dataTransfer?.types.includes("Files")) return;
    e.preventDefault();
    form.classList.toggle("over", kind === "dragenter" || kind === "dragover");
    if (kind === "drop" && e.dataTransfer.files[0]) send(e.dataTransfer.files[0]);
  });
  document.addEventListener("click", e => {
    const b = e.target.closest("button[data-insert]");
    if (!b) return;
    const t = document.querySelector("#text");
    t.setRangeText(b.dataset.insert, t.selectionStart, t.selectionEnd, "end");
    t.focus();
    t.dispatchEvent(new Event("input", { bubbles: true }));
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
