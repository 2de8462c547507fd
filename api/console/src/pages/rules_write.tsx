import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { get, inWords, post, Problem, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { to } from "../lib/router";
import { deleteRule, drafts, nameIn, putDraft, storeCases, storedRule, storeRule, type Draft, type Stored } from "../lib/rules";
import { completion } from "../lib/rules_complete";
import { readForm } from "../lib/rules_form";
import type { Shop } from "../lib/shop";
import { Note } from "../parts/answer";
import { Editor } from "../parts/editor";
import type { Editing } from "../parts/editor_open";
import { Field } from "../parts/fields";
import { t } from "../text/en";
import { CaseResults, marksOf, Reading, Wrong, type Checked } from "./rules_found";
import { Form } from "./rules_form";
import { Difference } from "./rules_history";
import { Past } from "./rules_past";

const pause = 400; // after the last change, milliseconds

/** useCheck has the server check a rule and run its cases whenever one of them changes. */
function useCheck(site: string, name: string, draft: Draft): Checked & { ask: () => Promise<Shapes["RuleCheck"]> } {
  const [state, set] = useState<{ of: Draft | undefined; answer: Shapes["RuleCheck"] | undefined; error: unknown }>({ of: undefined, answer: undefined, error: undefined });
  const asking = (signal?: AbortSignal) =>
    post("/v1/rules/{name}/check", { path: { name: name || "unnamed" }, query: { site }, body: { rule: draft.text, cases: draft.cases }, signal });
  const [round, next] = useState(0);
  useEffect(() => {
    const stop = new AbortController();
    const timer = setTimeout(
      () =>
        asking(stop.signal).then(
          (answer) => stop.signal.aborted || set({ of: draft, answer, error: undefined }),
          (error: unknown) => stop.signal.aborted || set((s) => ({ ...s, of: draft, error })),
        ),
      state.of ? pause : 0,
    );
    return () => {
      clearTimeout(timer);
      stop.abort();
    };
  }, [site, name, draft.text, draft.cases, round]);
  const fresh = state.of?.text === draft.text && state.of.cases === draft.cases;
  return { answer: state.answer, error: fresh ? state.error : undefined, fresh, again: () => next((n) => n + 1), ask: () => asking() };
}

const noNames: Shapes["RuleNames"] = { keys: [], names: [], functions: [] };

/** useNames asks for what a rule can be made of, for completion. Without it one writes without help. */
export function useNames(): { names: Shapes["RuleNames"]; channels: string[] } | undefined {
  const ask = useAsk(async (signal) => {
    const [names, channels] = await Promise.all([get("/v1/rules/names", { signal }), get("/v1/channels", { signal }).catch(() => ({ channels: [] }))]);
    return { names, channels: (channels.channels ?? []).map((c) => c.name) };
  }, []);
  return ask.value ?? (ask.error !== undefined ? { names: noNames, channels: [] } : undefined);
}

/** firstCases is what the cases of a rule begin with, in the places that the shop has. */
function firstCases(name: string, s: Shop): string {
  const points = [...s.points];
  const fixed = points.find(([, p]) => p.role === "fixed");
  const desk = points.find(([, p]) => p.role === "handheld");
  const door = points.find(([, p]) => p.role === "portal");
  const place = fixed?.[1].zone ?? s.places.find((p) => p.kind === "shelf")?.id ?? s.places[0]?.id ?? "";
  const lies = fixed || !desk ? `put: {items: book, zone: ${place}}` : `read: {items: book, by: ${desk[0]}, zone: ${place}}`;
  const steps = [lies, "wait: 1m", ...(door ? [`walk: {items: book, through: ${door[1].zone}}`, "wait: 10s"] : []), `exactly: [${name}]`];
  return `products: |
  gtin,sku,name,category,price,home_zones
  9521234000013,BOOK,A Book,novels,12.50,${place}
items:
  book: {product: BOOK, serial: 1}
start: 2026-03-10 10:00
cases:
  - name: ${t.rules.firstCase}
    rules: [${name}]
    steps:
${steps.map((s) => `      - ${s}`).join("\n")}
`;
}

/** Done is what was stored last, and how it is taken back. */
interface Done {
  words: string;
  undo: () => Promise<void>;
}

/** Write is the text of a rule and its cases, checked as one types, and stored. stored is the rule as it is,
 * undefined for a new one; begin is what its text begins with. */
export function Write(props: { shop: Shop; stored: Stored | undefined; id: string; begin: Draft; asForm: boolean; done: (name: string, s: Stored | undefined) => void }): JSX.Element {
  const { shop: s, stored } = props;
  const [edited, setEdited] = useState<Draft | undefined>(() => drafts.get().get(props.id));
  const draft = edited ?? props.begin; // what nobody changed here follows what is stored
  const [withCases, setWithCases] = useState(false);
  const [note, setNote] = useState("");
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState<unknown>();
  const [done, setDone] = useState<Done>();
  const [theirs, setTheirs] = useState<Stored>();
  const [asForm, setAsForm] = useState(props.asForm);
  const names = useNames();
  const editor = useRef<Editing | undefined>(undefined);
  const caseEditor = useRef<Editing | undefined>(undefined);
  const name = nameIn(draft.text) || stored?.rule.name || "";
  const check = useCheck(s.id, name, draft);
  const own = stored !== undefined && name === stored.rule.name;
  const textChanged = !own || draft.text !== stored.text;
  const casesChanged = draft.cases !== (own ? stored.cases : "");
  const changed = textChanged || casesChanged;
  const form = readForm(draft.text);
  const ruleMarks = useMemo(() => (check.fresh ? marksOf(check.answer?.diagnostics) : []), [check.answer, check.fresh]);
  const caseMarks = useMemo(() => (check.fresh ? marksOf(check.answer?.cases?.diagnostics, check.answer?.cases) : []), [check.answer, check.fresh]);
  const setup = useMemo(() => names && { complete: completion(names.names, s.places, names.channels) }, [names]);

  const write = (next: Partial<Draft>) => {
    const all = { ...draft, ...next };
    setEdited(all);
    setDone(undefined);
    setWrong(undefined);
    putDraft(props.id, stored && all.text === stored.text && all.cases === stored.cases ? undefined : all);
  };
  const drop = () => {
    const mine = draft;
    putDraft(props.id, undefined);
    setEdited(undefined);
    setTheirs(undefined);
    setDone({ words: t.rules.dropped, undo: async () => write(mine) });
  };

  const keep = async (anyway: boolean, over?: Stored) => {
    const base = over ?? (own ? stored : undefined);
    const answer = check.fresh && check.answer ? check.answer : await check.ask();
    if (!answer.ok) return; // the errors are shown
    const good = !answer.cases || (answer.cases.failed === 0 && !answer.cases.diagnostics?.length);
    if (!good && !anyway) throw new Problem(422, "cases_failed", t.rules.casesFail, {});
    let version = base?.version ?? 0;
    if (textChanged || over) {
      // The cases that are written here passed; those that are stored are replaced by them.
      const past = anyway || casesChanged;
      const put = (of: number | "new") => storeRule(name, draft.text, of, note, past);
      try {
        version = (await put(base ? base.version : "new")).version;
      } catch (err) {
        if (!(err instanceof Problem) || err.code !== "version_mismatch" || !base) throw err;
        // The document changed. That is no conflict unless this rule did.
        const newest = await storedRule(name);
        if (newest.text !== base.text) return setTheirs(newest);
        version = (await put(newest.version)).version;
      }
    }
    if (casesChanged && draft.cases.trim()) await storeCases(name, s.id, draft.cases, base?.casesVersion || "new", anyway);
    const next = await storedRule(name);
    putDraft(props.id, undefined);
    setEdited(undefined);
    setNote("");
    setTheirs(undefined);
    const undo = async () => {
      if (!base) {
        await deleteRule(name);
        props.done(name, undefined);
        return;
      }
      if (textChanged) await storeRule(name, base.text, version, t.rules.undoNote, true);
      if (casesChanged && base.cases) await storeCases(name, s.id, base.cases, "any", true);
      setEdited(undefined);
      props.done(name, await storedRule(name));
    };
    setDone({ words: t.rules.stored(version), undo });
    props.done(name, next);
  };
  const act = (f: () => Promise<void>) => {
    setBusy(true);
    setWrong(undefined);
    f()
      .catch(setWrong)
      .finally(() => setBusy(false));
  };
  const failedCases = wrong instanceof Problem && wrong.code === "cases_failed";
  const taken = wrong instanceof Problem && wrong.code === "version_mismatch";

  return (
    <>
      {"form" in form ? (
        <p>
          <button type="button" onClick={() => setAsForm(!asForm)}>
            {asForm ? t.rules.asText : t.rules.asForm}
          </button>
        </p>
      ) : (
        props.asForm && <p class="caution">{t.rules.noForm(form.line)}</p>
      )}
      {asForm && "form" in form ? (
        <>
          <Form form={form.form} fixed={stored !== undefined} places={s.places} channels={names?.channels ?? []} change={(text) => write({ text })} />
          <h2>{t.rules.written}</h2>
          <pre class="wide" tabIndex={0} role="group" aria-label={t.rules.written}>{draft.text}</pre>
        </>
      ) : (
        <>
          <p class="soft">{t.rules.help}</p>
          {setup && (
            <Editor label={t.rules.text} value={draft.text} onChange={(text) => write({ text })} setup={setup} marks={ruleMarks} open={(e) => (editor.current = e)} />
          )}
        </>
      )}
      {check.fresh && <Wrong list={check.answer?.diagnostics ?? []} text={draft.text} select={(m) => editor.current?.select(m)} change={(text) => write({ text })} />}
      <Reading checked={check} site={s.id} />
      {!own && check.answer?.rule?.mode === "live" && <p class="caution">{t.rules.liveAtOnce}</p>}
      {!name && <p class="caution">{t.rules.nameless}</p>}
      {stored && !own && name && <p class="caution">{t.rules.renamed(stored.rule.name, name)}</p>}

      <h2>{t.rules.cases}</h2>
      <p class="soft">{t.rules.casesLead}</p>
      {draft.cases || withCases ? (
        <Editor label={t.rules.casesText} value={draft.cases} onChange={(cases) => write({ cases })} marks={caseMarks} open={(e) => (caseEditor.current = e)} />
      ) : (
        <p>
          <button type="button" disabled={!name} onClick={() => (setWithCases(true), write({ cases: firstCases(name, s) }))}>
            {t.rules.writeCase}
          </button>
        </p>
      )}
      {check.fresh && draft.cases && (
        <>
          <Wrong list={check.answer?.cases?.diagnostics ?? []} text={draft.cases} select={(m) => caseEditor.current?.select(m)} change={(cases) => write({ cases })} />
          {check.answer?.cases && !check.answer.cases.diagnostics?.length && <CaseResults report={check.answer.cases} select={(m) => caseEditor.current?.select(m)} />}
          {!check.answer?.ok && <p class="soft">{t.rules.casesWait}</p>}
        </>
      )}

      {!stored && name && check.answer?.ok && (
        <details>
          <summary>{t.rules.partPast}</summary>
          <Past shop={s} name={name} text={draft.text} draft />
        </details>
      )}
      <form
        class="fields"
        onSubmit={(e) => {
          e.preventDefault();
          act(() => keep(false));
        }}
      >
        <Field label={t.rules.note} value={note} set={(v) => setNote(v.slice(0, 200))} />
        <div class="acts">
          <button type="submit" class="main" disabled={busy || !changed || !name || (check.fresh && !check.answer?.ok)}>
            {t.rules.store}
          </button>
          {changed && stored && (
            <button type="button" onClick={drop}>
              {t.rules.drop}
            </button>
          )}
          <p class="soft" role="status">
            {!changed ? t.rules.unchanged : check.fresh && check.answer?.unchanged && !casesChanged ? t.rules.sameAsStored : ""}
          </p>
        </div>
      </form>
      {theirs && (
        <Note kind="bad" title={t.rules.conflict}>
          <p>{t.rules.conflictMore}</p>
          <Difference name={theirs.rule.name} from={stored!.version} to={theirs.version} />
          <div class="acts">
            <button type="button" disabled={busy} onClick={() => act(() => keep(false, theirs))}>
              {t.rules.mineOver}
            </button>
            <button
              type="button"
              onClick={() => {
                const mine = draft;
                putDraft(props.id, undefined);
                setEdited(undefined);
                setTheirs(undefined);
                setDone({ words: t.rules.tookTheirs, undo: async () => write(mine) });
                props.done(name, theirs);
              }}
            >
              {t.rules.takeTheirs}
            </button>
          </div>
        </Note>
      )}
      {wrong !== undefined && !taken && (
        <Note kind="bad" title={failedCases ? t.rules.casesFail : inWords(wrong)}>
          {failedCases && (
            <button type="button" disabled={busy} onClick={() => act(() => keep(true))}>
              {t.rules.storeAnyway}
            </button>
          )}
        </Note>
      )}
      {taken && (
        <Note kind="bad" title={t.rules.taken(name)}>
          <p>
            <a href={to("rules", name)}>{t.rules.open(name)}</a>
          </p>
        </Note>
      )}
      {done && <Undo done={done} />}
    </>
  );
}

/** Undo says what was done, and takes it back. */
export function Undo(props: { done: Done }): JSX.Element | null {
  const [state, set] = useState<"there" | "busy" | "gone">("there");
  const [wrong, setWrong] = useState<unknown>();
  const box = useRef<HTMLDivElement>(null);
  useEffect(() => {
    set("there");
    setWrong(undefined);
  }, [props.done]);
  useEffect(() => {
    if (state === "gone") box.current?.focus(); // the button that was pressed is gone
  }, [state]);
  const undo = () => {
    set("busy");
    props.done.undo().then(
      () => set("gone"),
      (err: unknown) => {
        set("there");
        setWrong(err);
      },
    );
  };
  return (
    <div class="note" role="status" ref={box} tabIndex={-1}>
      <p>{state === "gone" ? t.rules.undone : props.done.words}</p>
      {wrong !== undefined && <p class="wrong">{inWords(wrong)}</p>}
      {state !== "gone" && (
        <button type="button" disabled={state === "busy"} onClick={undo}>
          {t.rules.undo}
        </button>
      )}
    </div>
  );
}
