// RF off: by Esc, wherever the focus is, and by its button. The wish is sent without leaving the page, so that the
// button stays whatever becomes of it; what came of it is said largely, also that nobody took it. This file depends on
// no other, and is all that a page has which is shown to somebody who is not let in.
const within = 1500; // ms in which the server has to take the wish
const pause = 500, tries = 30; // and how often it is sent again
const shown = 6000; // ms for which "RF is off" stands; what is in doubt stands until it is closed
const byHand = "Switch the amplifier off by hand, now.";
const form = document.querySelector("#rf-off");
let press = 0, timer; // the newest press; only that one says what came of it

if (form) {
  addEventListener("keydown", e => {
    if (e.key !== "Escape" || e.repeat) return;
    e.preventDefault();
    form.requestSubmit();
  }, true);
  // A frame that is clicked into takes the keys: Esc must not end there. It scrolls without them.
  addEventListener("blur", () => setTimeout(() => {
    if (document.activeElement instanceof HTMLIFrameElement) { document.activeElement.blur(); focus(); }
  }));
  if (globalThis.fetch) form.addEventListener("submit", e => { e.preventDefault(); off(++press); });
  const before = kept();
  if (before) say(before.state, before.title, before.text, before.words);
}

async function off(mine) {
  const pressed = new Date().toLocaleTimeString("en-GB");
  const tell = (...what) => { if (mine === press) say(...what); };
  tell("asked", "RF off asked for at " + pressed, "No answer yet.");
  for (let i = 0; i < tries && mine === press; i++) {
    const late = new AbortController(), timer = setTimeout(() => late.abort(), within);
    let answer;
    try {
      answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), signal: late.signal,
        headers: { Accept: "application/json" }, priority: "high", cache: "no-store" });
    } catch { answer = undefined; }
    clearTimeout(timer);
    if (answer?.ok) return taken(answer, tell);
    if (answer && answer.status !== 503) return tell("doubt", "RF OFF NOT TAKEN", byHand, [await why(answer)]);
    tell("doubt", "NOT DELIVERED", byHand,
      [answer ? "The server has no place for it." : "The server does not answer.", "Pressed at " + pressed + "; it is sent again."]);
    await new Promise(r => setTimeout(r, pause));
  }
  tell("doubt", "NOT DELIVERED", byHand, ["The server does not answer. Pressed at " + pressed + "; press again to send it again."]);
}

async function taken(answer, tell) {
  tell("asked", "RF off taken", "The bench is being read back.");
  try {
    const a = await answer.json();
    tell(a.off ? "off" : "doubt", a.title, a.text, a.words ?? []);
  } catch {
    tell("doubt", "RF OFF NOT READ BACK", byHand, ["The server took the wish and then did not say what it read back."]);
  }
}

async function why(answer) {
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return page.querySelector("main p")?.textContent.trim() || "The server refused it: " + answer.status + ".";
}

// say shows what came of the wish. What was read back outlives the page, which loads itself again when a run ends.
function say(state, title, text, words = []) {
  let box = document.querySelector("#off-said");
  if (!box) {
    box = make("section", ""), box.id = "off-said", box.setAttribute("role", "alert");
    document.body.append(box);
  }
  box.dataset.state = state;
  const close = make("button", "Close");
  close.type = "button";
  close.addEventListener("click", () => { box.remove(); keep(null); });
  const list = make("ul", "");
  list.append(...words.map(w => make("li", w)));
  box.replaceChildren(make("h2", title), make("p", text), ...(words.length ? [list] : []), ...(state === "asked" ? [] : [close]));
  keep(state === "asked" ? null : { state, title, text, words, at: Date.now() });
  clearTimeout(timer);
  if (state === "off") timer = setTimeout(() => box.remove(), shown);
}

function make(tag, text) { return Object.assign(document.createElement(tag), { textContent: text }); }

function keep(what) {
  try { what ? sessionStorage.setItem("rf-off", JSON.stringify(what)) : sessionStorage.removeItem("rf-off"); } catch { /* it is shown now */ }
}

function kept() {
  try {
    const what = JSON.parse(sessionStorage.getItem("rf-off"));
    return what && Date.now() - what.at < shown ? what : null;
  } catch { return null; }
}
