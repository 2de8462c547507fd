import { address, exchange, get, NoServer, Problem, request, send, type Exchange, type Shapes } from "./api";
import { Store } from "./store";

export type Rule = Shapes["RuleView"];
export type Mode = "live" | "watch" | "off";
export type Saved = Shapes["RuleSaved"];
export type TrialLine =
  | Shapes["TrialProgressLine"]
  | Shapes["TrialAlertLine"]
  | Shapes["TrialResultLine"]
  | Shapes["TrialProblemLine"];

const yaml = "application/yaml";

/** Condition says of which version a change is one: a number, "new", or any. */
export type Condition = number | "new" | "any";

function conditions(of: Condition): Exchange {
  return of === "any" ? {} : of === "new" ? { isNew: true } : { match: `"${of}"` };
}

/** storeRule stores the text of one rule. */
export async function storeRule(name: string, text: string, of: Condition, note: string, anyway = false): Promise<Saved> {
  const url = address("/v1/rules/{name}", { path: { name }, query: { note, anyway: anyway || undefined } });
  return (await (await request("PUT", url, { text, media: yaml, ...conditions(of) })).json()) as Saved;
}

/** storeCases stores the cases of a rule. */
export async function storeCases(name: string, site: string, text: string, of: Condition, anyway: boolean): Promise<Shapes["CasesSaved"]> {
  const url = address("/v1/rules/{name}/cases", { path: { name }, query: { site, anyway: anyway || undefined } });
  return (await (await request("PUT", url, { text, media: yaml, ...conditions(of) })).json()) as Shapes["CasesSaved"];
}

/** switchRule changes the mode of a rule. */
export async function switchRule(name: string, mode: Mode, anyway = false): Promise<Saved> {
  const url = address("/v1/rules/{name}", { path: { name }, query: { anyway: anyway || undefined } });
  return (await (await request("PATCH", url, { text: JSON.stringify({ mode }), media: "application/merge-patch+json" })).json()) as Saved;
}

/** deleteRule takes a rule away; dry says what would change and changes nothing. */
export async function deleteRule(name: string, dry = false): Promise<Saved> {
  return (await send("delete", address("/v1/rules/{name}", { path: { name }, query: { dry_run: dry || undefined } }))) as Saved;
}

/** restoreRules has the whole document be as it was, if it is still of the version that is given. */
export async function restoreRules(version: number, of: number): Promise<void> {
  await request("POST", "/v1/rules/restore", { text: JSON.stringify({ version }), ...conditions(of) });
}

/** Stored is a rule as it is stored, with its cases and the version that each is of. */
export interface Stored {
  version: number; // of the document of rules
  text: string;
  rule: Rule;
  cases: string;
  casesVersion: number; // 0: there are none
}

/** storedRule asks for a rule and its cases. */
export async function storedRule(name: string, signal?: AbortSignal): Promise<Stored> {
  const one = await get("/v1/rules/{name}", { path: { name }, signal });
  let casesVersion = 0;
  if (one.cases) {
    const all = await exchange("GET", address("/v1/rules/{name}/cases", { path: { name } }), { accept: "*/*", signal });
    casesVersion = Number(/\d+/.exec(all.etag)?.[0] ?? 0);
  }
  return { version: one.version, text: one.text, rule: one.rule, cases: one.cases ?? "", casesVersion };
}

/** bringBack stores the text that a rule had in a version again. there: there is a rule of that name. */
export async function bringBack(name: string, version: number, there: boolean, note: string): Promise<Stored> {
  const { text } = await get("/v1/rules/{name}", { path: { name }, query: { version } });
  await storeRule(name, text, there ? (await storedRule(name)).version : "new", note, true);
  return storedRule(name);
}

/** tryOut plays what was recorded to a rule, and calls line with each line of the answer. */
export async function tryOut(name: string, text: string, query: { site: string; from: string; alerts: number }, line: (l: TrialLine) => void, signal: AbortSignal): Promise<void> {
  const url = address("/v1/rules/{name}/trial", { path: { name }, query });
  const answer = await request("POST", url, { text, media: yaml, accept: "application/x-ndjson", signal });
  const reader = answer.body!.pipeThrough(new TextDecoderStream() as TransformStream<BufferSource, string>).getReader();
  for (let rest = "", ended = false; ; ) {
    const { done, value } = await reader.read().catch((err: unknown) => {
      throw signal.aborted ? err : new NoServer();
    });
    if (done && !ended) throw new NoServer();
    if (done) return;
    const lines = (rest + value).split("\n");
    rest = lines.pop() ?? "";
    for (const l of lines.filter(Boolean).map((s) => JSON.parse(s) as TrialLine)) {
      if (l.type === "problem") throw new Problem(l.status, l.code, l.detail, {});
      ended ||= l.type === "result";
      line(l);
    }
  }
}

/** nameIn returns the name that the text of a rule has, "" if it has none. */
export function nameIn(text: string): string {
  return /^\s*(?:-\s+)?\{?\s*name:[ \t]*["']?([^\s"'#,}]+)/m.exec(text)?.[1] ?? "";
}

/** Draft is what somebody wrote and did not store. */
export interface Draft {
  text: string;
  cases: string;
}

/** What is not stored yet, by the name of the rule. It outlives the page, not the window. */
export const drafts = new Store<ReadonlyMap<string, Draft>>(new Map());

/** putDraft keeps what somebody wrote; undefined: nothing. */
export function putDraft(id: string, draft: Draft | undefined): void {
  const next = new Map(drafts.get());
  if (draft) next.set(id, draft);
  else next.delete(id);
  drafts.set(next);
}

addEventListener("beforeunload", (e) => void (drafts.get().size > 0 && e.preventDefault()));
