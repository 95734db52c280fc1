// "It upset now": by its button, by Space, and by the key of a foot switch, which each browser keeps for itself. A key
// counts wherever the focus is, unless what has the focus takes it: then the page says so. What was said is confirmed
// largely and at once, with the time; a page that is slow must not make anybody press twice.
import { kept, keep } from "./choice.js";
import { footIn } from "./fixing.js";

const form = document.querySelector("#mark");
const how = document.querySelector("#mark-how"), choose = document.querySelector("#mark-key");
const shown = 6000; // ms

// What takes a key when it has the focus. Space operates controls and not links; text takes whatever writes or edits.
const control = "button, summary, select, textarea, input, [contenteditable], audio, video";
const text = "textarea, select, [contenteditable], input:not([type=button], [type=submit], [type=checkbox], [type=radio], [type=range], [type=file])";
const edits = /^(Page|Arrow|Home|End|Backspace|Delete|Insert)/;
const never = /^(Escape|Tab|Shift|Control|Alt|AltGraph|Meta|CapsLock|Dead|Process|Unidentified|Fn)/;

export function takes(key, e) {
  if (key === " ") return e?.closest(control);
  if (key === "Enter") return e?.closest(control + ", a[href]");
  if (edits.test(key)) return e?.closest("input, " + text);
  return key.length === 1 ? e?.closest(text) : null;
}

const nameOf = key => key === " " ? "Space" : key.length === 1 ? key.toUpperCase() : key;

function keyOf() { return kept("mark-key") || " "; }
function keepKey(key) { keep("mark-key", key); foot = key; }
export const footKey = () => foot === " " ? "" : foot;
const means = document.querySelector("#foot-means"); // there in a fixing loop only
let foot = " ", asking = false, turn = 0, timer;

export function mark() {
  if (!form) return;
  foot = keyOf();
  form.addEventListener("submit", e => { e.preventDefault(); send(); });
  form.addEventListener("click", e => { if (e.detail > 1) e.preventDefault(); }); // one upset for a double click
  addEventListener("keydown", e => {
    if (asking) return chosen(e);
    if (e.repeat || e.ctrlKey || e.altKey || e.metaKey || e.key !== " " && e.key !== foot || takes(e.key, e.target)) return;
    e.preventDefault();
    e.stopPropagation();
    if (e.key === foot && foot !== " " && means?.value === "hands in" && footIn()) return;
    send();
  }, true);
  for (const kind of ["focusin", "focusout"]) addEventListener(kind, () => setTimeout(tell));
  if (means) { means.value = kept("foot-means"); means.addEventListener("change", () => keep("foot-means", means.value)); }
  if (choose) {
    choose.hidden = false;
    choose.addEventListener("click", () => { asking = true; tell(); });
    choose.addEventListener("blur", () => { asking = false; });
  }
  new MutationObserver(tell).observe(form.querySelector("button"), { attributeFilter: ["disabled"] });
  tell();
}

// chosen takes the next key as that of the foot switch. Esc and Tab do what they always do.
function chosen(e) {
  if (e.repeat || never.test(e.key) && e.key !== "Escape" && e.key !== "Tab") return;
  asking = false;
  if (!never.test(e.key)) { e.preventDefault(); e.stopPropagation(); keepKey(e.key); }
  tell();
}

// tell says which keys count now.
function tell() {
  const off = form.querySelector("button").disabled;
  const keys = foot === " " ? [" "] : [" ", foot], taken = keys.filter(k => takes(k, document.activeElement));
  form.querySelector("button").setAttribute("aria-keyshortcuts", keys.map(nameOf).join(" "));
  if (choose) choose.textContent = asking ? "Press the foot switch now (Space: none; Tab: leave it)" : foot === " " ? "Foot switch: set its key" : "Foot switch: " + nameOf(foot);
  const has = document.querySelector("#foot-has");
  if (has) has.hidden = foot === " ";
  if (!how) return;
  if (off) { how.dataset.taken = "no"; how.querySelector("span").textContent = "No run is being done by this program."; return; }
  how.dataset.taken = taken.length === keys.length ? "yes" : "no";
  const free = keys.filter(k => !taken.includes(k)).map(nameOf);
  how.querySelector("span").textContent = taken.length === 0 ? keys.map(nameOf).join(" or ") + " says it from anywhere on this page."
    : taken.map(nameOf).join(" and ") + (taken.length > 1 ? " do" : " does") + " not count now: focus on “" + named(document.activeElement) + "”. "
      + (free.length ? free.join(" or ") + " counts." : "Click beside it first.");
}

function named(e) {
  const words = e.getAttribute("aria-label") || e.labels?.[0]?.textContent || e.innerText || e.name || e.localName;
  const line = words.trim().replace(/\s+/g, " ");
  return line.length > 22 ? line.slice(0, 21) + "…" : line;
}

async function send() {
  const at = new Date().toLocaleTimeString("en-GB"), mine = ++turn;
  confirm("sent", at, "being noted");
  try {
    const r = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "application/json" } });
    const words = r.ok ? "" : new DOMParser().parseFromString(await r.text(), "text/html").querySelector("main p")?.textContent.trim();
    if (mine === turn) r.ok ? confirm("noted", at, "noted in the journal") : confirm("lost", at, words || "the server refused it");
  } catch (err) {
    if (mine === turn) confirm("lost", at, "it did not arrive: " + err.message);
  }
}

function confirm(state, at, words) {
  let box = document.querySelector("#mark-said");
  if (!box) {
    box = Object.assign(document.createElement("p"), { id: "mark-said" });
    box.setAttribute("role", "status");
    (form.closest(".controls") ?? document.body).append(box); // above the actions, which stay where they are
  }
  box.dataset.state = state;
  box.replaceChildren(Object.assign(document.createElement("b"), { textContent: (state === "lost" ? "NOT NOTED " : "UPSET ") + at }), " ", words);
  clearTimeout(timer);
  timer = setTimeout(() => box.remove(), shown);
}
