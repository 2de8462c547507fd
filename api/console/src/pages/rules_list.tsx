import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { get, Problem, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { to } from "../lib/router";
import { mayWrite, session } from "../lib/session";
import { remembered, useStore } from "../lib/store";
import { useLive } from "../lib/live";
import { drafts, type Rule } from "../lib/rules";
import { Answer, Note } from "../parts/answer";
import { Growing } from "../parts/lists";
import { t } from "../text/en";

/** lately is how many weeks the list looks back. */
export const lately = 4;

const order = remembered("lintel.rules.order", "written");

type Quality = Shapes["RuleQualityRow"];

/** allRules asks for the rules, and for how good they are if the key may see that. */
async function allRules(signal: AbortSignal): Promise<{ rules: Rule[]; quality: Map<string, Quality> | undefined }> {
  const none = (codes: string[]) => (err: unknown) => {
    if (err instanceof Problem && codes.includes(err.code)) return undefined;
    throw err;
  };
  const [written, quality] = await Promise.all([
    get("/v1/rules", { signal }).catch(none(["unknown_document"])),
    get("/v1/rules/quality", { query: { weeks: lately, limit: 1000 }, signal }).catch(none(["missing_scope"])),
  ]);
  return { rules: written?.rules ?? [], quality: quality && new Map(quality.rules.map((q) => [q.rule, q])) };
}

/** RulesList is all rules, with how often each was right. */
export function RulesList(): JSX.Element {
  const who = useStore(session);
  const ask = useAsk(allRules, []);
  const sorted = useStore(order);
  const [search, setSearch] = useState("");
  const author = mayWrite(who);
  useLive({ opened: ask.again });
  return (
    <>
      <p class="soft">{t.rules.lead}</p>
      {author && (
        <p>
          <a class="button" href={`${to("rules")}?new=`}>
            {t.rules.add}
          </a>
        </p>
      )}
      <Answer ask={ask} empty={(v) => v.rules.length === 0} none={{ title: t.rules.none, more: author ? t.rules.noneMore : undefined }}>
        {(v) => {
          const words = search.toLowerCase().split(/\s+/).filter(Boolean);
          const found = v.rules.filter((r) => words.every((w) => `${r.name} ${r.words} ${r.say ?? ""} ${t.rules.mode[r.mode] ?? ""}`.toLowerCase().includes(w)));
          const fired = (r: Rule) => (v.quality?.get(r.name)?.notified.fired ?? 0) + (v.quality?.get(r.name)?.watched.fired ?? 0);
          if (sorted === "alerts") found.sort((a, b) => fired(b) - fired(a));
          return (
            <>
              {v.rules.length > 5 && (
                <div class="acts">
                  <label>
                    <span class="hidden">{t.rules.search}</span>
                    <input type="search" placeholder={t.rules.search} value={search} onInput={(e) => setSearch(e.currentTarget.value)} />
                  </label>
                  {v.quality && (
                    <label>
                      <span class="hidden">{t.rules.order}</span>
                      <select value={sorted} onChange={(e) => order.set(e.currentTarget.value)}>
                        <option value="written">{t.rules.asWritten}</option>
                        <option value="alerts">{t.rules.mostAlerts}</option>
                      </select>
                    </label>
                  )}
                  <p class="soft" role="status">
                    {t.rules.shown(found.length, v.rules.length)}
                  </p>
                </div>
              )}
              {found.length === 0 ? (
                <Note title={t.rules.noMatch} />
              ) : (
                <Growing rows={found} class="lines shared" label={t.page.rules}>
                  {(r) => <Line key={r.name} rule={r} quality={v.quality?.get(r.name)} asked={v.quality !== undefined} />}
                </Growing>
              )}
              {v.quality && <p class="caution">{t.rules.caution}</p>}
            </>
          );
        }}
      </Answer>
    </>
  );
}

function Line(props: { rule: Rule; quality: Quality | undefined; asked: boolean }): JSX.Element {
  const r = props.rule;
  return (
    <li class={r.severity}>
      <div>
        <p class="kind">
          <span class="sign" aria-hidden="true" />
          {t.now.severity[r.severity] ?? r.severity}
          <span class="tag">{t.rules.mode[r.mode] ?? r.mode}</span>
          {drafts.get().has(r.name) && <span class="tag">{t.rules.draft}</span>}
        </p>
        <a href={to("rules", r.name)}>
          <strong>{r.name}</strong>
        </a>
        <p>{r.words}</p>
        {props.asked && (
          <p class="soft">
            <a href={to("rules", r.name, "alerts")}>{goodness(props.quality)}</a>
          </p>
        )}
      </div>
    </li>
  );
}

/** goodness says how often a rule fired of late, and how often it was right. */
export function goodness(q: Quality | undefined): string {
  const told = q?.notified.fired ?? 0;
  const watched = q?.watched.fired ?? 0;
  const parts = [t.rules.fired(told, watched, lately)];
  if (told) parts.push(q!.notified.precision.words);
  else if (watched) parts.push(q!.watched.precision.words);
  if (q?.faults) parts.push(t.rules.faults(q.faults));
  return parts.join(" ");
}
