// A tone, where the browser sounds any. The second one falls, so that upsets sound unlike a countdown.
let audio;
export function tone(from, long, to) {
  if (!globalThis.AudioContext) return;
  audio ??= new AudioContext();
  audio.resume();
  const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime;
  o.frequency.setValueAtTime(from, t);
  if (to) o.frequency.setValueAtTime(to, t + 0.15);
  g.gain.setValueAtTime(0.25, t); g.gain.exponentialRampToValueAtTime(0.001, t + long);
  o.connect(g).connect(audio.destination);
  o.start(t); o.stop(t + long);
}
