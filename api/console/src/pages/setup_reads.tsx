import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { address, exchange, get, newOnce, post, Problem } from "../lib/api";
import { useAsk } from "../lib/ask";
import { rowsOf, unused } from "../lib/documents";
import { useLive, type Fact } from "../lib/live";
import { usePoll } from "../lib/poll";
import { namesVersion, productName } from "../lib/products";
import { may, session } from "../lib/session";
import { shop, type Shop } from "../lib/shop";
import { remembered, useStore } from "../lib/store";
import { now } from "../lib/time";
import { Note } from "../parts/answer";
import { Copied, Field, Said, useAct, Wrong } from "../parts/fields";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";
import type { Progress } from "./setup";

const readsURL = (site: string) => address("/v1/sites/{site}/reads", { path: { site } });

/** KeyStep makes a key for readers, and shows it once, as a line to paste. */
export function KeyStep(props: { made: string; keep: (text: string) => void; finished: () => void; again: () => void }): JSX.Element {
  const s = useStore(shop);
  const [name, setName] = useState("");
  const act = useAct();
  const once = useRef(newOnce());
  useEffect(() => {
    if (!props.made) act.run(async () => setName(unused("reader", (await get("/v1/keys", {})).keys.map((k) => k.name))));
  }, []);
  if (!s) return <></>;
  const url = location.origin + readsURL(s.id);
  if (props.made) {
    const zone = s.places.find((p) => p.kind === "shelf" || p.kind === "floor") ?? s.places[0];
    const handheld = [...s.points].find(([, p]) => p.role === "handheld")?.[0];
    const point = handheld ?? [...s.points.keys()][0] ?? "handheld-1";
    const body = JSON.stringify([{ epc: "3036451FD40C0E4000000001", read_point: point, ...(handheld && zone ? { zone: zone.id } : {}) }]);
    return (
      <>
        <p>
          <strong>{t.setup.key.once}</strong>
        </p>
        <Copied label={t.setup.key.text} value={props.made} />
        <h3>{t.setup.key.byHand}</h3>
        <p>{t.setup.key.lineDoes(point)}</p>
        <Copied label={t.setup.key.line} lines={4} value={`curl -sS -H 'Authorization: Bearer ${props.made}' -H 'Content-Type: application/json' -d '${body}' '${url}'`} />
        <h3>{t.setup.key.settings}</h3>
        <p>{t.setup.key.settingsMore([...s.points.keys()].slice(0, 20))}</p>
        <Copied label={t.setup.key.url} value={url} />
        <Copied label={t.setup.key.header} value={`Authorization: Bearer ${props.made}`} />
        <button type="button" class="main" onClick={props.finished}>
          {t.setup.on}
        </button>
      </>
    );
  }
  const make = (e: Event) => {
    e.preventDefault();
    act.run(async () => {
      const made = await post("/v1/keys", { body: { name, scopes: ["reads"], sites: [s.id] }, once: once.current });
      once.current = newOnce();
      props.keep(made.key ?? "");
      props.again();
    });
  };
  return (
    <form onSubmit={make} noValidate>
      <p>{t.setup.key.lead(s.name)}</p>
      <Field label={t.setup.key.name} value={name} set={(v) => (setName(v), (once.current = newOnce()))} hint={t.setup.keys.nameHint} code />
      <Wrong error={act.wrong} />
      <button type="submit" class="main" disabled={act.busy || !name}>
        {t.setup.key.make}
      </button>
    </form>
  );
}

/** Reads shows what arrives, and plays a scene where there is no reader yet. */
export function Reads(props: { progress: Progress; keyText: string; finished: () => void }): JSX.Element {
  const s = useStore(shop);
  const who = useStore(session);
  if (!s) return <></>;
  return (
    <>
      {may(who, ["operate", "view"]) && <Arriving shop={s} />}
      {may(who, ["reads"]) || props.keyText ? <Play shop={s} keyText={props.keyText} /> : <Note title={t.setup.reads.other} />}
      {(props.progress.site?.items ?? 0) > 0 && (
        <button type="button" class="main" onClick={props.finished}>
          {t.setup.on}
        </button>
      )}
    </>
  );
}

const shownFacts = 10;

/** Arriving is what the readers report, as it comes. */
function Arriving(props: { shop: Shop }): JSX.Element {
  const [facts, set] = useState<Fact[]>([]);
  const points = useAsk((signal) => get("/v1/sites/{site}/read-points", { path: { site: props.shop.id }, signal }), [props.shop.id]);
  useStore(namesVersion);
  usePoll(points, 3000);
  useLive({
    facts: (list) => {
      const seen = list.filter((f) => f.item && (!f.passage || f.passage.sure) && f.cause in t.setup.reads.fact);
      if (seen.length) set((had) => [...seen.reverse(), ...had].slice(0, shownFacts));
    },
  });
  const list = points.value?.read_points ?? [];
  const heard = list.filter((p) => p.last_report);
  return (
    <>
      <h3>{t.setup.reads.arriving}</h3>
      <ul class="lines">
        {list.slice(0, 20).map((p) => (
          <li key={p.id}>
            <span>
              {p.name || p.id} {p.zone && <span class="soft">{props.shop.name_of(p.zone)}</span>}
            </span>
            <span class="soft">
              {p.last_report ? (
                <>
                  {t.setup.reads.last} <Ago at={p.last_report} />
                </>
              ) : (
                t.setup.reads.never
              )}
            </span>
          </li>
        ))}
      </ul>
      {list.length > 20 && <p class="soft">{t.setup.reads.points(list.length, heard.length)}</p>}
      <ul class="facts-now" aria-live="polite" aria-label={t.setup.reads.arriving}>
        {facts.map((f) => (
          <li key={f.id}>
            <When at={f.at} seconds /> {t.setup.reads.fact[f.cause]?.(productName(props.shop.id, f.gtin, f.item), props.shop.name_of(f.passage?.door ?? f.zone))}
          </li>
        ))}
      </ul>
    </>
  );
}

/** firstProducts are the numbers of some products, from the beginning of the list, however long it is. */
async function firstProducts(most: number): Promise<string[]> {
  const stop = new AbortController();
  const answer = await fetch("/v1/products?format=csv", { signal: stop.signal });
  const reader = answer.body!.pipeThrough(new TextDecoderStream() as TransformStream<BufferSource, string>).getReader();
  let text = "";
  while (text.length < 65_536) {
    const { done, value } = await reader.read();
    if (done) break;
    text += value;
  }
  stop.abort();
  const [head = [], ...rows] = rowsOf(text, most + 1);
  const column = head.indexOf("gtin");
  return rows.flatMap((r) => (r[column] ? [r[column].padStart(14, "0")] : [])).slice(0, most);
}

const perShelf = 3;

/** played are the items that this browser played and that were not taken out again: each as site, space, EPC. */
const played = remembered("lintel.played", "");
const playedIn = (site: string) => played.get().split("\n").flatMap((line) => (line.startsWith(`${site} `) ? line.slice(site.length + 1) : []));
const keepPlayed = (site: string, epcs: string[]) =>
  played.set([...played.get().split("\n").filter((line) => line && !line.startsWith(`${site} `)), ...epcs.map((e) => `${site} ${e}`)].slice(-1000).join("\n"));

const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));

/** Play plays reads through the public API: a handheld counts three shelves, then an item that nobody paid for
 * goes out of the door. What it makes is marked by its serial numbers, and can be taken out again. */
export function Play(props: { shop: Shop; keyText: string }): JSX.Element {
  const s = props.shop;
  const who = useStore(session);
  const act = useAct();
  const [said, say] = useState<string[]>([]);
  const [gone, setGone] = useState(0); // how many of the played items went out since the page was opened
  useStore(played);
  const made = playedIn(s.id);
  const shelves = s.places.filter((p) => p.kind === "shelf" || p.kind === "floor").slice(0, 3);
  const handheld = [...s.points].find(([, p]) => p.role === "handheld")?.[0];
  const door = [...s.points].find(([, p]) => p.role === "portal" && p.side === "inner")?.[1].zone;
  const side = (of: string) => [...s.points].find(([, p]) => p.role === "portal" && p.zone === door && p.side === of)?.[0];
  const inner = side("inner");
  const outer = side("outer");
  const last = shelves[shelves.length - 1];
  if (!handheld || !last) return <Note title={t.setup.reads.noPlay} />;
  const hasDoor = inner !== undefined && outer !== undefined;

  const send = (reads: object[]) => {
    const key = may(who, ["reads"]) ? undefined : props.keyText;
    return exchange("POST", readsURL(s.id), { text: JSON.stringify(reads), once: newOnce(), key });
  };
  const tell = (words: string) => say((had) => [...had, words]);
  /** end has an item go out of the door, or where there is none, to the wrong shelf. */
  const end = async (epc: string) => {
    setGone((n) => n + 1);
    if (!hasDoor) {
      await send([{ epc, read_point: handheld, zone: last.id, rssi: -45 }]);
      tell(t.setup.reads.misplaced(last.name));
      return;
    }
    const began = now() - 1500;
    const strength = [-66, -60, -55, -60, -60, -54, -58, -66]; // dBm: louder, then fainter, first inside and then outside
    await send(strength.map((rssi, i) => ({ epc, read_point: i < 4 ? inner : outer, rssi, time: Math.round(began + 150 * i) })));
    tell(t.setup.reads.passed(s.name_of(door)));
  };
  const play = () =>
    act.run(async () => {
      say([]);
      const gtins = await firstProducts(perShelf * shelves.length);
      if (gtins.length === 0) throw new Problem(0, "", t.setup.reads.noProducts, {});
      const stamp = Math.floor(now() / 1000).toString(36); // so that a scene that is played again has items of its own
      const items: string[] = [];
      for (const [i, shelf] of shelves.entries()) {
        const own = Array.from({ length: perShelf }, (_, k) => `(01)${gtins[(i * perShelf + k) % gtins.length]}(21)played-${stamp}-${i * perShelf + k + 1}`);
        items.push(...own);
        keepPlayed(s.id, [...playedIn(s.id), ...own]);
        for (let round = 0; round < 2; round++) {
          await send(own.map((epc) => ({ epc, read_point: handheld, zone: shelf.id, rssi: -52 })));
          await pause(300);
        }
        tell(t.setup.reads.counted(shelf.name, own.length));
      }
      await pause(1700); // between the shelf and the door lies the way there
      await end(items[0]!);
    });
  const once = () => act.run(() => (say([]), end(made[made.length - 1 - (gone % made.length)]!)));
  const takeOut = () =>
    act.run(async () => {
      await post("/v1/sites/{site}/events", { path: { site: s.id }, body: [{ type: "retired", epcs: made, ref: "played" }], once: newOnce() });
      keepPlayed(s.id, []);
      say([t.setup.reads.takenOut]);
    });
  return (
    <>
      <h3>{t.setup.reads.play}</h3>
      <p>{hasDoor ? t.setup.reads.playMore(shelves.map((p) => p.name), s.name_of(door)) : t.setup.reads.playNoDoor(shelves.map((p) => p.name))}</p>
      <p class="caution">{t.setup.reads.playMakes(perShelf * shelves.length, s.name)}</p>
      <div class="acts">
        <button type="button" disabled={act.busy} onClick={play}>
          {t.setup.reads.playIn(s.name)}
        </button>
        {made.length > 0 && (
          <button type="button" disabled={act.busy} onClick={once}>
            {hasDoor ? t.setup.reads.playOne(s.name_of(door)) : t.setup.reads.playOneMisplaced}
          </button>
        )}
        {made.length > 0 && may(who, ["sales"]) && (
          <button type="button" disabled={act.busy} onClick={takeOut}>
            {t.setup.reads.takeOut(made.length)}
          </button>
        )}
      </div>
      <Said>
        {said.map((w) => (
          <p>{w}</p>
        ))}
      </Said>
      <Wrong error={act.wrong} />
    </>
  );
}
