// What this device keeps of its counts, in IndexedDB: it outlives a closed tab, a crash and a server that is
// away. All that is to be sent is a part, in order of its number; a part has its Idempotency-Key from the moment
// it is stored, so that it counts once however often it is sent.
import { openDB, type DBSchema, type IDBPDatabase } from "idb";
import { newOnce, type Shapes } from "./api";

/** Here is a count that this device takes part in. */
export interface Here {
  id: string; // of this device; the server's is below
  site: string;
  zones: string[];
  zone: string; // where one stands: where reads belong to
  point: string; // the read point that the reads are said to be of
  server: string; // the server's id of the count, "" while it is to be opened
  opened: number; // Unix milliseconds, by the server's clock once that is known
  view?: Shapes["CountDetail"]; // as the server answered last
  viewed: number; // when that was, 0: never
  refusals: number; // reads that the server did not take
  refused: { tag: string; reason: string }[]; // the last of them
  stuck?: Stuck;
}

/** Stuck is why the server does not take what is to be sent, until a person decides. */
export interface Stuck {
  code: string;
  words: string;
  other?: string; // the count that is open for the same place
}

/** Read is what was heard of a tag within a second: when first, how often, how strongly at best. */
export type Read = [tag: string, at: number, times: number, strength: number | null];

/** Part is something that is to be sent. */
export interface Part {
  n?: number;
  count: string;
  once: string;
  tried: boolean; // perhaps it reached the server: then it stays as it is
  until?: number; // when it was tried first: no read of it is later
  do: "open" | "reads" | "pass";
  body?: Shapes["CountRequest"];
  also?: boolean;
  zone?: string;
  point?: string;
  reads: Read[];
}

/** Fresh are tags that were heard for the first time, with when. */
export type Fresh = [key: string, at: number, tag: string];

/** Expected is an item that should be there. */
export interface Expected {
  item: string;
  gtin?: string;
  name?: string;
  zone?: string; // name of where it was last
  heard?: string; // when it was heard last
  found?: boolean; // the server has it as found
}

interface Schema extends DBSchema {
  counts: { key: string; value: Here };
  parts: { key: number; value: Part; indexes: { count: string } };
  fresh: { key: number; value: { count: string; tags: Fresh[] }; indexes: { count: string } };
  expected: { key: string; value: { count: string; items: Expected[] } };
}

let opening: Promise<IDBPDatabase<Schema>> | undefined;

function db(): Promise<IDBPDatabase<Schema>> {
  opening ??= openDB<Schema>("lintel-count", 1, {
    upgrade(d) {
      d.createObjectStore("counts", { keyPath: "id" });
      d.createObjectStore("parts", { keyPath: "n", autoIncrement: true }).createIndex("count", "count");
      d.createObjectStore("fresh", { autoIncrement: true }).createIndex("count", "count");
      d.createObjectStore("expected", { keyPath: "count" });
    },
    blocking: (_old, _new, e) => (e.target as IDBDatabase).close(),
    terminated: () => (opening = undefined),
  });
  opening.catch(() => (opening = undefined));
  return opening;
}

const strict = { durability: "strict" } as const; // a battery may end at any moment

/** counts lists the counts of this device, the newest first. */
export async function countsHere(): Promise<Here[]> {
  return (await (await db()).getAll("counts")).sort((a, b) => b.opened - a.opened);
}

/** change changes a count that is there, and returns it. */
export async function change(id: string, f: (here: Here) => void): Promise<Here | undefined> {
  const tx = (await db()).transaction("counts", "readwrite", strict);
  const here = await tx.store.get(id);
  if (here) {
    f(here);
    await tx.store.put(here);
  }
  await tx.done;
  return here;
}

/** begin stores a count, with the part that opens it if the server does not have it. */
export async function begin(here: Here, open?: Part): Promise<void> {
  const tx = (await db()).transaction(["counts", "parts"], "readwrite", strict);
  await tx.objectStore("counts").put(here);
  if (open) await tx.objectStore("parts").add(open);
  await tx.done;
}

/** forget deletes a count from this device, with all that was not sent. */
export async function forget(id: string): Promise<void> {
  const tx = (await db()).transaction(["counts", "parts", "fresh", "expected"], "readwrite", strict);
  await tx.objectStore("counts").delete(id);
  await tx.objectStore("expected").delete(id);
  for (const name of ["parts", "fresh"] as const) {
    const store = tx.objectStore(name);
    for (const key of await store.index("count").getAllKeys(id)) await store.delete(key);
  }
  await tx.done;
}

/** add stores a part, and what it has that is new, both or neither. It throws where the device has no room. */
export async function add(part: Part, tags: Fresh[]): Promise<void> {
  const tx = (await db()).transaction(["parts", "fresh"], "readwrite", strict);
  const kept = tx.done.catch((err: unknown) => Promise.reject(tx.error ?? err));
  kept.catch(() => {});
  tx.objectStore("parts").add(part).catch(() => {});
  if (tags.length) tx.objectStore("fresh").add({ count: part.count, tags }).catch(() => {});
  await kept;
}

const most = 5000; // reads that are sent at once

/** next returns the next part of a count, and notes that it is tried, at a time. Reads that were never tried are put
 * together, so that hours without network are a few requests. */
export async function next(count: string, at: number): Promise<Part | undefined> {
  const tx = (await db()).transaction("parts", "readwrite", strict);
  let cursor = await tx.store.index("count").openCursor(count);
  const part = cursor?.value;
  if (!part) return undefined;
  if (!part.tried) {
    part.tried = true;
    part.until = at;
    cursor = await cursor!.continue();
    while (part.do === "reads" && cursor && cursor.value.do === "reads" && !cursor.value.tried) {
      const more = cursor.value;
      if (more.zone !== part.zone || more.point !== part.point || part.reads.length + more.reads.length > most) break;
      part.reads.push(...more.reads);
      await cursor.delete();
      cursor = await cursor.continue();
    }
    await tx.store.put(part);
  }
  await tx.done;
  return part;
}

/** sent deletes a part that the server has, and changes its count by what the server answered. */
export async function sent(part: Part, f: (here: Here) => void): Promise<void> {
  const tx = (await db()).transaction(["counts", "parts"], "readwrite", strict);
  if (part.n !== undefined) await tx.objectStore("parts").delete(part.n);
  const here = await tx.objectStore("counts").get(part.count);
  if (here) {
    f(here);
    await tx.objectStore("counts").put(here);
  }
  await tx.done;
}

/** anew changes the parts of a count that the server refused. What was tried is another request then. */
export async function anew(count: string, f: (part: Part) => void): Promise<void> {
  const tx = (await db()).transaction("parts", "readwrite", strict);
  for (let c = await tx.store.index("count").openCursor(count); c; c = await c.continue()) {
    const part = c.value;
    f(part);
    if (part.tried) Object.assign(part, { once: newOnce(), tried: false });
    await c.update(part);
  }
  await tx.done;
}

/** join drops what opens a count, and has its reads go to one that is open. */
export async function join(count: string, server: string): Promise<void> {
  const tx = (await db()).transaction(["counts", "parts"], "readwrite", strict);
  const cursor = await tx.objectStore("parts").index("count").openCursor(count);
  if (cursor?.value.do === "open") await cursor.delete();
  const here = await tx.objectStore("counts").get(count);
  if (here) await tx.objectStore("counts").put({ ...here, server, stuck: undefined });
  await tx.done;
}

/** waiting says how many reads of each count are not sent, and of which counts there is anything to send. */
export async function waiting(): Promise<Map<string, number>> {
  const found = new Map<string, number>();
  const tx = (await db()).transaction("parts");
  for (let c = await tx.store.openCursor(); c; c = await c.continue()) {
    found.set(c.value.count, (found.get(c.value.count) ?? 0) + c.value.reads.reduce((n, r) => n + r[2], 0));
  }
  return found;
}

/** unsentTags lists the tags that were not sent, for a text file. */
export async function unsentTags(count: string): Promise<string[]> {
  const parts = await (await db()).getAllFromIndex("parts", "count", count);
  return [...new Set(parts.flatMap((p) => p.reads.map((r) => r[0])))];
}

/** freshOf returns what a count heard on this device, in order. */
export async function freshOf(count: string): Promise<Fresh[]> {
  return (await (await db()).getAllFromIndex("fresh", "count", count)).flatMap((r) => r.tags);
}

export async function expectedOf(count: string): Promise<Expected[] | undefined> {
  return (await (await db()).get("expected", count))?.items;
}

export async function keepExpected(count: string, items: Expected[]): Promise<void> {
  await (await db()).put("expected", { count, items });
}
