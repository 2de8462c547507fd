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

export const route = new Store<Route>(parse(location.hash));
addEventListener("hashchange", () => route.set(parse(location.hash)));

/** to writes the address of a page. */
export function to(page: string, ...args: string[]): string {
  return "#/" + [page, ...args].map(encodeURIComponent).join("/");
}

/** go turns to a page. */
export function go(page: string, ...args: string[]): void {
  location.hash = to(page, ...args);
}
