import { get, type Shapes } from "./api";
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
  points: Map<string, { zone: string; side: string; role: string }>;
  /** name writes a place by its name. */
  name_of(id: string | undefined): string;
}

export const sites = new Store<Site[] | undefined>(undefined);
export const shop = new Store<Shop | undefined>(undefined);
const chosen = remembered("lintel.shop", "");

interface LayoutDocument {
  zones?: { id: string; name?: string; kind: string; storey?: string }[];
  read_points?: { id: string; zone?: string; side?: string; role: string }[];
}

/** Why the shops are not known, if they are not. */
export const shopsError = new Store<unknown>(undefined);

/** loadShops asks which shops there are, and turns to the one that this browser had, or the first. */
export async function loadShops(): Promise<void> {
  shopsError.set(undefined);
  try {
    const list = (await get("/v1/sites", {})).sites;
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
  const layout = (await get("/v1/sites/{site}/layout", { path: { site: id } })) as unknown as LayoutDocument;
  const places = (layout.zones ?? []).map((z) => ({ id: z.id, name: z.name || z.id, kind: z.kind, storey: z.storey }) as Place);
  const names = new Map(places.map((p) => [p.id, p.name]));
  chosen.set(id);
  shop.set({
    id,
    name: site.name || id,
    zone: site.time_zone,
    places,
    points: new Map((layout.read_points ?? []).map((p) => [p.id, { zone: p.zone ?? "", side: p.side ?? "", role: p.role }])),
    name_of: (z) => (z ? (names.get(z) ?? z) : ""),
  });
  follow(may(session.get(), ["operate", "view"]) ? id : "");
}

/** leave forgets the shop: nobody is signed in any more. */
export function leave(): void {
  follow("");
  shop.set(undefined);
  sites.set(undefined);
}
