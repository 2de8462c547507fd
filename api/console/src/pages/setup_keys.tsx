import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, newOnce, post, remove, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { session, type Scope } from "../lib/session";
import { shop, sites } from "../lib/shop";
import { useStore } from "../lib/store";
import { at, now } from "../lib/time";
import { Answer } from "../parts/answer";
import { Choice, Copied, Field, Several, useAct, Wrong } from "../parts/fields";
import { Growing } from "../parts/lists";
import { Ago } from "../parts/when";
import { t } from "../text/en";

type Key = Shapes["KeyView"];

const scopes: readonly Scope[] = ["reads", "sales", "count", "view", "operate", "author", "metrics", "admin"];

const works = (k: Key) => !k.disabled && !(k.until && Date.parse(k.until) <= now());

/** Keys lists the keys by name, and makes, rotates and ends them. */
export function Keys(): JSX.Element {
  const ask = useAsk((signal) => get("/v1/keys", { signal }), []);
  return (
    <>
      <MakeKey again={ask.again} taken={(ask.value?.keys ?? []).map((k) => k.name)} />
      <h2>{t.setup.keys.list}</h2>
      <Answer ask={ask} empty={(v) => v.keys.length === 0} none={{ title: t.setup.keys.none }}>
        {(v) => {
          // A key that was rotated is there once for each of its texts; the newest comes last.
          const byName = new Map<string, Key[]>();
          for (const k of v.keys) byName.set(k.name, [...(byName.get(k.name) ?? []), k]);
          const all = [...byName.values()];
          const live = all.filter((texts) => texts.some(works));
          const over = all.filter((texts) => !texts.some(works));
          return (
            <>
              <Growing rows={live} class="lines" label={t.setup.keys.list}>
                {(texts) => <Row key={texts[0]!.name} texts={texts} again={ask.again} />}
              </Growing>
              {over.length > 0 && (
                <details>
                  <summary>{t.setup.keys.over(over.length)}</summary>
                  <Growing rows={over} class="lines" label={t.setup.keys.over(over.length)}>
                    {(texts) => <Row key={texts[0]!.name} texts={texts} again={ask.again} />}
                  </Growing>
                </details>
              )}
            </>
          );
        }}
      </Answer>
    </>
  );
}

const scopeWords = (s: string) => t.session.scopes[s] ?? s;

/** Row is one key, by all its texts. */
function Row(props: { texts: Key[]; again: () => void }): JSX.Element {
  const who = useStore(session);
  const known = useStore(sites);
  const zone = useStore(shop)?.zone ?? "UTC";
  const k = props.texts[props.texts.length - 1]!;
  const live = props.texts.filter(works);
  const before = live.filter((x) => x !== k);
  const used = props.texts.flatMap((x) => x.last_used ?? []).sort().at(-1);
  const oldUsed = before.flatMap((x) => x.last_used ?? []).sort().at(-1);
  const [doing, set] = useState<"" | "rotate" | "end">("");
  const [overlap, setOverlap] = useState("86400");
  const [made, setMade] = useState("");
  const act = useAct();
  const once = useRef(newOnce());
  const acts = useRef<HTMLDivElement>(null);
  const own = who?.key === k.name;
  useEffect(() => {
    if (doing) acts.current?.querySelector<HTMLElement>("input:checked, button")?.focus();
  }, [doing]);
  const shops = k.sites.includes("*") ? t.session.allShops : k.sites.map((id) => known?.find((s) => s.id === id)?.name ?? id).join(", ");
  const rotate = () =>
    act.run(async () => {
      const answer = await post("/v1/keys/{name}/rotate", { path: { name: k.name }, body: { overlap: Number(overlap) }, once: once.current });
      once.current = newOnce();
      setMade(answer.key ?? "");
      set("");
      props.again();
    });
  const end = () =>
    act.run(async () => {
      await remove("/v1/keys/{name}", { path: { name: k.name } });
      set("");
      props.again();
    });
  return (
    <li class="block">
      <div>
        <strong>{k.name}</strong> {own && <span class="tag">{t.setup.keys.own}</span>}
        <div>{k.scopes.map(scopeWords).join("; ")}</div>
        <div class="soft">
          {t.setup.keys.for(shops)} {used ? <>{t.setup.keys.used} <Ago at={used} /></> : t.setup.keys.unused}. {t.setup.keys.made(at(k.created, zone), k.by)}
          {live.length === 0 ? ` ${t.setup.keys.ended(at(k.disabled ?? k.until ?? k.created, zone))}` : k.until ? ` ${t.setup.keys.until(at(k.until, zone))}` : ""}
        </div>
        {before.map((x) => (
          <div class="soft">{t.setup.keys.oldUntil(at(x.until ?? "", zone))} {oldUsed ? <>{t.setup.keys.oldUsed} <Ago at={oldUsed} />.</> : ""}</div>
        ))}
      </div>
      {made && (
        <>
          <p>
            <strong>{t.setup.key.once}</strong>
          </p>
          <Copied label={t.setup.keys.newText(k.name)} value={made} />
        </>
      )}
      {live.length > 0 && (
        <div class="acts" ref={acts} onKeyDown={(e) => e.key === "Escape" && set("")}>
          {doing === "rotate" ? (
            <>
              <Choice label={t.setup.keys.overlap} value={overlap} set={setOverlap} of={t.setup.keys.overlaps} />
              <button type="button" class="main" disabled={act.busy} onClick={rotate}>
                {t.setup.keys.rotateNow}
              </button>
            </>
          ) : doing === "end" ? (
            <>
              <p>{own ? t.setup.keys.endOwn : used ? t.setup.keys.endUsed(k.name) : t.setup.keys.endUnused(k.name)}</p>
              <button type="button" disabled={act.busy} onClick={end}>
                {t.setup.keys.endNow(k.name)}
              </button>
            </>
          ) : (
            <>
              <button type="button" onClick={() => set("rotate")}>
                {t.setup.keys.rotate}
                <span class="hidden"> {k.name}</span>
              </button>
              <button type="button" onClick={() => set("end")}>
                {t.setup.keys.end}
                <span class="hidden"> {k.name}</span>
              </button>
            </>
          )}
          {doing && (
            <button type="button" class="quiet" onClick={() => set("")}>
              {t.cancel}
            </button>
          )}
        </div>
      )}
      <Wrong error={act.wrong} />
    </li>
  );
}

function MakeKey(props: { again: () => void; taken: string[] }): JSX.Element {
  const known = useStore(sites) ?? [];
  const [name, setName] = useState("");
  const [may, setMay] = useState<string[]>([]);
  const [every, setEvery] = useState("every");
  const [some, setSome] = useState<string[]>([]);
  const [until, setUntil] = useState("");
  const [made, setMade] = useState<{ name: string; key: string }>();
  const act = useAct();
  const once = useRef(newOnce());
  const edited = () => (once.current = newOnce());
  const wrongName = props.taken.includes(name) ? t.setup.keys.taken : "";
  const missing = !name ? t.setup.keys.needsName : may.length === 0 ? t.setup.keys.needsScope : every === "some" && some.length === 0 ? t.setup.keys.needsShop : "";
  const [tried, setTried] = useState(false);
  const make = (e: Event) => {
    e.preventDefault();
    setTried(true);
    if (missing || wrongName) return;
    act.run(async () => {
      const body = { name, scopes: may as Shapes["KeyRequest"]["scopes"], sites: every === "every" ? ["*"] : some, ...(until ? { until: new Date(`${until}T23:59:59`).toISOString() } : {}) };
      const answer = await post("/v1/keys", { body, once: once.current });
      edited();
      setMade({ name, key: answer.key ?? "" });
      setName("");
      setMay([]);
      setTried(false);
      props.again();
    });
  };
  return (
    <details>
      <summary>{t.setup.keys.make}</summary>
      <form onSubmit={make} onInput={edited} noValidate>
        <Field label={t.setup.key.name} value={name} set={setName} hint={t.setup.keys.nameHint} wrong={wrongName} code />
        <Several label={t.setup.keys.may} value={may} set={setMay} of={scopes.map((value) => ({ value, name: scopeWords(value) }))} />
        <Choice label={t.session.shops} value={every} set={setEvery} of={[{ value: "every", name: t.session.allShops }, ...(known.length ? [{ value: "some", name: t.setup.keys.these }] : [])]} />
        {every === "some" && <Several label={t.setup.keys.these} value={some} set={setSome} of={known.map((s) => ({ value: s.id, name: s.name }))} />}
        <div class="field">
          <label for="key-until">{t.setup.keys.ends}</label>
          <input id="key-until" type="date" value={until} onInput={(e) => setUntil(e.currentTarget.value)} />
          <p class="soft">{t.setup.keys.endsHint}</p>
        </div>
        {tried && missing && (
          <p class="wrong" role="alert">
            {missing}
          </p>
        )}
        <Wrong error={act.wrong} />
        <button type="submit" class="main" disabled={act.busy}>
          {t.setup.keys.makeNow}
        </button>
      </form>
      {made && (
        <>
          <p role="status">
            <strong>{t.setup.key.once}</strong>
          </p>
          <Copied key={made.key} label={t.setup.keys.newText(made.name)} value={made.key} />
        </>
      )}
    </details>
  );
}
