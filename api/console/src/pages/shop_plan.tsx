import type { ComponentChildren, JSX } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import { itemsAt } from "../lib/find_links";
import { storeysOf, type Spot, type Storey, type Zone } from "../lib/plan";
import { to } from "../lib/router";
import { Ago } from "../parts/when";
import { t } from "../text/en";

const smallest = 32; // pixels a metre, at the usual size of text, so that names can be read
const largest = 48;

/** Drawing draws one storey. The page scrolls within it where it does not fit. room is how much is left around
 * it, and fit what is to fit into the page, if not all of it; metres. */
export function Drawing<Z extends Spot>(props: { storey: Storey<Z>; room: number; fit?: number; children: (zone: Z, style: Record<string, string>, scale: number) => ComponentChildren }): JSX.Element {
  const { storey } = props;
  const box = useRef<HTMLDivElement>(null);
  const [wide, set] = useState(0);
  useLayoutEffect(() => {
    if (!box.current) return;
    const seen = new ResizeObserver((list) => list[0] && set(list[0].contentRect.width));
    seen.observe(box.current);
    return () => seen.disconnect();
  }, []);
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  const scale = Math.max(smallest * rem, Math.min(largest * rem, wide / Math.max(1, (props.fit ?? storey.width) + props.room)));
  const px = (metres: number) => `${Math.round(metres * scale)}px`;
  return (
    <div class="wide" ref={box} tabIndex={0} role="group" aria-label={t.shopPage.planOf(storey.name)}>
      <ul class="plan" style={{ "--metre": px(1), inlineSize: px(storey.width + props.room), blockSize: px(storey.height + props.room) }}>
        {storey.zones.map(({ zone, area: a }) => (
          <li key={zone.zone}>{props.children(zone, { insetInlineStart: px(a.x), insetBlockStart: px(a.y), inlineSize: px(a.width), blockSize: px(a.height) }, scale)}</li>
        ))}
      </ul>
    </div>
  );
}

/** full is how full a zone is, from 0 to 1, where a maximum or minimum says what full is. */
function full(z: Zone): number | undefined {
  const whole = z.maximum || z.minimum;
  return whole ? Math.min(1, z.stock / whole) : undefined;
}

/** wrongs are what is to be put right in a zone, in words. */
const wrongs = (z: Zone) => [z.misplaced ? t.shopPage.misplaced(z.misplaced) : "", z.below ? t.shopPage.low(z.below) : ""].filter(Boolean);

/** Content is what stands in a zone of the plan. */
export function Content(props: { zone: Zone }): JSX.Element {
  const z = props.zone;
  const share = full(z);
  return (
    <>
      <span class="name">{z.name}</span>
      <span>
        <span class="hidden">, </span>
        <strong>{t.number(z.stock)}</strong> <span class="hidden">{t.shopPage.stock}</span> <span class="soft">{z.maximum ? t.shopPage.ofMost(z.maximum) : z.minimum ? t.shopPage.ofLeast(z.minimum) : ""}</span>
      </span>
      {wrongs(z).length > 0 && (
        <>
          <span class="hidden">, </span>
          <span class="wrong">{wrongs(z).join(", ")}</span>
          <span class="sign" aria-hidden="true" />
        </>
      )}
      {share !== undefined && <span class="full" aria-hidden="true" style={{ inlineSize: `${share * 100}%` }} />}
    </>
  );
}

/** Plan shows the zones where they are, and what they hold; one that is chosen, more of it. */
export function Plan(props: { zones: Zone[] }): JSX.Element {
  const [chosen, choose] = useState("");
  const panel = useRef<HTMLDivElement>(null);
  useEffect(() => panel.current?.scrollIntoView({ block: "nearest" }), [chosen]);
  const storeys = storeysOf(props.zones);
  return (
    <>
      {storeys.map((s) => {
        const zone = s.zones.find((z) => z.zone.zone === chosen)?.zone;
        return (
          <section aria-label={t.shopPage.planOf(s.name)}>
            {(s.name || storeys.length > 1) && <h2>{t.shopPage.storey(s.name)}</h2>}
            <Drawing storey={s} room={0}>
              {(z, style) => (
                <button type="button" class={`zone ${z.kind}`} style={style} aria-pressed={z.zone === chosen} onClick={() => choose(z.zone === chosen ? "" : z.zone)}>
                  <Content zone={z} />
                </button>
              )}
            </Drawing>
            {zone && (
              <div class="detail" ref={panel} aria-live="polite">
                <h3>{zone.name}</h3>
                <Numbers zone={zone} />
              </div>
            )}
          </section>
        );
      })}
      <p class="soft">{t.shopPage.legend}</p>
      <details>
        <summary>{t.table}</summary>
        <Table zones={props.zones} />
      </details>
    </>
  );
}

/** Numbers are a zone's, each a way to what it counts. */
function Numbers(props: { zone: Zone }): JSX.Element {
  const z = props.zone;
  return (
    <dl class="facts">
      <dt>{t.shopPage.stock}</dt>
      <dd>
        <a href={itemsAt({ zone: z.zone, only: "stock" })}>{t.shopPage.items(z.stock)}</a> {t.shopPage.ofProducts(z.products)}
      </dd>
      {z.items !== z.stock && (
        <>
          <dt>{t.shopPage.all}</dt>
          <dd>
            <a href={itemsAt({ zone: z.zone })}>{t.shopPage.items(z.items)}</a>
          </dd>
        </>
      )}
      <dt>{t.shopPage.astray}</dt>
      <dd>{z.misplaced ? <a href={itemsAt({ zone: z.zone, only: "misplaced" })}>{t.shopPage.items(z.misplaced)}</a> : t.shopPage.none}</dd>
      <dt>{t.shopPage.shouldBe}</dt>
      <dd>
        {t.shopPage.limits(z.minimum, z.maximum)} {z.below > 0 && <a href={to("now")}>{t.shopPage.lacks(z.below, z.short)}</a>}
      </dd>
      <dt>{t.shopPage.counted}</dt>
      <dd>
        <a href={to("count", "place", z.zone)}>{z.last_counted_at ? <Ago at={z.last_counted_at} /> : t.shopPage.never}</a>
      </dd>
    </dl>
  );
}

/** Table is the plan for who can't see it, or wants the figures. */
function Table(props: { zones: Zone[] }): JSX.Element {
  return (
    <div class="wide" tabIndex={0} role="group" aria-label={t.shopPage.plan}>
      <table>
        <thead>
          <tr>
            <th scope="col">{t.shopPage.place}</th>
            <th scope="col" class="figure">{t.shopPage.stock}</th>
            <th scope="col" class="figure">{t.now.minimum}</th>
            <th scope="col" class="figure">{t.find.maximum}</th>
            <th scope="col" class="figure">{t.now.lacking}</th>
            <th scope="col" class="figure">{t.shopPage.astray}</th>
            <th scope="col">{t.shopPage.counted}</th>
          </tr>
        </thead>
        <tbody>
          {props.zones.map((z) => (
            <tr>
              <th scope="row">
                {z.name}
                {z.storey && <div class="soft">{t.shopPage.storey(z.storey)}</div>}
              </th>
              <td class="figure">{z.stock ? <a href={itemsAt({ zone: z.zone, only: "stock" })}>{t.number(z.stock)}</a> : t.number(0)}</td>
              <td class="figure">{z.minimum ? t.number(z.minimum) : ""}</td>
              <td class="figure">{z.maximum ? t.number(z.maximum) : ""}</td>
              <td class="figure">{z.short ? <a href={to("now")}>{t.number(z.short)}</a> : ""}</td>
              <td class="figure">{z.misplaced ? <a href={itemsAt({ zone: z.zone, only: "misplaced" })}>{t.number(z.misplaced)}</a> : ""}</td>
              <td>{z.last_counted_at ? <Ago at={z.last_counted_at} /> : t.shopPage.never}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
