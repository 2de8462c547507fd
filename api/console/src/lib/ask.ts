import { useCallback, useEffect, useRef, useState } from "preact/hooks";

/** Ask is a question to the server on its way: while it is asked again the last answer stays. */
export interface Ask<T> {
  value: T | undefined;
  error: unknown;
  busy: boolean;
  again: () => void;
}

/** useAsk asks f at once, when deps change, and by again(). */
export function useAsk<T>(f: (signal: AbortSignal) => Promise<T>, deps: unknown[]): Ask<T> {
  const [state, set] = useState<{ value: T | undefined; error: unknown; busy: boolean }>({ value: undefined, error: undefined, busy: true });
  const [round, next] = useState(0);
  const before = useRef<unknown[]>(deps);
  useEffect(() => {
    const stop = new AbortController();
    const same = before.current.every((d, i) => Object.is(d, deps[i]));
    before.current = deps;
    // That an old answer could not be asked for again stays in view until it could.
    set((s) => (same && s.value !== undefined ? { ...s, busy: true } : { value: undefined, error: undefined, busy: true }));
    f(stop.signal).then(
      (value) => stop.signal.aborted || set({ value, error: undefined, busy: false }),
      (error: unknown) => stop.signal.aborted || set((s) => ({ value: s.value, error, busy: false })),
    );
    return () => stop.abort();
  }, [...deps, round]);
  return { ...state, again: useCallback(() => next((n) => n + 1), []) };
}
