import { useEffect, useState } from "preact/hooks";

/** Store is one value that components follow. */
export class Store<T> {
  private readers = new Set<(v: T) => void>();
  constructor(private value: T) {}
  get(): T {
    return this.value;
  }
  set(v: T): void {
    if (Object.is(v, this.value)) return;
    this.value = v;
    for (const f of [...this.readers]) f(v);
  }
  /** follow calls f with each new value, until what it returns is called. */
  follow(f: (v: T) => void): () => void {
    this.readers.add(f);
    return () => void this.readers.delete(f);
  }
}

/** useStore returns the value and renders again when it changes. */
export function useStore<T>(s: Store<T>): T {
  const [v, set] = useState(() => s.get());
  useEffect(() => {
    set(() => s.get());
    return s.follow((n) => set(() => n));
  }, [s]);
  return v;
}

/** remembers returns what this browser keeps under a name, null if nothing. */
export function remembers(name: string): string | null {
  try {
    return localStorage.getItem(name);
  } catch {
    return null; // The browser keeps nothing: then neither does the page.
  }
}

/** remembered is a store whose value this browser keeps. */
export function remembered(name: string, first: string): Store<string> {
  const s = new Store(remembers(name) ?? first);
  s.follow((v) => {
    try {
      localStorage.setItem(name, v);
    } catch {
      // As above.
    }
  });
  return s;
}
