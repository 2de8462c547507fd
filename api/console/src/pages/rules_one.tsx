import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, inWords, Problem } from "../lib/api";
import { useAsk } from "../lib/ask";
import { go, to } from "../lib/router";
import { deleteRule, drafts, putDraft, restoreRules, storedRule, storeRule, switchRule, type Mode, type Stored } from "../lib/rules";
import { newForm, readForm, writeForm, type Kind } from "../lib/rules_form";
import { mayWrite, session } from "../lib/session";
import type { Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { at } from "../lib/time";
import { Answer, Note } from "../parts/answer";
import { Editor } from "../parts/editor";
import { t } from "../text/en";
import { History } from "./rules_history";
import { goodness, lately } from "./rules_list";
import { Past } from "./rules_past";
import { Undo, Write } from "./rules_write";

const modes: Mode[] = ["live", "watch", "off"];

/** What a rule that was just made says when its page is shown. */
let arrival = { name: "", words: "" };

/** OneRule is a rule: what it says, how it is changed, what it would have done, what it was. */
export function OneRule(props: { shop: Shop; name: string; part: string }): JSX.Element {
  const who = useStore(session);
  const author = mayWrite(who);
  const [changed, setChanged] = useState<Stored | null>(); // null: it is deleted
  const ask = useAsk((signal) => storedRule(props.name, signal), [props.name]);
  const [welcome] = useState(() => (arrival.name === props.name ? arrival.words : ""));
  useEffect(() => void (arrival = { name: "", words: "" }), []);
  const stored = changed === undefined ? ask.value : (changed ?? undefined);
  const gone = changed === null || (ask.error instanceof Problem && ["unknown_rule", "unknown_document"].includes(ask.error.code) && !changed);
  return (
    <>
      <p>
        <a href={to("rules")}>{t.rules.all}</a>
      </p>
      <h2 class="title" tabIndex={-1}>{props.name}</h2>
      {welcome && !gone && (
        <p class="note" role="status">
          {welcome}
        </p>
      )}
      {gone ? (
        <>
          {changed !== null && <Note title={t.rules.gone(props.name)} />}
          <History name={props.name} stored={undefined} author={author} done={setChanged} />
        </>
      ) : (
        <Answer ask={stored ? { ...ask, value: stored, error: undefined } : ask}>
          {() => <There {...props} stored={stored!} author={author} done={setChanged} />}
        </Answer>
      )}
      {author && <Deleting key={props.part} name={props.name} stored={stored} gone={changed === null} done={setChanged} />}
    </>
  );
}

function There(props: { shop: Shop; name: string; part: string; stored: Stored; author: boolean; done: (s: Stored | null) => void }): JSX.Element {
  const { stored, name, author, shop: s } = props;
  const draft = useStore(drafts).get(name);
  const parts = [
    ["", t.rules.partRule],
    ...(author ? [["past", t.rules.partPast]] : []),
    ["alerts", t.rules.partAlerts],
    ["history", t.rules.history],
  ] as [string, string][];
  return (
    <>
      {(props.part || !author) && <p>{stored.rule.words}</p>}
      {author ? <Modes {...props} /> : <p><span class="tag">{t.rules.mode[stored.rule.mode]}</span></p>}
      <ul class="choice" aria-label={t.rules.parts}>
        {parts.map(([id, title]) => (
          <li>
            <a class="button" href={id ? to("rules", name, id) : to("rules", name)} aria-current={props.part === id ? "true" : undefined}>
              {title}
            </a>
          </li>
        ))}
      </ul>
      {props.part === "past" && author ? (
        <Past shop={s} name={name} text={draft?.text ?? stored.text} draft={draft !== undefined} />
      ) : props.part === "alerts" ? (
        <Alerts shop={s} name={name} />
      ) : props.part === "history" ? (
        <History name={name} stored={stored} author={author} done={props.done} />
      ) : author ? (
        <Write
          shop={s}
          stored={stored}
          id={name}
          begin={{ text: stored.text, cases: stored.cases }}
          asForm={"form" in readForm(stored.text)}
          done={(made, next) => {
            if (made === name || !next) props.done(next ?? null);
            else arrive(made, next.version);
          }}
        />
      ) : (
        <>
          <p class="soft">{t.rules.readOnly}</p>
          <Editor label={t.rules.text} value={stored.text} onChange={() => {}} readOnly />
          {stored.cases && (
            <>
              <h2>{t.rules.cases}</h2>
              <Editor label={t.rules.casesText} value={stored.cases} onChange={() => {}} readOnly />
            </>
          )}
        </>
      )}
    </>
  );
}

function arrive(name: string, version: number): void {
  arrival = { name, words: t.rules.stored(version) };
  go("rules", name);
}

/** Modes switches a rule between live, watch and off by one tap. */
function Modes(props: { name: string; stored: Stored; done: (s: Stored) => void }): JSX.Element {
  const { name, stored } = props;
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState<{ error: unknown; mode: Mode }>();
  const [done, setDone] = useState<{ words: string; undo: () => Promise<void> }>();
  const put = async (mode: Mode, anyway: boolean) => {
    const saved = await switchRule(name, mode, anyway);
    props.done({ ...stored, version: saved.version, text: saved.text ?? stored.text, rule: saved.rule ?? stored.rule });
  };
  const press = (mode: Mode, anyway = false) => {
    const before = stored.rule.mode as Mode;
    setBusy(true);
    setWrong(undefined);
    setDone(undefined);
    put(mode, anyway)
      .then(
        () => setDone({ words: t.rules.switched[mode], undo: () => put(before, true) }),
        (error: unknown) => setWrong({ error, mode }),
      )
      .finally(() => setBusy(false));
  };
  if (useStore(drafts).has(name)) return <p class="soft">{t.rules.modeDraft(t.rules.mode[stored.rule.mode] ?? "")}</p>;
  const cases = wrong?.error instanceof Problem && wrong.error.code === "cases_failed";
  return (
    <>
      <div class="acts" role="group" aria-label={t.rules.formMode}>
        {modes.map((m) => (
          <button type="button" aria-pressed={stored.rule.mode === m} disabled={busy} onClick={() => stored.rule.mode !== m && press(m)}>
            {t.rules.mode[m]}
          </button>
        ))}
        <span class="soft">{t.rules.modeMeans[stored.rule.mode as Mode]}</span>
      </div>
      {wrong && (
        <Note kind="bad" title={cases ? t.rules.casesFail : inWords(wrong.error)}>
          {cases && (
            <button type="button" disabled={busy} onClick={() => press(wrong.mode, true)}>
              {t.rules.switchAnyway}
            </button>
          )}
        </Note>
      )}
      {done && <Undo done={done} />}
    </>
  );
}

/** Deleting says what would be lost, takes the rule away, and brings it back. */
function Deleting(props: { name: string; stored: Stored | undefined; gone: boolean; done: (s: Stored | null) => void }): JSX.Element | null {
  const { name, stored } = props;
  const [asking, setAsking] = useState<{ alerts: number | undefined; cases: boolean }>();
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState<unknown>();
  const [undo, setUndo] = useState<() => Promise<void>>();
  const group = useRef<HTMLDivElement>(null);
  useEffect(() => group.current?.querySelector("button")?.focus(), [asking, undo]);
  const act = (f: () => Promise<void>) => {
    setBusy(true);
    setWrong(undefined);
    f()
      .catch(setWrong)
      .finally(() => setBusy(false));
  };
  const ask = async () => {
    await deleteRule(name, true);
    const list = await get("/v1/alerts", { query: { rule: name, limit: 1000 } }).catch(() => undefined);
    setAsking({ alerts: list?.alerts.length, cases: !!stored?.cases });
  };
  const remove = async () => {
    const text = stored!.text;
    const saved = await deleteRule(name);
    putDraft(name, undefined);
    setUndo(() => async () => {
      try {
        await restoreRules(saved.version - 1, saved.version); // with its place among the others
      } catch (err) {
        if (!(err instanceof Problem)) throw err;
        await storeRule(name, text, "new", t.rules.undoNote, true);
      }
      setUndo(undefined);
      setAsking(undefined);
      props.done(await storedRule(name));
    });
    props.done(null);
  };
  return (
    <>
      {wrong !== undefined && <Note kind="bad" title={inWords(wrong)} />}
      {props.gone && undo ? (
        <div class="note" role="status" ref={group}>
          <p>{t.rules.deleted(name)}</p>
          <button type="button" disabled={busy} onClick={() => act(undo)}>
            {t.rules.undo}
          </button>
        </div>
      ) : !stored ? null : asking ? (
        <div class="note" role="group" ref={group} aria-label={t.rules.del} onKeyDown={(e) => e.key === "Escape" && setAsking(undefined)}>
          <p>{t.rules.deleteWould(asking.alerts, asking.cases)}</p>
          <div class="acts">
            <button type="button" disabled={busy} onClick={() => act(remove)}>
              {t.rules.delNow(name)}
            </button>
            <button type="button" class="quiet" onClick={() => setAsking(undefined)}>
              {t.cancel}
            </button>
          </div>
        </div>
      ) : (
        <p>
          <button type="button" class="quiet" disabled={busy} onClick={() => act(ask)}>
            {t.rules.del}
          </button>
        </p>
      )}
    </>
  );
}

/** Alerts is how good a rule was of late, and its last alerts. */
function Alerts(props: { shop: Shop; name: string }): JSX.Element {
  const { name, shop: s } = props;
  const quality = useAsk((signal) => get("/v1/rules/{name}/quality", { path: { name }, query: { site: s.id, weeks: lately }, signal }), [name]);
  const ask = useAsk((signal) => get("/v1/alerts", { query: { site: s.id, rule: name, status: "all", limit: 50 }, signal }), [name]);
  return (
    <>
      <Answer ask={quality}>{(q) => <p>{goodness(q)}</p>}</Answer>
      <p class="caution">{t.rules.caution}</p>
      <Answer ask={ask} empty={(v) => v.alerts.length === 0} none={{ title: t.rules.noAlerts }}>
        {(v) => (
          <ul class="lines shared" aria-label={t.rules.partAlerts}>
            {v.alerts.map((a) => (
              <li key={a.id}>
                <div>
                  <p>{a.item ? <a href={to("find", "item", a.item)}>{a.say}</a> : a.say}</p>
                  <p class="soft">
                    {a.opened_at && at(a.opened_at, s.zone)}, {t.rules.alertIs(a.status, a.outcome)}
                    {a.watch && `, ${t.rules.onlyWatched}`}
                  </p>
                </div>
              </li>
            ))}
          </ul>
        )}
      </Answer>
    </>
  );
}

/** NewRule begins a rule: one of the three that a form makes, or a text. It begins in watch mode. */
export function NewRule(props: { shop: Shop; kind: string }): JSX.Element {
  const author = mayWrite(useStore(session));
  const kind = props.kind as Kind | "text" | "";
  if (!author) return <Note kind="bad" title={t.rules.notAuthor} />;
  const back = (
    <p>
      <a href={kind ? `${to("rules")}?new=` : to("rules")}>{kind ? t.rules.otherKind : t.rules.all}</a>
    </p>
  );
  if (!kind) {
    return (
      <>
        {back}
        <h2 class="title" tabIndex={-1}>{t.rules.add}</h2>
        <p class="soft">{t.rules.addLead}</p>
        <ul class="lines shared">
          {(["unpaid", "low", "astray", "text"] as const).map((k) => (
            <li>
              <div>
                <p>{t.rules.kind[k]}</p>
                <p class="soft">{t.rules.kindMore[k]}</p>
              </div>
              <a class="button" href={`${to("rules")}?new=${k}`}>
                {k === "text" ? t.rules.writeIt : t.rules.fillIn}
                <span class="hidden"> {t.rules.kind[k]}</span>
              </a>
            </li>
          ))}
        </ul>
      </>
    );
  }
  const text = kind === "text" ? t.rules.firstText : writeForm(newForm(kind, t.rules.firstName[kind]));
  return (
    <>
      {back}
      <h2 class="title" tabIndex={-1}>{kind === "text" ? t.rules.add : t.rules.kind[kind]}</h2>
      <Write
        shop={props.shop}
        stored={undefined}
        id={`?${kind}`}
        begin={{ text, cases: "" }}
        asForm={kind !== "text"}
        done={(name, s) => {
          if (s) arrive(name, s.version);
        }}
      />
    </>
  );
}
