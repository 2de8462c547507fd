import { remembered } from "./store";
import { tone, unlock } from "./sound";

/** Whether counting makes a sound, "on" or "". */
export const countSound = remembered("lintel.count.sound", "on");

const between = 40; // ms between two clicks: more a second are heard as one tone
const free = { click: 0, odd: 0, beat: 0 };

function play(kind: keyof typeof free, pause: number, hertz: number, ms: number): void {
  const at = performance.now();
  if (!countSound.get() || at < free[kind]) return;
  free[kind] = at + pause;
  unlock(); // works where a key or a tap was before, and a reader's keys are keys
  tone(hertz, ms);
}

/** click is a new tag. */
export const click = () => play("click", between, 1400, 25);
/** oddClick is a new tag that is not expected here. */
export const oddClick = () => play("odd", 4 * between, 330, 140);
/** beat is what one looks for; strength (dBm) makes it higher. */
export const beat = (strength?: number) => play("beat", between, strength === undefined ? 900 : 600 + Math.max(0, strength + 85) * 20, 50);

/** beatPause is how long it is from beat to beat at a strength, ms: -80 dBm and less 800, -35 and more 80. */
export function beatPause(strength: number): number {
  const share = Math.min(1, Math.max(0, (strength + 80) / 45));
  return 800 * Math.pow(0.1, share);
}
