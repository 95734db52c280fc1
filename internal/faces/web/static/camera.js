// The browser's camera. A page asks for it when a person switches it on, shows that it is on for as long as it is, and
// hands its pictures over while a run wants them: one at a time, each with the time at which it was exposed. It goes off
// with the run, and with a page that only tries it. Nothing is judged here.
import { kept, keep } from "./choice.js";

const sign = document.querySelector("#camera"), trying = document.body.dataset.camera; // "try": it is only shown; "read": what is seen is read too
const mine = Math.random().toString(36).slice(2);
export const video = sign?.querySelector("video");
const settles = 1500; // ms that exposure, focus and white balance have before they are locked
const lost = 10000; // ms without an answer after which the camera goes off
let stream, wanted, busy = false, next = 0, heldBack = "", asking = false, answered = 0;

// The choice is this tab's: another one that is opened beside does not switch its own camera on.
const chosen = on => { try { if (on !== undefined) sessionStorage.setItem("camera", on ? "on" : ""); return sessionStorage.getItem("camera") === "on"; } catch { return false; } };

// say brings the sign up to date.
function say() {
  if (!sign) return;
  const elsewhere = wanted?.by && wanted.by !== mine, words = sign.querySelector("p span"), head = sign.querySelector("p b");
  sign.hidden = !stream && !wanted && !trying;
  sign.dataset.on = stream ? "yes" : elsewhere ? "elsewhere" : "no";
  const [a, b] = stream ? ["Camera on", heldBack || (wanted ? trying ? "its pictures are read on this computer" : "its pictures go to the run" : "nothing is sent yet")]
    : elsewhere ? ["Camera on in another page", "that page sends its pictures to the run"]
    : [trying || wanted ? "Camera off" : "", heldBack || (wanted ? "the run watches through this browser’s camera, and no page sends its pictures" : "the run will watch through this browser’s camera")];
  if (head.textContent !== a) head.textContent = a;
  if (words.textContent !== b) words.textContent = b;
  sign.querySelector("[data-do=on]").hidden = !!stream || !!elsewhere;
  sign.querySelector("[data-do=off]").hidden = !stream;
  video.hidden = !stream;
}

const why = { NotAllowedError: "this browser does not allow it: allow the camera for this page, by the sign beside its address, then switch it on again", NotFoundError: "no camera is found: plug one in, then switch it on again", NotReadableError: "another program has it: close that one, then switch it on again", OverconstrainedError: "the camera that was chosen is gone: switch it on again" };

async function on() {
  if (stream || asking) return;
  asking = true;
  try {
    if (!navigator.mediaDevices?.getUserMedia) throw Object.assign(new Error(), { message: "this browser gives a camera to pages of this computer or over TLS only" });
    const video = { width: { ideal: 1280 }, height: { ideal: 720 }, facingMode: { ideal: "environment" } }, device = kept("camera");
    if (device) video.deviceId = { exact: device };
    stream = await navigator.mediaDevices.getUserMedia({ audio: false, video });
  } catch (e) {
    if (e.name === "OverconstrainedError") keep("camera", "");
    heldBack = why[e.name] ?? e.message;
    left(heldBack);
    asking = false;
    return say();
  }
  asking = false;
  chosen(true);
  heldBack = "";
  answered = performance.now();
  const [track] = stream.getVideoTracks();
  track.addEventListener("ended", () => off("the camera was unplugged or taken away"));
  track.addEventListener("mute", () => { heldBack = "it gives no pictures now"; say(); });
  track.addEventListener("unmute", () => { heldBack = ""; say(); });
  video.srcObject = stream;
  video.play().catch(() => {});
  const mineNow = stream;
  setTimeout(() => { if (stream === mineNow) lock(track); }, settles);
  video.requestVideoFrameCallback(frame);
  choices(track);
  say();
}

// lock holds what the camera would else follow the light with, where it can.
async function lock(track) {
  const can = track.getCapabilities?.() ?? {};
  for (const mode of ["exposureMode", "focusMode", "whiteBalanceMode"])
    if (can[mode]?.includes("manual")) await track.applyConstraints({ advanced: [{ [mode]: "manual" }] }).catch(() => {});
}

// choices offers the cameras of this computer where there are several.
async function choices(track) {
  const box = sign.querySelector("select"), cameras = (await navigator.mediaDevices.enumerateDevices()).filter(d => d.kind === "videoinput");
  box.parentElement.hidden = cameras.length < 2;
  box.replaceChildren(...cameras.map((c, i) => new Option(c.label || "camera " + (i + 1), c.deviceId)));
  box.value = track.getSettings().deviceId ?? "";
}

function off(reason) {
  if (!stream) return;
  for (const t of stream.getTracks()) t.stop();
  stream = video.srcObject = null;
  heldBack = reason ?? "";
  chosen(false);
  left(reason ?? "it was switched off on its page");
  say();
}

const left = reason => wanted && fetch("/camera/left?page=" + mine, { method: "POST", body: reason, keepalive: true }).catch(() => {});

// frame is called for each picture of the camera, with when it was exposed.
function frame(now, meta) {
  if (!stream) return;
  video.requestVideoFrameCallback(frame);
  if (!wanted || wanted.by && wanted.by !== mine || busy || now < next) return;
  const at = meta.captureTime, captured = at > now - 3000 && at <= now ? at : now;
  if ((next += wanted.every) < now) next = now + 0.9 * wanted.every; // keeps the pace where pictures come a little early or late
  send(captured).catch(() => {
    heldBack = "the server does not answer";
    now - answered > lost ? off(heldBack) : say();
  }).finally(() => { busy = false; });
}

const canvas = document.createElement("canvas");

// frameOf is the picture of now as a JPEG; null where the camera is off.
export function frameOf() {
  if (!stream || !video.videoWidth) return null;
  canvas.width = video.videoWidth; canvas.height = video.videoHeight;
  canvas.getContext("2d").drawImage(video, 0, 0);
  return new Promise(done => canvas.toBlob(done, "image/jpeg", 0.9));
}

async function send(captured) {
  busy = true;
  const body = await frameOf();
  if (!body || !stream) return;
  const r = await fetch(`/camera/picture?page=${mine}&captured=${captured}&sent=${performance.now()}`, { method: "POST", body });
  answered = performance.now();
  if (r.status === 200 && !trying) return off(); // the run has just ended
  const text = r.ok ? "" : await r.text();
  if (text !== heldBack) { heldBack = text; say(); }
}

// told takes what the stream says of the browser's camera: null where no run wants it.
export function told(camera) {
  const was = JSON.stringify(wanted);
  wanted = trying === "try" ? null : camera ?? null; // the page that follows sends
  if (!wanted && !trying) stream ? off() : chosen(false);
  if (stream && wanted?.by && wanted.by !== mine) off("another page sends its pictures now");
  if (wanted && !stream && !wanted.by && chosen()) on();
  if (JSON.stringify(wanted) !== was) say();
}

export function camera() {
  if (!sign) return;
  sign.querySelector("[data-do=on]").addEventListener("click", on);
  sign.querySelector("[data-do=off]").addEventListener("click", () => off());
  sign.querySelector("select").addEventListener("change", e => { keep("camera", e.target.value); off(); on(); });
  addEventListener("pagehide", () => { if (trying === "read") chosen(false); if (stream) left("the page that sends them was closed or loaded again"); for (const t of stream?.getTracks() ?? []) t.stop(); stream = null; });
  addEventListener("pageshow", e => { if (e.persisted) say(); });
  document.addEventListener("visibilitychange", () => { if (stream) { heldBack = document.hidden ? "it stands still while this page is behind another" : ""; say(); } });
  if (trying && chosen()) on();
  say();
}
