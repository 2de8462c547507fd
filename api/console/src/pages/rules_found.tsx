import type { JSX } from "preact";
import type { Shapes } from "../lib/api";
import { inWords } from "../lib/api";
import { to } from "../lib/router";
import type { Mark } from "../parts/editor_open";
import { t } from "../text/en";

type Diagnostic = Shapes["Diagnostic"];

/** Checked is what the server said of a text. */
export interface Checked {
  answer: Shapes["RuleCheck"] | undefined;
  fresh: boolean; // the answer is about what is written now
  error: unknown;
  again: () => void;
}

/** markOf is where a diagnostic is shown in an editor. */
export function markOf(d: Diagnostic): Mark {
  return { line: d.line || 1, column: d.column || 1, length: d.length, severity: d.severity === "error" ? "error" : "warning", message: d.hint ? `${d.reason}: ${d.hint}` : d.reason };
}

/** marksOf are the marks of what is wrong with a text, and of what became of its cases. */
export function marksOf(diagnostics: Diagnostic[] | undefined, report?: Shapes["CaseReport"]): Mark[] {
  const marks = (diagnostics ?? []).map(markOf);
  for (const c of report?.results ?? []) {
    if (c.passed) marks.push({ line: c.line, column: c.column, severity: "info", message: t.rules.passes });
    for (const f of c.failures ?? []) marks.push({ line: f.line, column: f.column, severity: "error", message: f.hint ? `${f.reason}: ${f.hint}` : f.reason });
  }
  return marks;
}

/** replacement is the text that a hint would put in place of what is meant, "" if it is not of that kind. */
function replacement(d: Diagnostic): string {
  return (d.line && d.length && /^did you mean (\S+)\?$/.exec(d.hint ?? "")?.[1]) || "";
}

/** replaced puts a text in place of what a diagnostic means. */
function replaced(text: string, d: Diagnostic, by: string): string {
  const lines = text.split("\n");
  const chars = [...(lines[d.line! - 1] ?? "")];
  chars.splice(d.column! - 1, d.length!, by);
  lines[d.line! - 1] = chars.join("");
  return lines.join("\n");
}

/** Wrong lists what is wrong with a text, with its place, and what would mend it. */
export function Wrong(props: { list: Diagnostic[]; text: string; select: (m: Mark) => void; change: (text: string) => void }): JSX.Element | null {
  if (props.list.length === 0) return null;
  return (
    <ul class="lines shared" aria-label={t.rules.wrong}>
      {props.list.map((d) => {
        const by = replacement(d);
        return (
          <li>
            <div>
              <p>
                <span class={d.severity === "error" ? "wrong" : "soft"}>{d.severity === "error" ? t.rules.error : t.rules.warning}</span> {d.line ? `${t.rules.place(d.line, d.column ?? 1)}: ` : ""}
                {d.reason}
              </p>
              {d.hint && <p class="soft">{d.hint}</p>}
            </div>
            <div class="acts">
              {by && (
                <button type="button" onClick={() => (props.change(replaced(props.text, d, by)), setTimeout(() => props.select({ ...markOf(d), length: [...by].length })))}>
                  {t.rules.use(by)}
                </button>
              )}
              {d.line ? (
                <button type="button" onClick={() => props.select(markOf(d))}>
                  {t.rules.goTo(d.line)}
                </button>
              ) : null}
            </div>
          </li>
        );
      })}
    </ul>
  );
}

/** Reading is the rule in a sentence, and what it is true of now. */
export function Reading(props: { checked: Checked; site: string }): JSX.Element {
  const { answer, fresh, error, again } = props.checked;
  const errors = answer?.diagnostics.filter((d) => d.severity === "error").length ?? 0;
  const now = answer?.true_now;
  return (
    <section class="detail" aria-busy={!fresh}>
      <p class="soft" role="status">
        {error !== undefined ? <span class="wrong">{inWords(error)}</span> : !fresh ? t.rules.checking : errors ? t.rules.errors(errors) : t.rules.good(answer?.diagnostics.length ?? 0)}
      </p>
      {error !== undefined && (
        <button type="button" onClick={again}>
          {t.again}
        </button>
      )}
      {answer?.rule && <p>{answer.rule.words}</p>}
      {answer?.ok && (
        <>
          <h2>{t.rules.now}</h2>
          <p>{now ? now.words : answer.rule?.mode === "off" ? t.rules.nowOff : t.rules.nowNot}</p>
          {now?.failed ? <p class="wrong">{t.rules.failed(now.failed)}</p> : null}
          {now?.examples && (
            <ul class="parts">
              {now.examples.map((x) => (
                <li>{x.item && x.site === props.site ? <a href={to("find", "item", x.item)}>{x.say}</a> : x.say}</li>
              ))}
            </ul>
          )}
        </>
      )}
    </section>
  );
}

/** CaseResults says what became of each case: what was expected, and what happened. */
export function CaseResults(props: { report: Shapes["CaseReport"]; select: (m: Mark) => void }): JSX.Element {
  const { passed, failed, results } = props.report;
  return (
    <>
      <p role="status" class={failed ? "wrong" : "soft"}>
        {t.rules.casesRan(passed, failed)}
      </p>
      <ul class="lines shared" aria-label={t.rules.cases}>
        {(results ?? []).map((c) => (
          <li>
            <div>
              <p>
                <span class={c.passed ? "soft" : "wrong"}>{c.passed ? t.rules.passes : t.rules.fails}</span> {c.name}
              </p>
              {(c.failures ?? []).map((f) => (
                <>
                  <p>
                    {t.rules.place(f.line, f.column)}: {f.reason}
                  </p>
                  {f.hint && <p class="soft">{f.hint}</p>}
                  {f.diff && (
                    <>
                      <p class="soft">{t.rules.caseDiff}</p>
                      <pre class="wide" tabIndex={0} role="group" aria-label={t.rules.caseDiff}>
                        {f.diff.join("\n")}
                      </pre>
                    </>
                  )}
                </>
              ))}
            </div>
            {!c.passed && (
              <button type="button" onClick={() => props.select({ line: c.failures?.[0]?.line ?? c.line, column: c.failures?.[0]?.column ?? c.column, severity: "error", message: "" })}>
                {t.rules.goTo(c.failures?.[0]?.line ?? c.line)}
              </button>
            )}
          </li>
        ))}
      </ul>
    </>
  );
}
