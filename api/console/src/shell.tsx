import type { ComponentType, JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { inWords } from "./lib/api";
import { link } from "./lib/live";
import { route, to } from "./lib/router";
import { may, resume, session } from "./lib/session";
import { leave, loadShops, shop, shopsError, sites, turnTo } from "./lib/shop";
import { remembers, useStore } from "./lib/store";
import { at, useNow } from "./lib/time";
import { pages, type Page, type PageProps } from "./pages";
import { Loading, Note } from "./parts/answer";
import { SignIn } from "./sign_in";
import { t } from "./text/en";

/** Shell is what is around every page: who is signed in, the shop, how live it is, the way to the pages. */
export function Shell(): JSX.Element {
  const who = useStore(session);
  const [error, fail] = useState<unknown>();
  const begin = () => {
    fail(undefined);
    resume().catch(fail);
  };
  useEffect(begin, []);
  useEffect(() => {
    if (who === null) leave();
    if (may(who, ["operate", "view", "author", "count"])) void loadShops();
    // Reads of a count that wait are sent, whatever page is open.
    if (may(who, ["operate", "count"]) && remembers("lintel.count.waiting")) void import("./lib/count_queue").then((q) => q.send(), () => {});
  }, [who]);
  if (who === undefined) {
    return (
      <main id="page" class="alone">
        <h1>{t.name}</h1>
        {error === undefined ? <Loading /> : <Note kind="bad" title={inWords(error)} again={begin} />}
      </main>
    );
  }
  return who === null ? <SignIn /> : <Frame />;
}

function Frame(): JSX.Element {
  const who = useStore(session);
  const where = useStore(route);
  const allowed = pages.filter((p) => may(who, p.scopes));
  const page = where.page === "" ? allowed.find((p) => p.nav) : pages.find((p) => p.id === where.page);
  const title = page?.title ?? t.page.none;
  const heading = useRef<HTMLHeadingElement>(null);
  const first = useRef(true);
  const list = useStore(sites);
  useEffect(() => {
    // Where there is no shop yet, whoever may make one begins with that.
    if (where.page === "" && list?.length === 0 && may(who, ["author"])) location.replace(to("setup"));
  }, [where.page, list]);
  useEffect(() => {
    document.title = `${title} · ${t.name}`;
    if (!first.current) heading.current?.focus();
    first.current = false;
  }, [page?.id]);
  return (
    <>
      <a class="skip" href="#page" onClick={(e) => (e.preventDefault(), heading.current?.focus())}>
        {t.skip}
      </a>
      <header class="top">
        <Chooser />
        <LinkState />
      </header>
      <Nav pages={allowed.filter((p) => p.nav)} current={page} />
      <main id="page">
        <h1 tabIndex={-1} ref={heading}>
          {title}
        </h1>
        {!page ? (
          <Note title={t.page.none} more={t.page.noneMore}>
            <p>
              <a href="#/">{t.page.toNow}</a>
            </p>
          </Note>
        ) : !may(who, page.scopes) ? (
          <Note kind="bad" title={t.page.notYours(page.scopes.map((s) => t.session.scopes[s] ?? s).join("; "))} />
        ) : (
          <Loaded key={page.id} page={page} args={where.args} query={where.query} />
        )}
      </main>
    </>
  );
}

const first = 4; // as many pages as a phone has room for; the others are behind one more place

/** Nav is the way to the pages: beside the page on a desk, under the thumb on a phone. */
function Nav(props: { pages: Page[]; current: Page | undefined }): JSX.Element {
  const more = useRef<HTMLDetailsElement>(null);
  const close = () => more.current?.removeAttribute("open");
  const split = props.pages.length > first + 1;
  const rest = split ? props.pages.slice(first) : [];
  const line = (p: Page, hidden = false) => (
    <li class={hidden ? "rest" : undefined}>
      <a href={to(p.id)} aria-current={p === props.current ? "page" : undefined} onClick={close}>
        {p.title}
      </a>
    </li>
  );
  return (
    <nav aria-label={t.pages} onKeyDown={(e) => e.key === "Escape" && close()}>
      <ul>{props.pages.map((p) => line(p, rest.includes(p)))}</ul>
      {split && (
        <details ref={more} class="more" onFocusOut={(e) => !e.currentTarget.contains(e.relatedTarget as Node | null) && close()}>
          <summary class={props.current && rest.includes(props.current) ? "current" : undefined}>{t.more}</summary>
          <ul>{rest.map((p) => line(p))}</ul>
        </details>
      )}
    </nav>
  );
}

/** Loaded fetches a page's module, and shows it once the shop that it is about is known. */
function Loaded(props: PageProps & { page: Page }): JSX.Element {
  const [Module, set] = useState<ComponentType<PageProps>>();
  const [error, fail] = useState<unknown>();
  const current = useStore(shop);
  const fetchIt = () => {
    fail(undefined);
    props.page.load().then((m) => set(() => m.default), fail);
  };
  useEffect(fetchIt, []);
  if (error !== undefined) return <Note kind="bad" title={t.error.noServer} again={fetchIt} />;
  if (!Module || (props.page.shop && !current)) return <NoShop page={props.page} loading={!Module} />;
  return <Module key={props.page.shop ? current?.id : undefined} args={props.args} query={props.query} />;
}

function NoShop(props: { page: Page; loading: boolean }): JSX.Element {
  const list = useStore(sites);
  const error = useStore(shopsError);
  if (error !== undefined) return <Note kind="bad" title={inWords(error)} again={() => void loadShops()} />;
  if (!props.loading && list?.length === 0) {
    return (
      <Note title={t.shopNone} more={t.shopNoneMore}>
        {may(session.get(), ["author"]) && (
          <p>
            <a href={to("setup")}>{t.shopMake}</a>
          </p>
        )}
      </Note>
    );
  }
  return <Loading />;
}

/** Chooser names the shop, and lets one turn to another where there are several. */
function Chooser(): JSX.Element {
  const list = useStore(sites);
  const current = useStore(shop);
  if (!list || list.length < 2) return <p class="shop">{current?.name ?? t.name}</p>;
  return (
    <label class="shop">
      <span class="hidden">{t.shop}</span>
      <select value={current?.id} onChange={(e) => void turnTo(e.currentTarget.value).catch(() => {})}>
        {list.map((s) => (
          <option value={s.id}>{s.name}</option>
        ))}
      </select>
    </label>
  );
}

/** LinkState says how live the page is, always. */
function LinkState(): JSX.Element {
  const l = useStore(link);
  const s = useStore(shop);
  useNow();
  const since = at(l.since, s?.zone ?? "UTC");
  const words = {
    idle: s && may(session.get(), ["operate", "view"]) ? t.link.connecting : "",
    live: t.link.live,
    reconnecting: t.link.reconnecting(since),
    away: t.link.away(since),
    refused: t.link.refused,
  }[l.is];
  return (
    <p class={`link ${l.is}`} role="status" title={l.is === "live" || l.is === "idle" ? undefined : t.link.note}>
      {words}
    </p>
  );
}
