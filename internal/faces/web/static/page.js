// What every page has: its charts, the stream, and the keys; RF off is in off.js. Everything works without it, slower:
// forms are plain forms, and the live page loads itself again.
import { mountAll } from "./chart.js";
import { live } from "./live.js";
import { fixing } from "./fixing.js";
import { edit } from "./edit.js";
import { mark } from "./mark.js";
import { camera } from "./camera.js";
import { regions } from "./regions.js";

const charts = mountAll(document);
globalThis.provoke = { charts };

// The operator's wishes go without leaving the page; RF off never depends on this.
for (const form of document.querySelectorAll("form[data-quiet]:not(#mark)")) {
  form.addEventListener("submit", async e => {
    e.preventDefault();
    const said = document.querySelector("#said");
    try {
      const body = form.enctype === "multipart/form-data" ? new FormData(form) : new URLSearchParams(new FormData(form));
      const r = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
      if (said) said.textContent = r.ok ? form.dataset.quiet : "that was not taken: " + new DOMParser().parseFromString(await r.text(), "text/html").querySelector("main p")?.textContent;
      if (r.ok) form.reset();
      // A button that was clicked keeps the focus, and Space would press it again where it should say "it upset now".
      if (r.ok && e.submitter && !e.submitter.matches(":focus-visible")) e.submitter.blur();
    } catch (err) { if (said) said.textContent = "that did not arrive: " + err.message; }
  });
}

// A choice of what is shown is shown at once.
for (const form of document.querySelectorAll("form[data-at-once]")) form.addEventListener("change", () => form.requestSubmit());

fixing(charts); // before mark: in its countdown any key is its own
mark();
camera();
regions();
live(charts);
edit(charts);
