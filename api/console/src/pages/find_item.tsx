import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { get, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { itemsAt, productAt, serialOf, titleOf } from "../lib/find_links";
import { useLive, type Fact } from "../lib/live";
import type { Shop } from "../lib/shop";
import { now } from "../lib/time";
import { Answer } from "../parts/answer";
import { Growing } from "../parts/lists";
import { Passage } from "../parts/passage";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";
import { Heading } from "./find_heading";

type Found = Shapes["FoundItem"];

/** sureOf says how sure the place of an item is. */
export function sureOf(i: Found): string {
  return i.sure === "away" ? t.find.away[i.disposition] ?? t.find.sure.away! : (t.find.sure[i.sure] ?? "");
}

/** trailOf asks for all that is known to have happened to an item, newest first. */
async function trailOf(site: string, epc: string, signal: AbortSignal): Promise<Fact[]> {
  const facts: Fact[] = [];
  for (let cursor: string | undefined; ; ) {
    const part = await get("/v1/sites/{site}/items/{epc}/trail", { path: { site, epc }, query: { limit: 5000, cursor }, signal });
    facts.push(...part.facts);
    cursor = part.next;
    if (!cursor) return facts.reverse();
  }
}

/** Item is all about one item: where it is, how sure that is, and what happened to it. */
export function Item(props: { shop: Shop; item: string }): JSX.Element {
  const { shop: s, item: epc } = props;
  const ask = useAsk((signal) => get("/v1/sites/{site}/items/{epc}", { path: { site: s.id, epc }, signal }), [s.id, epc]);
  const trail = useAsk((signal) => trailOf(s.id, epc, signal), [s.id, epc]);
  const key = useRef("");
  key.current = ask.value?.item ?? epc;
  const [changed, setChanged] = useState<number>();
  const again = () => {
    ask.again();
    trail.again();
  };
  useLive({
    opened: () => ask.value && again(),
    facts(list) {
      if (!list.some((f) => f.item === key.current)) return;
      setChanged(now());
      again();
    },
  });
  return (
    <Answer ask={ask}>
      {(i) => (
        <>
          <Heading>
            {titleOf(i.product, i.item)} {i.product && <span class="soft">{serialOf(i.item)}</span>}
          </Heading>
          <div class={`whereabouts ${i.sure}`} role="status">
            <p class="verdict">
              <span class="sign" aria-hidden="true" />
              {i.zone ? <a href={itemsAt({ zone: i.zone })}>{t.find.at(s.name_of(i.zone), i.storey ?? "")}</a> : t.find.nowhere}
            </p>
            <p>
              {sureOf(i)}{" "}
              {changed !== undefined && (
                <span class="tag">
                  {t.find.changed} <When at={new Date(changed).toISOString()} seconds />
                </span>
              )}
            </p>
          </div>
          <dl class="facts">
            <dt>{t.find.heard}</dt>
            <dd>
              {i.last_seen ? (
                <>
                  <Ago at={i.last_seen} />, <When at={i.last_seen} seconds />
                  {i.read_point && <span class="soft"> {t.find.by(s.points.get(i.read_point)?.name ?? i.read_point)}</span>}
                </>
              ) : (
                t.find.never
              )}
            </dd>
            {i.since && i.zone && (
              <>
                <dt>{t.find.since}</dt>
                <dd>
                  <When at={i.since} />
                </dd>
              </>
            )}
            {i.from && !i.zone && (
              <>
                <dt>{t.find.before}</dt>
                <dd>{s.name_of(i.from)}</dd>
              </>
            )}
            <dt>{t.find.isIt}</dt>
            <dd>{t.find.state[i.disposition]}</dd>
            {i.product ? (
              <>
                <dt>{t.now.product}</dt>
                <dd>
                  <a href={productAt(i.product.gtin)}>{titleOf(i.product)}</a> <span class="soft">{t.find.codes(i.product.sku ?? "", i.product.gtin, i.product.category ?? "")}</span>
                </dd>
              </>
            ) : (
              <>
                <dt>{t.now.product}</dt>
                <dd>{t.find.foreign}</dd>
              </>
            )}
            <dt>{t.find.identity}</dt>
            <dd>
              <code>{i.item}</code>
              {i.forms?.pure_identity_uri && (
                <>
                  <br />
                  <code>{i.forms.pure_identity_uri}</code>
                </>
              )}
              {i.forms?.digital_link && (
                <>
                  <br />
                  <code>{i.forms.digital_link}</code>
                </>
              )}
            </dd>
          </dl>
          <h2>{t.find.trail}</h2>
          <Answer ask={trail} empty={(v) => v.length === 0} none={{ title: t.find.noTrail, more: t.find.noTrailMore }}>
            {(facts) => (
              <>
                {facts.some((f) => f.passage) && <p class="caution">{t.now.caution}</p>}
                <Growing rows={facts} class="trail" label={t.find.trail}>
                  {(f) => <Step key={f.id} fact={f} shop={s} />}
                </Growing>
              </>
            )}
          </Answer>
        </>
      )}
    </Answer>
  );
}

/** Step is one thing that happened to an item. */
function Step(props: { fact: Fact; shop: Shop }): JSX.Element {
  const { fact: f, shop: s } = props;
  const [open, set] = useState(false);
  const p = f.passage;
  const place = s.name_of(p?.door ?? f.near?.door ?? f.zone ?? f.from);
  const say = t.now.cause[f.cause] ?? t.find.cause[f.cause];
  return (
    <li>
      <p class="soft">
        <When at={f.at} seconds />
      </p>
      <p>
        {say?.(f.cause === "other_shop" ? (f.other_site?.name ?? "") : place) ?? f.cause}{" "}
        {f.from && f.zone && f.from !== f.zone && <span class="soft">{t.find.cameFrom(s.name_of(f.from))}</span>}
        {f.ref && <span class="soft"> {t.find.papers(f.ref)}</span>}
      </p>
      {p && <p class="soft">{t.now.passage({ door: place, direction: p.direction, reads: p.reads, seconds: p.seconds, sure: p.sure, percent: Math.min(99, Math.floor(p.confidence * 100)) })}</p>}
      {p && (
        <details onToggle={(e) => set(e.currentTarget.open)}>
          <summary>{t.find.picture}</summary>
          {open && <Passage site={s.id} fact={f.id} />}
        </details>
      )}
    </li>
  );
}
