import type { JSX } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { get, inWords, Problem } from "../lib/api";
import { unsentTags, forget, join } from "../lib/count_store";
import { Counting, joinIn, type Watched } from "../lib/counting";
import { click, countSound, oddClick } from "../lib/count_sound";
import { listenToWedge } from "../lib/count_wedge";
import { send, sending } from "../lib/count_queue";
import { offline } from "../lib/offline";
import { go, to } from "../lib/router";
import type { Shop } from "../lib/shop";
import { unlock } from "../lib/sound";
import { useStore } from "../lib/store";
import { length, now } from "../lib/time";
import { Loading, Note } from "../parts/answer";
import { Plot } from "../parts/plot";
import { t } from "../text/en";
import { ByHand, Missing, Odd, Refused } from "./count_lists";
import { usePoint } from "./count_opening";
import { Over } from "./count_over";
import { placeNames } from "./count_parts";
import { Seek, type Hears } from "./count_seek";

/** Going is one count, of this device or one that the address names, which is then joined. */
export function Going(props: { shop: Shop; id: string }): JSX.Element {
  const [counting, set] = useState<Counting>();
  const [error, fail] = useState<unknown>();
  const [round, again] = useState(0);
  const { point } = usePoint(props.shop);
  useEffect(() => {
    let gone = false;
    let mine: Counting | undefined;
    const open = async () => {
      fail(undefined);
      mine = await Counting.open(props.id);
      if (!mine) {
        const view = await get("/v1/sites/{site}/counts/{id}", { path: { site: props.shop.id, id: props.id } });
        mine = await Counting.open((await joinIn(props.shop.id, view, point)).id);
      }
      if (gone) mine?.close();
      else set(mine);
    };
    open().catch((err: unknown) => !gone && fail(err));
    return () => {
      gone = true;
      mine?.close();
    };
  }, [round]);
  return (
    <>
      {error !== undefined ? (
        <Note kind="bad" title={error instanceof DOMException ? t.count.noStore : inWords(error)} again={() => again(round + 1)} />
      ) : counting ? (
        <One shop={props.shop} counting={counting} />
      ) : (
        <Loading />
      )}
    </>
  );
}

function One(props: { shop: Shop; counting: Counting }): JSX.Element {
  const { shop: s, counting: c } = props;
  useStore(c.version);
  const over = c.status === "closed" || c.status === "discarded";
  return (
    <>
      <div class="placehead">
        <h2>{placeNames(s, c.here.zones)}</h2>
        <a href={to("count")}>{t.count.back}</a>
      </div>
      {c.here.stuck && <StuckNote shop={s} counting={c} />}
      {over ? <Over shop={s} counting={c} /> : <Live shop={s} counting={c} />}
    </>
  );
}

/** useLight keeps the screen on while one counts: a page whose screen is off hears no reader. */
function useLight(): void {
  useEffect(() => {
    let lock: WakeLockSentinel | undefined;
    let gone = false;
    const ask = async () => {
      if (document.visibilityState !== "visible") return;
      lock = await navigator.wakeLock?.request("screen");
      if (gone) void lock?.release();
    };
    const again = () => void ask().catch(() => {}); // it is not granted everywhere
    again();
    addEventListener("visibilitychange", again);
    return () => {
      gone = true;
      removeEventListener("visibilitychange", again);
      void lock?.release();
    };
  }, []);
}

const quietAfter = 20_000; // ms without a new tag, as the API's "next" has it
const freshFor = 10_000; // ms for which the server's answer is shown as how it stands

function Live(props: { shop: Shop; counting: Counting }): JSX.Element {
  const { shop: s, counting: c } = props;
  const [seek, setSeek] = useState<Watched>();
  const heard = useRef<Hears>(() => {});
  useLayoutEffect(() => {
    c.onHeard = (kind, key, strength) => {
      heard.current(key, strength);
      if (seek) return; // the beat alone
      if (kind === "closed" || (kind === "odd" && !c.here.view?.only)) oddClick();
      else if (kind === "expected" || kind === "new") click();
    };
  }, [c, seek]);
  useLayoutEffect(() => listenToWedge((line) => c.take(line)), [c]);
  useLight();

  const view = c.here.view;
  const expected = view?.expected ?? (c.expected ? c.expected.size : -1);
  const found = Math.max(c.found, view?.progress?.found ?? 0);
  const paused = c.status === "paused";
  const stand = (zone: string) => void c.set((h) => (h.zone = zone));
  return (
    <>
      <Sent counting={c} />
      {paused && <p class="wrong">{t.count.paused}</p>}
      {c.ignored > 0 && (
        <p class="wrong" role="alert">
          {t.count.ignored(c.ignored)}
        </p>
      )}
      {seek && <Seek watched={seek} heard={heard} end={() => setSeek(undefined)} />}
      <div class="counted">
        {expected >= 0 ? (
          <p>
            <strong class="great">{t.count.ofExpected(found, expected)}</strong> <span>{t.count.found}</span>
          </p>
        ) : (
          <p>
            <strong class="great">{t.number(total(c))}</strong> <span>{t.count.tags(total(c))}</span>
          </p>
        )}
        <Next counting={c} />
      </div>
      <p class="soft">{[(view?.pass ?? 1) > 1 && t.count.round(view!.pass), expected >= 0 && t.count.tagsAll(total(c))].filter(Boolean).join(", ")}</p>
      <Acts shop={s} counting={c} paused={paused} found={found} expected={expected} />
      {c.here.zones.length > 1 && (
        <p>
          <label for="stand">{t.count.place}</label>
          <select id="stand" class="wholerow" value={c.here.zone} onChange={(e) => stand(e.currentTarget.value)}>
            {c.here.zones.map((z) => (
              <option value={z}>{s.name_of(z)}</option>
            ))}
          </select>
        </p>
      )}
      <Missing shop={s} counting={c} lacking={expected - found} blind={expected < 0 && !!view?.blind} seek={setSeek} />
      {!view?.only && <Odd counting={c} seek={setSeek} />}
      <Curve counting={c} />
      <ByHand counting={c} />
      <Refused counting={c} />
      <Keeps />
    </>
  );
}

/** total is how many different tags were heard, those that other devices heard among them. */
function total(c: Counting): number {
  const known = c.here.view?.unique ?? 0;
  return c.unsent === 0 && known > 0 ? known : Math.max(known, c.heard.size);
}

/** Sent says what the server does not have yet, always. */
function Sent(props: { counting: Counting }): JSX.Element {
  const c = props.counting;
  const how = useStore(sending);
  const n = c.unsent;
  const away = how.is === "away" || how.is === "signedOut" || !!c.here.stuck;
  const calm = c.here.server ? t.count.sent : t.count.unopened;
  return (
    <>
      <p class={away && n > 0 ? "sendstate wrong" : "sendstate soft"}>
        {n === 0 ? calm : away ? t.count.unsent(n) : t.count.sending(n)}
      </p>
      {away && n > 0 && (
        <p class="soft">
          {how.error instanceof Problem && inWords(how.error)} {t.count.unsentMore}
        </p>
      )}
      {c.atRisk > 0 && (
        <p class="wrong" role="alert">
          {t.count.risk(c.atRisk)}
        </p>
      )}
      {how.is === "away" && n > 0 && (
        <p>
          <button type="button" onClick={send}>
            {t.count.sendNow}
          </button>
        </p>
      )}
      <p class="hidden" role="status">
        {n === 0 ? calm : away ? t.count.unsentMore : ""}
      </p>
    </>
  );
}

/** Next is what to do: the server's word where it answered lately, else whether new tags still come. */
function Next(props: { counting: Counting }): JSX.Element {
  const c = props.counting;
  const [, tick] = useState(0);
  useEffect(() => {
    const timer = setInterval(() => tick((n) => n + 1), 1000);
    return () => clearInterval(timer);
  }, []);
  const last = c.firsts.at(-1) ?? 0;
  const quiet = now() - last;
  const lately = c.here.view?.next && c.lookError === undefined && Date.now() - c.here.viewed < freshFor;
  const word = lately && (c.unsent === 0 || quiet > quietAfter) ? c.here.view!.next! : quiet < quietAfter || c.heard.size === 0 ? "go_on" : "";
  const more = c.heard.size === 0 ? t.count.nextBegin : word ? t.count.nextMore[word] : t.count.nextAway(length(quiet));
  return (
    <div role="status" class={`next ${word}`}>
      {word && (
        <p class="title">
          <span class="sign" aria-hidden="true" /> {t.count.next[word]}
        </p>
      )}
      <p class="soft">{word ? more : t.count.nextAway(length(Math.floor(quiet / 10_000) * 10_000))}</p>
    </div>
  );
}

type Asked = "submit" | "discard";

/** Acts are what can be done to the count. What can't be taken back says in numbers what it would do. */
function Acts(props: { shop: Shop; counting: Counting; paused: boolean; found: number; expected: number }): JSX.Element {
  const { counting: c, found, expected } = props;
  const [asked, ask] = useState<Asked>();
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState("");
  const [refused, refuse] = useState(false);
  const box = useRef<HTMLDivElement>(null);
  const on = useStore(countSound);
  const run = (f: Promise<unknown>, then?: () => void) => {
    const had = document.activeElement as HTMLElement | null;
    const done = () => {
      setBusy(false);
      setTimeout(() => document.activeElement === document.body && had?.focus()); // while it can't be pressed it has no focus
    };
    setBusy(true);
    setWrong("");
    f.then(
      () => (done(), then?.()),
      (err: unknown) => {
        done();
        if (err instanceof Problem && err.code === "little_read") refuse(true);
        else setWrong(inWords(err));
      },
    );
  };
  useLayoutEffect(() => {
    if (asked) box.current?.querySelector("button")?.focus();
  }, [asked]);
  const little = refused || (expected > 0 && found * 10 < expected);
  const end = () => (ask(undefined), refuse(false), setTimeout(() => box.current?.querySelector("button")?.focus()));
  // Every device's reads are counted before it is asked what submitting would do.
  const prepare = () => run(c.flushed().then(() => c.look()), () => ask("submit"));
  return (
    <div
      class="acts"
      ref={box}
      role={asked ? "group" : undefined}
      aria-label={asked && (asked === "submit" ? t.count.submitTitle : t.count.discardTitle)}
      onKeyDown={(e) => e.key === "Escape" && end()}
    >
      {asked === "submit" && (
        <>
          <p>
            <strong>{t.count.submitTitle}</strong>
          </p>
          <p>{expected < 0 ? t.count.submitBlind(total(c)) : t.count.submitWould({ found, missing: expected - found, odd: Math.max(0, total(c) - found) })}</p>
          {little ? <p class="wrong">{t.count.submitLittle(found, Math.max(expected, found))}</p> : <p class="soft">{t.count.submitMeans}</p>}
          <button type="button" class={little ? "" : "main"} disabled={busy} onClick={() => run(c.tell("close", little), end)}>
            {little ? t.count.submitAnyway : t.count.submit}
          </button>
        </>
      )}
      {asked === "discard" && (
        <>
          <p>
            <strong>{t.count.discardTitle}</strong>
          </p>
          <p>{t.count.discardMeans(total(c))}</p>
          <button type="button" disabled={busy} onClick={() => (c.here.server ? run(c.tell("discard"), end) : run(forget(c.here.id), () => go("count")))}>
            {t.count.discard}
          </button>
        </>
      )}
      {asked ? (
        <button type="button" class="quiet" onClick={end}>
          {t.cancel}
        </button>
      ) : (
        <>
          <button type="button" class="main" disabled={busy || !c.here.server} onClick={prepare}>
            {t.count.submit}
          </button>
          <button type="button" disabled={busy || !c.here.server} onClick={() => run(c.tell(props.paused ? "resume" : "pause"), () => (c.ignored = 0))}>
            {props.paused ? t.count.resume : t.count.pause}
          </button>
          {!props.paused && c.heard.size > 0 && (
            <button type="button" disabled={busy} title={t.count.againMore} onClick={() => run(c.round())}>
              {t.count.again}
            </button>
          )}
          <button type="button" aria-pressed={on === "on"} onClick={() => (unlock(), countSound.set(on ? "" : "on"))}>
            {on ? t.count.soundOn : t.count.sound}
          </button>
          <button type="button" class="quiet" disabled={busy} onClick={() => ask("discard")}>
            {t.count.discard}
          </button>
        </>
      )}
      {wrong && (
        <p class="wrong" role="alert">
          {wrong}
        </p>
      )}
    </div>
  );
}

const widths = [2, 5, 10, 30, 60, 300, 600, 1800]; // seconds
const stretches = 40;

/** Curve is how new tags die out, as this device heard them. */
function Curve(props: { counting: Counting }): JSX.Element | null {
  const c = props.counting;
  const [, tick] = useState(0);
  useEffect(() => {
    const timer = setInterval(() => tick((n) => n + 1), 5000);
    return () => clearInterval(timer);
  }, []);
  const from = c.firsts[0] ?? 0;
  const until = Math.floor(now() / 5000);
  const drawn = useMemo(() => {
    const seconds = (until * 5000 + 5000 - from) / 1000;
    const width = widths.find((w) => seconds / w <= stretches) ?? seconds / stretches;
    const values: number[] = new Array(Math.max(1, Math.ceil(seconds / width))).fill(0);
    for (const at of c.firsts) {
      const i = Math.min(values.length - 1, Math.max(0, Math.floor((at - from) / 1000 / width)));
      values[i]!++;
    }
    const long = seconds > 300;
    const x = values.map((_, i) => ((i + 1) * width) / (long ? 60 : 1));
    return { x, xName: long ? t.count.minutes : t.count.seconds, lines: [{ name: t.count.curveY, values }] };
  }, [from, until, c]);
  if (!from) return null;
  return <Plot label={t.count.curve} x={drawn.x} xName={drawn.xName} yName={t.count.curveY} lines={drawn.lines} />;
}

/** Keeps says where the page does not open without network. */
function Keeps(): JSX.Element | null {
  const how = useStore(offline);
  if (how !== "plain" && how !== "never") return null;
  return <p class="caution">{how === "plain" ? t.count.plain : t.count.noWorker}</p>;
}

/** StuckNote is what a person has to decide before anything more is sent. */
function StuckNote(props: { shop: Shop; counting: Counting }): JSX.Element {
  const { point } = usePoint(props.shop);
  const c = props.counting;
  const stuck = c.here.stuck!;
  const [wrong, setWrong] = useState("");
  const run = (f: Promise<unknown>) => f.catch((err: unknown) => setWrong(inWords(err)));
  // Another read point, where the shop no longer has that of the reads.
  const again = () => (stuck.code === "nothing_accepted" ? c.set((h) => (h.point = point)).then(() => c.unstick((p) => (p.point = point))) : c.unstick());
  const save = async () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([(await unsentTags(c.here.id)).join("\n") + "\n"], { type: "text/plain" }));
    link.download = "tags.txt";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
  };
  const words: Record<string, string> = {
    closed: t.count.stuckClosed,
    paused: t.count.stuckPaused,
    discarded: t.count.stuckDiscarded,
    zone_counted: t.count.stuckOther,
  };
  return (
    <Note kind="bad" title={words[stuck.code] ?? t.count.stuck} more={stuck.code in words ? t.count.unsent(c.unsent) : stuck.words}>
      <p class="choice">
        {stuck.other && (
          <>
            <button type="button" onClick={() => run(join(c.here.id, stuck.other!).then(() => c.unstick()))}>
              {t.count.stuckJoin}
            </button>
            <button type="button" onClick={() => run(c.unstick((p) => (p.also = true)))}>
              {t.count.stuckBeside}
            </button>
          </>
        )}
        {stuck.code === "closed" && (
          <button type="button" onClick={() => run(c.tell("reopen"))}>
            {t.count.reopen}
          </button>
        )}
        {stuck.code === "paused" && (
          <button type="button" onClick={() => run(c.tell("resume"))}>
            {t.count.resume}
          </button>
        )}
        {!stuck.other && (
          <button type="button" onClick={() => run(again())}>
            {t.again}
          </button>
        )}
        <button type="button" onClick={() => void run(save())}>
          {t.count.stuckSave}
        </button>
        <button type="button" class="quiet" onClick={() => run(forget(c.here.id).then(() => go("count")))}>
          {t.count.stuckDrop}
        </button>
      </p>
      {wrong && <p class="wrong">{wrong}</p>}
    </Note>
  );
}
