import type { ComponentChildren, JSX } from "preact";
import { useId, useRef, useState } from "preact/hooks";
import { inWords, Problem } from "../lib/api";
import { copy } from "../lib/copy";
import { faults, type Diagnostic } from "../lib/documents";
import { t } from "../text/en";

/** Field is one line to type into, with its label, a hint, and what is wrong with it. */
export function Field(props: {
  label: string;
  value: string;
  set: (v: string) => void;
  hint?: string;
  wrong?: string;
  list?: readonly string[];
  code?: boolean; // no word of a language: nothing is corrected or begun with a capital
  placeholder?: string;
}): JSX.Element {
  const id = useId();
  const about = [props.wrong && `${id}-wrong`, props.hint && `${id}-hint`].filter(Boolean).join(" ");
  return (
    <div class="field">
      <label for={id}>{props.label}</label>
      <input
        id={id}
        value={props.value}
        onInput={(e) => props.set(e.currentTarget.value)}
        aria-describedby={about || undefined}
        aria-invalid={props.wrong ? true : undefined}
        list={props.list && `${id}-list`}
        placeholder={props.placeholder}
        autocomplete="off"
        {...(props.code ? { autocapitalize: "none", spellcheck: false } : {})}
      />
      {props.list && (
        <datalist id={`${id}-list`}>
          {props.list.map((v) => (
            <option value={v} />
          ))}
        </datalist>
      )}
      {props.wrong && (
        <p id={`${id}-wrong`} class="wrong">
          {props.wrong}
        </p>
      )}
      {props.hint && (
        <p id={`${id}-hint`} class="soft">
          {props.hint}
        </p>
      )}
    </div>
  );
}

/** Choice is one of a few, each with a word about it. */
export function Choice<T extends string>(props: {
  label: string;
  value: T;
  set: (v: T) => void;
  of: readonly { value: T; name: string; about?: string }[];
}): JSX.Element {
  const id = useId();
  return (
    <fieldset class="field">
      <legend>{props.label}</legend>
      {props.of.map((o) => (
        <label class="check">
          <input type="radio" name={id} checked={o.value === props.value} onChange={() => props.set(o.value)} />
          <span>
            {o.name}
            {o.about && <span class="soft"> {o.about}</span>}
          </span>
        </label>
      ))}
    </fieldset>
  );
}

/** Several is any of a few. */
export function Several(props: {
  label: string;
  value: readonly string[];
  set: (v: string[]) => void;
  of: readonly { value: string; name: string; about?: string }[];
}): JSX.Element {
  const turn = (v: string) => props.set(props.value.includes(v) ? props.value.filter((x) => x !== v) : [...props.value, v]);
  return (
    <fieldset class="field">
      <legend>{props.label}</legend>
      {props.of.map((o) => (
        <label class="check">
          <input type="checkbox" checked={props.value.includes(o.value)} onChange={() => turn(o.value)} />
          <div>
            {o.name}
            {o.about && <div class="soft">{o.about}</div>}
          </div>
        </label>
      ))}
    </fieldset>
  );
}

/** Copied is a text to take elsewhere, with a button that copies it. */
export function Copied(props: { label: string; value: string; lines?: number }): JSX.Element {
  const id = useId();
  const field = useRef<HTMLInputElement & HTMLTextAreaElement>(null);
  const [said, say] = useState("");
  const take = () => {
    if (field.current) copy(field.current).then(() => say(t.copied), () => say(t.copyNot));
  };
  return (
    <div class="field">
      <label for={id}>{props.label}</label>
      <div class="copied">
        {props.lines ? (
          <textarea id={id} ref={field} class="code" readOnly rows={props.lines} value={props.value} />
        ) : (
          <input id={id} ref={field} class="code" readOnly value={props.value} />
        )}
        <button type="button" onClick={take}>
          {t.copy}
          <span class="hidden"> {props.label}</span>
        </button>
      </div>
      <p class="soft" role="status">
        {said}
      </p>
    </div>
  );
}

/** Wrong says why something was refused, with what a document has wrong: where, what, and how to mend it. */
export function Wrong(props: { error: unknown; place?: (d: Diagnostic) => string }): JSX.Element | null {
  const { error } = props;
  if (error === undefined || error === "") return null;
  const list = error instanceof Problem ? faults(error.more) : [];
  return (
    <div role="alert">
      <p class="wrong">{list.length > 0 ? t.faults.found(list.reduce((n, d) => n + (d.more || 1), 0)) : typeof error === "string" ? error : inWords(error)}</p>
      {list.length > 0 && <Faults list={list} place={props.place} />}
    </div>
  );
}

/** Faults are what a document has wrong, as a table. */
export function Faults(props: { list: readonly Diagnostic[]; place?: (d: Diagnostic) => string }): JSX.Element {
  const place = props.place ?? ((d: Diagnostic) => [d.line && t.faults.line(d.line, d.column), d.path].filter(Boolean).join(", "));
  const more = props.list.find((d) => d.more)?.more ?? 0;
  const shown = props.list.filter((d) => !d.more);
  return (
    <>
      <div class="wide" tabIndex={0} role="group" aria-label={t.faults.title}>
        <table>
          <thead>
            <tr>
              <th scope="col">{t.faults.where}</th>
              <th scope="col">{t.faults.what}</th>
            </tr>
          </thead>
          <tbody>
            {shown.slice(0, 100).map((d) => (
              <tr>
                <th scope="row">{place(d)}</th>
                <td>
                  {d.reason}
                  {d.hint && <div class="soft">{d.hint}</div>}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {shown.length + more > 100 && <p class="soft">{t.faults.more(shown.length + more - Math.min(100, shown.length))}</p>}
    </>
  );
}

/** Said is what came of something, read out when it changes. */
export function Said(props: { children: ComponentChildren }): JSX.Element {
  return <div role="status">{props.children}</div>;
}

/** useAct has an act say that it is on its way, and what went wrong with it. */
export function useAct(): { busy: boolean; wrong: unknown; run: (f: () => Promise<unknown>) => void; clear: () => void } {
  const [state, set] = useState<{ busy: boolean; wrong: unknown }>({ busy: false, wrong: undefined });
  return {
    ...state,
    run: (f) => {
      set({ busy: true, wrong: undefined });
      f().then(
        () => set({ busy: false, wrong: undefined }),
        (wrong: unknown) => set({ busy: false, wrong }),
      );
    },
    clear: () => set((s) => ({ ...s, wrong: undefined })),
  };
}
