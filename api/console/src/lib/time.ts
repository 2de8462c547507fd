import { useEffect, useState } from "preact/hooks";
import { t } from "../text/en";
import { remembered } from "./store";

/** How far the server's clock is ahead of the browser's, milliseconds. */
const kept = remembered("lintel.ahead", "0"); // for a page that is opened while the server is away
let ahead = Number(kept.get()) || 0;

/** sync sets the clock by what the server says that it is. */
export function sync(now: string): void {
  const there = Date.parse(now);
  if (Number.isNaN(there)) return;
  ahead = there - Date.now();
  kept.set(String(ahead));
}

/** heard says that something happened at a time: then it is not earlier. */
export function heard(at: number): void {
  if (at > now()) ahead = at - Date.now();
}

/** now is the server's time, Unix milliseconds. */
export function now(): number {
  return Date.now() + ahead;
}

const formats = new Map<string, Intl.DateTimeFormat>();

function format(zone: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const key = zone + JSON.stringify(options);
  let f = formats.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat(t.language, { ...options, timeZone: zone || "UTC" });
    } catch {
      f = new Intl.DateTimeFormat(t.language, { ...options, timeZone: "UTC" });
    }
    formats.set(key, f);
  }
  return f;
}

const clockTime = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" } as const;
const day = { weekday: "short", day: "numeric", month: "short" } as const;

/** at writes a moment in the shop's zone: the time today, else with the day. */
export function at(moment: string | number, zone: string, seconds = false): string {
  const d = new Date(moment);
  const time = seconds ? { ...clockTime, second: "2-digit" as const } : clockTime;
  const dayOf = format(zone, day);
  return dayOf.format(d) === dayOf.format(new Date(now())) ? format(zone, time).format(d) : format(zone, { ...day, ...time }).format(d);
}

/** length writes how long something lasts, milliseconds, by its largest unit. */
export function length(ms: number): string {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 60) return t.time.seconds(s);
  if (s < 3600) return t.time.minutes(Math.floor(s / 60));
  if (s < 48 * 3600) return t.time.hours(Math.floor(s / 3600), Math.floor((s % 3600) / 60));
  return t.time.days(Math.floor(s / 86400));
}

const beats = new Set<() => void>();
setInterval(() => beats.forEach((f) => f()), 5000);

/** useNow renders again every five seconds, with the time. */
export function useNow(): number {
  const [v, set] = useState(now);
  useEffect(() => {
    const beat = () => set(now());
    beats.add(beat);
    return () => void beats.delete(beat);
  }, []);
  return Math.max(v, 0);
}
