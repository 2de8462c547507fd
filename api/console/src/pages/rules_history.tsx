import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { get, inWords, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { bringBack, type Stored } from "../lib/rules";
import { Answer, Note } from "../parts/answer";
import { Diff } from "../parts/diff";
import { When } from "../parts/when";
import { t } from "../text/en";

/** Difference shows what differs between two versions of a rule, line by line. */
export function Difference(props: { name: string; from: number; to: number }): JSX.Element {
  const ask = useAsk(
    (signal) => get("/v1/rules/{name}/diff", { path: { name: props.name }, query: { from: props.from, to: props.to }, signal }),
    [props.name, props.from, props.to],
  );
  return (
    <Answer ask={ask} empty={(v) => !v.text} none={{ title: t.rules.same }}>
      {(v) => (
        <figure>
          <figcaption class="soft">
            {t.rules.differs(props.from, props.to, v.lines_added ?? 0, v.lines_removed ?? 0)} (<When at={v.to.at} />, {t.rules.by(v.to.by)})
          </figcaption>
          <Diff changes={v} />
        </figure>
      )}
    </Answer>
  );
}

interface Past {
  list: Shapes["RuleVersion"][];
  before: number | undefined; // of which version on there may be more
}

/** History is what a rule was, who changed it and when, and brings an earlier version back. stored is the rule
 * as it is, undefined if there is none any more. */
export function History(props: { name: string; stored: Stored | undefined; author: boolean; done: (s: Stored) => void }): JSX.Element {
  const part = (before: number | undefined, signal?: AbortSignal) => get("/v1/rules/{name}/versions", { path: { name: props.name }, query: { before }, signal });
  const [older, setOlder] = useState<Past>({ list: [], before: undefined });
  const ask = useAsk(
    async (signal): Promise<Past> => {
      const first = await part(undefined, signal);
      setOlder({ list: [], before: first.before });
      return { list: first.versions, before: first.before };
    },
    [props.name, props.stored?.text],
  );
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState<unknown>();
  const [back, setBack] = useState(0);
  const more = () => {
    setBusy(true);
    setWrong(undefined);
    part(older.before)
      .then((next) => setOlder({ list: [...older.list, ...next.versions], before: next.before }), setWrong)
      .finally(() => setBusy(false));
  };
  const restore = (version: number) => {
    setBusy(true);
    setWrong(undefined);
    bringBack(props.name, version, props.stored !== undefined, t.rules.again(version))
      .then((s) => {
        setBack(version);
        props.done(s);
      }, setWrong)
      .finally(() => setBusy(false));
  };
  return (
    <>
      <p class="soft">{t.rules.historyLead}</p>
      {wrong !== undefined && <Note kind="bad" title={inWords(wrong)} />}
      {back > 0 && (
        <p class="note" role="status">
          {t.rules.broughtBack(back)}
        </p>
      )}
      <Answer ask={ask} empty={(v) => v.list.length + older.list.length === 0 && !older.before} none={{ title: t.rules.noHistory }}>
        {(v) => (
          <ol class="lines shared" aria-label={t.rules.history}>
            {[...v.list, ...older.list].map((one, i) => (
              <Version key={one.version} name={props.name} of={one} newest={i === 0 ? undefined : v.list[0]?.version} there={!!props.stored} busy={busy} restore={props.author ? restore : undefined} />
            ))}
          </ol>
        )}
      </Answer>
      {older.before && (
        <p>
          <button type="button" disabled={busy} onClick={more}>
            {t.rules.older}
          </button>
        </p>
      )}
    </>
  );
}

/** Version is one version of a rule. newest is the one that it is compared with, undefined for that itself. */
function Version(props: { name: string; of: Shapes["RuleVersion"]; newest: number | undefined; there: boolean; busy: boolean; restore: ((version: number) => void) | undefined }): JSX.Element {
  const { name, of: v, newest, there, restore } = props;
  const [shown, show] = useState<"before" | "now">();
  const toggle = (which: "before" | "now", words: string) => (
    <button type="button" aria-expanded={shown === which} onClick={() => show(shown === which ? undefined : which)}>
      {words}
      <span class="hidden"> {t.rules.version(v.version)}</span>
    </button>
  );
  const had = v.change !== "removed";
  return (
    <li>
      <div>
        <p>
          <strong>{t.rules.change[v.change]}</strong> <When at={v.at} />, {t.rules.by(v.by)} <span class="soft">{t.rules.version(v.version)}</span>{" "}
          {newest === undefined && there && <span class="tag">{t.rules.inForce}</span>}
        </p>
        {v.note && <p class="soft">{v.note}</p>}
      </div>
      <div class="acts">
        {v.change === "changed" && toggle("before", t.rules.whatChanged)}
        {newest !== undefined && had && toggle("now", t.rules.againstNow)}
        {restore && had && (newest !== undefined || !there) && (
          <button type="button" disabled={props.busy} onClick={() => restore(v.version)}>
            {t.rules.bringBack}
            <span class="hidden"> {t.rules.version(v.version)}</span>
          </button>
        )}
      </div>
      {shown === "before" && <Difference name={name} from={v.version - 1} to={v.version} />}
      {shown === "now" && <Difference name={name} from={v.version} to={newest!} />}
    </li>
  );
}
