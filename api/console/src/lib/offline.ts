import { Store } from "./store";

/** Whether pages open without network: "plain" over plain http, where browsers have no service worker. */
export const offline = new Store<"asking" | "ready" | "plain" | "never">("asking");

let asked = false;

/** keepPages has the service worker keep the pages. */
export function keepPages(): void {
  if (asked) return;
  asked = true;
  if (!isSecureContext) return offline.set("plain");
  if (!navigator.serviceWorker) return offline.set("never");
  const policy = window.trustedTypes?.createPolicy("console", { createScriptURL: (url) => url });
  const url = new URL("sw.js", document.baseURI).href;
  navigator.serviceWorker
    .register((policy ? policy.createScriptURL(url) : url) as string)
    .then(() => navigator.serviceWorker.ready)
    .then(
      () => offline.set("ready"),
      () => offline.set("never"),
    );
}
