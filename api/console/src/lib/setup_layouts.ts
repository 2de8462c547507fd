import type { Shapes } from "./api";
import { t } from "../text/en";

export type Layout = Shapes["Layout"];
type Zone = Shapes["Zone"];
type Point = Shapes["Point"];

/** Template is a shop to begin with. */
export interface Template {
  id: "one" | "two" | "plain";
  zones: readonly (readonly [id: string, kind: Zone["kind"], storey?: string])[];
  points: readonly Point[];
}

const door: readonly Point[] = [
  { id: "street-door-in", role: "portal", zone: "street-door", side: "inner", session: "S0", silent_after: "10m" },
  { id: "street-door-out", role: "portal", zone: "street-door", side: "outer", session: "S0", silent_after: "10m" },
];

const handheld: Point = { id: "handheld-1", role: "handheld" };

export const templates: readonly Template[] = [
  {
    id: "one",
    zones: [["front-tables", "floor"], ["shelf-a", "shelf"], ["shelf-b", "shelf"], ["shelf-c", "shelf"], ["till", "checkout"], ["street-door", "exit"]],
    points: [...door, handheld],
  },
  {
    id: "two",
    zones: [
      ["front-tables", "floor", "ground"],
      ["shelf-a", "shelf", "ground"],
      ["shelf-b", "shelf", "ground"],
      ["till", "checkout", "ground"],
      ["street-door", "exit", "ground"],
      ["shelf-c", "shelf", "upper"],
      ["shelf-d", "shelf", "upper"],
      ["childrens-room", "shelf", "upper"],
      ["stockroom", "stockroom", "upper"],
      ["receiving-bay", "receiving", "ground"],
    ],
    points: [...door, handheld, { id: "handheld-2", role: "handheld" }],
  },
  {
    id: "plain",
    zones: [["shelf-a", "shelf"], ["shelf-b", "shelf"], ["shelf-c", "shelf"], ["stockroom", "stockroom"]],
    points: [handheld],
  },
];

/** Row is a place in the list of places, before it is stored. */
export interface Row {
  id: string;
  kind: Zone["kind"];
  name: string;
  storey?: string;
}

/** rowsOfTemplate are its places with the names that they have in the language of the console. */
export function rowsOfTemplate(of: Template): Row[] {
  return of.zones.map(([id, kind, storey]) => ({ id, kind, name: t.setup.shop.zones[id] ?? id, storey }));
}

/** layoutOf makes the document. */
export function layoutOf(of: Template, site: string, name: string, timeZone: string, rows: Row[]): Layout {
  const has = new Set(rows.map((r) => r.id));
  return {
    site,
    name,
    time_zone: timeZone,
    zones: rows.map((r) => ({ id: r.id, name: r.name, kind: r.kind, ...(r.storey ? { storey: r.storey } : {}) })),
    read_points: of.points.filter((p) => !p.zone || has.has(p.zone)).map((p) => ({ ...p, name: t.setup.shop.points[p.id] ?? p.id })),
  };
}

/** sampleCSV is a list of invented products whose homes are places of the shop. Their numbers are of the
 * prefix 952, which GS1 keeps for demonstrations. */
export function sampleCSV(zones: readonly { id: string; kind: string }[]): string {
  const homes = zones.filter((z) => z.kind === "shelf" || z.kind === "floor");
  const rows = t.setup.products.sample.map(([name, category, price], i) => {
    const home = homes[i % Math.max(1, homes.length)]?.id ?? "";
    return [gtin(`9521234${String(10000 + i)}`), `UB-${1001 + i}`, name, category, price, home, home && i < 3 ? `${home}:2` : ""].join(",");
  });
  return `gtin,sku,name,category,price,home_zones,minimum\n${rows.join("\n")}\n`;
}

/** gtin adds the check digit to twelve digits (GS1 General Specifications, section 7.9). */
function gtin(twelve: string): string {
  const sum = [...twelve].reduce((s, d, i) => s + Number(d) * (i % 2 ? 3 : 1), 0);
  return `${twelve}${(10 - (sum % 10)) % 10}`;
}
