import { get } from "./api";
import { Store } from "./store";

/** The names of products by GTIN, as far as they were asked for. */
const names = new Map<string, string>();
const asked = new Set<string>();
const queue: { site: string; gtin: string; item: string }[] = [];
let running = 0;

/** Counts up with each name that came. */
export const namesVersion = new Store(0);

/** productName returns the name of the item's product, or what is known until it came. */
export function productName(site: string, gtin: string | undefined, item: string | undefined): string {
  if (!gtin) return item ?? "";
  const had = names.get(gtin);
  if (had !== undefined) return had || gtin;
  if (item && !asked.has(gtin)) {
    asked.add(gtin);
    queue.push({ site, gtin, item });
    pump();
  }
  return gtin;
}

function pump(): void {
  while (running < 4) {
    const next = queue.shift();
    if (!next) return;
    running++;
    get("/v1/sites/{site}/items/{epc}", { path: { site: next.site, epc: next.item } })
      .then((item) => names.set(next.gtin, item.product?.name ?? ""))
      .catch(() => asked.delete(next.gtin))
      .finally(() => {
        running--;
        namesVersion.set(namesVersion.get() + 1);
        pump();
      });
  }
}
