// Sends what waits, once and in order. One tab of this browser sends at a time (Web Locks); where there are no
// locks, over plain http, two tabs may send the same part, and its Idempotency-Key has it count once.
import { get, inWords, NoServer, post, Problem, type Shapes } from "./api";
import { identity } from "./count_epc";
import * as kept from "./count_store";
import { session } from "./session";
import { Store } from "./store";
import { now, sync } from "./time";

/** How sending stands: "away" if the server does not answer or has too much to do; it is then tried again. */
export interface Sending {
  is: "idle" | "busy" | "away" | "signedOut";
  error?: unknown;
}

export const sending = new Store<Sending>({ is: "idle" });

/** News is what the pages of this browser say to each other of a count. */
export interface News {
  count: string;
  tags?: kept.Fresh[]; // were heard for the first time
  waiting?: number; // so many reads are not sent; undefined: ask
}

const channel = typeof BroadcastChannel === "undefined" ? undefined : new BroadcastChannel("lintel-count");
const readers = new Set<(n: News) => void>();
if (channel) channel.onmessage = (e: MessageEvent<News>) => readers.forEach((f) => f(e.data));

/** follow calls f with what other tabs, and the sender of this one, say. */
export function follow(f: (n: News) => void): () => void {
  readers.add(f);
  return () => void readers.delete(f);
}

/** say tells the other tabs; own: this one's pages as well. */
export function say(n: News, own = false): void {
  channel?.postMessage(n);
  if (own) readers.forEach((f) => f(n));
}

const flag = "lintel.count.waiting";

/** anythingWaits notes that something waits, so that the shell sends it whatever page is open. */
export function anythingWaits(yes: boolean): void {
  try {
    if (yes) localStorage.setItem(flag, "1");
    else localStorage.removeItem(flag);
  } catch {
    // Then it is sent when the page Count is opened.
  }
}

const longestWait = 5_000;
const giveUpAfter = 30_000; // a request that takes longer is tried again
let running = false;
let rerun = false;
let wait = 1000;
let retry: ReturnType<typeof setTimeout> | undefined;

/** send sends what waits, now. It may be called at any time. */
export function send(): void {
  clearTimeout(retry);
  if (running) {
    rerun = true;
    return;
  }
  running = true;
  rerun = false;
  sending.set({ is: "busy", error: sending.get().error });
  const alone = navigator.locks ? navigator.locks.request("lintel-count-send", drain) : drain();
  alone.then(
    () => {
      running = false;
      wait = 1000;
      sending.set({ is: "idle" });
      if (rerun) send();
    },
    (error: unknown) => {
      running = false;
      if (error instanceof Problem && error.status === 401) {
        sending.set({ is: "signedOut" }); // what waits stays until somebody signs in
        return;
      }
      sending.set({ is: "away", error });
      retry = setTimeout(send, wait);
      wait = Math.min(wait * 2, longestWait);
    },
  );
}

addEventListener("online", send);
session.follow((who) => who && send());

/** later reports whether an error passes by itself. */
function later(err: unknown): boolean {
  if (err instanceof Problem) return err.status === 401 || err.status === 408 || err.status === 425 || err.status === 429 || err.status >= 500;
  return true;
}

const clockFor = 300_000; // ms for which the clock is not asked for again
let clock = -Infinity; // when it was

async function drain(): Promise<void> {
  const left = await kept.waiting();
  anythingWaits(left.size > 0);
  if (left.size === 0) return;
  if (performance.now() - clock > clockFor || wait > 1000) {
    sync((await get("/v1/sessions/current", {})).now);
    clock = performance.now();
  }
  let stuck = false;
  let refused: unknown;
  for (const id of left.keys()) {
    for (;;) {
      const here = (await kept.countsHere()).find((c) => c.id === id);
      if (!here) await kept.forget(id); // it was thrown away while its last second was stored
      if (!here || here.stuck) {
        stuck ||= !!here;
        break;
      }
      const part = await kept.next(id, Math.floor(now()));
      if (!part) break;
      try {
        const changed = await deliver(here, part);
        await kept.sent(part, changed);
      } catch (err) {
        if (later(err)) throw err;
        if (err instanceof Problem && err.status === 403) {
          refused = err; // who signs in next may do it
          break;
        }
        await kept.change(id, (c) => (c.stuck = stuckBy(err)));
        stuck = true;
      }
      say({ count: id }, true);
    }
  }
  if (refused) throw refused;
  if (!stuck && (await kept.waiting()).size === 0) anythingWaits(false);
}

function stuckBy(err: unknown): kept.Stuck {
  const p = err instanceof Problem ? err : undefined;
  const status = p?.more["count_status"];
  return {
    code: p?.code === "count_status" && typeof status === "string" ? status : (p?.code ?? ""),
    words: inWords(err),
    other: p?.code === "zone_counted" ? String(p.more["count"] ?? "") : undefined,
  };
}

/** deliver sends one part. It returns what the count of this device is to be changed by. */
export async function deliver(here: kept.Here, part: kept.Part): Promise<(here: kept.Here) => void> {
  const signal = AbortSignal.timeout(giveUpAfter);
  const path = { site: here.site, id: here.server };
  const once = part.once;
  try {
    if (part.do === "open") {
      const query = part.also ? ({ also: "1" } as const) : undefined;
      const done = await post("/v1/sites/{site}/counts", { path: { site: here.site }, query, body: part.body, once, signal });
      return (c) => {
        c.server = done.id;
        if (done.count) {
          [c.view, c.viewed] = [done.count, Date.now()];
          c.opened = Date.parse(done.count.opened_at);
        }
      };
    }
    if (part.do === "pass") {
      const done = await post("/v1/sites/{site}/counts/{id}/pass", { path, once, signal });
      return (c) => done.count && ([c.view, c.viewed] = [done.count, Date.now()]);
    }
    const body = part.reads.map(([epc, at, count, rssi]) => ({
      epc,
      read_point: part.point ?? "",
      ...(part.zone ? { zone: part.zone } : {}),
      // What was heard before the server had the count was heard as it began, and nothing after it was sent,
      // whatever became of this device's clock.
      time: Math.max(Math.min(at, part.until ?? at), here.opened),
      count,
      ...(rssi === null ? {} : { rssi }),
    }));
    const done = await post("/v1/sites/{site}/counts/{id}/reads", { path, body, once, signal });
    return refusals(part, done.rejected);
  } catch (err) {
    if (err instanceof DOMException) throw new NoServer();
    // Where nothing of it is a tag there is nothing to send again. Else it is the reader or the place that the
    // shop does not have any more, and the reads stay until a person has seen to it.
    if (err instanceof Problem && err.code === "nothing_accepted" && !part.reads.some((r) => identity(r[0]))) {
      return refusals(part, err.more["rejected"] as Shapes["Rejection"][]);
    }
    throw err;
  }
}

/** refusals notes what the server did not take, and why. */
function refusals(part: kept.Part, list: Shapes["Rejection"][] | undefined): (here: kept.Here) => void {
  const refused = (list ?? []).map((r) => ({ tag: part.reads[r.index]?.[0] ?? "", reason: r.reason }));
  return (c) => {
    c.refusals += refused.length;
    c.refused = [...refused, ...c.refused].slice(0, 100);
  };
}
