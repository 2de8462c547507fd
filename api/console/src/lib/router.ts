import { Store } from "./store";

/** Route is where the address bar is: #/door/street-door?x=y. */
export interface Route {
  page: string;
  args: string[];
  query: URLSearchParams;
}

function parse(hash: string): Route {
  const [path = "", query = ""] = hash.replace(/^#\/?/, "").split("?", 2);
  const [page = "", ...args] = path.split("/").map((s) => {
    try {
      return decodeURIComponent(s);
    } catch {
      return s;
    }
  });
  return { page, args, query: new URLSearchParams(query) };
}

/** takeKey takes a key out of the address, #key=lk_..., so that neither the address bar nor the history has it. */
function takeKey(): string {
  if (!location.hash.startsWith("#key=")) return "";
  const key = location.hash.slice(5);
  history.replaceState(null, "", location.pathname + location.search);
  return ["127.0.0.1", "[::1]", "localhost"].includes(location.hostname) ? key : "";
}

/** keyInLink is the key of a link that a server on this machine handed out, such as the demonstration. */
export const keyInLink = takeKey();

export const route = new Store<Route>(parse(location.hash));
addEventListener("hashchange", () => (location.hash.startsWith("#key=") ? location.reload() : route.set(parse(location.hash))));

/** to writes the address of a page. */
export function to(page: string, ...args: string[]): string {
  return "#/" + [page, ...args].map(encodeURIComponent).join("/");
}

/** go turns to a page. */
export function go(page: string, ...args: string[]): void {
  location.hash = to(page, ...args);
}
