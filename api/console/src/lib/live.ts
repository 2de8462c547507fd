import { useEffect, useRef } from "preact/hooks";
import { address, NoServer, Problem, refusal, type Shapes } from "./api";
import { heard, now } from "./time";
import { Store } from "./store";

export type Fact = Shapes["FactView"];
export type AlertChange = Shapes["AlertChangeView"];

/** How the connection is: "away" is when the server has not answered for ten seconds. */
export interface Link {
  is: "idle" | "live" | "reconnecting" | "away" | "refused";
  since: number; // when it became so, by the server's clock, Unix milliseconds
}

/** Listener is a page that follows the shop. */
export interface Listener {
  /** The stream begins, for the first time or again: ask for everything that has no id. What comes by
   * facts and alerts from then on is newer than what that answers, or the same. */
  opened?(): void;
  facts?(list: Fact[]): void;
  alerts?(list: AlertChange[]): void;
}

export const link = new Store<Link>({ is: "idle", since: 0 });

const listeners = new Set<Listener>();

const beat = 15_000; // the server's
const silence = 2 * beat + 5_000; // after so long without a sign the connection is dead
const patience = 10_000; // from when on a server that does not answer is said to be away
const flushEvery = 200; // so that a burst of facts is one change of the page

let following = ""; // the site
let last = ""; // the newest fact's id
let stop: AbortController | undefined;
let facts: Fact[] = [];
let alerts: AlertChange[] = [];
let flushing: ReturnType<typeof setTimeout> | undefined;

/** follow turns to a site; "" ends it. */
export function follow(site: string): void {
  if (site === following) return;
  following = site;
  last = "";
  facts = [];
  alerts = [];
  stop?.abort();
  stop = undefined;
  link.set({ is: "idle", since: now() });
  if (!site) return;
  stop = new AbortController();
  void run(site, stop.signal);
}

/** useLive has a component follow the shop for as long as it is there. */
export function useLive(l: Listener): void {
  const current = useRef(l);
  current.current = l;
  useEffect(() => {
    const own: Listener = {
      opened: () => current.current.opened?.(),
      facts: (list) => current.current.facts?.(list),
      alerts: (list) => current.current.alerts?.(list),
    };
    listeners.add(own);
    return () => void listeners.delete(own);
  }, []);
}

async function run(site: string, signal: AbortSignal): Promise<void> {
  let wait = 500;
  let lost = 0; // since when there is no connection
  while (!signal.aborted) {
    try {
      await stream(site, signal, () => {
        wait = 500;
        lost = 0;
      });
    } catch (err) {
      if (signal.aborted) return;
      if (err instanceof Problem && [401, 403, 404].includes(err.status)) {
        link.set({ is: "refused", since: now() });
        if (err.status === 401) return;
      }
    }
    if (signal.aborted) return;
    if (lost === 0) lost = Date.now();
    const is = Date.now() - lost > patience ? "away" : "reconnecting";
    if (link.get().is !== "refused") link.set({ is, since: now() - (Date.now() - lost) });
    await pause(wait * (0.75 + Math.random() / 2), signal);
    wait = Math.min(wait * 2, 8_000);
  }
}

function pause(ms: number, signal: AbortSignal): Promise<void> {
  return new Promise((done) => {
    const end = () => {
      clearTimeout(timer);
      removeEventListener("online", end);
      signal.removeEventListener("abort", end);
      done();
    };
    const timer = setTimeout(end, ms);
    addEventListener("online", end);
    signal.addEventListener("abort", end);
  });
}

/** stream reads one connection to its end. Server-sent events (WHATWG HTML, section 9.2) are read by
 * fetch, since EventSource shows neither comments, by which a dead connection is noticed, nor why it was
 * refused. */
async function stream(site: string, outer: AbortSignal, opened: () => void): Promise<void> {
  const own = new AbortController();
  const end = () => own.abort();
  outer.addEventListener("abort", end);
  let watch = setTimeout(end, patience);
  try {
    const url = address("/v1/sites/{site}/live", { path: { site }, query: { after: last } });
    const answer = await fetch(url, { signal: own.signal, headers: { Accept: "text/event-stream" } });
    if (!answer.ok || !answer.body) throw refusal(answer.status, await answer.text());
    opened();
    link.set({ is: "live", since: now() });
    for (const l of [...listeners]) l.opened?.();
    const reader = answer.body.pipeThrough(new TextDecoderStream() as TransformStream<BufferSource, string>).getReader();
    let rest = "";
    for (;;) {
      clearTimeout(watch);
      watch = setTimeout(end, silence);
      const { done, value } = await reader.read();
      if (done) throw new NoServer();
      const blocks = (rest + value).split("\n\n");
      rest = blocks.pop() ?? "";
      for (const block of blocks) if (take(block)) return;
    }
  } finally {
    clearTimeout(watch);
    outer.removeEventListener("abort", end);
    own.abort();
  }
}

/** take reads one event, and reports whether the server ends the stream. */
function take(block: string): boolean {
  let name = "message";
  let id = "";
  let data = "";
  for (const line of block.split("\n")) {
    if (line.startsWith("event: ")) name = line.slice(7);
    else if (line.startsWith("id: ")) id = line.slice(4);
    else if (line.startsWith("data: ")) data += line.slice(6);
  }
  if (name === "fact") {
    const f = JSON.parse(data) as Fact;
    if (id) last = id;
    facts.push(f);
    heard(Date.parse(f.at));
  } else if (name === "alert") {
    alerts.push(JSON.parse(data) as AlertChange);
  } else if (name === "gap") {
    last = "";
    for (const l of [...listeners]) l.opened?.();
  } else {
    return name === "end";
  }
  flushing ??= setTimeout(flush, flushEvery);
  return false;
}

function flush(): void {
  flushing = undefined;
  const f = facts;
  const a = alerts;
  facts = [];
  alerts = [];
  for (const l of [...listeners]) {
    if (f.length) l.facts?.(f);
    if (a.length) l.alerts?.(a);
  }
}
