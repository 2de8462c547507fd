import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { get, inWords } from "./lib/api";
import { useAsk } from "./lib/ask";
import { route } from "./lib/router";
import { signedOut, signIn } from "./lib/session";
import { remembers, useStore } from "./lib/store";
import { t } from "./text/en";

/** SignIn exchanges a key for a session of this browser, or has the provider say who is there. The key is kept nowhere. */
export function SignIn(): JSX.Element {
  const field = useRef<HTMLInputElement>(null);
  const keep = useRef<HTMLInputElement>(null);
  const [busy, setBusy] = useState(false);
  const [wrong, setWrong] = useState("");
  const ways = useAsk((signal) => get("/v1/sign-in", { signal }), []);
  const provider = ways.value?.provider;
  const failed = useStore(route).query.get("wrong");
  const submit = (e: Event) => {
    e.preventDefault();
    const key = field.current?.value.trim() ?? "";
    if (!key) {
      setWrong(t.signIn.needed);
      field.current?.focus();
      return;
    }
    setBusy(true);
    signIn(key, keep.current?.checked ?? false).catch((err: unknown) => {
      setBusy(false);
      setWrong(inWords(err));
      field.current?.focus();
    });
  };
  if (ways.busy) return <main id="page" class="alone" />;
  return (
    <main id="page" class="alone">
      <h1>{t.signIn.title}</h1>
      {!isSecureContext && <p class="caution">{t.signIn.plain}</p>}
      {remembers("lintel.count.waiting") && <p>{t.count.waits}</p>}
      {failed && (
        <p class="wrong" role="alert">
          {t.signIn.why[failed] ?? t.signIn.why["failed"]}
        </p>
      )}
      {provider && (
        <>
          <p>
            <a class="button main" href={provider.start + (signedOut.get() ? "?again=true" : "")}>
              {t.signIn.by(provider.name)}
            </a>
          </p>
          <h2>{t.signIn.orKey}</h2>
        </>
      )}
      <form onSubmit={submit} noValidate>
        <label for="key">{t.signIn.key}</label>
        <input
          id="key"
          ref={field}
          type="password"
          autocomplete="current-password"
          autocapitalize="none"
          spellcheck={false}
          aria-describedby={wrong ? "key-wrong key-hint" : "key-hint"}
          aria-invalid={wrong ? true : undefined}
        />
        {wrong && (
          <p id="key-wrong" class="wrong" role="alert">
            {wrong}
          </p>
        )}
        <p id="key-hint" class="soft">
          {t.signIn.keyHint}
        </p>
        <label class="check">
          <input ref={keep} type="checkbox" /> {t.signIn.keep}
        </label>
        <p class="soft">{t.signIn.keepHint}</p>
        <button type="submit" class={provider ? "" : "main"} disabled={busy}>
          {t.signIn.go}
        </button>
      </form>
    </main>
  );
}
