import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { exchange, remove } from "../lib/api";
import { to } from "../lib/router";
import { may, session } from "../lib/session";
import { shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { Note } from "../parts/answer";
import { Several, useAct, Wrong } from "../parts/fields";
import { Ago } from "../parts/when";
import { t } from "../text/en";
import type { Progress } from "./setup";
import { Play } from "./setup_reads";

/** common are the rules that most shops begin with. What they say is in the file of words. */
const common: readonly { name: keyof typeof t.setup.rules.of; rule: object }[] = [
  { name: "unpaid-at-exit", rule: { when: 'zone.kind == "exit" and passage.sure and item.sellable and not item.paid', gather: "5s", severity: "urgent" } },
  { name: "wrong-zone", rule: { when: "item.sellable and item.present and zone.selling and not item.home", hold: "2m", severity: "info" } },
  {
    name: "below-minimum",
    rule: { about: "stock", when: "stock.has_minimum and stock.count < stock.minimum and stock.backroom > 0", hold: "2m", clear: "1m", severity: "warning" },
  },
];

/** Rules adds the common rules by one tap each, and says whom they notify. */
export function Rules(props: { progress: Progress; again: () => void; finished: () => void }): JSX.Element {
  const who = useStore(session);
  const p = props.progress;
  const [send, setSend] = useState<string[]>([]);
  const [added, setAdded] = useState<string[]>([]);
  const act = useAct();
  if (!may(who, ["author"]) || !who?.sites.includes("*")) return <Note title={t.setup.everywhere} />;
  const add = (c: (typeof common)[number]) =>
    act.run(async () => {
      const rule = { name: c.name, ...c.rule, say: t.setup.rules.of[c.name].say, ...(send.length ? { send } : {}) };
      await exchange("PUT", `/v1/rules/${c.name}`, { text: JSON.stringify(rule), isNew: true });
      setAdded([...added, c.name]);
      props.again();
    });
  const drop = (name: string) =>
    act.run(async () => {
      await remove("/v1/rules/{name}", { path: { name } });
      setAdded(added.filter((n) => n !== name));
      props.again();
    });
  return (
    <>
      <p>{t.setup.rules.lead}</p>
      {p.channels.length > 0 ? (
        <Several label={t.setup.rules.notify} value={send} set={setSend} of={p.channels.map((c) => ({ value: c.name, name: c.name }))} />
      ) : (
        <p class="soft">
          {t.setup.rules.noChannel} <a href={to("messages", "new")}>{t.setup.rules.toMessages}</a>
        </p>
      )}
      <ul class="lines">
        {common.map((c) => {
          const words = t.setup.rules.of[c.name];
          const there = p.rules.some((r) => r.name === c.name);
          return (
            <li key={c.name}>
              <div>
                <strong>{words.name}</strong>
                <div class="soft">{words.about}</div>
              </div>
              {!there ? (
                <button type="button" disabled={act.busy} onClick={() => add(c)}>
                  {t.setup.rules.add}
                  <span class="hidden"> {words.name}</span>
                </button>
              ) : (
                <span>
                  <span class="tag">{t.setup.rules.there}</span>{" "}
                  {added.includes(c.name) && (
                    <button type="button" class="quiet" disabled={act.busy} onClick={() => drop(c.name)}>
                      {t.undo}
                      <span class="hidden"> {words.name}</span>
                    </button>
                  )}
                </span>
              )}
            </li>
          );
        })}
      </ul>
      <p class="caution">{t.now.caution}</p>
      {act.wrong !== undefined && <Wrong error={act.wrong} />}
      {p.rules.length > 0 && (
        <button type="button" class="main" onClick={props.finished}>
          {t.setup.on}
        </button>
      )}
    </>
  );
}

/** Alerts shows the first alert once it is there. */
export function Alerts(props: { progress: Progress; keyText: string }): JSX.Element {
  const p = props.progress;
  const s = useStore(shop);
  const who = useStore(session);
  const a = p.alert;
  if (!a && (p.site?.alerts ?? 0) === 0) {
    return (
      <>
        <p role="status">{p.rules.length === 0 ? t.setup.alert.noRule : (p.site?.items ?? 0) === 0 ? t.setup.alert.noReads : t.setup.alert.waiting}</p>
        {s && p.rules.length > 0 && (may(who, ["reads"]) || props.keyText) && <Play shop={s} keyText={props.keyText} />}
      </>
    );
  }
  return (
    <>
      {a && (
        <p role="status">
          <strong>{a.say}</strong> {a.opened_at && <span class="soft"><Ago at={a.opened_at} /></span>}
        </p>
      )}
      <p class="caution">{t.now.caution}</p>
      <p>
        <a class="button" href={to("now")}>
          {t.setup.alert.toNow}
        </a>
      </p>
    </>
  );
}

