import type { JSX } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { address, exchange, get, inWords, Problem, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { bounded, furthest, least, same, storeysOf, type Area, type Spot } from "../lib/plan";
import type { Shop } from "../lib/shop";
import { at } from "../lib/time";
import { Answer, Note } from "../parts/answer";
import { t } from "../text/en";
import { Drawing } from "./shop_plan";

const step = 0.5; // metres that an arrow key moves, and to which a drag keeps
const room = 3; // metres around what is there, to move things to

type Areas = ReadonlyMap<string, Area>;
type Layout = Shapes["Layout"];
type Tagged = { value: Layout; tag: string };

/** spotsOf are the zones of a layout, as it has them. */
const spotsOf = (l: Layout): Spot[] =>
  l.zones.map((z) => ({ zone: z.id, name: z.name || z.id, kind: z.kind, storey: z.storey ?? (z as { floor?: string }).floor, at: z.at }) as Spot); // floor: its former name

/** areasOf is where the plan has each zone, by itself or as the layout says. */
const areasOf = (spots: Spot[]): Areas => new Map(storeysOf(spots).flatMap((s) => s.zones.map((z) => [z.zone.zone, z.area] as const)));

const where = (s: Shop, query = {}) => address("/v1/sites/{site}/layout", { path: { site: s.id }, query });

/** layoutOf asks for the layout, with its version. */
async function layoutOf(s: Shop, signal?: AbortSignal): Promise<Tagged> {
  const { text, etag } = await exchange("GET", where(s), signal ? { signal } : {});
  return { value: JSON.parse(text) as Layout, tag: etag };
}

interface Props {
  shop: Shop;
  done: (saved: boolean) => void;
}

/** Arrange has the zones moved on the plan, by pointer, arrow keys or numbers, and stores the layout: only if nobody
 * else changed it meanwhile. done is called with whether it was stored. */
export function Arrange(props: Props): JSX.Element {
  const ask = useAsk((signal) => layoutOf(props.shop, signal), [props.shop.id]);
  return <Answer ask={ask}>{(layout) => <Arranging {...props} layout={layout} />}</Answer>;
}

function Arranging(props: Props & { layout: Tagged }): JSX.Element {
  const { shop: s } = props;
  const [layout, setLayout] = useState(props.layout);
  const zones = useMemo(() => spotsOf(layout.value), [layout]);
  const first = useMemo(() => areasOf(zones), [zones]);
  const [areas, setAreas] = useState<Areas>(first);
  const [before, setBefore] = useState<{ areas: Areas; by: string }[]>([]);
  const [chosen, choose] = useState(zones[0]?.zone ?? "");
  const [note, setNote] = useState("");
  const [conflict, setConflict] = useState("");
  const [busy, setBusy] = useState(false);
  const moved = zones.filter((z) => !same(first.get(z.zone), areas.get(z.zone)));
  const fits = useRef(new Map(storeysOf(zones).map((o) => [o.name, o.width]))); // so that nothing is drawn anew under a finger
  const head = useRef<HTMLParagraphElement>(null);

  useLayoutEffect(() => head.current?.focus(), []);

  /** move puts a zone elsewhere. Steps of one kind that follow each other are taken back together. */
  const move = (zone: string, to: Area, by: string) => {
    if (same(areas.get(zone), bounded(to))) return;
    if (before[before.length - 1]?.by !== by) setBefore([...before, { areas, by }]);
    setAreas(new Map(areas).set(zone, bounded(to)));
    setNote("");
  };
  const undo = () => {
    const last = before[before.length - 1];
    if (!last) return;
    setAreas(last.areas);
    setBefore(before.slice(0, -1));
  };

  const save = async () => {
    setBusy(true);
    setNote("");
    // What has no place of its own would move as others are given one: a storey is stored as a whole.
    const storeys = new Set(moved.map((z) => z.storey ?? ""));
    const given = new Map(zones.filter((z) => storeys.has(z.storey ?? "")).map((z) => [z.zone, bounded(areas.get(z.zone)!)]));
    const body = { ...layout.value, zones: layout.value.zones.map((z) => (given.has(z.id) ? { ...z, at: given.get(z.id)! } : z)) };
    try {
      await exchange("PUT", where(s, { note: t.shopPage.note }), { text: JSON.stringify(body, null, 2), match: layout.tag }); // in lines, as people read it
      props.done(true);
    } catch (err) {
      setBusy(false);
      if (err instanceof Problem && err.code === "version_mismatch") {
        const newest = await get("/v1/sites/{site}/layout/versions", { path: { site: s.id } }).then(
          (v) => v.versions[0],
          () => undefined,
        );
        setConflict(newest ? t.shopPage.conflictBy(newest.by, at(newest.at, s.zone)) : t.shopPage.conflict);
      } else {
        setNote(inWords(err));
      }
    }
  };

  /** takeTheirs takes the layout as others left it, with what was moved here on top. */
  const takeTheirs = async () => {
    setBusy(true);
    try {
      const theirs = await layoutOf(s);
      const now = spotsOf(theirs.value);
      const there = areasOf(now);
      const own = new Map(moved.map((z) => [z.zone, areas.get(z.zone)!]));
      const both = now.filter((z) => own.has(z.zone) && z.at && !same(z.at, first.get(z.zone))).map((z) => z.name);
      setLayout(theirs);
      setAreas(new Map([...there].map(([zone, area]) => [zone, own.get(zone) ?? area])));
      setBefore([]);
      setConflict("");
      setNote(both.length ? t.shopPage.both(both.join(", ")) : t.shopPage.onTop);
    } catch (err) {
      setNote(inWords(err));
    }
    setBusy(false);
  };

  const zone = zones.find((z) => z.zone === chosen);
  return (
    <div class="arrange">
      <p ref={head} tabIndex={-1} id="arrange-how">
        {t.shopPage.how}
      </p>
      {conflict ? (
        <Note kind="bad" title={conflict} more={t.shopPage.conflictMore}>
          <div class="acts">
            <button type="button" class="main" disabled={busy} onClick={() => void takeTheirs()}>
              {t.shopPage.theirs}
            </button>
            <button type="button" onClick={() => props.done(false)}>
              {t.shopPage.leave}
            </button>
          </div>
        </Note>
      ) : (
        <div class="acts">
          <button type="button" class="main" disabled={busy || moved.length === 0} onClick={() => void save()}>
            {t.shopPage.save(moved.length)}
          </button>
          <button type="button" disabled={before.length === 0} onClick={undo}>
            {t.shopPage.undo}
          </button>
          <button type="button" class="quiet" onClick={() => props.done(false)}>
            {t.shopPage.leave}
          </button>
        </div>
      )}
      <p class="wrong" role="status">
        {note}
      </p>
      {zone && <Fields zone={zone} zones={zones} area={areas.get(zone.zone)!} choose={choose} move={(a) => move(zone.zone, a, `fields ${zone.zone}`)} />}
      {storeysOf(zones, areas).map((storey) => (
        <section aria-label={t.shopPage.planOf(storey.name)}>
          <h2>{t.shopPage.storey(storey.name)}</h2>
          <Drawing storey={storey} room={room} fit={fits.current.get(storey.name) ?? storey.width}>
            {(z, style, scale) => (
              <Movable zone={z} style={style} scale={scale} area={areas.get(z.zone)!} chosen={z.zone === chosen} moved={!same(first.get(z.zone), areas.get(z.zone))} choose={() => choose(z.zone)} move={(a, by) => move(z.zone, a, `${by} ${z.zone}`)} />
            )}
          </Drawing>
        </section>
      ))}
    </div>
  );
}

const arrows: Record<string, [number, number]> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** Movable is a zone that can be moved, and made larger by its corner. */
function Movable(props: {
  zone: Spot;
  style: Record<string, string>;
  scale: number;
  area: Area;
  chosen: boolean;
  moved: boolean;
  choose: () => void;
  move: (a: Area, by: string) => void;
}): JSX.Element {
  const { zone: z, area: a } = props;
  const drag = useRef<{ x: number; y: number; from: Area; size: boolean; scale: number; n: number } | undefined>(undefined);
  const drags = useRef(0);
  const rtl = () => (getComputedStyle(document.documentElement).direction === "rtl" ? -1 : 1);
  const to = (from: Area, dx: number, dy: number, size: boolean): Area => (size ? { ...from, width: from.width + dx, height: from.height + dy } : { ...from, x: from.x + dx, y: from.y + dy });
  return (
    <button
      type="button"
      class={`zone movable ${z.kind}`}
      style={props.style}
      aria-pressed={props.chosen}
      aria-describedby="arrange-how"
      onFocus={props.choose}
      onKeyDown={(e) => {
        const by = arrows[e.key];
        if (!by) return;
        e.preventDefault();
        props.move(to(a, by[0] * step * rtl(), by[1] * step, e.shiftKey), e.shiftKey ? "size" : "keys");
      }}
      onPointerDown={(e) => {
        if (e.button !== 0) return;
        props.choose();
        e.currentTarget.setPointerCapture(e.pointerId);
        const size = (e.target as Element).classList.contains("corner");
        drag.current = { x: e.clientX, y: e.clientY, from: a, size, scale: props.scale, n: ++drags.current };
      }}
      onPointerMove={(e) => {
        const d = drag.current;
        if (!d) return;
        const whole = (pixels: number) => Math.round(pixels / d.scale / step) * step;
        props.move(to(d.from, whole(e.clientX - d.x) * rtl(), whole(e.clientY - d.y), d.size), `drag ${d.n}`);
      }}
      onPointerUp={() => (drag.current = undefined)}
      onPointerCancel={() => (drag.current = undefined)}
    >
      <span class="name">{z.name}</span>
      {props.moved && <span class="soft">{t.shopPage.moved}</span>}
      <span class="hidden">{t.shopPage.placed(a.x, a.y, a.width, a.height)}</span>
      <span class="corner" aria-hidden="true" />
    </button>
  );
}

/** Fields are the numbers of the zone that is chosen. */
function Fields(props: { zone: Spot; zones: Spot[]; area: Area; choose: (zone: string) => void; move: (a: Area) => void }): JSX.Element {
  const { area: a } = props;
  const [bad, setBad] = useState("");
  useEffect(() => setBad(""), [props.zone.zone]);
  const field = (name: keyof Area, low: number) => (
    <label>
      {t.shopPage.metres[name]}
      <input
        type="number"
        min={low}
        max={furthest}
        step={0.1}
        value={a[name]}
        aria-invalid={bad === name}
        onInput={(e) => {
          const v = e.currentTarget.valueAsNumber;
          if (!(v >= low && v <= furthest)) return setBad(name);
          setBad("");
          props.move({ ...a, [name]: v });
        }}
      />
    </label>
  );
  return (
    <fieldset class="choice narrow">
      <legend class="hidden">{t.shopPage.numbers}</legend>
      <label>
        {t.shopPage.place}
        <select value={props.zone.zone} onChange={(e) => props.choose(e.currentTarget.value)}>
          {props.zones.map((z) => (
            <option value={z.zone}>{z.name}</option>
          ))}
        </select>
      </label>
      {field("x", 0)}
      {field("y", 0)}
      {field("width", least)}
      {field("height", least)}
      {bad && (
        <p class="wrong" role="alert">
          {t.shopPage.bad(bad === "width" || bad === "height" ? least : 0, furthest)}
        </p>
      )}
    </fieldset>
  );
}
