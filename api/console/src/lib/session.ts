import { get, hooks, post, remove, type Shapes } from "./api";
import { keyInLink } from "./router";
import { Store } from "./store";
import { sync } from "./time";

export type Who = Shapes["SignedIn"];
export type Scope = "reads" | "sales" | "count" | "view" | "metrics" | "operate" | "author" | "admin";

/** Who is signed in: undefined while that is not known, null for nobody. */
export const session = new Store<Who | null | undefined>(undefined);

/** Whether somebody signed out here since the page was opened: then the next one may be somebody else. */
export const signedOut = new Store(false);

hooks.unauthorized = () => session.set(null);

/** may reports whether the key has one of the scopes. The server checks again, always. */
export function may(who: Who | null | undefined, scopes: readonly Scope[]): boolean {
  return !!who && (scopes.length === 0 || who.scopes.includes("admin") || scopes.some((s) => who.scopes.includes(s)));
}

/** resume asks who this browser is signed in as; whoever is not is signed in by the link that was opened. It throws if the server does not answer. */
export async function resume(): Promise<void> {
  try {
    const who = await get("/v1/sessions/current", {});
    sync(who.now);
    session.set(who);
  } catch (err) {
    if (session.get() === undefined) throw err;
    if (keyInLink) await signIn(keyInLink, false);
  }
}

export async function signIn(key: string, keep: boolean): Promise<void> {
  const who = await post("/v1/sessions", { body: { key, keep } });
  sync(who.now);
  session.set(who);
}

export async function signOut(): Promise<void> {
  await remove("/v1/sessions/{id}", { path: { id: "current" } });
  signedOut.set(true);
  session.set(null);
}
