import type { JSX } from "preact";
import type { Shapes } from "../lib/api";
import { t } from "../text/en";

/** lines are those of a unified diff, without its head; where lines are left out is a line of three points. */
function lines(text: string): string[] {
  const list = text.split("\n").slice(2).filter(Boolean);
  return list.flatMap((l, i) => (!l.startsWith("@@") ? [l] : i > 0 ? ["..."] : []));
}

/** Diff is what differs, as text or product by product. */
export function Diff(props: { changes: Shapes["Changes"] }): JSX.Element {
  const { text, products, masked } = props.changes;
  return (
    <>
      {text && (
        <div class="wide diff" tabIndex={0} role="group" aria-label={t.diff.title}>
          {lines(text).map((l) => (
            <div class={l[0] === "+" ? "added" : l[0] === "-" ? "removed" : undefined}>
              {(l[0] === "+" || l[0] === "-") && <span class="hidden">{l[0] === "+" ? t.diff.added : t.diff.removed}</span>}
              <code>{l}</code>
            </div>
          ))}
        </div>
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
