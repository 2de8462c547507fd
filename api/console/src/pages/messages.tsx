import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, newOnce, post, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { kindWords, loadChannels, type Channel } from "../lib/channels";
import { useLive } from "../lib/live";
import { usePoll } from "../lib/poll";
import { to } from "../lib/router";
import { may, mayWrite, session } from "../lib/session";
import { useStore } from "../lib/store";
import { now } from "../lib/time";
import type { PageProps } from "../pages";
import { Answer, Note } from "../parts/answer";
import { Said, useAct, Wrong } from "../parts/fields";
import { Growing } from "../parts/lists";
import { Ago, When } from "../parts/when";
import { t } from "../text/en";
import { ChannelForm } from "./messages_channel";
import { Deliveries } from "./messages_deliveries";
import { History } from "./messages_history";

type Health = Shapes["ChannelHealth"];
type Outcome = Shapes["OutcomeView"];

/** How often the server is asked, and how soon after an alert, whose message is then on its way; milliseconds. */
export const pollEvery = 4000;
export const soonAfter = 1000;

/** Done is a change of the channels that can be taken back. */
export interface Done {
  words: string;
  back?: () => Promise<unknown>;
  warnings: readonly string[];
}

export default function MessagesPage(props: PageProps): JSX.Element {
  const who = useStore(session);
  const [done, setDone] = useState<Done>();
  const [what, name] = props.args;
  if ((what === "new" || what === "change") && mayWrite(who)) return <ChannelForm key={`${what} ${name}`} name={what === "change" ? name : undefined} stored={setDone} />;
  if (what === "history") return <History />;
  return <Messages filter={what === "channel" ? (name ?? "") : ""} done={done} setDone={setDone} />;
}

function Messages(props: { filter: string; done: Done | undefined; setDone: (d: Done | undefined) => void }): JSX.Element {
  const who = useStore(session);
  const ask = useAsk(async (signal) => {
    const [list, health] = await Promise.all([loadChannels(signal), get("/v1/channels/health", { signal })]);
    const byName = new Map(list.channels.map((c) => [c.name, c]));
    return health.channels.flatMap((h) => {
      const channel = byName.get(h.channel);
      return channel ? [{ channel, health: h }] : [];
    });
  }, []);
  usePoll(ask, pollEvery);
  useLive({ alerts: () => void setTimeout(ask.again, soonAfter) });
  const write = mayWrite(who);
  const failing = ask.value?.filter((r) => r.health.state === "failing" || r.health.state === "stopped").length ?? 0;
  return (
    <>
      {ask.value && ask.value.length > 0 && <p class="lead">{failing ? t.messages.leadFailing(failing, ask.value.length) : t.messages.lead(ask.value.length)}</p>}
      {props.done && <Undo done={props.done} setDone={props.setDone} again={ask.again} />}
      <div class="acts">
        {write && (
          <a class="button main" href={to("messages", "new")}>
            {t.messages.add}
          </a>
        )}
        <a class="button" href={to("messages", "history")}>
          {t.messages.history}
        </a>
      </div>
      <Answer ask={ask} empty={(v) => v.length === 0} none={{ title: t.messages.none, more: write ? t.messages.noneMore : t.messages.noneOther }}>
        {(rows) => (
          <Growing rows={rows} class="channels" label={t.messages.channels}>
            {(r) => <Row key={r.channel.name} channel={r.channel} health={r.health} again={ask.again} />}
          </Growing>
        )}
      </Answer>
      {may(who, ["operate", "view"]) ? <Deliveries channels={(ask.value ?? []).map((r) => r.channel.name)} channel={props.filter} /> : <Note title={t.messages.deliveriesOther} />}
    </>
  );
}

/** Undo says what was done, and takes it back. */
function Undo(props: { done: Done; setDone: (d: Done | undefined) => void; again: () => void }): JSX.Element {
  const act = useAct();
  const note = useRef<HTMLDivElement>(null);
  useEffect(() => note.current?.focus(), []);
  const back = () =>
    act.run(async () => {
      await props.done.back?.();
      props.setDone(undefined);
      props.again();
    });
  return (
    <div class="note" ref={note} tabIndex={-1} role="status">
      <p class="title">{props.done.words}</p>
      {props.done.warnings.map((w) => <p>{w}</p>)}
      <Wrong error={act.wrong} />
      <div class="acts">
        {props.done.back && (
          <button type="button" disabled={act.busy} onClick={back}>
            {t.undo}
          </button>
        )}
        <button type="button" class="quiet" onClick={() => props.setDone(undefined)}>
          {t.messages.fine}
        </button>
      </div>
    </div>
  );
}

/** outcomeWords says what came of one try. */
export function outcomeWords(o: Outcome): string {
  const took = Math.round(o.seconds * 10) / 10;
  if (o.delivered) return t.messages.arrived(took);
  return t.messages.refused(o.reason ?? "", took);
}

/** Row is one channel: how it fares, and what can be done about it. */
function Row(props: { channel: Channel; health: Health; again: () => void }): JSX.Element {
  const { channel: c, health: h } = props;
  const who = useStore(session);
  const act = useAct();
  const [outcome, setOutcome] = useState<Outcome>();
  const [said, say] = useState("");
  const write = mayWrite(who);
  const id = `channel-${c.name}`;
  const test = () =>
    act.run(async () => {
      setOutcome(undefined);
      say("");
      setOutcome(await post("/v1/channels/{name}/test", { path: { name: c.name }, once: newOnce() }));
      props.again();
    });
  const start = () =>
    act.run(async () => {
      await post("/v1/channels/{name}/start", { path: { name: c.name }, once: newOnce() });
      say(t.messages.started);
      props.again();
    });
  const recover = (since: string) =>
    act.run(async () => {
      let queued = 0;
      for (let more = true; more; ) {
        const a = await post("/v1/channels/{name}/recover", { path: { name: c.name }, body: { since }, once: newOnce() });
        queued += a.queued;
        more = a.has_more && a.queued > 0;
        say(t.messages.queued(queued));
      }
      props.again();
    });
  const begins = new Date(now() - 24 * 3600_000).toISOString();
  const stopped = h.state === "stopped";
  return (
    <li class={`channel ${h.state}`} aria-labelledby={id}>
      <p class="kind">
        <span class="sign" aria-hidden="true" />
        <strong>{t.messages.state[h.state]}</strong>
        {(h.stopped_at ?? h.failing_since) && h.state !== "working" && (
          <span>
            {t.messages.since} <When at={(stopped ? h.stopped_at : h.failing_since) ?? ""} />
          </span>
        )}
      </p>
      <p class="say" id={id}>
        {c.name}
      </p>
      <p class="soft">
        {kindWords(c)}, {c.url}
        {c.about_channels ? `. ${t.messages.aboutChannels}` : ""}
      </p>
      <dl class="facts">
        <dt>{t.messages.lastSuccess}</dt>
        <dd>{h.last_success ? <Ago at={h.last_success} /> : t.messages.neverSuccess}</dd>
        <dt>{t.messages.waiting}</dt>
        <dd>{t.number(h.waiting)}</dd>
        <dt>{t.messages.givenUp}</dt>
        <dd>
          {h.given_up > 0 && may(who, ["operate", "view"]) ? (
            <a href={`${to("messages", "channel", c.name)}?status=dead`}>{t.number(h.given_up)}</a>
          ) : (
            t.number(h.given_up)
          )}
        </dd>
        {h.reason && h.state !== "working" && (
          <>
            <dt>{t.messages.reason}</dt>
            <dd>
              {h.reason} {h.last_failure && <span class="soft">(<Ago at={h.last_failure} />)</span>}
            </dd>
          </>
        )}
      </dl>
      {stopped && <p>{h.stopped_because === "gone" ? t.messages.stoppedGone : t.messages.stoppedFailing}</p>}
      {write && (
        <div class="acts">
          {stopped && (
            <button type="button" class="main" disabled={act.busy} onClick={start} aria-describedby={id}>
              {t.messages.start}
            </button>
          )}
          <button type="button" disabled={act.busy || h.state === "disabled"} onClick={test} aria-describedby={id}>
            {act.busy && !said ? t.messages.testing : t.messages.test}
          </button>
          <a class="button" href={to("messages", "change", c.name)} aria-describedby={id}>
            {t.messages.change}
          </a>
        </div>
      )}
      {h.given_up > 0 && may(who, ["operate"]) && !stopped && h.state !== "disabled" && (
        <div class="acts">
          <p>{t.messages.againMore(h.given_up)}</p>
          <button type="button" disabled={act.busy} onClick={() => recover("2000-01-01T00:00:00Z")} aria-describedby={id}>
            {t.messages.againAll(h.given_up)}
          </button>
          {h.given_up > 1 && (
            <button type="button" disabled={act.busy} onClick={() => recover(begins)} aria-describedby={id}>
              {t.messages.againDay}
            </button>
          )}
        </div>
      )}
      <Said>
        {outcome && <p class={outcome.delivered ? "" : "wrong"}>{outcomeWords(outcome)}</p>}
        {said && <p>{said}</p>}
      </Said>
      <Wrong error={act.wrong} />
    </li>
  );
}
