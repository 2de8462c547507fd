import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, newOnce, post, type Shapes } from "../lib/api";
import { useAsk, type Ask } from "../lib/ask";
import { useLive } from "../lib/live";
import { usePoll } from "../lib/poll";
import { go, route } from "../lib/router";
import { may, session } from "../lib/session";
import { sites } from "../lib/shop";
import { useStore } from "../lib/store";
import { length, now } from "../lib/time";
import { Answer } from "../parts/answer";
import { useAct, Wrong } from "../parts/fields";
import { Fresh } from "../parts/lists";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";
import { outcomeWords, pollEvery, soonAfter } from "./messages";

type Delivery = Shapes["DeliveryView"];
type Status = Delivery["status"];

const part = 100; // rows that are asked for at a time

/** useDeliveries keeps the rows that were asked for. What comes meanwhile waits; what becomes of a row is shown
 * at once. */
function useDeliveries(channel: string, status: Status | "") {
  const [state, set] = useState<{ rows: Delivery[] | undefined; next: string; error: unknown }>({ rows: undefined, next: "", error: undefined });
  const query = { channel, status: status || undefined, limit: part };
  const newest = useAsk((signal) => get("/v1/deliveries", { query, signal }), [channel, status]);
  const asking = useRef(false); // for more
  const round = useRef(0);
  useEffect(() => {
    set({ rows: undefined, next: "", error: undefined });
    return () => void round.current++;
  }, [channel, status]);
  useEffect(() => {
    const v = newest.value;
    if (!v) return;
    const now = new Map(v.deliveries.map((d) => [d.id, d]));
    set((s) => (s.rows ? { ...s, rows: s.rows.map((d) => now.get(d.id) ?? d) } : { rows: v.deliveries, next: v.next ?? "", error: undefined }));
  }, [newest.value]);
  usePoll(newest, pollEvery);
  useLive({ alerts: () => void setTimeout(newest.again, soonAfter) });
  const more = () => {
    if (asking.current || !state.next) return;
    const mine = round.current;
    asking.current = true;
    get("/v1/deliveries", { query: { ...query, cursor: state.next } }).then(
      (v) => {
        asking.current = false;
        if (mine !== round.current) return;
        set((s) => {
          const had = new Set(s.rows?.map((d) => d.id));
          return { rows: [...(s.rows ?? []), ...v.deliveries.filter((d) => !had.has(d.id))], next: v.next ?? "", error: undefined };
        });
      },
      (error: unknown) => {
        asking.current = false;
        if (mine === round.current) set((s) => ({ ...s, error }));
      },
    );
  };
  const fresh = newest.value?.deliveries ?? [];
  const had = new Set(state.rows?.map((d) => d.id));
  const there = new Set(fresh.map((d) => d.id));
  const oldest = newest.value?.next ? (fresh.at(-1)?.at ?? "") : ""; // rows before that are not in the answer
  const ask: Ask<Delivery[]> = { value: state.rows, error: newest.error ?? state.error, busy: newest.busy, again: newest.again };
  return {
    ask,
    next: state.next,
    more,
    waiting: state.rows ? fresh.filter((d) => !had.has(d.id)).length : 0,
    over: newest.value ? (state.rows?.filter((d) => d.at > oldest && !there.has(d.id)).length ?? 0) : 0, // no longer as the filter wants them
    show: () => (set({ rows: fresh, next: newest.value?.next ?? "", error: undefined }), newest.again()),
    put: (d: Delivery) => set((s) => ({ ...s, rows: s.rows?.map((r) => (r.id === d.id ? { ...r, ...d } : r)) })),
  };
}

/** Deliveries is the list of what was sent, or is to be sent, newest first. */
export function Deliveries(props: { channels: string[]; channel: string }): JSX.Element {
  const query = useStore(route).query;
  const [status, setStatus] = useState<Status | "">(() => (query.get("status") as Status | null) ?? "");
  const list = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    const wanted = query.get("status") as Status | null;
    if (wanted === null) return;
    setStatus(wanted);
    list.current?.scrollIntoView();
    list.current?.focus();
  }, [query]);
  const d = useDeliveries(props.channel, status);
  return (
    <section aria-labelledby="deliveries">
      <h2 id="deliveries" ref={list} tabIndex={-1}>
        {t.messages.deliveries}
      </h2>
      <div class="choice" role="group" aria-label={t.messages.filter}>
        {(["", "pending", "dead", "delivered"] as const).map((s) => (
          <button type="button" aria-pressed={s === status} onClick={() => setStatus(s)}>
            {t.messages.status[s]}
          </button>
        ))}
        {(props.channels.length > 1 || props.channel) && (
          <label>
            <span class="hidden">{t.messages.channel}</span>
            <select value={props.channel} onChange={(e) => (e.currentTarget.value ? go("messages", "channel", e.currentTarget.value) : go("messages"))}>
              <option value="">{t.messages.every}</option>
              {[...new Set([...props.channels, props.channel])].filter(Boolean).map((c) => (
                <option value={c}>{c}</option>
              ))}
            </select>
          </label>
        )}
      </div>
      <Fresh count={d.waiting} over={d.over} show={d.show} />
      <Answer ask={d.ask} empty={(v) => v.length === 0} none={{ title: t.messages.noDeliveries[status] }}>
        {(rows) => (
          <>
            <ul class="deliveries" aria-label={t.messages.deliveries}>
              {rows.map((one) => (
                <Row key={one.id} of={one} put={d.put} />
              ))}
            </ul>
            {d.next && <More more={d.more} shown={rows.length} />}
          </>
        )}
      </Answer>
    </section>
  );
}

/** More asks for more rows when it comes into sight, or is pressed. */
function More(props: { more: () => void; shown: number }): JSX.Element {
  const button = useRef<HTMLButtonElement>(null);
  const current = useRef(props.more);
  current.current = props.more;
  useEffect(() => {
    if (!button.current) return;
    const seen = new IntersectionObserver((list) => list.some((e) => e.isIntersecting) && current.current(), { rootMargin: "400px" });
    seen.observe(button.current);
    return () => seen.disconnect();
  }, [props.shown]);
  return (
    <p>
      <button type="button" ref={button} onClick={props.more}>
        {t.messages.more(props.shown)}
      </button>
    </p>
  );
}

/** Row is one delivery: what it says, where to, and what the receiver answered. */
function Row(props: { of: Delivery; put: (d: Delivery) => void }): JSX.Element {
  const d = props.of;
  const who = useStore(session);
  const known = useStore(sites) ?? [];
  const [open, setOpen] = useState(false);
  const [said, say] = useState("");
  const act = useAct();
  const id = `delivery-${d.id}`;
  const again = () =>
    act.run(async () => {
      const a = await post("/v1/deliveries/{id}/retry", { path: { id: d.id }, once: newOnce() });
      say(outcomeWords(a.outcome));
      props.put(a.delivery);
    });
  const where = d.about_channel ? t.messages.aboutChannel(d.about_channel) : known.length > 1 ? (known.find((s) => s.id === d.site)?.name ?? d.site) : "";
  return (
    <li class={`delivery ${d.status}`} aria-labelledby={id}>
      <p class="kind">
        <span class="sign" aria-hidden="true" />
        {t.messages.status[d.status]}
        <span class="place">{d.channel}</span>
        <span class="ago">
          <Ago at={d.at} />
        </span>
      </p>
      <p id={id}>
        {d.say || t.messages.types[d.type] || d.type}
        {where && <span class="soft"> {where}</span>}
      </p>
      <p class="soft">
        {d.say && `${t.messages.types[d.type] ?? d.type}. `}
        {t.messages.attempts(d.attempts)}
        {d.reason && d.status !== "delivered" && ` ${t.messages.answer(d.reason)}`}
        {d.status === "pending" && d.next_try && ` ${t.messages.nextTry(Date.parse(d.next_try) > now() ? length(Date.parse(d.next_try) - now()) : "")}`}
      </p>
      <div class="acts">
        {may(who, ["operate"]) && (open || d.status !== "delivered") && (
          <button type="button" disabled={act.busy} onClick={again} aria-describedby={id}>
            {t.messages.sendAgain}
          </button>
        )}
        <button type="button" class="quiet" aria-expanded={open} onClick={() => setOpen(!open)} aria-describedby={id}>
          {t.messages.details}
        </button>
      </div>
      <div role="status">{said && <p>{said}</p>}</div>
      <Wrong error={act.wrong} />
      {open && (
        <dl class="facts">
          <dt>{t.messages.at}</dt>
          <dd>
            <When at={d.at} seconds />
          </dd>
          {d.last_try && (
            <>
              <dt>{t.messages.lastTry}</dt>
              <dd>
                <When at={d.last_try} seconds />
                {d.took_seconds ? `, ${t.messages.took(Math.round(d.took_seconds * 100) / 100)}` : ""}
              </dd>
            </>
          )}
          {d.code ? (
            <>
              <dt>{t.messages.code}</dt>
              <dd>{d.code}</dd>
            </>
          ) : null}
          <dt>{t.messages.number}</dt>
          <dd>{d.id}</dd>
        </dl>
      )}
    </li>
  );
}
