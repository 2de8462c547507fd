import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { exchange, get, newOnce, Problem, send, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { loadShops, shop, sites } from "../lib/shop";
import { useStore } from "../lib/store";
import { at } from "../lib/time";
import { Answer } from "../parts/answer";
import { Diff } from "../parts/diff";
import { Faults, Said, useAct, Wrong } from "../parts/fields";
import { t } from "../text/en";
import { layoutURL } from "./setup_shop";

type Planned = Shapes["Planned"];
type Text = Shapes["ConfigurationText"];

/** urlOf is where a document is had, and the name of its file. */
function fileOf(document: string): { url: string; name: string } {
  if (document === "products") return { url: "/v1/products?format=csv", name: "products.csv" };
  if (document === "rules") return { url: "/v1/rules?format=yaml", name: "rules.yaml" };
  if (document === "channels") return { url: "/v1/channels", name: "channels.json" };
  const site = document.replace(/^layout\//, "");
  return { url: layoutURL(site), name: `layout-${site}.json` };
}

/** documentOf recognises what a file is, by what is in it and how it is called. */
function documentOf(name: string, text: string): Text | undefined {
  if (/\.csv$/i.test(name)) return { document: "products", text };
  if (/\.ya?ml$/i.test(name)) return { document: "rules", text };
  try {
    const parsed = JSON.parse(text) as { site?: unknown; zones?: unknown; channels?: unknown; products?: unknown };
    if (Array.isArray(parsed.channels)) return { document: "channels", text };
    if (typeof parsed.site === "string" && Array.isArray(parsed.zones)) return { document: `layout/${parsed.site}`, text };
    if (Array.isArray(parsed.products)) return { document: "products", media_type: "application/json", text };
  } catch {
    // It is none of these.
  }
  return undefined;
}

/** Files has the documents as files: to take away, and to put back after a look at what would change. */
export function Files(): JSX.Element {
  const known = useStore(sites);
  const zone = useStore(shop)?.zone ?? "UTC";
  const ask = useAsk((signal) => get("/v1/configuration", { signal }), []);
  const words = (document: string) => {
    const site = document.startsWith("layout/") ? document.slice(7) : "";
    return site ? t.setup.files.layout(known?.find((s) => s.id === site)?.name ?? site) : (t.setup.files.of[document] ?? document);
  };
  return (
    <>
      <p>{t.setup.files.lead}</p>
      <h2>{t.setup.files.get}</h2>
      <Answer ask={ask} empty={(v) => v.documents.length === 0} none={{ title: t.setup.files.none }}>
        {(v) => (
          <ul class="lines">
            {v.documents.map((d) => {
              const f = fileOf(d.document);
              return (
                <li key={d.document}>
                  <div>
                    <strong>{words(d.document)}</strong>
                    <div class="soft">
                      {t.setup.files.version(d.version, at(d.at, zone), d.by)} {d.note}
                    </div>
                  </div>
                  <a class="button" href={f.url} download={f.name}>
                    {t.setup.files.download}
                    <span class="hidden"> {words(d.document)}</span>
                  </a>
                </li>
              );
            })}
          </ul>
        )}
      </Answer>
      <h2>{t.setup.files.put}</h2>
      <PutBack words={words} again={ask.again} />
    </>
  );
}

function PutBack(props: { words: (document: string) => string; again: () => void }): JSX.Element {
  const [texts, setTexts] = useState<Text[]>([]);
  const [strange, setStrange] = useState<string[]>([]);
  const [plan, setPlan] = useState<{ plan: Shapes["ConfigurationPlan"]; etag: string }>();
  const [done, setDone] = useState<Planned[]>();
  const [over, setOver] = useState(false);
  const act = useAct();

  const look = async (list: Text[]) => {
    setTexts(list);
    setDone(undefined);
    setPlan(undefined);
    if (list.length === 0) return;
    const a = await exchange("POST", "/v1/configuration/plan", { text: JSON.stringify({ documents: list }) });
    setPlan({ plan: JSON.parse(a.text) as Shapes["ConfigurationPlan"], etag: a.etag });
  };
  const take = (files: FileList | null | undefined) => {
    if (!files?.length) return;
    act.run(async () => {
      const list: Text[] = [];
      const unknown: string[] = [];
      for (const f of files) {
        const one = documentOf(f.name, await f.text());
        if (one && !list.some((x) => x.document === one.document)) list.push(one);
        else unknown.push(f.name);
      }
      setStrange(unknown);
      await look(list);
    });
  };
  const removal = act.wrong instanceof Problem && act.wrong.code === "removal"; // refused until it is said that it is meant
  const apply = () =>
    act.run(async () => {
      try {
        const a = await exchange("POST", `/v1/configuration${removal ? "?allow_removal=true" : ""}`, {
          text: JSON.stringify({ documents: texts }),
          match: plan!.etag,
          once: newOnce(),
        });
        setDone((JSON.parse(a.text) as Shapes["ConfigurationApplied"]).documents.filter((d) => d.change === "new" || d.change === "changed"));
        setPlan(undefined);
      } catch (err) {
        if (err instanceof Problem && err.status === 412) await look(texts); // somebody else was first: the plan is shown anew
        throw err;
      }
      await loadShops();
      props.again();
    });
  const back = () =>
    act.run(async () => {
      for (const d of done ?? []) {
        const base = d.document.startsWith("layout/") ? layoutURL(d.document.slice(7)) : `/v1/${d.document}`;
        await send("post", `${base}/restore`, { version: d.version - 1 }, undefined, newOnce());
      }
      setDone(undefined);
      await loadShops();
      props.again();
    });
  return (
    <>
      <div
        class={over ? "drop over" : "drop"}
        onDragOver={(e) => (e.preventDefault(), setOver(true))}
        onDragLeave={() => setOver(false)}
        onDrop={(e) => (e.preventDefault(), setOver(false), take(e.dataTransfer?.files))}
      >
        <p>{t.setup.files.drop}</p>
        <label class="button file">
          {t.setup.files.choose}
          <input type="file" multiple accept=".csv,.json,.yaml,.yml" onChange={(e) => take(e.currentTarget.files)} />
        </label>
      </div>
      {strange.map((name) => <p class="wrong">{t.setup.files.strange(name)}</p>)}
      <Said>
        {plan && <p class="lead">{plan.plan.ok ? t.setup.files.plan(plan.plan.to_store) : t.setup.files.planWrong}</p>}
        {done && <p>{t.setup.files.applied(done.length)}</p>}
      </Said>
      {plan && (
        <ul class="lines">
          {plan.plan.documents.filter((d) => d.change !== "kept").map((d) => <Plan key={d.document} of={d} words={props.words} />)}
        </ul>
      )}
      <Wrong error={act.wrong} />
      <div class="acts">
        {plan?.plan.ok && plan.plan.to_store > 0 && (
          <button type="button" class="main" disabled={act.busy} onClick={apply}>
            {removal ? t.setup.files.applyRemoval : t.setup.files.apply}
          </button>
        )}
        {done && done.length > 0 && done.every((d) => d.version > 1) && (
          <button type="button" disabled={act.busy} onClick={back}>
            {t.undo}
          </button>
        )}
      </div>
    </>
  );
}

/** Plan is what would become of one document. */
function Plan(props: { of: Planned; words: (document: string) => string }): JSX.Element {
  const d = props.of;
  const c = d.changes;
  return (
    <li class="block">
      <div>
        <strong>{props.words(d.document)}</strong> <span class="tag">{t.setup.files.change[d.change]}</span>
        {c && !c.products && (c.lines_added || c.lines_removed) ? <span class="soft"> {t.setup.files.lines(c.lines_added ?? 0, c.lines_removed ?? 0)}</span> : null}
        {c?.products && <span class="soft"> {t.setup.files.products(c.products)}</span>}
      </div>
      {d.warnings?.map((w) => <p class="soft">{w}</p>)}
      {d.diagnostics && d.diagnostics.length > 0 && <Faults list={d.diagnostics} />}
      {(c?.text || c?.products) && (
        <details>
          <summary>{t.diff.title}</summary>
          <Diff changes={c} />
        </details>
      )}
    </li>
  );
}
