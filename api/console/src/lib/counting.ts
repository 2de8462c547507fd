import { get, newOnce, NoServer, post, Problem, type Shapes } from "./api";
import { identity, parseLine } from "./count_epc";
import { anythingWaits, deliver, follow, say, send, sending } from "./count_queue";
import * as kept from "./count_store";
import { Store } from "./store";
import { now } from "./time";

export type Here = kept.Here;
export type Detail = Shapes["CountDetail"];

/** What a read was: new and expected here, new and not expected, new where nobody can say, or heard before. */
export type Kind = "expected" | "odd" | "new" | "again" | "closed";

const storeEvery = 1000; // ms: what waits is stored as one record a second
const storeAfter = 150; // ms after the last read: who stops may close the page
const lookEvery = 3000;
const drawEvery = 200;
const loadEvery = 5000; // the lists may be long
const page = 10_000;

/** Watched is what one looks for: an item, or any item of a product. */
export interface Watched {
  name: string;
  item?: string;
  gtin?: string;
}

/** Counting is a count that is open on this page. Reads go into memory, from there once a second into the
 * store of this device, and from there to the server. */
export class Counting {
  /** Goes up when something changed, at most five times a second. */
  readonly version = new Store(0);
  /** When each tag was heard first, by its identity; 0: another device heard it. */
  readonly heard = new Map<string, number>();
  /** When this device heard new tags, in order. */
  readonly firsts: number[] = [];
  /** The tags that are not expected here, by identity. */
  readonly odd = new Set<string>();
  expected: Map<string, kept.Expected> | undefined;
  found = 0;
  waiting = 0; // reads that are stored and not sent, or not even stored
  unstored: { part: kept.Part; tags: kept.Fresh[] }[] = [];
  ignored = 0; // reads that came while it took none
  lookError: unknown;
  onHeard: (kind: Kind, key: string, strength: number | undefined) => void = () => {};

  private pending = new Map<string, kept.Read>();
  private fresh: kept.Fresh[] = [];
  private drawing: ReturnType<typeof setTimeout> | undefined;
  private settling: ReturnType<typeof setTimeout> | undefined;
  private timers: ReturnType<typeof setInterval>[] = [];
  private ends: (() => void)[] = [];
  private storing = false;
  private stored = 0; // parts
  private looking = false;
  private loaded = 0; // when the lists were asked for
  private loadedOf = ""; // how many there were then
  private met = new Set<string>(); // tags whose item the server alone could say, and has said

  private constructor(public here: Here) {}

  /** open opens a count of this device. */
  static async open(id: string): Promise<Counting | undefined> {
    const here = (await kept.countsHere()).find((c) => c.id === id || c.server === id);
    if (!here) return undefined;
    const c = new Counting(here);
    c.learn(await kept.expectedOf(here.id));
    for (const [key, at] of await kept.freshOf(here.id)) c.first(key, at);
    c.drop();
    c.waiting = (await kept.waiting()).get(here.id) ?? 0;
    c.timers.push(
      setInterval(() => void c.store(), storeEvery),
      setInterval(() => document.visibilityState === "visible" && void c.look(), lookEvery),
    );
    const hide = () => void c.store();
    const leave = (e: BeforeUnloadEvent) => {
      if (c.pending.size || c.unstored.length) e.preventDefault();
    };
    addEventListener("visibilitychange", hide);
    addEventListener("pagehide", hide);
    addEventListener("beforeunload", leave);
    c.ends.push(
      () => removeEventListener("visibilitychange", hide),
      () => removeEventListener("pagehide", hide),
      () => removeEventListener("beforeunload", leave),
      sending.follow(() => c.draw()),
      follow((n) => {
        if (n.count !== c.here.id) return;
        for (const [key, at] of n.tags ?? []) c.first(key, at);
        void c.again();
      }),
    );
    void c.look();
    send();
    return c;
  }

  close(): void {
    this.timers.forEach(clearInterval);
    this.ends.forEach((f) => f());
    clearTimeout(this.drawing);
    clearTimeout(this.settling);
    void this.store();
  }

  get status(): string {
    return this.here.view?.status ?? "open";
  }

  /** take reads a line of a reader. */
  take(line: string): void {
    for (const h of parseLine(line)) this.hear(h.tag, h.strength);
  }

  private hear(tag: string, strength: number | undefined): void {
    const key = identity(tag) ?? tag;
    if (this.status !== "open") {
      this.ignored++;
      this.onHeard("closed", key, strength);
      this.draw();
      return;
    }
    const at = Math.floor(now());
    const read = this.pending.get(tag);
    if (read) {
      read[2]++;
      if (strength !== undefined) read[3] = Math.max(read[3] ?? -Infinity, strength);
    } else {
      this.pending.set(tag, [tag, at, 1, strength ?? null]);
    }
    const kind = this.first(key, at);
    if (kind !== "again") this.fresh.push([key, at, tag]);
    clearTimeout(this.settling);
    this.settling = setTimeout(() => void this.store(), storeAfter);
    this.onHeard(kind, key, strength);
    this.draw();
  }

  /** first notes a tag as heard. */
  private first(key: string, at: number): Kind {
    if (this.heard.has(key) || this.met.has(key)) return "again";
    this.heard.set(key, at);
    if (at) this.firsts.push(at);
    return this.judge(key);
  }

  /** drop takes back what the server did not take: it was no tag. */
  private drop(): void {
    for (const r of this.here.refused) this.heard.delete(identity(r.tag) ?? r.tag);
  }

  private judge(key: string): Kind {
    if (!this.expected || !key.startsWith("(01)")) return "new";
    if (this.expected.has(key)) {
      this.found++;
      return "expected";
    }
    this.odd.add(key);
    return "odd";
  }

  private learn(items: kept.Expected[] | undefined): void {
    if (!items) return;
    this.expected = new Map(items.map((e) => [e.item, e]));
    this.found = 0;
    this.odd.clear();
    for (const key of this.heard.keys()) this.judge(key);
    for (const e of items) if (e.found) this.first(e.item, 0);
  }

  private draw(): void {
    this.drawing ??= setTimeout(() => {
      this.drawing = undefined;
      this.version.set(this.version.get() + 1);
    }, drawEvery);
  }

  /** unsent is how many reads the server does not have. */
  get unsent(): number {
    let n = this.waiting;
    for (const r of this.pending.values()) n += r[2];
    for (const u of this.unstored) n += reads(u.part);
    return n;
  }

  /** What of it would be lost with this page. */
  get atRisk(): number {
    return this.unstored.reduce((n, u) => n + reads(u.part), 0);
  }

  private part(of: Partial<kept.Part>): kept.Part {
    const { id, zone, point } = this.here;
    return { count: id, once: newOnce(), tried: false, do: "reads", zone, point, reads: [], ...of };
  }

  /** store puts what was heard into the store of this device. */
  async store(): Promise<void> {
    if (this.pending.size) {
      this.unstored.push({ part: this.part({ reads: [...this.pending.values()] }), tags: this.fresh });
      this.pending.clear();
      this.fresh = [];
    }
    if (this.storing) return;
    this.storing = true;
    for (let u = this.unstored[0]; u; u = this.unstored[0]) {
      try {
        await kept.add(u.part, u.tags);
        this.unstored.shift();
        this.waiting += reads(u.part);
        this.stored++;
        anythingWaits(true);
        say({ count: this.here.id, tags: u.tags });
      } catch {
        // There is no room. Then it goes to the server from here, if what is stored has gone before.
        if (this.waiting || !this.here.server || !(await this.straight(u.part))) break;
        this.unstored.shift();
      }
      send();
    }
    this.storing = false;
    this.draw();
  }

  private async straight(part: kept.Part): Promise<boolean> {
    try {
      (await deliver(this.here, part))(this.here);
      return true;
    } catch {
      return false;
    }
  }

  /** again reads from the store how the count stands. */
  async again(): Promise<void> {
    const here = (await kept.countsHere()).find((c) => c.id === this.here.id);
    if (here) this.here = here;
    this.drop();
    const [before, left] = [this.stored, await kept.waiting()];
    if (before !== this.stored) return this.again(); // more was stored meanwhile
    this.waiting = left.get(this.here.id) ?? 0;
    this.draw();
    if (this.waiting === 0) void this.look();
  }

  private get address() {
    return { site: this.here.site, id: this.here.server };
  }

  private async seen(view: Detail): Promise<void> {
    this.here = (await kept.change(this.here.id, (c) => ([c.view, c.viewed] = [view, Date.now()]))) ?? this.here;
    this.draw();
  }

  /** look asks the server how the count stands, and for what is expected. */
  async look(): Promise<void> {
    if (this.looking || !this.here.server) return;
    this.looking = true;
    try {
      await this.seen(await get("/v1/sites/{site}/counts/{id}", { path: this.address, signal: AbortSignal.timeout(10_000) }));
      this.lookError = undefined;
      const v = this.here.view!;
      const open = v.status === "open" || v.status === "paused";
      // What others heard, and what kinds of tags the server alone can read, is asked for when it has more.
      const [counts, found] = [`${v.unique} ${v.progress?.found}`, v.progress?.found ?? 0];
      const more = this.unsent === 0 && counts !== this.loadedOf && (found > this.found || (!v.only && v.unique !== this.heard.size));
      if (open && v.expected >= 0 && (!this.expected || (more && Date.now() - this.loaded > loadEvery))) await this.load(counts);
    } catch (err) {
      this.lookError = err;
      this.draw();
    } finally {
      this.looking = false;
    }
  }

  private async load(of: string): Promise<void> {
    const raw = [...this.heard.keys()].filter((k) => !k.startsWith("("));
    this.loaded = Date.now();
    const items: kept.Expected[] = [];
    const others: string[] = [];
    for (let cursor: string | undefined; ; ) {
      const part = await get("/v1/sites/{site}/counts/{id}/items", { path: this.address, query: { limit: page, cursor } });
      for (const i of part.items) {
        if (i.expected) items.push({ item: i.item, gtin: i.gtin, name: i.product?.name, found: true });
        else others.push(i.item);
      }
      if (!(cursor = part.next)) break;
    }
    for (let cursor: string | undefined; ; ) {
      const part = await get("/v1/sites/{site}/counts/{id}/missing", { path: this.address, query: { limit: page, cursor } });
      for (const i of part.items) {
        items.push({ item: i.item, gtin: i.gtin, name: i.product?.name, zone: i.zone_name || i.zone, heard: i.last_heard_at });
      }
      if (!(cursor = part.next)) break;
    }
    // Where something was last is known of what was missing before; it is kept.
    for (const e of items) if (e.found && this.expected?.has(e.item)) Object.assign(e, { ...this.expected.get(e.item), found: true });
    this.loadedOf = of;
    if (this.unsent === 0) {
      for (const k of raw) if (this.heard.delete(k)) this.met.add(k);
    }
    await kept.keepExpected(this.here.id, items).catch(() => {}); // without room it is asked for again
    this.learn(items);
    for (const item of others) this.first(item, 0);
    this.draw();
  }

  /** missing lists what was expected and not heard. */
  missing(): kept.Expected[] {
    return [...(this.expected?.values() ?? [])].filter((e) => !this.heard.has(e.item));
  }

  /** round begins another round over the shelf. It waits behind the reads that were before it. */
  async round(): Promise<void> {
    await this.store();
    await kept.add(this.part({ do: "pass" }), []);
    anythingWaits(true);
    send();
  }

  private keys = new Map<string, string>(); // of what was tried and had no answer

  /** flushed waits until the server has all that was heard. It throws if that can't be. */
  async flushed(): Promise<void> {
    await this.store();
    send();
    for (;;) {
      await this.again();
      if (this.unsent === 0 || this.here.stuck) return;
      const { is, error } = sending.get();
      if (is === "away" || is === "signedOut") throw error ?? new NoServer();
      await new Promise((done) => setTimeout(done, 100));
    }
  }

  /** tell has the server do something to the count, once what was heard before is sent. */
  async tell(verb: "pause" | "resume" | "close" | "reopen" | "discard", anyway = false): Promise<void> {
    if (verb === "pause" || verb === "close") await this.flushed();
    const name = `${verb} ${anyway}`;
    const once = this.keys.get(name) ?? newOnce();
    this.keys.set(name, once);
    try {
      const query = anyway ? ({ anyway: "1" } as const) : undefined;
      const done = await post(`/v1/sites/{site}/counts/{id}/${verb}`, { path: this.address, query, once });
      this.keys.delete(name);
      if (done.count) await this.seen(done.count);
      else await this.look();
      if (verb === "resume" || verb === "reopen") await this.unstick();
    } catch (err) {
      if (err instanceof Problem) this.keys.delete(name);
      throw err;
    }
  }

  /** set changes where one stands, or what reads. */
  async set(f: (here: Here) => void): Promise<void> {
    await this.store();
    this.here = (await kept.change(this.here.id, f)) ?? this.here;
    this.draw();
  }

  /** unstick tries again what the server did not take; f changes it before. */
  async unstick(f?: (part: kept.Part) => void): Promise<void> {
    if (f) await kept.anew(this.here.id, f);
    await this.set((c) => delete c.stuck);
    send();
  }
}

function reads(p: kept.Part): number {
  return p.reads.reduce((n, r) => n + r[2], 0);
}

/** start opens a count of zones. Without network it is opened when there is. */
export async function start(o: { site: string; zones: string[]; point: string; body: Shapes["CountRequest"]; also: boolean }): Promise<Here> {
  const here: Here = { ...blank(o.site, o.zones, o.point), opened: Math.floor(now()) };
  await kept.begin(here, { count: here.id, once: newOnce(), tried: false, do: "open", body: o.body, also: o.also, reads: [] });
  anythingWaits(true);
  send();
  return here;
}

/** joinIn has this device take part in a count that is open. */
export async function joinIn(site: string, view: Shapes["CountView"], point: string): Promise<Here> {
  const had = (await kept.countsHere()).find((c) => c.server === view.id);
  if (had) return had;
  const here: Here = { ...blank(site, view.zones, point), server: view.id, opened: Date.parse(view.opened_at) };
  await kept.begin(here);
  return here;
}

function blank(site: string, zones: string[], point: string): Here {
  return { id: newOnce(), site, zones, zone: zones[0] ?? "", point, server: "", opened: 0, viewed: 0, refusals: 0, refused: [] };
}
