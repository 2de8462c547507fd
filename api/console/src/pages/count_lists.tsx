import type { ComponentChildren, JSX } from "preact";
import { useMemo, useRef, useState } from "preact/hooks";
import { get } from "../lib/api";
import { useAsk } from "../lib/ask";
import type { Counting, Watched } from "../lib/counting";
import { serialOf } from "../lib/find_links";
import type { Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { at } from "../lib/time";
import { Fresh, Growing } from "../parts/lists";
import { t } from "../text/en";

/** Fold is a list behind its number. */
function Fold(props: { title: string; children: () => ComponentChildren }): JSX.Element {
  const [open, set] = useState(false);
  return (
    <details class="fold" onToggle={(e) => set(e.currentTarget.open)}>
      <summary>{props.title}</summary>
      {open && props.children()}
    </details>
  );
}

/** Files are links to a list as text, CSV and sheet. */
export function Files(props: { path: string; label: string; forms: ("txt" | "csv" | "xlsx")[] }): JSX.Element {
  const names = { txt: t.count.fileText, csv: t.count.fileCsv, xlsx: t.count.fileSheet };
  return (
    <p class="choice">
      {props.forms.map((f) => (
        <a class="button" href={`${props.path}.${f}`} download>
          <span class="hidden">{props.label}: </span>
          {names[f]}
        </a>
      ))}
    </p>
  );
}

/** pathOf is the address of a count of the server. */
export function pathOf(c: Counting): string {
  return `/v1/sites/${encodeURIComponent(c.here.site)}/counts/${encodeURIComponent(c.here.server)}`;
}

/** Missing is what should be here and was not heard, with where it was last. What is heard meanwhile stays in
 * its place until one asks for what is left. */
export function Missing(props: { shop: Shop; counting: Counting; lacking: number; blind: boolean; seek: (w: Watched) => void }): JSX.Element | null {
  const { counting: c } = props;
  if (props.blind) return <p class="soft">{t.count.missingBlind}</p>;
  if (!c.expected) return c.here.server ? null : <p class="soft">{t.count.missingUnknown}</p>;
  return <Fold title={t.count.missing(Math.max(0, props.lacking))}>{() => <MissingList {...props} />}</Fold>;
}

function MissingList(props: { shop: Shop; counting: Counting; seek: (w: Watched) => void }): JSX.Element {
  const { counting: c, shop: s } = props;
  useStore(c.version);
  const [round, again] = useState(0);
  const list = useMemo(() => c.missing().sort((a, b) => (a.name ?? "").localeCompare(b.name ?? "") || a.item.localeCompare(b.item)), [round, c.expected]);
  const since = list.filter((e) => c.heard.has(e.item)).length;
  if (list.length === 0) return <p>{t.count.missingNone}</p>;
  return (
    <>
      <p class="caution">{t.now.caution}</p>
      <div class="fresh" aria-live="polite">
        {since > 0 && (
          <button type="button" onClick={() => again(round + 1)}>
            {t.count.missingSince(since)}
          </button>
        )}
      </div>
      <Growing rows={list} class="lines" label={t.count.missingTitle}>
        {(e, i) => (
          <li key={e.item} class={c.heard.has(e.item) ? "soft" : ""}>
            {(i === 0 || list[i - 1]!.gtin !== e.gtin) && <Product gtin={e.gtin} name={e.name || e.gtin || t.count.unnamed} seek={props.seek} />}
            <div>
              {t.count.serial(serialOf(e.item))}
              <div class="soft">
                {c.heard.has(e.item)
                  ? t.count.heardNow
                  : [e.zone && t.count.lastAt(e.zone), e.heard ? t.count.lastHeard(at(e.heard, s.zone)) : t.count.lastNever].filter(Boolean).join(", ")}
              </div>
            </div>
            {!c.heard.has(e.item) && <SeekItem item={e.item} name={e.name || e.item} seek={props.seek} />}
          </li>
        )}
      </Growing>
      {c.here.server && <Files path={`${pathOf(c)}/missing`} label={t.count.missingTitle} forms={["txt", "csv", "xlsx"]} />}
    </>
  );
}

/** Product is above the first of its items. */
function Product(props: { gtin: string | undefined; name: string; seek: (w: Watched) => void }): JSX.Element {
  const { gtin, name } = props;
  return (
    <div class="product">
      <strong>{name}</strong>
      {gtin && (
        <button type="button" class="quiet" onClick={() => props.seek({ gtin, name })}>
          {t.count.seekProduct}
          <span class="hidden">: {name}</span>
        </button>
      )}
    </div>
  );
}

function SeekItem(props: { item: string; name: string; seek: (w: Watched) => void }): JSX.Element {
  const name = `${props.name} ${serialOf(props.item)}`;
  return (
    <button type="button" onClick={() => props.seek({ item: props.item, name })}>
      {t.count.seek}
      <span class="hidden"> {name}</span>
    </button>
  );
}

/** Odd is what was heard and is not expected here. */
export function Odd(props: { counting: Counting; seek: (w: Watched) => void }): JSX.Element | null {
  const c = props.counting;
  if (!c.expected) return null;
  return <Fold title={t.count.odd(c.odd.size)}>{() => <OddList {...props} />}</Fold>;
}

function OddList(props: { counting: Counting; seek: (w: Watched) => void }): JSX.Element {
  const c = props.counting;
  useStore(c.version);
  const at = c.here.server;
  const found = (signal: AbortSignal) => get("/v1/sites/{site}/counts/{id}/items", { path: { site: c.here.site, id: at }, query: { limit: 10_000 }, signal });
  // The server knows the names; without it, those of the products that are expected here.
  const ask = useAsk((signal) => (at ? found(signal) : Promise.reject(new Error())), [at]);
  const shown = useRef<string[] | undefined>(undefined);
  shown.current ??= [...c.odd];
  const [, draw] = useState(0);
  const names = useMemo(() => {
    const found = new Map<string, string>();
    for (const e of c.expected?.values() ?? []) if (e.gtin && e.name) found.set(e.gtin, e.name);
    for (const i of ask.value?.items ?? []) if (i.gtin && i.product?.name) found.set(i.gtin, i.product.name);
    return found;
  }, [c.expected, ask.value]);
  const list = shown.current;
  const more = () => ((shown.current = [...c.odd]), ask.again(), draw((n) => n + 1));
  return (
    <>
      <Fresh count={c.odd.size - list.length} show={more} />
      {list.length === 0 && <p>{t.count.oddNone}</p>}
      <Growing rows={list} class="lines" label={t.count.oddTitle}>
        {(item) => {
          const gtin = /^\(01\)(\d{14})/.exec(item)?.[1];
          const name = names.get(gtin ?? "");
          return (
            <li key={item}>
              <div>
                <strong>{name ?? t.count.unnamed}</strong>
                <div class="soft">{name ? t.count.serial(serialOf(item)) : item}</div>
              </div>
              <SeekItem item={item} name={name ?? item} seek={props.seek} />
            </li>
          );
        }}
      </Growing>
      {c.here.server && <Files path={`${pathOf(c)}/items`} label={t.count.foundTitle} forms={["txt", "csv", "xlsx"]} />}
    </>
  );
}

/** ByHand takes tags that are typed or pasted. */
export function ByHand(props: { counting: Counting }): JSX.Element {
  const field = useRef<HTMLTextAreaElement>(null);
  const [added, set] = useState(0);
  const add = (e: Event) => {
    e.preventDefault();
    const lines = (field.current?.value ?? "").split(/[\r\n]+/).filter((l) => l.trim());
    lines.forEach((l) => props.counting.take(l));
    set(lines.length);
    if (field.current) field.current.value = "";
    field.current?.focus();
  };
  return (
    <details class="fold">
      <summary>{t.count.hand}</summary>
      <form onSubmit={add}>
        <p id="hand-more" class="soft">
          {t.count.handMore}
        </p>
        <label for="hand">{t.count.handLabel}</label>
        <textarea id="hand" ref={field} class="wholerow" rows={4} aria-describedby="hand-more" autocapitalize="none" autocomplete="off" spellcheck={false} />
        <p>
          <button type="submit">{t.count.handAdd}</button>
        </p>
        <p role="status">{added > 0 && t.count.handAdded(added)}</p>
      </form>
    </details>
  );
}

/** Refused is what the server did not take, and why. */
export function Refused(props: { counting: Counting }): JSX.Element | null {
  const here = props.counting.here;
  if (here.refusals === 0) return null;
  return (
    <Fold title={t.count.refused(here.refusals)}>
      {() => (
        <Growing rows={here.refused} class="lines" label={t.count.refused(here.refusals)}>
          {(r) => (
            <li>
              <div>
                <strong>{r.tag}</strong>
                <div class="soft">{r.reason}</div>
              </div>
            </li>
          )}
        </Growing>
      )}
    </Fold>
  );
}

