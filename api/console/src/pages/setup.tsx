import type { ComponentChildren, JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, inWords, Problem, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { usePoll } from "../lib/poll";
import { to } from "../lib/router";
import { may, session } from "../lib/session";
import { loadShops, shop, shopsError, sites } from "../lib/shop";
import { useStore } from "../lib/store";
import type { PageProps } from "../pages";
import { Answer, Loading, Note } from "../parts/answer";
import { When } from "../parts/when";
import { t } from "../text/en";
import { Alerts, Rules } from "./setup_alerts";
import { Files } from "./setup_files";
import { Keys } from "./setup_keys";
import { ProductsStep } from "./setup_products";
import { KeyStep, Reads } from "./setup_reads";
import { ShopStep } from "./setup_shop";

/** Progress is how far the shop is, by what the server says. */
export interface Progress {
  of: string; // the shop
  site: Shapes["SiteView"] | undefined;
  documents: Shapes["Configuration"][];
  keys: Shapes["KeyView"][]; // that work and may send what this shop's readers hear; none without the scope for keys
  rules: Shapes["RuleView"][];
  channels: Shapes["Channel"][];
  alert: Shapes["AlertView"] | undefined; // the newest
}

const pollEvery = 3000; // milliseconds

/** none answers a document that is not there yet as nothing. */
function none<T>(nothing: T): (err: unknown) => T {
  return (err) => {
    if (err instanceof Problem && err.status === 404) return nothing;
    throw err;
  };
}

/** howFar asks for all that the steps go by. */
async function howFar(site: string, signal: AbortSignal): Promise<Progress> {
  const who = session.get();
  const everywhere = may(who, ["admin"]) && who!.sites.includes("*");
  const seen = may(who, ["operate", "view"]);
  const one = (status: "active" | "closed") => get("/v1/alerts", { query: { site, limit: 1, status }, signal });
  const [list, configuration, keys, rules, channels, active] = await Promise.all([
    get("/v1/sites", { signal }),
    get("/v1/configuration", { signal }),
    everywhere ? get("/v1/keys", { signal }) : { keys: [] },
    get("/v1/rules", { query: { format: "json" }, signal }).catch(none({ rules: [] as Shapes["RuleView"][] })),
    get("/v1/channels", { signal }).catch(none({ channels: [] as Shapes["Channel"][] })),
    seen && site ? one("active") : { alerts: [] },
  ]);
  const past = active.alerts.length === 0 && seen && site ? (await one("closed")).alerts : [];
  return {
    of: site,
    site: list.sites.find((s) => s.id === site),
    documents: configuration.documents,
    keys: keys.keys.filter((k) => !k.disabled && (k.sites.includes("*") || k.sites.includes(site)) && k.scopes.includes("reads")),
    rules: (rules as Shapes["RulesView"]).rules,
    channels: channels.channels,
    alert: active.alerts[0] ?? past[0],
  };
}

export default function SetupPage(props: PageProps): JSX.Element {
  const who = useStore(session);
  const views = [
    { id: "", title: t.setup.steps, there: true },
    { id: "keys", title: t.setup.keys.title, there: may(who, ["admin"]) && !!who?.sites.includes("*") },
    { id: "files", title: t.setup.files.title, there: may(who, ["author"]) && !!who?.sites.includes("*") },
  ].filter((v) => v.there);
  const view = views.find((v) => v.id === (props.args[0] ?? ""));
  return (
    <>
      <ul class="choice" aria-label={t.page.setup}>
        {views.map((v) => (
          <li>
            <a class="button" href={v.id ? to("setup", v.id) : to("setup")} aria-current={v === view ? "true" : undefined}>
              {v.title}
            </a>
          </li>
        ))}
      </ul>
      {!view ? <Note title={t.page.none} more={t.page.noneMore} /> : view.id === "keys" ? <Keys /> : view.id === "files" ? <Files /> : <Steps />}
    </>
  );
}

function Steps(): JSX.Element {
  const s = useStore(shop);
  const list = useStore(sites);
  const error = useStore(shopsError);
  const ask = useAsk((signal) => howFar(shop.get()?.id ?? "", signal), []);
  usePoll(ask, pollEvery);
  useEffect(() => ask.again(), [s?.id]);
  const began = useRef(false);
  if (s || list?.length === 0) began.current = true;
  if (!began.current && error !== undefined) return <Note kind="bad" title={inWords(error)} again={() => void loadShops()} />;
  if (!began.current) return <Loading />; // before it is known whether there is a shop, there is no first step
  // Of a shop that was just made there is nothing yet, which is what was answered before it.
  return <Answer ask={ask}>{(p) => (p.of && p.of !== s?.id ? <Loading /> : <List progress={p} again={ask.again} />)}</Answer>;
}

function List(props: { progress: Progress; again: () => void }): JSX.Element {
  const p = props.progress;
  const s = useStore(shop);
  const who = useStore(session);
  const [made, keep] = useState(""); // the text of the reader's key, for as long as the page is open
  const admin = may(who, ["admin"]) && !!who?.sites.includes("*");
  const products = p.documents.find((d) => d.document === "products");
  const done = [!!s, !!products, p.keys.length > 0, (p.site?.items ?? 0) > 0, p.rules.length > 0, !!p.alert || (p.site?.alerts ?? 0) > 0];
  const next = (from: number) => done.findIndex((d, i) => !d && i >= from && (i !== 2 || admin));
  const began = useRef(next(0));
  const [open, set] = useState<Record<number, boolean>>({});
  const isOpen = (n: number) => open[n] ?? n === began.current;
  const turn = (n: number) => set({ ...open, [n]: !isOpen(n) });
  const steps = useRef<HTMLOListElement>(null);
  /** finished closes a step and goes on with the next one. */
  const finished = (n: number) => {
    props.again();
    const following = Math.max(n + 1, next(n + 1));
    set({ ...open, [n]: false, [following]: true });
    setTimeout(() => steps.current?.querySelectorAll("h2")[following]?.focus());
  };
  const step = (n: number, title: string, words: ComponentChildren, body: ComponentChildren, wait = "") => (
    <Step n={n} title={title} done={done[n]! ? words : undefined} open={isOpen(n) && !wait} turn={() => turn(n)} wait={wait}>
      {body}
    </Step>
  );
  const noShop = s ? "" : t.setup.first;
  const left = done.filter((d) => !d).length;
  return (
    <>
      <p class="lead">{left === 0 ? t.setup.leadDone(s?.name ?? "") : left === done.length ? t.setup.lead : t.setup.leadLeft(done.length - left, done.length)}</p>
      <ol class="steps" ref={steps}>
        {step(0, t.setup.shop.title, s && t.setup.shop.done(s.name, s.places.length), <ShopStep finished={() => finished(0)} again={props.again} />)}
        {step(
          1,
          t.setup.products.title,
          products && (
            <>
              {t.setup.products.done(products.version)} <When at={products.at} />
            </>
          ),
          <ProductsStep finished={() => finished(1)} version={products?.version ?? 0} />,
          noShop,
        )}
        {step(
          2,
          t.setup.key.title,
          t.setup.key.done(p.keys.map((k) => k.name)),
          <KeyStep made={made} keep={keep} finished={() => finished(2)} again={props.again} />,
          admin ? noShop : t.setup.key.other,
        )}
        {step(3, t.setup.reads.title, t.setup.reads.done(p.site?.items ?? 0), <Reads progress={p} keyText={made} finished={() => finished(3)} />, noShop || (products ? "" : t.setup.reads.noProducts))}
        {step(4, t.setup.rules.title, t.setup.rules.done(p.rules.length), <Rules progress={p} again={props.again} finished={() => finished(4)} />, noShop)}
        {step(5, t.setup.alert.title, t.setup.alert.done, <Alerts progress={p} keyText={made} />, noShop)}
      </ol>
    </>
  );
}

/** Step is one of the numbered steps: its state in words, and its body when it is open. */
function Step(props: {
  n: number;
  title: string;
  done: ComponentChildren | undefined;
  open: boolean;
  turn: () => void;
  wait: string;
  children: ComponentChildren;
}): JSX.Element {
  const id = `step-${props.n + 1}`;
  const isDone = props.done !== undefined;
  return (
    <li class={isDone ? "step done" : "step"}>
      <h2 id={id} tabIndex={-1}>
        {props.n + 1}. {props.title}
      </h2>
      <p class="state" role="status">
        {isDone && (
          <>
            <span class="tag">{t.setup.done}</span> {props.done}
          </>
        )}
        {!isDone && props.wait && <span class="soft">{props.wait}</span>}
      </p>
      {!props.wait && (
        <button type="button" class="quiet" aria-expanded={props.open} aria-describedby={id} onClick={props.turn}>
          {props.open ? t.setup.shut : isDone ? t.setup.again : t.setup.open}
        </button>
      )}
      {props.open && <div class="body">{props.children}</div>}
    </li>
  );
}
