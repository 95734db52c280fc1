// Draws the charts of a page: numbers as the server gave them, in the units that the labels name.
// A chart is a <figure class="chart"> with a JSON block, a box to draw in, and a table beside it.

const Plot = globalThis.uPlot;
const most = 4000; // frequencies that a growing chart keeps apart

// paint resolves a colour of the style sheet, which may be one for light and one for dark.
const paints = new Map(), probe = document.createElement("i");
probe.hidden = true;
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => paints.clear());
function paint(name) {
  if (!paints.has(name)) {
    if (!probe.isConnected) document.body.append(probe);
    probe.style.color = `var(--${name})`;
    paints.set(name, getComputedStyle(probe).color);
  }
  return paints.get(name);
}

// nice returns round ticks between two numbers, on a log axis per decade while it spans enough.
function nice(low, high, log) {
  if (!(high > low)) return [low];
  const out = [];
  const decades = Math.log10(high / low);
  if (log && decades > 0.9) {
    const digits = decades > 2.4 ? [1, 3] : [1, 2, 3, 5, 7];
    for (let e = Math.floor(Math.log10(low)); 10 ** e <= high; e++)
      for (const d of digits) { const v = d * 10 ** e; if (v >= low * 0.9999 && v <= high * 1.0001) out.push(v); }
    return out;
  }
  const raw = (high - low) / 6, base = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].find(m => m * base >= raw) * base;
  for (let v = Math.ceil(low / step) * step; v <= high + step / 1e6; v += step) out.push(v);
  return out;
}

const plain = v => String(+v.toPrecision(7));

// hertz writes megahertz as a person does.
function hertz(mhz) {
  const hz = mhz * 1e6;
  for (const [unit, size] of [["GHz", 1e9], ["MHz", 1e6], ["kHz", 1e3]]) if (hz >= size * 0.9995) return +(hz / size).toPrecision(5) + " " + unit;
  return +hz.toPrecision(4) + " Hz";
}

// apart keeps the labels that have room beside each other; whole decades come first.
function apart(u, ticks, texts) {
  const weight = v => { const m = Math.round(v / 10 ** Math.floor(Math.log10(v) + 1e-9)); return [1, 3, 2, 5, 7].indexOf(m) + 1 || 9; };
  const order = ticks.map((v, i) => i).sort((a, b) => weight(ticks[a]) - weight(ticks[b]) || a - b);
  const taken = [], out = texts.map(() => "");
  for (const i of order) {
    const x = u.valToPos(ticks[i], "x"), half = texts[i].length * 3.6 + 5;
    if (taken.some(([a, b]) => x + half > a && x - half < b)) continue;
    taken.push([x - half, x + half]); out[i] = texts[i];
  }
  return out;
}

// sign draws one mark round a place.
function sign(ctx, kind, x, y, r) {
  ctx.beginPath();
  if (kind === "cross") {
    ctx.moveTo(x - r, y - r); ctx.lineTo(x + r, y + r); ctx.moveTo(x - r, y + r); ctx.lineTo(x + r, y - r);
  } else if (kind === "up" || kind === "down") {
    const s = kind === "up" ? -1 : 1; // the arrow points to where the value may lie
    ctx.arc(x, y, r * 0.7, 0, 7);
    ctx.moveTo(x, y + s * r * 0.7); ctx.lineTo(x, y + s * r * 3);
    ctx.moveTo(x - r * 0.8, y + s * r * 2); ctx.lineTo(x, y + s * r * 3); ctx.lineTo(x + r * 0.8, y + s * r * 2);
  } else if (kind === "square") ctx.rect(x - r * 0.8, y - r * 0.8, r * 1.6, r * 1.6);
  else if (kind === "triangle") { ctx.moveTo(x, y - r); ctx.lineTo(x + r, y + r * 0.8); ctx.lineTo(x - r, y + r * 0.8); ctx.closePath(); }
  else ctx.arc(x, y, r * (kind === "dot" ? 0.8 : 0.75), 0, 7);
  if (kind === "dot" || kind === "triangle") ctx.fill(); else ctx.stroke();
}

const isLine = s => s.sign === "line" || s.sign === "dash";

// signs draws a series of marks, one for each little square of the canvas: a hundred thousand points
// cost what can be seen of them.
function signs(u, s, i) {
  const { ctx } = u, r = 4 * devicePixelRatio, cell = 3 * devicePixelRatio, seen = new Set();
  ctx.strokeStyle = ctx.fillStyle = paint(s.paint);
  ctx.setLineDash([]);
  ctx.lineWidth = (s.sign === "cross" ? 2.2 : 1.5) * devicePixelRatio;
  const xs = u.data[0], ys = u.data[i];
  for (let a = first(xs, u.scales.x.min); a < xs.length && xs[a] <= u.scales.x.max; a++) {
    if (ys[a] == null) continue;
    const x = u.valToPos(xs[a], "x", true), y = u.valToPos(ys[a], "y", true);
    const key = Math.round(x / cell) * 65536 + Math.round(y / cell);
    if (seen.has(key)) continue;
    seen.add(key);
    sign(ctx, s.sign, x, y, r);
  }
}

function first(xs, v) {
  let a = 0, b = xs.length;
  while (a < b) { const m = (a + b) >> 1; if (xs[m] < v) a = m + 1; else b = m; }
  return a;
}

// hatch marks stretches of x with slanting lines, so that colour is not the only sign.
function hatch(u, stretches, name) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = paint(name);
  ctx.setLineDash([]);
  ctx.lineWidth = devicePixelRatio;
  for (const [from, to] of stretches) {
    const a = Math.max(u.valToPos(from, "x", true), bbox.left), b = Math.min(u.valToPos(to, "x", true), bbox.left + bbox.width);
    if (!(b > a - 1)) continue;
    const w = Math.max(b - a, 2 * devicePixelRatio);
    ctx.save();
    ctx.beginPath(); ctx.rect(a, bbox.top, w, bbox.height); ctx.clip();
    ctx.globalAlpha = 0.14; ctx.fill();
    ctx.globalAlpha = 0.6; ctx.beginPath();
    for (let x = a - bbox.height - (a % 9); x < a + w; x += 9 * devicePixelRatio) { ctx.moveTo(x, bbox.top + bbox.height); ctx.lineTo(x + bbox.height, bbox.top); }
    ctx.stroke();
    ctx.restore();
  }
  ctx.restore();
}

export class Chart {
  constructor(figure) {
    this.figure = figure;
    this.box = figure.querySelector(".plot");
    this.tip = figure.querySelector(".tip");
    this.c = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    this.c.at ??= []; this.c.series ??= [];
    for (const s of this.c.series) s.y ??= [];
    this.shade = this.c.shade ?? [];
    this.bands = [];
    this.draw();
    this.watch();
  }

  get data() { return [this.c.at, ...this.c.series.map(s => s.y)]; }

  draw() {
    const old = this.plot && [this.plot.scales.x.min, this.plot.scales.x.max];
    this.plot?.destroy();
    const c = this.c, ink = paint("ink"), line = paint("line"), height = +this.figure.dataset.height || 300;
    const axis = (a, log) => ({
      label: a.kind === "frequency" ? "frequency" : log === undefined && a.label.length * 6.4 > height - 70 ? a.label.match(/\(([^)]*)\)$/)?.[1] ?? a.label : a.label, stroke: ink, grid: { stroke: line, width: 1 }, ticks: { stroke: line }, labelSize: 20, size: log === undefined ? 52 : 40,
      font: "12px system-ui", labelFont: "12px system-ui",
      splits: (u, i, low, high) => a.kind === "ago" ? nice(low - high, 0, false).map(v => v + high) : nice(low, high, log),
      values: (u, vs) => a.kind === "frequency" ? apart(u, vs, vs.map(hertz)) : a.kind === "ago" ? this.agos(vs) : vs.map(plain), ...(log ? { filter: (u, v) => v } : {}),
    });
    this.plot = new Plot({
      width: Math.max(this.box.clientWidth, 200), height, legend: { show: false },
      scales: {
        x: { time: false, distr: c.x.log ? 3 : 1, range: (u, a, b) => this.range(a, b, c.x.log) },
        y: { range: (u, a, b) => a == null ? [0, 1] : pad(Math.min(a, this.c.low ?? a), Math.max(b, this.c.high ?? b), c.y.least ?? 0) },
      },
      axes: [axis(c.x, !!c.x.log), axis(c.y)],
      cursor: { drag: { x: false, y: false, setScale: false }, points: { show: false }, y: false },
      series: [{}, ...c.series.map(s => ({ label: s.name, spanGaps: !s.apart, points: { show: false }, stroke: isLine(s) ? paint(s.paint) : undefined, width: 2, dash: s.sign === "dash" ? [8, 5] : undefined, paths: isLine(s) ? undefined : () => null }))],
      hooks: {
        drawAxes: [u => { u.ctx.save(); hatch(u, this.shade, c.shadePaint || "unreachable"); this.reported(u); this.bandLines(u); u.ctx.restore(); }],
        draw: [u => { u.ctx.save(); c.series.forEach((s, i) => { if (!isLine(s)) signs(u, s, i + 1); }); this.markLine(u); u.ctx.restore(); }],
        setCursor: [u => this.point(u.cursor.idx)],
      },
    }, this.data, this.box);
    if (old && this.zoomed) this.plot.setScale("x", { min: old[0], max: old[1] });
  }

  range(a, b, log) {
    if (this.zoomed) return [a, b];
    const { from, to, last } = this.c.x;
    if (last) { const now = Math.max(this.now ?? 0, b ?? 0); return [now - last, now]; }
    if (from > 0) { a = Math.min(a ?? from, from); b = Math.max(b ?? to, to); }
    if (a == null) return log ? [0.1, 100] : [0, 1];
    if (a === b) return log ? [a / 1.1, b * 1.1] : [a - 1, b + 1];
    const room = log ? (b / a) ** 0.02 : (b - a) * 0.01;
    return log ? [a / room, b * room] : [a - room, b + room];
  }

  // agos writes seconds as how long ago they were.
  agos(vs) {
    const now = this.plot.scales.x.max;
    return vs.map(v => now - v < 0.05 ? "now" : "−" + plain(+(now - v).toFixed(1)) + " s");
  }

  markLine(u) {
    if (!this.c.mark) return;
    const x = u.valToPos(this.c.mark, "x", true);
    u.ctx.strokeStyle = paint("ink"); u.ctx.lineWidth = devicePixelRatio; u.ctx.setLineDash([2, 3]);
    u.ctx.beginPath(); u.ctx.moveTo(x, u.bbox.top); u.ctx.lineTo(x, u.bbox.top + u.bbox.height); u.ctx.stroke(); u.ctx.setLineDash([]);
  }

  // reported draws what somebody else reported as bars at the foot.
  reported(u) {
    const { ctx, bbox } = u, h = 7 * devicePixelRatio;
    ctx.fillStyle = paint("second");
    for (const [a, b] of this.c.reported ?? []) {
      const x = u.valToPos(a, "x", true), w = Math.max(u.valToPos(b, "x", true) - x, 3 * devicePixelRatio);
      if (x + w < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.fillRect(Math.max(x - 1, bbox.left), bbox.top + bbox.height - h, w, h);
    }
  }

  bandLines(u) {
    if (this.c.low == null) return;
    u.ctx.strokeStyle = paint("wanted"); u.ctx.lineWidth = devicePixelRatio; u.ctx.setLineDash([6, 4]);
    for (const v of [this.c.low, this.c.high]) {
      const y = u.valToPos(v, "y", true);
      u.ctx.beginPath(); u.ctx.moveTo(u.bbox.left, y); u.ctx.lineTo(u.bbox.left + u.bbox.width, y); u.ctx.stroke();
    }
    u.ctx.setLineDash([]);
  }

  point(i) {
    if (!this.tip) return;
    if (i == null || this.c.at[i] == null) { this.tip.textContent = this.tip.dataset.rest ?? ""; return; }
    this.at = i;
    this.tip.textContent = this.c.tips?.[i] || [this.c.x.kind === "frequency" ? hertz(this.c.at[i]) : plain(this.c.at[i]), ...this.c.series.filter(s => s.y[i] != null).map(s => s.name + " " + s.y[i].toFixed(1))].join(" · ");
  }

  // zoom by a factor round a place between 0 and 1, pan by a share of what is shown.
  zoom(factor, place = 0.5) { this.window((a, b) => { const w = (b - a) * factor, m = a + (b - a) * place; return [m - w * place, m + w * (1 - place)]; }); }
  pan(share) { this.window((a, b) => [a + (b - a) * share, b + (b - a) * share]); }

  window(change) {
    const { min, max } = this.plot.scales.x, log = this.c.x.log;
    if (min == null) return;
    const xs = this.c.at, to = log ? Math.log : v => v, back = log ? Math.exp : v => v;
    let [a, b] = change(to(min), to(max));
    const least = to(xs[0] ?? min), greatest = to(xs[xs.length - 1] ?? max), room = (greatest - least) * 0.03 || 0.1;
    if (b - a >= greatest - least + 2 * room) { this.all(); return; }
    if (a < least - room) { b += least - room - a; a = least - room; }
    if (b > greatest + room) { a -= b - greatest - room; b = greatest + room; }
    this.zoomed = true;
    this.plot.setScale("x", { min: back(a), max: back(b) });
  }

  all() { this.zoomed = false; this.plot.setData(this.data, true); }

  watch() {
    const f = this.figure, box = this.box;
    new ResizeObserver(() => { const w = box.clientWidth; if (w && w !== this.plot.width) this.plot.setSize({ width: w, height: this.plot.height }); }).observe(box);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
    for (const b of f.querySelectorAll("button[data-do]")) b.addEventListener("click", () => this.does(b.dataset.do));
    box.addEventListener("keydown", e => {
      const what = { "+": "in", "=": "in", "-": "out", "0": "all", "ArrowLeft": "left", "ArrowRight": "right" }[e.key];
      if (what && !e.ctrlKey && !e.metaKey) { this.does(what); e.preventDefault(); }
      if (e.key === "Enter" && this.c.links?.[this.at]) location.href = this.c.links[this.at];
    });
    box.addEventListener("wheel", e => {
      if (!e.ctrlKey && document.activeElement !== box) return;
      e.preventDefault();
      const r = this.plot.over.getBoundingClientRect();
      this.zoom(e.deltaY > 0 ? 1.25 : 0.8, (e.clientX - r.left) / r.width);
    }, { passive: false });
    let from = null, moved = 0;
    box.addEventListener("pointerdown", e => { from = e.clientX; moved = 0; });
    box.addEventListener("pointermove", e => {
      if (from == null || !(e.buttons & 1)) return;
      moved += Math.abs(e.clientX - from);
      if (moved > 4) this.pan((from - e.clientX) / this.plot.over.clientWidth);
      from = e.clientX;
    });
    addEventListener("pointerup", () => { from = null; });
    box.addEventListener("click", () => { if (moved <= 4 && this.c.links?.[this.at]) location.href = this.c.links[this.at]; });
  }

  does(what) {
    if (what === "in") this.zoom(0.6);
    else if (what === "out") this.zoom(1 / 0.6);
    else if (what === "left") this.pan(-0.2);
    else if (what === "right") this.pan(0.2);
    else this.all();
  }

  // add takes one closed step of a run that goes on: series are wanted, no upset, upset.
  add(spot) {
    const c = this.c;
    let i = first(c.at, spot.x);
    if (c.at[i] !== spot.x) {
      if (c.at.length >= most) i = Math.min(i, c.at.length - 1); // very many frequencies: what lies nearest takes it
      else { c.at.splice(i, 0, spot.x); for (const s of c.series) s.y.splice(i, 0, null); }
    }
    c.series[0].y[i] = spot.wanted;
    const s = c.series[spot.upset ? 2 : 1].y, y = spot.y;
    if (s[i] == null || (spot.upset ? y < s[i] : y > s[i])) s[i] = y;
    this.stale = true;
  }

  refresh() {
    if (!this.stale) return;
    this.stale = false;
    this.plot.setData(this.data, !this.zoomed);
    if (this.zoomed) this.plot.redraw();
  }
}

function pad(a, b, least) {
  if (b - a < least) { const more = (least - b + a) / 2; a -= more; b += more; }
  const room = Math.max((b - a) * 0.12, (Math.abs(b) || 1) * 1e-3);
  return [a - room, b + room];
}

// mountAll makes every chart under a node and returns them by their id.
export function mountAll(node) {
  const out = {};
  for (const f of node.querySelectorAll("figure.chart")) { const c = new Chart(f); out[c.c.id] = c; f.chart = c; }
  return out;
}
