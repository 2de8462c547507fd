import type { Shapes } from "./api";
import { to } from "./router";

/** Which says which items a list has: all that are asked for must be so. */
export interface Which {
  zone?: string;
  product?: string; // a GTIN
  disposition?: Shapes["ItemView"]["disposition"];
  only?: "stock" | "misplaced";
}

/** itemAt is where the page of an item is. */
export const itemAt = (item: string) => to("find", "item", item);

/** productAt is where the page of a product is. */
export const productAt = (gtin: string) => to("find", "product", gtin);

/** foundAt is where the answer to a question is. */
export const foundAt = (q: string) => `${to("find")}?${new URLSearchParams({ q })}`;

/** itemsAt is where a list of items is. */
export function itemsAt(which: Which): string {
  const query = new URLSearchParams(Object.entries(which).filter(([, v]) => v) as [string, string][]).toString();
  return query ? `${to("find")}?${query}` : to("find");
}

/** whichOf reads what itemsAt wrote. */
export function whichOf(query: URLSearchParams): Which {
  const which: Record<string, string> = {};
  for (const name of ["zone", "product", "disposition", "only"]) if (query.get(name)) which[name] = query.get(name)!;
  return which as Which;
}

/** titleOf names a product as well as it is known. */
export const titleOf = (p: { name?: string; sku?: string; gtin?: string } | undefined, otherwise = "") => p?.name || p?.sku || p?.gtin || otherwise;

/** serialOf is what tells an item from others of its product. */
export const serialOf = (item: string) => /\(21\)(.+)$/.exec(item)?.[1] ?? item;
