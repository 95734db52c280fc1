// What every page has: its charts, the stream, and the keys. Everything works without it, slower:
// forms are plain forms, and the live page loads itself again.
import { mountAll } from "./chart.js";
import { live } from "./live.js";
import { edit } from "./edit.js";

const charts = mountAll(document);
globalThis.provoke = { charts };

// Esc switches RF off, wherever the focus is. Space says "it upset now" unless the focus is on
// something that takes a space itself.
const takesSpace = e => e.closest("input, textarea, select, button, a, summary, [contenteditable], .plot");
addEventListener("keydown", e => {
  if (e.key === "Escape" && !e.repeat) { e.preventDefault(); document.querySelector("#rf-off")?.requestSubmit(); }
  if (e.key === " " && !e.repeat && !takesSpace(e.target)) {
    const mark = document.querySelector("#mark");
    if (mark) { e.preventDefault(); mark.requestSubmit(); }
  }
});

// The operator's wishes go without leaving the page; RF off never depends on this.
for (const form of document.querySelectorAll("form[data-quiet]")) {
  form.addEventListener("submit", async e => {
    e.preventDefault();
    const said = document.querySelector("#said");
    try {
      const body = form.enctype === "multipart/form-data" ? new FormData(form) : new URLSearchParams(new FormData(form));
      const r = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
      if (said) said.textContent = r.ok ? form.dataset.quiet : "that was not taken: " + new DOMParser().parseFromString(await r.text(), "text/html").querySelector("main p")?.textContent;
      if (r.ok) form.reset();
    } catch (err) { if (said) said.textContent = "that did not arrive: " + err.message; }
  });
}

// A choice of what is shown is shown at once.
for (const form of document.querySelectorAll("form[data-at-once]")) form.addEventListener("change", () => form.requestSubmit());

live(charts);
edit(charts);
