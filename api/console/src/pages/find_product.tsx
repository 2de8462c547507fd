import type { JSX } from "preact";
import { get, Problem } from "../lib/api";
import { useAsk } from "../lib/ask";
import { itemsAt, titleOf } from "../lib/find_links";
import { useLive } from "../lib/live";
import type { Shop } from "../lib/shop";
import { Answer } from "../parts/answer";
import { t } from "../text/en";
import { Heading } from "./find_heading";
import { Items } from "./find_list";

/** Product is all about one product: where how many of it are, and each of them. */
export function Product(props: { shop: Shop; gtin: string }): JSX.Element {
  const { shop: s, gtin } = props;
  const ask = useAsk(
    async (signal) => {
      const path = { site: s.id };
      const found = await get("/v1/sites/{site}/find", { path, query: { q: gtin, limit: 1 }, signal });
      if (found.meant !== "gtin") throw new Problem(404, "", t.find.noProduct, {});
      const { stock } = await get("/v1/sites/{site}/stock", { path, query: { product: gtin, limit: 1000 }, signal });
      return { product: found.products[0] ?? { gtin }, known: found.products.length > 0, stock };
    },
    [s.id, gtin],
  );
  useLive({ opened: () => ask.value && ask.again(), facts: (list) => list.some((f) => f.cause === "stock" && Number(f.gtin) === Number(gtin)) && ask.again() });
  const place = (p: string) => (p.startsWith("kind:") ? (t.find.kinds[p.slice(5)] ?? p.slice(5)) : s.name_of(p));
  return (
    <Answer ask={ask}>
      {({ product: p, known, stock }) => (
        <>
          <Heading>{titleOf(p)}</Heading>
          <p class="soft">{t.find.codes(p.sku ?? "", p.gtin, p.category ?? "")}</p>
          {!known && <p>{t.find.notListed}</p>}
          <p>{t.find.forSaleAt(stock.reduce((n, r) => n + (r.place.startsWith("kind:") ? 0 : r.count), 0), stock.filter((r) => r.count > 0 && !r.place.startsWith("kind:")).length)}</p>
          {stock.length > 0 && (
            <div class="wide" tabIndex={0} role="group" aria-label={t.find.where}>
              <table>
                <caption class="hidden">{t.find.where}</caption>
                <thead>
                  <tr>
                    <th scope="col">{t.find.place}</th>
                    <th scope="col" class="figure">{t.now.there}</th>
                    <th scope="col" class="figure">{t.now.minimum}</th>
                    <th scope="col" class="figure">{t.now.lacking}</th>
                    <th scope="col" class="figure">{t.find.maximum}</th>
                  </tr>
                </thead>
                <tbody>
                  {stock.map((r) => (
                    <tr>
                      <th scope="row">{place(r.place)}</th>
                      <td class="figure">{r.place.startsWith("kind:") || r.count === 0 ? t.number(r.count) : <a href={itemsAt({ zone: r.place, product: gtin, only: "stock" })}>{t.number(r.count)}</a>}</td>
                      <td class="figure">{r.minimum === undefined ? "" : t.number(r.minimum)}</td>
                      <td class={`figure ${r.short ? "wrong" : ""}`}>{r.short ? t.number(r.short) : ""}</td>
                      <td class="figure">{r.maximum === undefined ? "" : t.number(r.maximum)}</td>
                    </tr>
                  ))}
                </tbody>
              </table>
            </div>
          )}
          <h2>{t.find.items}</h2>
          <Items shop={s} which={{ product: gtin }} />
        </>
      )}
    </Answer>
  );
}
