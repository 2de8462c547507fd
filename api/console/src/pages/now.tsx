import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { address, get, inWords, newOnce, post, type Shapes } from "../lib/api";
import { allAlerts, type Alert } from "../lib/alerts";
import { useAsk, type Ask } from "../lib/ask";
import { itemAt, productAt, serialOf, titleOf } from "../lib/find_links";
import { useLive, type AlertChange } from "../lib/live";
import { may, session } from "../lib/session";
import { shop, type Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { at, now } from "../lib/time";
import { Answer } from "../parts/answer";
import { Fresh, Growing } from "../parts/lists";
import { Passage } from "../parts/passage";
import { Ago } from "../parts/when";
import { t } from "../text/en";

const rank: Record<string, number> = { urgent: 0, warning: 1, info: 2 };
const active = (a: Alert) => a.status === "open" || a.status === "acknowledged";

/** before orders alerts: the most urgent first, what nobody has taken before what somebody has, the newest
 * first. */
function before(a: Alert, b: Alert): number {
  return (
    (rank[a.severity] ?? 3) - (rank[b.severity] ?? 3) ||
    Number(a.status !== "open") - Number(b.status !== "open") ||
    (b.opened_at ?? "").localeCompare(a.opened_at ?? "") ||
    a.id.localeCompare(b.id)
  );
}

/** useAlerts keeps the alerts of the shop. What is shown keeps its order until show() is called: what came
 * or ended meanwhile waits. */
function useAlerts(site: string) {
  const known = useRef(new Map<string, Alert>());
  const during = useRef<AlertChange[]>([]);
  const shown = useRef<string[]>([]);
  const round = useRef(0);
  const [, draw] = useState(0);
  const [state, set] = useState<{ asked: boolean; error: unknown }>({ asked: false, error: undefined });

  const order = () => {
    for (const [id, a] of known.current) if (!active(a)) known.current.delete(id);
    shown.current = [...known.current.values()].sort(before).map((a) => a.id);
  };
  const changed = () => {
    if (!shown.current.some((id) => known.current.has(id))) order(); // nobody reads an empty list
    draw((n) => n + 1);
  };
  const apply = (list: Alert[]) => {
    const visible = new Set(shown.current);
    for (const a of list) {
      if (active(a) || visible.has(a.id)) known.current.set(a.id, a);
      else known.current.delete(a.id);
    }
  };
  const load = () => {
    const mine = ++round.current;
    during.current = [];
    const first = (list: Alert[]) => {
      if (mine !== round.current) return;
      apply(list);
      set({ asked: true, error: undefined });
      changed();
    };
    allAlerts(site, first).then(
      (list) => {
        if (mine !== round.current) return;
        const there = new Set(list.map((a) => a.id));
        for (const a of known.current.values()) if (active(a) && !there.has(a.id)) known.current.set(a.id, { ...a, status: "cleared" });
        apply(list);
        apply(during.current.map((c) => c.alert)); // newer than the answer
        set({ asked: true, error: undefined });
        changed();
      },
      (error: unknown) => mine === round.current && set((s) => ({ ...s, error })),
    );
  };
  useEffect(load, [site]);
  useLive({
    opened: load,
    alerts(list) {
      const own = list.filter((c) => !c.alert.watch);
      during.current.push(...own);
      apply(own.map((c) => c.alert));
      changed();
    },
  });
  const rows = shown.current.flatMap((id) => known.current.get(id) ?? []);
  const visible = new Set(shown.current);
  const waiting = [...known.current.values()].filter((a) => active(a) && !visible.has(a.id));
  const ask: Ask<Alert[]> = { value: state.asked ? rows : undefined, error: state.error, busy: false, again: load };
  return {
    ask,
    waiting,
    over: rows.filter((a) => !active(a)).length,
    total: rows.filter(active).length + waiting.length,
    show: () => (order(), draw((n) => n + 1)),
    put: (a: Alert) => (apply([a]), draw((n) => n + 1)),
  };
}

export default function NowPage(): JSX.Element | null {
  const s = useStore(shop);
  return s ? <Now shop={s} /> : null;
}

function Now(props: { shop: Shop }): JSX.Element {
  const { ask, waiting, over, total, show, put } = useAlerts(props.shop.id);
  return (
    <>
      {total > 0 && <p class="lead">{t.now.lead(total)}</p>}
      <p class="caution">{t.now.caution}</p>
      {total > 3 && (
        <button type="button" class="quiet" onClick={() => document.getElementById("picks")?.focus()}>
          {t.now.toPicks}
        </button>
      )}
      <Fresh count={waiting.length} over={over} urgent={waiting.some((a) => a.severity === "urgent")} show={show} />
      <Answer ask={ask} empty={(v) => v.length === 0} none={{ title: t.now.empty, more: t.now.emptyMore }}>
        {(rows) => (
          <Growing rows={rows} class="alerts" label={t.page.now}>
            {(a) => <Row key={a.id} alert={a} shop={props.shop} put={put} />}
          </Growing>
        )}
      </Answer>
      <Picks shop={props.shop} />
      <Over shop={props.shop} />
    </>
  );
}

/** Over is what ended or was closed within a day, when somebody asks for it: an outcome can still be given
 * or corrected there. */
function Over(props: { shop: Shop }): JSX.Element {
  const [open, setOpen] = useState(false);
  return (
    <details onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>{t.now.over}</summary>
      {open && <OverList shop={props.shop} />}
    </details>
  );
}

function OverList(props: { shop: Shop }): JSX.Element {
  const site = props.shop.id;
  const [changed, set] = useState(new Map<string, Alert>());
  const ask = useAsk(
    async (signal) => {
      const from = new Date(now() - 24 * 3_600_000).toISOString();
      const parts = await Promise.all((["closed", "cleared"] as const).map((status) => get("/v1/alerts", { query: { site, status, from, limit: 200 }, signal })));
      return parts.flatMap((p) => p.alerts).filter((a) => !a.watch).sort((a, b) => ended(b).localeCompare(ended(a)));
    },
    [site],
  );
  return (
    <Answer ask={ask} empty={(v) => v.length === 0} none={{ title: t.now.overNone }}>
      {(rows) => (
        <Growing rows={rows} class="alerts" label={t.now.over}>
          {(a) => <Row key={a.id} alert={changed.get(a.id) ?? a} shop={props.shop} put={(b) => set(new Map(changed).set(b.id, b))} />}
        </Growing>
      )}
    </Answer>
  );
}

/** ended is when an alert was closed or ended by itself. */
function ended(a: Alert): string {
  return a.closed_at ?? a.cleared_at ?? "";
}

/** placeOf names where an alert is about. */
function placeOf(a: Alert, s: Shop): string {
  return s.name_of(a.passage?.door ?? a.zone ?? a.place?.replace(/^kind:/, "") ?? s.points.get(a.reader ?? "")?.zone);
}

function Row(props: { alert: Alert; shop: Shop; put: (a: Alert) => void }): JSX.Element {
  const a = props.alert;
  const who = useStore(session);
  const [open, setOpen] = useState(false);
  const [closing, setClosing] = useState(false);
  const [busy, setBusy] = useState(false);
  const [note, setNote] = useState("");
  const once = useRef(newOnce());
  const acts = useRef<HTMLDivElement>(null);
  const operates = may(who, ["operate"]);
  const mayAct = operates && active(a);
  const correcting = a.status === "closed";
  const place = placeOf(a, props.shop);
  const name = `alert-${a.id}`;

  const act = (ask: (key: string) => Promise<Shapes["ActAnswer"]>) => {
    setBusy(true);
    setNote("");
    ask(once.current).then(
      (done) => {
        once.current = newOnce();
        setBusy(false);
        setClosing(false);
        if (done.alert) props.put(done.alert);
        else setNote(t.now.later);
        setTimeout(() => acts.current?.querySelector("button")?.focus()); // what was pressed is gone
      },
      (err: unknown) => {
        setBusy(false);
        setNote(inWords(err)); // the same Idempotency-Key goes with the next try: nothing is done twice
      },
    );
  };
  const take = () => act((key) => post("/v1/alerts/{id}/acknowledge", { path: { id: a.id }, body: {}, once: `${key}-take` }));
  const close = (outcome: Shapes["CloseRequest"]["outcome"]) =>
    act((key) => post(correcting ? "/v1/alerts/{id}/correct" : "/v1/alerts/{id}/close", { path: { id: a.id }, body: { outcome }, once: `${key}-${outcome}` }));
  useEffect(() => {
    if (closing) acts.current?.querySelector("button")?.focus();
  }, [closing]);

  return (
    <li class={`alert ${a.severity} ${active(a) ? "" : "over"}`} aria-labelledby={name}>
      <p class="kind">
        <span class="sign" aria-hidden="true" />
        {t.now.severity[a.severity] ?? a.severity}
        {place && <span class="place">{place}</span>}
        {a.opened_at && (
          <span class="ago">
            <Ago at={a.opened_at} />
          </span>
        )}
      </p>
      <p class="say" id={name}>
        {a.say} {a.gathered_count ? t.now.joined(a.gathered_count) : ""}
      </p>
      {a.status === "acknowledged" && a.acknowledged_at && (
        <p class="soft">{t.now.taken(a.acknowledged_by ?? "", at(a.acknowledged_at, props.shop.zone))}</p>
      )}
      {a.status === "cleared" && <p class="soft">{t.now.ended}</p>}
      {a.status === "closed" && <p class="soft">{a.outcome ? t.now.closed(t.now.outcome[a.outcome] ?? a.outcome) : t.now.closedPlain}</p>}
      {corrected(a).map((o) => (
        <p class="soft">{t.now.before(t.now.outcome[o] ?? o)}</p>
      ))}
      <div class="acts" ref={acts} role={closing ? "group" : undefined} aria-label={closing ? t.now.closeAs : undefined} onKeyDown={(e) => e.key === "Escape" && setClosing(false)}>
        {closing ? (
          <>
            <p class="soft">{t.now.closeAs}</p>
            {(["genuine", "false", "unclear"] as const)
              .filter((o) => !correcting || o !== a.outcome)
              .map((o) => (
                <button type="button" disabled={busy} onClick={() => close(o)}>
                  {t.now.outcome[o]}
                </button>
              ))}
            <button type="button" class="quiet" onClick={() => setClosing(false)}>
              {t.cancel}
            </button>
          </>
        ) : (
          <>
            {mayAct && a.status === "open" && (
              <button type="button" class="main" disabled={busy} onClick={take} aria-describedby={name}>
                {t.now.take}
              </button>
            )}
            {operates && (
              <button type="button" disabled={busy} onClick={() => setClosing(true)} aria-describedby={name}>
                {correcting ? t.now.correct : active(a) ? t.now.closeIt : t.now.outcomeOf}
              </button>
            )}
            <button type="button" class="quiet" aria-expanded={open} aria-describedby={name} onClick={() => setOpen(!open)}>
              {t.now.why}
            </button>
          </>
        )}
      </div>
      {note && (
        <p class="wrong" role="alert">
          {note}
        </p>
      )}
      {open && <Detail alert={a} shop={props.shop} />}
    </li>
  );
}

/** corrected are the outcomes that were given before the one that counts. */
function corrected(a: Alert): string[] {
  return (a.history ?? []).flatMap((h) => h.outcome ?? []).slice(0, -1);
}

const things = 20; // that an alert leads to by itself

/** Things is the way to what an alert is about. */
function Things(props: { alert: Alert }): JSX.Element | null {
  const a = props.alert;
  const items = [...new Set([a.item ?? "", ...(a.gathered ?? [])])].filter(Boolean);
  if (items.length === 0 && !a.gtin) return null;
  return (
    <ul class="choice" aria-label={t.now.find}>
      {items.slice(0, things).map((item) => (
        <li>
          <a class="button" href={itemAt(item)}>
            {t.now.findItem(serialOf(item))}
          </a>
        </li>
      ))}
      {a.gtin && (
        <li>
          <a class="button" href={productAt(a.gtin)}>
            {t.now.findProduct}
          </a>
        </li>
      )}
    </ul>
  );
}

interface WhyPart {
  text: string;
  value: boolean;
  parts?: WhyPart[];
}

/** leaves are the parts of a condition that have no parts. */
function leaves(w: WhyPart): WhyPart[] {
  return w.parts?.length ? w.parts.flatMap(leaves) : [w];
}

function Detail(props: { alert: Alert; shop: Shop }): JSX.Element {
  const { alert: a, shop: s } = props;
  const place = placeOf(a, s);
  const p = a.passage;
  const exit = p !== undefined || s.places.find((z) => z.id === a.zone)?.kind === "exit";
  const why = a.why as WhyPart | undefined;
  return (
    <div class="detail">
      <h2>{t.now.doTitle}</h2>
      <p>{t.now.doOf[exit ? "exit" : a.about]}</p>
      <Things alert={a} />
      <h2>{t.now.because}</h2>
      <p>
        {p
          ? t.now.passage({ door: s.name_of(p.door ?? a.zone), direction: p.direction, reads: p.reads, seconds: p.seconds, sure: p.sure, percent: Math.min(99, Math.floor(p.confidence * 100)) })
          : a.cause && t.now.cause[a.cause]?.(place)}
      </p>
      {p && a.fact && <Passage site={a.site} fact={a.fact} />}
      {why && (
        <details>
          <summary>{t.now.conditions}</summary>
          <ul class="parts">
            {leaves(why).map((part) => (
              <li>
                <code>{part.text}</code> <span class="soft">{part.value ? t.now.holds : t.now.holdsNot}</span>
              </li>
            ))}
          </ul>
        </details>
      )}
    </div>
  );
}

/** Picks is what to carry where, and what is below its minimum. */
function Picks(props: { shop: Shop }): JSX.Element {
  const site = props.shop.id;
  const ask = useAsk((signal) => get("/v1/sites/{site}/picks", { path: { site }, signal }), [site]);
  const [stale, setStale] = useState(false);
  useLive({
    opened: () => ask.again(),
    facts: (list) => list.some((f) => f.cause === "stock") && setStale(true),
  });
  const name = (place: string) => props.shop.name_of(place.replace(/^kind:/, ""));
  return (
    <section aria-labelledby="picks">
      <h2 id="picks" tabIndex={-1}>{t.now.picks}</h2>
      {stale && (
        <p>
          <button type="button" onClick={() => (setStale(false), ask.again())}>
            {t.now.picksChanged}
          </button>
        </p>
      )}
      <Answer ask={ask} empty={(v) => v.picks.length + v.shortages.length === 0} none={{ title: t.now.picksNone, more: t.now.belowNone }}>
        {(v) => (
          <>
            {v.picks.length === 0 ? (
              <p class="soft">{t.now.picksNone}</p>
            ) : (
              <>
                <ul class="lines">
                  {v.picks.slice(0, 200).map((p) => (
                    <li>
                      <div>
                        <strong><a href={productAt(p.product.gtin)}>{titleOf(p.product)}</a></strong>
                        <div class="soft">
                          {t.now.pick(p.quantity, name(p.from), name(p.to))}
                          {p.reason === "above_maximum" && `, ${t.now.tooFull}`}
                        </div>
                      </div>
                    </li>
                  ))}
                </ul>
                <p>
                  <a class="button" href={address("/v1/sites/{site}/picks", { path: { site }, query: { format: "html" } })} target="_blank" rel="noopener">
                    {t.now.print}
                  </a>
                </p>
              </>
            )}
            <h2>{t.now.below}</h2>
            {v.shortages.length === 0 ? (
              <p class="soft">{t.now.belowNone}</p>
            ) : (
              <div class="wide" tabIndex={0} role="group" aria-label={t.now.below}>
                <table>
                  <thead>
                    <tr>
                      <th scope="col">{t.now.product}</th>
                      <th scope="col" class="figure">{t.now.there}</th>
                      <th scope="col" class="figure">{t.now.minimum}</th>
                      <th scope="col" class="figure">{t.now.lacking}</th>
                    </tr>
                  </thead>
                  <tbody>
                    {v.shortages.slice(0, 200).map((p) => (
                      <tr>
                        <th scope="row">
                          <a href={productAt(p.product.gtin)}>{titleOf(p.product)}</a>
                          <div class="soft">{name(p.place)}</div>
                        </th>
                        <td class="figure">{t.number(p.count)}</td>
                        <td class="figure">{t.number(p.minimum ?? 0)}</td>
                        <td class="figure">{t.number(p.lacking)}</td>
                      </tr>
                    ))}
                  </tbody>
                </table>
              </div>
            )}
          </>
        )}
      </Answer>
    </section>
  );
}
