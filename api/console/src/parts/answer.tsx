import type { ComponentChildren, JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { inWords, Problem } from "../lib/api";
import type { Ask } from "../lib/ask";
import { t } from "../text/en";

/** Note is a state of a page in words: nothing there, refused, broken. */
export function Note(props: { title: string; more?: string; kind?: "plain" | "bad"; again?: () => void; children?: ComponentChildren }): JSX.Element {
  return (
    <div class={`note ${props.kind ?? "plain"}`} role={props.kind === "bad" ? "alert" : undefined}>
      <p class="title">{props.title}</p>
      {props.more && <p>{props.more}</p>}
      {props.children}
      {props.again && (
        <button type="button" onClick={props.again}>
          {t.again}
        </button>
      )}
    </div>
  );
}

/** Loading says that something is asked for, and after three seconds that it is late. */
export function Loading(): JSX.Element {
  const [late, set] = useState(false);
  useEffect(() => {
    const timer = setTimeout(() => set(true), 3000);
    return () => clearTimeout(timer);
  }, []);
  return (
    <p class="loading" role="status">
      {late ? t.state.late : t.state.loading}
    </p>
  );
}

/** Answer shows what was asked for in each of its states: loading, late, refused, broken, empty, there. A
 * failure of asking again leaves what was there, and says so. */
export function Answer<T>(props: {
  ask: Ask<T>;
  empty?: (v: T) => boolean;
  none?: { title: string; more?: string };
  children: (v: T) => ComponentChildren;
}): JSX.Element {
  const { value, error, again } = props.ask;
  if (value === undefined) {
    if (error === undefined) return <Loading />;
    const refused = error instanceof Problem && error.status === 403;
    return <Note kind="bad" title={refused ? t.state.refused : inWords(error)} again={refused ? undefined : again} />;
  }
  return (
    <>
      {error !== undefined && <Note kind="bad" title={t.state.stale} more={inWords(error)} again={again} />}
      {props.empty?.(value) ? <Note title={props.none?.title ?? ""} more={props.none?.more} /> : props.children(value)}
    </>
  );
}
