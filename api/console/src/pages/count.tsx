import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { useAsk } from "../lib/ask";
import { countPlaces, type CountPlace, type CountPlaces } from "../lib/count_places";
import { countsHere, forget, waiting, type Here } from "../lib/count_store";
import { keepPages } from "../lib/offline";
import { to } from "../lib/router";
import { shop, type Place, type Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { at } from "../lib/time";
import type { PageProps } from "../pages";
import { Answer, Note } from "../parts/answer";
import { Growing } from "../parts/lists";
import { t } from "../text/en";
import { Going } from "./count_going";
import { Opening } from "./count_opening";
import { placeNames, PlaceState, useNoPlaceYet } from "./count_parts";

/** CountPage is for who walks along shelves with a reader: choose the place, read, submit. */
export default function CountPage(props: PageProps): JSX.Element | null {
  const s = useStore(shop);
  useEffect(keepPages, []);
  if (!s) return null;
  const [first, zone] = props.args;
  if (first === "place" && zone) return <Opening key={zone} shop={s} zone={zone} />;
  return first ? <Going key={first} shop={s} id={first} /> : <Choose shop={s} />;
}

const rank: Record<string, number> = { overdue: 0, due: 1, running: 2 };

function Choose(props: { shop: Shop }): JSX.Element {
  const s = props.shop;
  const ask = useAsk((signal) => countPlaces(s.id, signal), [s.id]);
  const [words, search] = useState("");
  const unread = useNoPlaceYet();
  useEffect(() => {
    const back = () => document.visibilityState === "visible" && ask.again();
    addEventListener("visibilitychange", back);
    return () => removeEventListener("visibilitychange", back);
  }, []);
  if (s.places.length === 0) return <Note title={t.count.noPlaces} />;
  const wanted = words.trim().toLowerCase();
  const shown = s.places.filter((p) => `${p.name} ${p.storey ?? ""}`.toLowerCase().includes(wanted));
  return (
    <>
      {unread}
      <OnThisDevice shop={s} />
      <p class="lead">{t.count.lead}</p>
      {s.places.length > 8 && (
        <p>
          <label for="place">{t.count.search}</label>
          <input id="place" type="search" autocomplete="off" value={words} onInput={(e) => search(e.currentTarget.value)} />
        </p>
      )}
      <Answer ask={ask}>
        {(v) => {
          const of = (p: Place) => v.zones[p.id]?.status ?? "";
          const when = (p: Place) => v.zones[p.id]?.due ?? "";
          const due = shown.filter((p) => of(p) in rank);
          due.sort((a, b) => rank[of(a)]! - rank[of(b)]! || when(a).localeCompare(when(b)));
          const rest = shown.filter((p) => !(of(p) in rank));
          return (
            <>
              {v.stale && <p class="wrong">{t.count.stale(at(v.at, s.zone))}</p>}
              {due.length > 0 && <h2>{t.count.due}</h2>}
              {due.length > 0 && <Places shop={s} list={due} known={v} label={t.count.due} />}
              {due.length > 0 && rest.length > 0 && <h2>{t.count.all}</h2>}
              {rest.length > 0 && <Places shop={s} list={rest} known={v} label={t.count.all} />}
              {shown.length === 0 && <p role="status">{t.count.none}</p>}
            </>
          );
        }}
      </Answer>
    </>
  );
}

function Places(props: { shop: Shop; list: Place[]; known: CountPlaces; label: string }): JSX.Element {
  return (
    <Growing rows={props.list} class="rowlinks" label={props.label}>
      {(p) => (
        <li key={p.id}>
          <a href={to("count", "place", p.id)}>
            <span>
              <strong>{p.name}</strong>
              {p.storey && <span class="soft"> {p.storey}</span>}
              <span class="soft block">
                <PlaceState place={props.known.zones[p.id]} zone={props.shop.zone} />
              </span>
            </span>
            <Due place={props.known.zones[p.id]} zone={props.shop.zone} />
          </a>
        </li>
      )}
    </Growing>
  );
}

function Due(props: { place: CountPlace | undefined; zone: string }): JSX.Element | null {
  const p = props.place;
  if (!p?.status || p.status === "later" || p.status === "running") return null;
  const words = { overdue: t.count.overdue, due: t.count.dueAt(at(p.due ?? 0, props.zone)), done: t.count.doneNow }[p.status];
  return (
    <span class={p.status === "overdue" ? "tag wrong" : "tag"}>
      {words}
      {p.team && p.status !== "done" && t.count.team(p.team)}
    </span>
  );
}

const keptFor = 24 * 3600_000; // how long a count that is over, and sent, stays on this device

/** OnThisDevice lists the counts that go on, or of which something is not sent. */
function OnThisDevice(props: { shop: Shop }): JSX.Element | null {
  const [list, set] = useState<{ here: Here; unsent: number }[]>([]);
  const [broken, fail] = useState(false);
  const gone = useRef(false);
  useEffect(() => {
    const read = async () => {
      const left = await waiting();
      const all = (await countsHere()).map((here) => ({ here, unsent: left.get(here.id) ?? 0, any: left.has(here.id) }));
      const over = (h: Here) => h.view?.status === "closed" || h.view?.status === "discarded";
      for (const { here, any } of all) if (over(here) && !any && Date.now() - here.viewed > keptFor) await forget(here.id);
      if (!gone.current) set(all.filter((c) => c.here.site === props.shop.id && (c.any || !over(c.here))));
    };
    read().catch(() => fail(true));
    return () => void (gone.current = true);
  }, []);
  if (broken) return <Note kind="bad" title={t.count.noStore} />;
  if (list.length === 0) return null;
  return (
    <>
      <h2>{t.count.here}</h2>
      <ul class="rowlinks" aria-label={t.count.here}>
        {list.map(({ here, unsent }) => (
          <li key={here.id}>
            <a href={to("count", here.id)}>
              <span>
                <strong>{t.count.goOnWith(placeNames(props.shop, here.zones))}</strong>
                <span class="soft block">{t.count.begun(at(here.opened, props.shop.zone))}</span>
              </span>
              <span class={unsent ? "tag wrong" : "tag"}>{unsent ? t.count.hereUnsent(unsent) : t.count.hereSent}</span>
            </a>
          </li>
        ))}
      </ul>
    </>
  );
}
