import type { JSX } from "preact";
import type { Shapes } from "../lib/api";
import { t } from "../text/en";

/** Diff is what differs, as text or product by product. */
export function Diff(props: { changes: Shapes["Changes"] }): JSX.Element {
  const { text, products, masked } = props.changes;
  return (
    <>
      {text && (
        <pre class="wide" tabIndex={0} role="group" aria-label={t.diff.title}>
          {text}
        </pre>
      )}
      {masked?.map((m) => <p class="soft">{t.diff.masked(m)}</p>)}
      {products && (
        <ul class="lines">
          {products.list.map((p) => (
            <li>
              <span>{p.name || p.gtin}</span>
              <span class="soft">
                {t.diff.product[p.change]} {p.fields?.map((f) => `${f.field}: ${f.from || "–"} → ${f.to || "–"}`).join("; ")}
              </span>
            </li>
          ))}
        </ul>
      )}
    </>
  );
}
