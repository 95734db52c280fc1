// Pictures of cameras with their regions: looked at while a run goes on, and drawn on to set a camera up. The server
// sends the picture with what was read in it; the fields of the form hold what is drawn.
import { video, frameOf } from "./camera.js";

const svgOf = name => document.createElementNS("http://www.w3.org/2000/svg", name);
const modest = 1000, quick = 400; // ms between two pictures: in a run, and to set a camera up

// ask asks for a picture; it returns the regions, or words in place of a picture.
async function ask(view, url, init) {
  const r = await fetch(url, init), says = view.querySelector("[data-view-says]");
  const told = r.headers.get("Provoke-Regions");
  if (!told) { const words = r.ok ? await r.text() : "no picture of now"; if (says.textContent !== words) says.textContent = words; view.dataset.old = ""; return; }
  const blob = await r.blob(), picture = await createImageBitmap(blob);
  delete view.dataset.old;
  if (says.textContent) says.textContent = "";
  return { regions: JSON.parse(JSON.parse(told)), picture, blob };
}

function paint(view, picture, width, height) {
  const canvas = view.querySelector("canvas"), svg = view.querySelector("svg");
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; svg.setAttribute("viewBox", `0 0 ${width} ${height}`); }
  canvas.getContext("2d").drawImage(picture, 0, 0);
}

// box draws the frame of a region with its number.
function box(i, [x, y, w, h], unit) {
  const g = svgOf("g"), r = svgOf("rect"), t = svgOf("text");
  for (const [k, v] of Object.entries({ x, y, width: w, height: h })) r.setAttribute(k, v);
  t.setAttribute("x", x + unit / 4); t.setAttribute("y", y > unit ? y - unit / 4 : y + h + unit); t.setAttribute("font-size", unit);
  t.textContent = i + 1;
  g.append(r, t);
  return g;
}

const stateWords = x => x.text && x.state !== "same" && x.state !== "changed" ? `${x.text}, ${x.state}` : x.text || x.state || "being learnt";

function show(view, got) {
  paint(view, got.picture, got.picture.width, got.picture.height);
  const unit = got.picture.height / 14, svg = view.querySelector("svg"), list = view.querySelector(".sees");
  svg.replaceChildren(...got.regions.map((x, i) => { const g = box(i, x.box, unit); g.dataset.state = x.bad ? "changed" : x.state || "none"; return g; }));
  while (list.children.length > got.regions.length) list.lastElementChild.remove();
  got.regions.forEach((x, i) => {
    const li = list.children[i] ?? list.appendChild(document.createElement("li")), text = (x.bad ? "✕ " : "") + x.name + ": " + stateWords(x);
    if (li.textContent !== text) li.textContent = text;
    li.className = x.bad ? "upset" : "";
  });
}

// looks shows what the cameras of a run see, for as long as somebody looks at the page.
function looks(view) {
  const round = async () => {
    if (!document.hidden) try { const got = await ask(view, "/live/camera?monitor=" + encodeURIComponent(view.dataset.view)); if (got) show(view, got); } catch { view.dataset.old = ""; }
    setTimeout(round, modest);
  };
  round();
}

// draws lets regions be drawn on the picture of a camera.
function draws(view) {
  const svg = view.querySelector("svg"), rows = document.querySelector("#rows"), { file, monitor } = view.dataset, own = "browser" in view.dataset;
  let blob, looking = own, size = [320, 192], reads = [], number = rows.children.length;
  const all = () => [...rows.querySelectorAll("[data-region]")];
  const field = (row, key) => row.querySelector(`[name$=".${key}"]`);
  const boxOf = row => ["x", "y", "width", "height"].map(k => +field(row, k).value || 0);
  const put = (row, [x, y, w, h]) => {
    w = Math.min(Math.max(Math.round(w), 8), size[0]); h = Math.min(Math.max(Math.round(h), 8), size[1]);
    x = Math.min(Math.max(Math.round(x), 0), size[0] - w); y = Math.min(Math.max(Math.round(y), 0), size[1] - h);
    [x, y, w, h].forEach((v, i) => { field(row, ["x", "y", "width", "height"][i]).value = v; });
    field(row, "x").dispatchEvent(new Event("input", { bubbles: true })); // draws, and is no longer as it is saved
  };

  function draw() {
    const unit = size[1] / 14, list = all();
    while (svg.children.length > list.length) svg.lastElementChild.remove();
    list.forEach((row, i) => {
      const g = svg.children[i] ?? svg.appendChild(svgOf("g")), fresh = box(i, boxOf(row), unit), [x, y, w, h] = boxOf(row), grip = svgOf("rect");
      for (const [k, v] of Object.entries({ class: "grip", x: x + w - unit / 3, y: y + h - unit / 3, width: unit / 1.5, height: unit / 1.5 })) grip.setAttribute(k, v);
      g.replaceChildren(...fresh.children, grip);
      for (const [k, v] of Object.entries({ tabindex: 0, role: "group", "aria-describedby": "how-to", "aria-label": `region ${i + 1}, ${field(row, "name").value || "without a name"}: ${x}, ${y}, ${w} by ${h} pixels` })) g.setAttribute(k, v);
      row.querySelector("legend").textContent = "Region " + (i + 1);
      const what = field(row, "look_for").value, read = reads.find(r => r.name === field(row, "name").value);
      for (const e of row.querySelectorAll("[data-for]")) e.hidden = !e.dataset.for.split(" ").includes(what);
      const words = read ? "reads: " + stateWords(read) : "", out = row.querySelector("[data-reads]");
      if (out.textContent !== words) out.textContent = words;
    });
  }

  function add(b) {
    const copy = document.querySelector("#blank-region").content.firstElementChild.cloneNode(true), n = number++;
    for (const e of copy.querySelectorAll("*")) for (const a of ["id", "for", "name"]) {
      const v = e.getAttribute(a);
      if (v) e.setAttribute(a, v.replace(/([.-])N([.-])/, `$1${n}$2`));
    }
    field(copy, "name").value = "region " + (n + 1);
    rows.append(copy);
    put(copy, b);
    return copy;
  }

  function remove(row) {
    const i = all().indexOf(row);
    row.remove();
    draw();
    (svg.children[Math.min(i, svg.children.length - 1)] ?? document.querySelector("#add-region")).focus();
  }

  document.querySelector("#add-region").addEventListener("click", () => { const row = add([size[0] * 0.4, size[1] * 0.4, size[0] * 0.2, size[1] * 0.2]); svg.children[all().indexOf(row)].focus(); });
  rows.addEventListener("input", draw);
  rows.addEventListener("click", e => {
    const row = e.target.closest("[data-region]"), what = e.target.dataset.do;
    if (what === "remove") remove(row);
    if (what === "teach") teach(row);
  });
  svg.addEventListener("keydown", e => {
    const g = e.target.closest("g"), i = [...svg.children].indexOf(g), row = all()[i];
    if (!row) return;
    if (e.key === "Delete") { e.preventDefault(); return remove(row); }
    const step = e.ctrlKey ? 10 : 1, by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
    if (!by || e.altKey || e.metaKey) return;
    e.preventDefault();
    const [x, y, w, h] = boxOf(row);
    put(row, e.shiftKey ? [x, y, w + by[0], h + by[1]] : [x + by[0], y + by[1], w, h]);
  });
  svg.addEventListener("pointerdown", e => {
    if (e.button) return;
    e.preventDefault();
    const edge = svg.getBoundingClientRect(), at = p => [(p.clientX - edge.left) * size[0] / edge.width, (p.clientY - edge.top) * size[1] / edge.height];
    const from = at(e), i = [...svg.children].indexOf(e.target.closest("g")), grip = e.target.classList.contains("grip");
    let row = all()[i], was = row && boxOf(row);
    const move = p => {
      const to = at(p), d = [to[0] - from[0], to[1] - from[1]];
      if (!was) {
        if (!row && Math.max(Math.abs(d[0]), Math.abs(d[1])) < 4) return;
        const b = [Math.min(from[0], to[0]), Math.min(from[1], to[1]), Math.abs(d[0]), Math.abs(d[1])];
        row ? put(row, b) : row = add(b);
      } else put(row, grip ? [was[0], was[1], was[2] + d[0], was[3] + d[1]] : [was[0] + d[0], was[1] + d[1], was[2], was[3]]);
    };
    svg.setPointerCapture(e.pointerId);
    svg.addEventListener("pointermove", move);
    svg.addEventListener("lostpointercapture", () => { svg.removeEventListener("pointermove", move); if (row) svg.children[all().indexOf(row)]?.focus(); }, { once: true });
  });

  // teach keeps the picture of now as one of what stands in the region.
  async function teach(row) {
    const shows = row.querySelector("[data-shows]"), says = row.querySelector("[data-lessons]"), typed = shows.value.trim();
    if (!typed) { says.textContent = "type what stands there first"; return shows.focus(); }
    const body = own ? await frameOf() : blob;
    if (!body) { says.textContent = "there is no picture: switch the camera on first"; return; }
    const r = await fetch("/camera/lesson?" + new URLSearchParams({ region: field(row, "name").value, shows: typed }), { method: "POST", body });
    if (!r.ok) { says.textContent = "not kept: " + (r.headers.get("Content-Type")?.startsWith("text/plain") ? await r.text() : r.status); return; }
    field(row, "lessons").value += `${await r.text()}\t${typed}\n`;
    says.textContent = field(row, "lessons").value.trim().split("\n").map(l => l.split("\t")[1]).join(", ") + ": kept; the bench file names what is kept once it is written";
    shows.value = "";
  }

  const on = document.querySelector("[data-look=on]"), off = document.querySelector("[data-look=off]"), says = view.querySelector("[data-view-says]");
  const turn = yes => { looking = yes; if (!own) { on.hidden = yes; off.hidden = !yes; view.toggleAttribute("data-on", yes); if (!yes) { view.dataset.old = ""; says.textContent = "Camera off"; } } };
  on?.addEventListener("click", () => turn(true));
  off?.addEventListener("click", () => turn(false));
  const round = async () => {
    if (looking && !document.hidden && (!own || video.srcObject)) try {
      if (monitor) {
        const got = await ask(view, "/camera/look", { method: "POST", body: new URLSearchParams({ file, monitor }) });
        if (got) { reads = got.regions; if (!own) { blob = got.blob; size = [got.picture.width, got.picture.height]; paint(view, got.picture, ...size); } }
      } else says.textContent = "";
      draw();
    } catch { says.textContent = "the server does not answer"; }
    setTimeout(round, quick);
  };
  const mirror = () => {
    if (video.videoWidth) { const changed = size[0] !== video.videoWidth || size[1] !== video.videoHeight; size = [video.videoWidth, video.videoHeight]; paint(view, video, ...size); if (changed) draw(); }
    requestAnimationFrame(mirror);
  };
  if (own) mirror();
  round();
  draw();
}

export function regions() {
  for (const view of document.querySelectorAll("[data-view]")) "editable" in view.dataset ? draws(view) : looks(view);
}
