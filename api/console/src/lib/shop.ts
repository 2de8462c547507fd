import { get, NoServer, Problem, type Shapes } from "./api";
import { follow } from "./live";
import { may, session } from "./session";
import { remembered, Store } from "./store";

export type Site = Shapes["SiteView"];

/** Place is a zone of the shop. */
export interface Place {
  id: string;
  name: string;
  kind: string;
  storey?: string;
}

/** Shop is the shop that the pages are about. */
export interface Shop {
  id: string;
  name: string;
  zone: string; // IANA time zone
  places: Place[];
  points: Map<string, { name: string; zone: string; side: string; role: string }>;
  /** What the shop asks of each count. */
  fields: CountField[];
  /** name writes a place by its name. */
  name_of(id: string | undefined): string;
}

export const sites = new Store<Site[] | undefined>(undefined);
export const shop = new Store<Shop | undefined>(undefined);
const chosen = remembered("lintel.shop", "");

/** The places by their shop and the shops, for pages that are opened while the server is away. */
const keptShops = remembered("lintel.shops", "");

/** orKept asks, and answers as the server did before while it is away. */
async function orKept<T>(name: string, ask: Promise<T>): Promise<T> {
  const all = JSON.parse(keptShops.get() || "{}") as Record<string, T>;
  try {
    const answer = await ask;
    keptShops.set(JSON.stringify({ ...all, [name]: answer }));
    return answer;
  } catch (err) {
    const away = err instanceof NoServer || (err instanceof Problem && err.status >= 500);
    if (away && name in all) return all[name]!;
    throw err;
  }
}

export interface CountField {
  id: string;
  name?: string;
  type: "text" | "number" | "choice";
  required?: boolean;
  choices?: string[];
}

interface LayoutDocument {
  zones?: { id: string; name?: string; kind: string; storey?: string }[];
  read_points?: { id: string; name?: string; zone?: string; side?: string; role: string }[];
  counts?: { fields?: CountField[] };
}

/** Why the shops are not known, if they are not. */
export const shopsError = new Store<unknown>(undefined);

/** loadShops asks which shops there are, and turns to the one that this browser had, or the first. */
export async function loadShops(): Promise<void> {
  shopsError.set(undefined);
  try {
    const list = (await orKept("", get("/v1/sites", {}))).sites;
    sites.set(list);
    const site = list.find((s) => s.id === chosen.get()) ?? list[0];
    if (site) await turnTo(site.id);
  } catch (err) {
    shopsError.set(err);
  }
}

/** turnTo has all pages be about a shop. */
export async function turnTo(id: string): Promise<void> {
  const site = sites.get()?.find((s) => s.id === id);
  if (!site) return;
  const layout = (await orKept(id, get("/v1/sites/{site}/layout", { path: { site: id } }))) as unknown as LayoutDocument;
  const places = (layout.zones ?? []).map((z) => ({ id: z.id, name: z.name || z.id, kind: z.kind, storey: z.storey }) as Place);
  const names = new Map(places.map((p) => [p.id, p.name]));
  chosen.set(id);
  shop.set({
    id,
    name: site.name || id,
    zone: site.time_zone,
    places,
    points: new Map((layout.read_points ?? []).map((p) => [p.id, { name: p.name || p.id, zone: p.zone ?? "", side: p.side ?? "", role: p.role }])),
    fields: layout.counts?.fields ?? [],
    name_of: (z) => (z ? (names.get(z) ?? z) : ""),
  });
  follow(may(session.get(), ["operate", "view"]) ? id : "");
}

/** leave forgets the shop: nobody is signed in any more. */
export function leave(): void {
  follow("");
  keptShops.set("");
  shop.set(undefined);
  sites.set(undefined);
}
