import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { get, inWords, remove, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { session, signOut } from "../lib/session";
import { shop, sites } from "../lib/shop";
import { useStore } from "../lib/store";
import { at } from "../lib/time";
import { Answer, Note } from "../parts/answer";
import { t } from "../text/en";

/** browserName makes a name of what a browser calls itself. */
function browserName(agent: string | undefined): string {
  if (!agent) return t.session.unnamed;
  const name = /Firefox\/|Edg\/|OPR\/|Chrome\/|Safari\//.exec(agent)?.[0].replace(/\/$/, "").replace("Edg", "Edge").replace("OPR", "Opera");
  const system = /Android|iPhone|iPad|Windows|Mac OS X|CrOS|Linux/.exec(agent)?.[0];
  return name ? t.session.browser(name, system ?? "") : agent.slice(0, 60);
}

export default function SessionPage(): JSX.Element | null {
  const who = useStore(session);
  const known = useStore(sites);
  const zone = useStore(shop)?.zone ?? "UTC";
  const list = useAsk((signal) => get("/v1/sessions", { signal }), []);
  const [wrong, setWrong] = useState<unknown>();
  if (!who) return null;
  const shops = who.sites.includes("*") ? [t.session.allShops] : who.sites.map((id) => known?.find((s) => s.id === id)?.name ?? id);
  const end = (one: Shapes["SessionView"]) => {
    setWrong(undefined);
    (one.current ? signOut() : remove("/v1/sessions/{id}", { path: { id: one.id } }).then(list.again)).catch(setWrong);
  };
  return (
    <>
      <p>{who.person ? t.session.person(who.key) : t.session.who(who.key)}</p>
      <dl class="facts">
        <dt>{t.session.may}</dt>
        <dd>{who.scopes.map((s) => t.session.scopes[s] ?? s).join("; ")}</dd>
        <dt>{t.session.shops}</dt>
        <dd>{shops.join(", ")}</dd>
      </dl>
      {who.session && (
        <p>
          <button type="button" class="main" onClick={() => end(who.session!)}>
            {t.session.out}
          </button>
        </p>
      )}
      {wrong !== undefined && <Note kind="bad" title={inWords(wrong)} />}
      <h2>{t.session.others}</h2>
      <Answer ask={list} empty={(v) => v.sessions.length === 0} none={{ title: t.session.none }}>
        {(v) => (
          <ul class="lines">
            {v.sessions.map((one) => (
              <li key={one.id}>
                <div>
                  <strong>{browserName(one.agent)}</strong> {one.current && <span class="tag">{t.session.here}</span>}
                  <div class="soft">
                    {one.key}, {t.session.from(at(one.created, zone))}, {t.session.until(at(one.until, zone))}
                  </div>
                </div>
                {!one.current && (
                  <button type="button" onClick={() => end(one)}>
                    {t.session.end}
                    <span class="hidden"> {browserName(one.agent)}</span>
                  </button>
                )}
              </li>
            ))}
          </ul>
        )}
      </Answer>
    </>
  );
}
