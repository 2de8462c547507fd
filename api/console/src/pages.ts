import type { ComponentType } from "preact";
import type { Scope } from "./lib/session";
import { t } from "./text/en";

/** PageProps is what a page is given: what follows its name in the address. */
export interface PageProps {
  args: string[];
  query: URLSearchParams;
}

/** Page is one line of the table of pages. Its module is fetched when it is first shown. */
export interface Page {
  id: string; // in the address: #/id
  title: string;
  scopes: readonly Scope[]; // any one of them opens it; none: whoever is signed in
  nav: boolean; // it has a place in the navigation
  shop: boolean; // it is about the chosen shop
  load: () => Promise<{ default: ComponentType<PageProps> }>;
}

/** pages is the table. The first one that a person may open is what they see after signing in. */
export const pages: readonly Page[] = [
  { id: "now", title: t.page.now, scopes: ["operate", "view"], nav: true, shop: true, load: () => import("./pages/now") },
  { id: "door", title: t.page.door, scopes: ["operate", "view"], nav: true, shop: true, load: () => import("./pages/door") },
  { id: "count", title: t.page.count, scopes: ["operate", "count"], nav: true, shop: true, load: () => import("./pages/count") },
  { id: "find", title: t.page.find, scopes: ["operate", "view"], nav: true, shop: true, load: () => import("./pages/find") },
  { id: "shop", title: t.page.shop, scopes: ["operate", "view"], nav: true, shop: true, load: () => import("./pages/shop") },
  { id: "rules", title: t.page.rules, scopes: ["operate", "view", "author"], nav: true, shop: true, load: () => import("./pages/rules") },
  { id: "messages", title: t.page.messages, scopes: ["operate", "view", "author"], nav: true, shop: false, load: () => import("./pages/messages") },
  { id: "setup", title: t.page.setup, scopes: ["author"], nav: true, shop: false, load: () => import("./pages/setup") },
  { id: "session", title: t.page.session, scopes: [], nav: true, shop: false, load: () => import("./pages/session") },
  { id: "parts", title: t.page.parts, scopes: [], nav: false, shop: false, load: () => import("./pages/parts") },
];
