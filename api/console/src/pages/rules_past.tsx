import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { inWords, type Shapes } from "../lib/api";
import { to } from "../lib/router";
import { tryOut } from "../lib/rules";
import type { Shop } from "../lib/shop";
import { at, length, now } from "../lib/time";
import { Note } from "../parts/answer";
import { Growing } from "../parts/lists";
import { Passage } from "../parts/passage";
import { Plot } from "../parts/plot";
import { t } from "../text/en";

const periods = [1, 7, 28, 90]; // days
const most = 200; // alerts that are shown one by one

type Result = Shapes["TrialResultLine"];
type TrialAlert = Shapes["TrialAlertLine"]["alert"];

/** Past tries a rule on what was recorded of the shop: how often it would have fired, beside the version in
 * force. Nothing is sent. */
export function Past(props: { shop: Shop; name: string; text: string; draft: boolean }): JSX.Element {
  const [days, setDays] = useState(7);
  const [state, set] = useState<{ share: number; raised: number; at: string; alerts: TrialAlert[]; result: Result | undefined; error: unknown }>();
  const [of, setOf] = useState(""); // the text that the result is of
  const running = useRef<AbortController | undefined>(undefined);
  const [busy, setBusy] = useState(false);
  useEffect(() => () => running.current?.abort(), []);
  const run = () => {
    const stop = new AbortController();
    running.current = stop;
    const alerts: TrialAlert[] = [];
    const next = { share: 0, raised: 0, at: "", alerts, result: undefined as Result | undefined, error: undefined as unknown };
    let shown = 0;
    setOf(props.text);
    setBusy(true);
    set(next);
    const query = { site: props.shop.id, from: new Date(now() - days * 86_400_000).toISOString(), alerts: most };
    tryOut(props.name, props.text, query, (l) => {
      if (l.type === "alert") alerts.push(l.alert);
      else if (l.type === "progress") Object.assign(next, { share: l.share, raised: l.raised, at: l.at });
      else if (l.type === "result") next.result = l;
      if (l.type === "alert" || (l.type === "progress" && Date.now() - shown < 200)) return;
      shown = Date.now();
      set({ ...next });
    }, stop.signal)
      .catch((error: unknown) => stop.signal.aborted || set({ ...next, error }))
      .finally(() => {
        if (stop.signal.aborted && !next.result) set(undefined);
        setBusy(false);
      });
  };
  return (
    <>
      <p class="caution">{t.rules.pastNever}</p>
      <p>{props.draft ? t.rules.pastDraft : t.rules.pastStored}</p>
      <div class="acts">
        <label>
          {t.rules.period}{" "}
          <select value={days} disabled={busy} onChange={(e) => setDays(Number(e.currentTarget.value))}>
            {periods.map((d) => (
              <option value={d}>{t.rules.lastDays(d)}</option>
            ))}
          </select>
        </label>
        {busy ? (
          <button type="button" onClick={() => running.current?.abort()}>
            {t.rules.stop}
          </button>
        ) : (
          <button type="button" class="main" onClick={run}>
            {t.rules.tryIt}
          </button>
        )}
      </div>
      {busy && state && (
        <div role="status">
          <progress aria-label={t.rules.progress} value={state.share} max={1} />
          <p class="soft">{t.rules.soFar(state.at && at(state.at, props.shop.zone), state.raised)}</p>
        </div>
      )}
      {state?.error !== undefined && <Note kind="bad" title={inWords(state.error)} again={run} />}
      {!busy && state?.result && (
        <>
          {of !== props.text && <p class="caution">{t.rules.pastOther}</p>}
          <Outcome shop={props.shop} result={state.result} alerts={state.alerts} />
        </>
      )}
    </>
  );
}

/** daysOf lists the local dates of a trial. */
function daysOf(r: Result): string[] {
  const date = new Intl.DateTimeFormat("en-CA", { timeZone: r.time_zone, year: "numeric", month: "2-digit", day: "2-digit" });
  const list: string[] = [];
  const end = date.format(new Date(Date.parse(r.to) - 1));
  for (let ms = Date.parse(r.from); list.length < 400; ms += 43_200_000) {
    const d = date.format(new Date(ms));
    if (list[list.length - 1] !== d) list.push(d);
    if (d >= end) return list;
  }
  return list;
}

function Outcome(props: { shop: Shop; result: Result; alerts: TrialAlert[] }): JSX.Element {
  const r = props.result;
  const live = r.live?.result;
  const other = live && !r.live?.same ? live : undefined;
  const days = useMemo(() => daysOf(r), [r]);
  const x = useMemo(() => days.map((_, i) => i), [days]);
  const lines = useMemo(() => {
    const by = (list: Shapes["TrialResult"]["by_day"]) => {
      const counts = new Map(list.map((d) => [d.date, d.raised]));
      return days.map((d) => counts.get(d) ?? 0);
    };
    return [{ name: t.rules.tried, values: by(r.tried.by_day) }, ...(other ? [{ name: t.rules.inForceLine, values: by(other.by_day), dashed: true }] : [])];
  }, [r]);
  const day = (i: number) => (Number.isInteger(i) && days[i] ? new Intl.DateTimeFormat(t.language, { day: "numeric", month: "short", timeZone: "UTC" }).format(new Date(days[i]!)) : "");
  const held = (list: Record<string, number>) =>
    Object.entries(list)
      .filter(([, n]) => n > 0)
      .map(([why, n]) => t.rules.heldBack(t.rules.why[why] ?? why, n))
      .join(", ");
  const sent = (res: Shapes["TrialResult"]) => res.messages.map((m) => t.rules.messages(m.channel, m.sent, m.unknown ?? false)).join(", ") || t.rules.noMessages;
  const rows: [string, (res: Shapes["TrialResult"]) => string][] = [
    [t.rules.raised, (res) => t.number(res.raised)],
    [t.rules.stillOpen, (res) => t.number(res.still_open)],
    [t.rules.median, (res) => (res.open_seconds.ended ? length(res.open_seconds.median * 1000) : "")],
    [t.rules.would, sent],
    [t.rules.held, (res) => held(res.held_back) || t.rules.nothing],
  ];
  return (
    <>
      <p class="lead" role="status">
        {t.rules.outcome(r.tried.raised)} {r.live?.same ? t.rules.outcomeSame : live ? t.rules.outcomeLive(live.raised) : t.rules.outcomeNew}
      </p>
      {r.partial && <p class="caution">{t.rules.partial}</p>}
      {r.tried.failure && <p class="wrong">{t.rules.failedWith(r.tried.errors, r.tried.failure)}</p>}
      {r.live?.compared && other && (
        <p>{t.rules.compared(r.live.compared.both, r.live.compared.only_tried, r.live.compared.only_other)}</p>
      )}
      {r.recorded && r.recorded.other > 0 && <p>{t.rules.recorded(r.recorded.other, r.recorded.both, r.recorded.avoided.length, r.recorded.missed.filter((m) => m.outcome === "genuine").length)}</p>}
      <Plot label={t.rules.plot} x={x} xName={t.rules.day} yName={t.rules.alerts} lines={lines} xFormat={day} whole />
      <div class="wide" tabIndex={0} role="group" aria-label={t.rules.counts}>
        <table>
          <thead>
            <tr>
              <td />
              <th scope="col">{t.rules.tried}</th>
              {other && <th scope="col">{t.rules.inForceLine}</th>}
            </tr>
          </thead>
          <tbody>
            {rows.map(([label, value]) => (
              <tr>
                <th scope="row">{label}</th>
                <td>{value(r.tried)}</td>
                {other && <td>{value(other)}</td>}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <h2>{t.rules.examples}</h2>
      {props.alerts.length === 0 ? (
        <p class="soft">{t.rules.noExamples}</p>
      ) : (
        <>
          {props.alerts.length < r.tried.raised && <p class="soft">{t.rules.firstOf(props.alerts.length, r.tried.raised)}</p>}
          <Growing rows={props.alerts} class="lines shared" label={t.rules.examples}>
            {(a) => <Example alert={a} shop={props.shop} />}
          </Growing>
        </>
      )}
      <details>
        <summary>{t.rules.limits}</summary>
        <ul class="parts">
          {r.notes.map((n) => (
            <li>{n}</li>
          ))}
        </ul>
      </details>
    </>
  );
}

/** Example is an alert that the rule would have raised. */
function Example(props: { alert: TrialAlert; shop: Shop }): JSX.Element {
  const a = props.alert;
  const [open, setOpen] = useState(false);
  return (
    <li>
      <div>
        <p>{a.item ? <a href={to("find", "item", a.item)}>{a.say}</a> : a.say}</p>
        {a.opened_at && <p class="soft">{at(a.opened_at, props.shop.zone)}</p>}
      </div>
      {a.passage && a.fact && (
        <button type="button" aria-expanded={open} onClick={() => setOpen(!open)}>
          {t.rules.passage}
        </button>
      )}
      {open && a.fact && (
        <div class="detail">
          <Passage site={props.shop.id} fact={a.fact} />
        </div>
      )}
    </li>
  );
}
