// What is heard and felt. STRAW OUT unlocks the sound; a page in the background has none.

import { awake } from "./clock.js";

/** @type {AudioContext | null} */
let audio = null;
/** @type {any} */
let lock = null;
let wantsLock = false;

/** A tap may open the sound; nothing else may. */
export function unlock() {
  try {
    audio ??= new AudioContext();
    if (audio.state === "suspended") void audio.resume();
  } catch {
    audio = null;
  }
}

/** @param {number} hertz @param {number} ms @param {number} [after] ms from now */
function tone(hertz, ms, after = 0) {
  if (!audio || audio.state !== "running") return;
  const from = audio.currentTime + after / 1000;
  const oscillator = audio.createOscillator();
  const gain = audio.createGain();
  oscillator.frequency.value = hertz;
  oscillator.type = "square";
  gain.gain.setValueAtTime(0.0001, from);
  gain.gain.exponentialRampToValueAtTime(0.4, from + 0.01);
  gain.gain.setValueAtTime(0.4, from + ms / 1000 - 0.02);
  gain.gain.exponentialRampToValueAtTime(0.0001, from + ms / 1000);
  oscillator.connect(gain).connect(audio.destination);
  oscillator.start(from);
  oscillator.stop(from + ms / 1000);
}

/** @param {number | number[]} pattern */
function shake(pattern) {
  try {
    navigator.vibrate?.(pattern);
  } catch {
    // No device that shakes.
  }
}

/** Each second that a straw is out. @param {number} second @param {number} slowAfter */
export function tick(second, slowAfter) {
  tone(880, 60);
  if (second >= 10) tone(880, 60, 120);
  if (second >= slowAfter) [240, 360, 480, 600].forEach((after) => tone(880, 60, after));
}

export const signals = {
  in_bath() {
    tone(440, 300);
    shake(200);
  },
  use_now() {
    [660, 880, 1100].forEach((hertz, i) => tone(hertz, 250, i * 280));
    shake([300, 100, 300, 100, 300]);
  },
  minute_left() {
    tone(660, 200);
    tone(440, 200, 240);
    shake([150, 100, 150]);
  },
  late() {
    tone(220, 1000);
    shake(1000);
  },
  refused() {
    tone(220, 250);
    tone(180, 250, 320);
    shake([600, 200, 600]);
  },
  kept() {
    shake(30);
  },
};

/** The screen stays on from STRAW OUT to the last SERVED. @param {boolean} wanted */
export async function keepAwake(wanted) {
  wantsLock = wanted;
  const wake = /** @type {any} */ (navigator).wakeLock;
  if (!wake) return;
  try {
    if (wanted && !lock && document.visibilityState === "visible") {
      lock = await wake.request("screen");
      awake(true);
      lock.addEventListener("release", () => {
        lock = null;
        awake(false);
      });
    } else if (!wanted && lock) {
      await lock.release();
      lock = null;
    }
  } catch {
    lock = null;
  }
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && wantsLock) void keepAwake(true);
});
