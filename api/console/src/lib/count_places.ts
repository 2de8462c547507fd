import { get, type Shapes } from "./api";
import { remembers } from "./store";

/** CountPlace is what is known of a zone before it is counted. */
export interface CountPlace {
  last?: string; // when it was counted last
  status?: Shapes["DueZone"]["status"];
  due?: string;
  team?: string;
  blind?: boolean;
  active?: Shapes["CountView"]; // a count of it that is open or paused
}

/** CountPlaces are those of a shop by zone, as of a moment. stale: the server did not answer. */
export interface CountPlaces {
  at: number;
  zones: Record<string, CountPlace>;
  stale?: boolean;
}

const many = 1000;

/** countPlaces asks when the places were counted, what is due and who counts. While the server is away it is
 * what it was. */
export async function countPlaces(site: string, signal: AbortSignal): Promise<CountPlaces> {
  const name = `lintel.places.${site}`;
  const list = (status: "active" | "closed") => get("/v1/sites/{site}/counts", { path: { site }, query: { status, limit: many }, signal });
  try {
    const [plan, active, closed] = await Promise.all([get("/v1/sites/{site}/count-plan", { path: { site }, signal }), list("active"), list("closed")]);
    const zones: Record<string, CountPlace> = {};
    const of = (zone: string) => (zones[zone] ??= {});
    for (const c of closed.counts) if (!c.delivery && !c.only) for (const z of c.zones) of(z).last ??= c.closed_at;
    for (const z of plan.zones) {
      const p = of(z.zone);
      Object.assign(p, { status: z.status, due: z.due_at, team: z.team, blind: z.blind, last: z.last_counted_at ?? p.last });
    }
    for (const c of active.counts) for (const z of c.zones) of(z).active ??= c;
    const found = { at: Date.now(), zones };
    try {
      localStorage.setItem(name, JSON.stringify(found));
    } catch {
      // Then it is not known without the server.
    }
    return found;
  } catch (err) {
    const kept = remembers(name);
    if (!kept || signal.aborted) throw err;
    return { ...(JSON.parse(kept) as CountPlaces), stale: true };
  }
}
