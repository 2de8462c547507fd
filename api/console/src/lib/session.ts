import { get, hooks, NoServer, post, Problem, remove, type Shapes } from "./api";
import { keyInLink } from "./router";
import { remembered, Store } from "./store";
import { now, sync } from "./time";

export type Who = Shapes["SignedIn"];
export type Scope = "reads" | "sales" | "count" | "view" | "metrics" | "operate" | "author" | "admin";

/** Who is signed in: undefined while that is not known, null for nobody. */
export const session = new Store<Who | null | undefined>(undefined);

/** Whether somebody signed out here since the page was opened: then the next one may be somebody else. */
export const signedOut = new Store(false);

hooks.unauthorized = () => session.set(null);

/** Who it was, no secret, for a page that is opened while the server is away. */
const last = remembered("lintel.who", "");
session.follow((who) => last.set(who ? JSON.stringify(who) : ""));

/** before returns who was signed in when the server answered last, if the session is not over by its time. */
function before(): Who | undefined {
  const who = last.get() ? (JSON.parse(last.get()) as Who) : undefined;
  return who?.session && Date.parse(who.session.until) > now() ? who : undefined;
}

/** may reports whether the key has one of the scopes. The server checks again, always. */
export function may(who: Who | null | undefined, scopes: readonly Scope[]): boolean {
  return !!who && (scopes.length === 0 || who.scopes.includes("admin") || scopes.some((s) => who.scopes.includes(s)));
}

/** mayWrite reports whether the key may change what every shop has together: rules, channels, products. */
export function mayWrite(who: Who | null | undefined): boolean {
  return may(who, ["author"]) && !!who?.sites.includes("*");
}

const askAgain = 10_000; // ms

/** resume asks who this browser is signed in as; whoever is not is signed in by the link that was opened. While
 * the server is away it is who it was, and it is asked again; where that is not known it throws. */
export async function resume(): Promise<void> {
  try {
    const who = await get("/v1/sessions/current", {});
    sync(who.now);
    session.set(who);
  } catch (err) {
    if (session.get() === null) {
      if (keyInLink) await signIn(keyInLink, false);
      return;
    }
    const away = err instanceof NoServer || (err instanceof Problem && err.status >= 500);
    const who = session.get() ?? before();
    if (!away || !who) throw err;
    session.set(who);
    setTimeout(() => void resume().catch(() => {}), askAgain);
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
