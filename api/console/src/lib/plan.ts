import type { Shapes } from "./api";

export type Zone = Shapes["ZoneView"];

/** Area is a rectangle on the plan of a storey, metres. */
export interface Area {
  x: number;
  y: number;
  width: number;
  height: number;
}

/** Spot is what a plan needs of a zone. */
export type Spot = Pick<Zone, "zone" | "name" | "kind" | "storey" | "at">;

/** Storey is one plan: where each of its zones is drawn, and how much room that takes, metres. */
export interface Storey<Z> {
  name: string;
  zones: { zone: Z; area: Area }[];
  width: number;
  height: number;
}

export const furthest = 1000; // metres, what the layout takes
export const least = 0.1;
const cell = { width: 3, height: 2 };
const gap = 0.5;

/** bounded keeps an area within what the layout takes, in whole centimetres. */
export function bounded(a: Area): Area {
  const within = (v: number, low: number) => Math.round(Math.min(furthest, Math.max(low, v)) * 100) / 100;
  return { x: within(a.x, 0), y: within(a.y, 0), width: within(a.width, least), height: within(a.height, least) };
}

/** same reports whether two areas are one. */
export const same = (a: Area | undefined, b: Area | undefined) => a?.x === b?.x && a?.y === b?.y && a?.width === b?.width && a?.height === b?.height;

/** storeysOf draws zones by storey, in the layout's order. Those that have no place of their own are in rows below
 * those that do, so that a plan is of use before anybody has drawn one. */
export function storeysOf<Z extends Spot>(zones: Z[], moved: ReadonlyMap<string, Area> = new Map()): Storey<Z>[] {
  const by = new Map<string, Z[]>();
  for (const z of zones) by.set(z.storey ?? "", [...(by.get(z.storey ?? "") ?? []), z]);
  return [...by].map(([name, list]) => {
    const areas = new Map<string, Area>();
    for (const z of list) {
      const area = moved.get(z.zone) ?? z.at;
      if (area) areas.set(z.zone, area);
    }
    const reach = (of: (a: Area) => number) => Math.max(0, ...[...areas.values()].map(of));
    const rest = list.filter((z) => !areas.has(z.zone));
    const top = areas.size ? reach((a) => a.y + a.height) + gap : 0;
    const wide = Math.round(reach((a) => a.x + a.width) / (cell.width + gap));
    const columns = Math.max(wide, Math.min(rest.length, Math.max(3, Math.round(Math.sqrt(rest.length * 1.2)))), 1);
    rest.forEach((z, i) => areas.set(z.zone, { x: (i % columns) * (cell.width + gap), y: top + Math.floor(i / columns) * (cell.height + gap), ...cell }));
    return {
      name,
      zones: list.map((zone) => ({ zone, area: areas.get(zone.zone)! })),
      width: reach((a) => a.x + a.width),
      height: reach((a) => a.y + a.height),
    };
  });
}
