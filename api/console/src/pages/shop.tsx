import type { ComponentChildren, JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { allAlerts } from "../lib/alerts";
import { get, type Shapes } from "../lib/api";
import { useAsk, type Ask } from "../lib/ask";
import { itemsAt } from "../lib/find_links";
import { useLive } from "../lib/live";
import type { Zone } from "../lib/plan";
import { to } from "../lib/router";
import { may, session } from "../lib/session";
import { shop, type Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { now } from "../lib/time";
import { Answer } from "../parts/answer";
import { Plot } from "../parts/plot";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";
import { Arrange } from "./shop_arrange";
import { Plan } from "./shop_plan";

const hour = 3600_000; // milliseconds
const weeks = 12; // of accuracy and of what rules came to
const rest = 3_000; // milliseconds between two times that figures are asked for
const longRest = 15_000; // of those that take several requests

/** useSoon calls f some time after it was asked to, once however often that was. */
function useSoon(f: () => void, wait = rest): () => void {
  const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  const current = useRef(f);
  current.current = f;
  useEffect(() => () => clearTimeout(timer.current), []);
  return () => {
    timer.current ??= setTimeout(() => {
      timer.current = undefined;
      current.current();
    }, wait);
  };
}

export default function ShopPage(): JSX.Element | null {
  const s = useStore(shop);
  const who = useStore(session);
  const [arranging, arrange] = useState(false);
  const [saved, setSaved] = useState(false);
  const button = useRef<HTMLButtonElement>(null);
  const arranged = useRef(false);
  useEffect(() => {
    if (arranged.current && !arranging) button.current?.focus(); // what was pressed is gone
    arranged.current = arranging;
  }, [arranging]);
  const ask = useAsk((signal) => get("/v1/sites/{site}/zones", { path: { site: s!.id }, signal }), [s?.id]);
  const soon = useSoon(ask.again);
  useLive({ opened: soon, facts: soon });
  if (!s) return null;
  return (
    <>
      <Answer ask={ask}>
        {({ zones }) => (
          <>
            <Lead zones={zones} />
            {arranging ? (
              <Arrange
                shop={s}
                done={(stored) => {
                  arrange(false);
                  setSaved(stored);
                  if (stored) ask.again();
                }}
              />
            ) : (
              <>
                <Plan zones={zones} />
                <p role="status" class="soft">
                  {saved ? t.shopPage.saved : ""}
                </p>
                {may(who, ["author"]) && (
                  <p>
                    <button type="button" ref={button} onClick={() => (setSaved(false), arrange(true))}>
                      {t.shopPage.arrange}
                    </button>
                  </p>
                )}
              </>
            )}
          </>
        )}
      </Answer>
      {!arranging && (
        <div class="columns">
          <Counts shop={s} />
          <Accuracy shop={s} />
          <Ages shop={s} />
          <Readers shop={s} />
          <Channels />
          <Rules shop={s} />
        </div>
      )}
    </>
  );
}

/** Lead is the answer first: how much there is, and what is not as it should be. Its places stay, so that nothing
 * moves as they change. */
function Lead(props: { zones: Zone[] }): JSX.Element {
  const sum = (of: (z: Zone) => number) => props.zones.reduce((n, z) => n + of(z), 0);
  const sums: [string, number, string][] = [
    [itemsAt({ only: "stock" }), sum((z) => z.stock), t.shopPage.leadStock],
    [itemsAt({ only: "misplaced" }), sum((z) => z.misplaced), t.shopPage.leadAstray],
    [to("now"), sum((z) => z.short), t.shopPage.leadShort],
  ];
  return (
    <ul class="sums">
      {sums.map(([href, n, words]) => (
        <li>
          <a href={href}>
            <strong>{t.number(n)}</strong> {words}
          </a>
        </li>
      ))}
    </ul>
  );
}

/** Section is one question about the shop. */
function Section<T>(props: { id: string; title: string; ask: Ask<T>; empty?: (v: T) => boolean; none?: string; more?: string; children: (v: T) => ComponentChildren }): JSX.Element {
  return (
    <section aria-labelledby={props.id}>
      <h2 id={props.id}>{props.title}</h2>
      <Answer ask={props.ask}>
        {(v) =>
          props.empty?.(v) ? (
            <p>
              {props.none} <span class="soft">{props.more}</span>
            </p>
          ) : (
            props.children(v)
          )
        }
      </Answer>
    </section>
  );
}

/** Wide is a table that scrolls by itself where it does not fit. */
function Wide(props: { label: string; columns: string[]; children: ComponentChildren }): JSX.Element {
  return (
    <div class="wide" tabIndex={0} role="group" aria-label={props.label}>
      <table>
        <thead>
          <tr>
            {props.columns.map((c, i) => (
              <th scope="col" class={i ? "figure" : ""}>
                {c}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>{props.children}</tbody>
      </table>
    </div>
  );
}

/** Counts is what was to be counted today and tonight, and what was. */
function Counts(props: { shop: Shop }): JSX.Element {
  const ask = useAsk((signal) => get("/v1/sites/{site}/count-plan", { path: { site: props.shop.id }, signal }), [props.shop.id]);
  const soon = useSoon(ask.again);
  useLive({ opened: soon, facts: (list) => list.some((f) => f.cause === "counted" || f.cause === "overdue" || f.cause === "caught_up") && soon() });
  return (
    <Section id="counts" title={t.shopPage.counts} ask={ask} empty={(v) => v.zones.length === 0} none={t.shopPage.countsNone} more={t.shopPage.countsNoneMore}>
      {({ progress: p, zones }) => (
        <>
          <p>
            <a href={to("count")}>{t.shopPage.countsDone(p.done, p.zones)}</a>
          </p>
          <ul class="lines">
            {zones
              .filter((z) => z.status !== "later")
              .map((z) => (
                <li>
                  <a href={z.status === "running" && z.count ? to("count", z.count) : to("count", "place", z.zone)}>{z.name}</a>
                  <span class={z.status === "overdue" ? "wrong" : "soft"}>
                    {z.paused ? t.shopPage.paused : t.shopPage.status[z.status]}
                    {(z.status === "due" || z.status === "overdue") && (
                      <>
                        {" "}
                        <When at={z.due_at} />
                      </>
                    )}
                  </span>
                </li>
              ))}
          </ul>
        </>
      )}
    </Section>
  );
}

/** accurate is how much of record and shelf agreed, per cent; null for nothing. */
function accurate(rows: Shapes["AccuracyWeek"][]): number | null {
  const sum = (of: (w: Shapes["AccuracyWeek"]) => number) => rows.reduce((n, w) => n + of(w), 0);
  const all = sum((w) => w.expected + w.unexpected);
  return rows.length === 0 ? null : all === 0 ? 100 : (100 * sum((w) => w.matched)) / all;
}

/** weekNumber counts weeks: those of ISO 8601 that follow each other are one apart. */
function weekNumber(week: string): number {
  const [year = 0, n = 0] = week.split("-W").map(Number);
  const fourth = new Date(Date.UTC(year, 0, 4)); // is in the first week
  return Math.floor(fourth.getTime() / (7 * 24 * hour) - ((fourth.getUTCDay() + 6) % 7) / 7) + n;
}

/** Accuracy is how well record and shelf agreed, by week, for the places together or some that were counted
 * together. */
function Accuracy(props: { shop: Shop }): JSX.Element {
  const ask = useAsk((signal) => get("/v1/sites/{site}/count-accuracy", { path: { site: props.shop.id }, query: { weeks }, signal }), [props.shop.id]);
  const [chosen, choose] = useState("");
  const soon = useSoon(ask.again);
  useLive({ opened: soon, facts: (list) => list.some((f) => f.cause === "counted") && soon() });
  const rows = ask.value?.weeks;
  const drawn = useMemo(() => {
    if (!rows) return undefined;
    const newest = Math.max(...rows.map((w) => weekNumber(w.week)));
    const x = Array.from({ length: weeks }, (_, i) => i + 1 - weeks);
    const of = (back: number) => rows.filter((w) => weekNumber(w.week) === newest + back && (chosen === "" || w.names === chosen));
    return { x, lines: [{ name: t.shopPage.accuracyLine, values: x.map((back) => accurate(of(back))) }] };
  }, [rows, chosen]);
  const places = [...new Set(rows?.map((w) => w.names) ?? [])].sort();
  return (
    <Section id="accuracy" title={t.shopPage.accuracy} ask={ask} empty={(v) => v.weeks.length === 0} none={t.shopPage.accuracyNone} more={t.shopPage.accuracyNoneMore}>
      {(v) => (
        <>
          <label class="soft">
            {t.shopPage.place}{" "}
            <select value={chosen} onChange={(e) => choose(e.currentTarget.value)}>
              <option value="">{t.shopPage.allPlaces}</option>
              {places.map((p) => (
                <option value={p}>{p}</option>
              ))}
            </select>
          </label>
          {drawn && <Plot label={t.shopPage.accuracyPlot} x={drawn.x} xName={t.shopPage.weeks} yName={t.shopPage.percent} lines={drawn.lines} />}
          <Wide label={t.shopPage.accuracy} columns={[t.shopPage.place, t.shopPage.week, t.shopPage.percent, t.shopPage.missing, t.shopPage.unexpected]}>
            {v.weeks
              .filter((w) => chosen === "" || w.names === chosen)
              .slice(0, 12)
              .map((w) => (
                <tr>
                  <th scope="row">{w.names}</th>
                  <td class="figure">{t.shopPage.weekOf(w.week)}</td>
                  <td class="figure">{t.shopPage.share(w.item_accuracy)}</td>
                  <td class="figure">{w.missing ? <a href={to("count")}>{t.number(w.missing)}</a> : t.number(0)}</td>
                  <td class="figure">{w.unexpected ? <a href={to("count")}>{t.number(w.unexpected)}</a> : t.number(0)}</td>
                </tr>
              ))}
          </Wide>
        </>
      )}
    </Section>
  );
}

const ages = [hour, 24 * hour, 7 * 24 * hour, Infinity];

/** Ages is how many alerts are open, by how long. */
function Ages(props: { shop: Shop }): JSX.Element {
  const ask = useAsk(() => allAlerts(props.shop.id), [props.shop.id]);
  const soon = useSoon(ask.again, longRest);
  useLive({ opened: soon, alerts: soon });
  return (
    <Section id="ages" title={t.shopPage.ages} ask={ask} empty={(v) => v.length === 0} none={t.now.empty}>
      {(list) => (
        <Wide label={t.shopPage.ages} columns={[t.shopPage.age, ...Object.values(t.now.severity)]}>
          {ages.map((to_, i) => {
            const from = ages[i - 1] ?? -Infinity;
            const old = list.filter((a) => {
              const age = now() - Date.parse(a.opened_at ?? "");
              return age >= from && age < to_;
            });
            return (
              <tr>
                <th scope="row">{t.shopPage.agesOf[i]}</th>
                {Object.keys(t.now.severity).map((severity) => {
                  const n = old.filter((a) => a.severity === severity).length;
                  return <td class="figure">{n ? <a href={to("now")}>{t.number(n)}</a> : t.number(0)}</td>;
                })}
              </tr>
            );
          })}
        </Wide>
      )}
    </Section>
  );
}

/** Readers are the readers that fell silent. */
function Readers(props: { shop: Shop }): JSX.Element {
  const { shop: s } = props;
  const ask = useAsk((signal) => get("/v1/sites/{site}/read-points", { path: { site: s.id }, signal }), [s.id]);
  const soon = useSoon(ask.again);
  useLive({ opened: soon, facts: (list) => list.some((f) => f.cause === "silent" || f.cause === "heard") && soon() });
  return (
    <Section id="readers" title={t.shopPage.readers} ask={ask} empty={(v) => v.read_points.length === 0} none={t.shopPage.readersNone}>
      {({ read_points }) => {
        const silent = read_points.filter((p) => p.silent);
        if (silent.length === 0) return <p>{t.shopPage.readersWell(read_points.length)}</p>;
        return (
          <ul class="lines">
            {silent.map((p) => (
              <li>
                <span>
                  <strong>{p.name}</strong>
                  {p.zone && (
                    <>
                      {", "}
                      <a href={itemsAt({ zone: p.zone })}>{s.name_of(p.zone)}</a>
                    </>
                  )}
                </span>
                <span class="wrong">
                  {t.shopPage.silentFor} {p.last_report && <Ago at={p.last_report} plain />}
                </span>
              </li>
            ))}
          </ul>
        );
      }}
    </Section>
  );
}

/** Channels are those by which messages do not arrive. */
function Channels(): JSX.Element {
  const ask = useAsk((signal) => get("/v1/channels/health", { signal }), []);
  useLive({ opened: useSoon(ask.again) });
  return (
    <Section id="channels" title={t.shopPage.channels} ask={ask} empty={(v) => v.channels.length === 0} none={t.shopPage.channelsNone}>
      {({ channels }) => {
        const bad = channels.filter((c) => c.state === "failing" || c.state === "stopped");
        if (bad.length === 0) return <p>{t.shopPage.channelsWell(channels.length)}</p>;
        return (
          <ul class="lines">
            {bad.map((c) => (
              <li>
                <a href={to("messages", "channel", c.channel)}>{c.channel}</a>
                <span class="wrong">
                  {t.shopPage.channelIs[c.state]} {(c.stopped_at ?? c.failing_since) && <Ago at={(c.stopped_at ?? c.failing_since)!} plain />}
                </span>
                {c.reason && <span class="soft">{c.reason}</span>}
              </li>
            ))}
          </ul>
        );
      }}
    </Section>
  );
}

/** Rules are how often each rule was right, as people judged its alerts. */
function Rules(props: { shop: Shop }): JSX.Element {
  const ask = useAsk((signal) => get("/v1/rules/quality", { query: { site: props.shop.id, weeks, limit: 200 }, signal }), [props.shop.id]);
  return (
    <Section id="rules" title={t.shopPage.rules} ask={ask} empty={(v) => v.rules.length === 0} none={t.shopPage.rulesNone}>
      {(v) => (
        <Wide label={t.shopPage.rules} columns={[t.shopPage.rule, t.shopPage.fired, t.shopPage.open, t.shopPage.right]}>
          {v.rules.map((r) => {
            const q = r.notified.precision;
            return (
              <tr>
                <th scope="row">
                  <a href={to("rules", r.rule)}>{r.rule}</a>
                  {r.mode && r.mode !== "live" && <div class="soft">{t.shopPage.mode[r.mode] ?? r.mode}</div>}
                </th>
                <td class="figure">{t.number(r.notified.fired)}</td>
                <td class="figure">{r.notified.open ? <a href={to("now")}>{t.number(r.notified.open)}</a> : t.number(0)}</td>
                <td class="figure">{q.outcomes === 0 ? <span class="soft">{t.shopPage.notJudged}</span> : t.shopPage.rightOf(q.share ?? 0, q.low, q.high, q.outcomes)}</td>
              </tr>
            );
          })}
        </Wide>
      )}
    </Section>
  );
}
