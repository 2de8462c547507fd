import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get } from "../lib/api";
import type { Ask } from "../lib/ask";
import { useLive, type Fact } from "../lib/live";
import { namesVersion, productName } from "../lib/products";
import { to } from "../lib/router";
import { shop, type Shop } from "../lib/shop";
import { tone, unlock } from "../lib/sound";
import { useStore } from "../lib/store";
import { now } from "../lib/time";
import type { PageProps } from "../pages";
import { Answer, Note } from "../parts/answer";
import { Fresh } from "../parts/lists";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";

const most = 100; // passages that are kept
const same = 60_000; // within which a likely and a sure passage of an item are one, milliseconds

type Paid = "paid" | "unpaid" | "unknown";

/** Row is one passage. */
interface Row {
  fact: Fact;
  paid: Paid;
}

function paidBy(f: Fact): Paid {
  if (f.disposition === "retail_sold") return "paid";
  return f.disposition?.startsWith("sellable_") ? "unpaid" : "unknown";
}

/** gather puts facts, oldest first, into the rows, newest first: what was likely becomes what was concluded,
 * and a sale that is reported late counts. */
function gather(rows: Row[], facts: Fact[], door: string): Row[] {
  let list = rows;
  for (const f of facts) {
    if (f.cause === "sold") {
      if (list.some((r) => r.fact.item === f.item)) list = list.map((r) => (r.fact.item === f.item ? { ...r, paid: "paid" } : r));
    } else if (f.cause === "passed" && f.passage && (f.passage.door ?? f.zone) === door) {
      const i = list.findIndex((r) => r.fact.item === f.item && Date.parse(f.at) - Date.parse(r.fact.at) < same);
      const row = { fact: f, paid: paidBy(f) };
      if (i < 0) list = [row, ...list].slice(0, most);
      else if (list[i]!.fact.sequence <= f.sequence) list = list.map((r, k) => (k === i ? row : r));
    }
  }
  return list;
}

/** lastDay asks for the passages and sales of the last day. */
async function lastDay(site: string): Promise<Fact[]> {
  const facts: Fact[] = [];
  const from = new Date(now() - 24 * 3600_000).toISOString();
  for (let cursor: string | undefined; ; ) {
    const part = await get("/v1/sites/{site}/facts", { path: { site }, query: { cause: "passed,sold", from, limit: 5000, cursor } });
    facts.push(...part.facts);
    cursor = part.next;
    if (!cursor) return facts;
  }
}

export default function DoorPage(props: PageProps): JSX.Element | null {
  const s = useStore(shop);
  if (!s) return null;
  const watched = new Set([...s.points.values()].filter((p) => p.role === "portal").map((p) => p.zone));
  const doors = s.places.filter((p) => watched.has(p.id));
  if (doors.length === 0) return <Note title={t.door.none} />;
  const door = doors.find((d) => d.id === props.args[0]) ?? (doors.length === 1 || !props.args[0] ? doors[0] : undefined);
  return (
    <>
      {doors.length > 1 && (
        <ul class="choice" aria-label={t.door.choose}>
          {doors.map((d) => (
            <li>
              <a class="button" href={to("door", d.id)} aria-current={d === door ? "true" : undefined}>
                {d.name}
              </a>
            </li>
          ))}
        </ul>
      )}
      {doors.length === 1 && <p class="lead">{doors[0]!.name}</p>}
      {door ? <Door key={door.id} shop={s} door={door.id} /> : <Note title={t.door.choose} />}
    </>
  );
}

function Door(props: { shop: Shop; door: string }): JSX.Element {
  const [state, set] = useState<{ rows: Row[] | undefined; error: unknown }>({ rows: undefined, error: undefined });
  const [waiting, wait] = useState<Fact[]>([]);
  const [sound, setSound] = useState(false);
  const during = useRef<Fact[]>([]);
  const touched = useRef(0);
  const round = useRef(0);
  useStore(namesVersion);
  const load = () => {
    const mine = ++round.current;
    during.current = [];
    lastDay(props.shop.id).then(
      (facts) => {
        if (mine !== round.current) return;
        set({ rows: gather(gather([], facts, props.door), during.current, props.door), error: undefined });
        wait([]);
      },
      (error: unknown) => mine === round.current && set((s) => ({ ...s, error })),
    );
  };
  useEffect(load, [props.door]);
  // The guard's hands are not on the screen: what comes is shown at once, unless somebody reads further
  // down, or has just touched the list.
  const reading = () => scrollY > 60 || Date.now() - touched.current < 10_000;
  useLive({
    opened: load,
    facts(list) {
      during.current.push(...list);
      if (sound && gather([], list, props.door).some((r) => r.paid === "unpaid" && r.fact.passage?.direction === "out")) tone(523, 250);
      if (reading()) wait((w) => [...w, ...list.filter((f) => f.cause === "sold" || f.cause === "passed")]);
      else set((s) => (s.rows ? { ...s, rows: gather(s.rows, list, props.door) } : s));
    },
  });
  const show = () => {
    set((s) => ({ ...s, rows: gather(s.rows ?? [], waiting, props.door) }));
    wait([]);
    scrollTo({ top: 0 });
  };
  useEffect(() => {
    const timer = setInterval(() => waiting.length > 0 && !reading() && show(), 1000);
    return () => clearInterval(timer);
  }, [waiting]);
  const ask: Ask<Row[]> = { value: state.rows, error: state.error, busy: false, again: load };
  const news = gather([], waiting, props.door);
  return (
    <>
      <p class="caution">{t.door.caution}</p>
      <p>
        <button
          type="button"
          aria-pressed={sound}
          onClick={() => {
            unlock();
            setSound(!sound);
          }}
        >
          {sound ? t.door.soundOn : t.door.sound}
        </button>
      </p>
      <h2>{t.door.last}</h2>
      <Fresh count={news.length} urgent={news.some((r) => r.paid === "unpaid" && r.fact.passage?.direction === "out")} show={show} />
      <Answer ask={ask} empty={(v) => v.length === 0} none={{ title: t.door.empty }}>
        {(rows) => (
          <ol class="passages" aria-label={t.door.last} aria-live="polite" onPointerDown={() => (touched.current = Date.now())} onFocusIn={() => (touched.current = Date.now())}>
            {rows.map((r) => (
              <Line key={`${r.fact.item}${r.fact.at}`} row={r} site={props.shop.id} />
            ))}
          </ol>
        )}
      </Answer>
    </>
  );
}

function Line(props: { row: Row; site: string }): JSX.Element {
  const { fact: f, paid } = props.row;
  const direction = f.passage?.direction ?? "unsure";
  const way = { out: t.door.out, in: t.door.in, unsure: t.door.unsure }[direction] ?? t.door.unsure;
  return (
    <li class={`passage ${paid} ${direction}`}>
      <span class="sign" aria-hidden="true" />
      <div>
        <p class="verdict">{t.door[paid]}</p>
        <p>
          {way}
          {f.passage && !f.passage.sure && ` (${t.door.likely})`}: {productName(props.site, f.gtin, f.item)}
        </p>
      </div>
      <p class="ago">
        <Ago at={f.at} />
        <span class="soft">
          <When at={f.at} seconds />
        </span>
      </p>
    </li>
  );
}
