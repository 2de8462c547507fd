import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { get, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { foundAt, itemAt, itemsAt, productAt, serialOf, titleOf, whichOf, type Which } from "../lib/find_links";
import { useLive } from "../lib/live";
import { shop, type Shop } from "../lib/shop";
import { useStore } from "../lib/store";
import type { PageProps } from "../pages";
import { Answer, Note } from "../parts/answer";
import { Ago } from "../parts/when";
import { t } from "../text/en";
import { headingDue } from "./find_heading";
import { Item, sureOf } from "./find_item";
import { Items } from "./find_list";
import { Product } from "./find_product";

const pause = 300; // milliseconds after a key, until what is typed is asked for
const longest = 200; // characters that the server takes

export default function FindPage(props: PageProps): JSX.Element | null {
  const s = useStore(shop);
  const first = useRef(true);
  const [what = "", id = ""] = props.args;
  const q = what ? "" : (props.query.get("q") ?? "");
  // Who follows a link from one view to another is at the new one's heading.
  useEffect(() => {
    if (!first.current && what) headingDue();
    first.current = false;
  }, [what, id]);
  if (!s) return null;
  return (
    <>
      <Field q={q} plain={!what} />
      {what === "item" ? (
        <Item key={id} shop={s} item={id} />
      ) : what === "product" ? (
        <Product key={id} shop={s} gtin={id} />
      ) : what ? (
        <Note title={t.page.none} />
      ) : q ? (
        <Found shop={s} q={q} />
      ) : (
        <List shop={s} which={whichOf(props.query)} />
      )}
    </>
  );
}

/** Field is where one says what to find. What is typed is found as one pauses, without filling the way back;
 * Enter, which readers send as well, makes it a place to come back to. */
function Field(props: { q: string; plain: boolean }): JSX.Element {
  const [text, set] = useState(props.q);
  const sent = useRef(props.q);
  const input = useRef<HTMLInputElement>(null);
  useEffect(() => {
    if (props.q !== sent.current) set(props.q);
    sent.current = props.q;
  }, [props.q]);
  useEffect(() => {
    const q = text.trim();
    if (q === sent.current || (q === "" && !props.plain)) return;
    const timer = setTimeout(() => ask(false), pause);
    return () => clearTimeout(timer);
  }, [text]);
  const ask = (keep: boolean) => {
    const q = text.trim();
    if (q === props.q) return;
    const had = props.q !== "" && props.plain;
    sent.current = q;
    const address = q ? foundAt(q) : itemsAt({});
    if (had && !keep) location.replace(address);
    else location.hash = address;
  };
  return (
    <form
      role="search"
      class="search"
      onSubmit={(e) => {
        e.preventDefault();
        ask(true);
        input.current?.select(); // so that what a reader sends next takes its place
      }}
    >
      <label for="find-q">{t.find.what}</label>
      <div class="together">
        <input id="find-q" ref={input} type="search" value={text} maxLength={longest} autocomplete="off" spellcheck={false} aria-describedby="find-hint" onInput={(e) => set(e.currentTarget.value)} />
        <button type="submit" class="main">
          {t.find.go}
        </button>
      </div>
      <p id="find-hint" class="soft">
        {t.find.whatHint}
      </p>
    </form>
  );
}

/** Found is what a question found. */
function Found(props: { shop: Shop; q: string }): JSX.Element {
  const { shop: s, q } = props;
  const ask = useAsk((signal) => get("/v1/sites/{site}/find", { path: { site: s.id }, query: { q, limit: 50 }, signal }), [s.id, q]);
  const shown = useRef<Shapes["FindAnswer"] | undefined>(undefined);
  const [moved, setMoved] = useState<ReadonlySet<string>>(new Set());
  shown.current = ask.value;
  useLive({
    opened: () => shown.current && ask.again(),
    facts(list) {
      const there = new Set(shown.current?.items.map((i) => i.item));
      const own = list.filter((f) => f.item && there.has(f.item)).map((f) => f.item!);
      if (own.length === 0) return;
      setMoved((m) => new Set([...m, ...own]));
      ask.again();
    },
  });
  return (
    <Answer ask={ask}>
      {(v) =>
        v.meant === "item" && v.items[0] ? (
          <Item key={v.items[0].item} shop={s} item={v.items[0].item} />
        ) : (
          <>
            <p class="lead" role="status">
              {v.items.length + v.products.length === 0 ? t.find.nothing : t.find.found(v.products.length, v.items.length + v.more)}
            </p>
            {v.items.length === 0 && v.hint && <p>{v.hint}</p>}
            <Products list={v.products} title={v.products.length > 0 ? t.find.products : ""} />
            <Products list={v.near ?? []} title={v.near?.length ? t.find.near : ""} />
            {v.items.length > 0 && (
              <>
                <h2>{t.find.items}</h2>
                <ul class="lines">
                  {v.items.map((i) => (
                    <Line key={i.item} item={i} shop={s} moved={moved.has(i.item)} />
                  ))}
                </ul>
                {v.more > 0 && (
                  <p>
                    {v.products.length === 1 ? <a href={productAt(v.products[0]!.gtin)}>{t.find.more(v.more)}</a> : t.find.moreNarrow(v.more)}
                  </p>
                )}
              </>
            )}
          </>
        )
      }
    </Answer>
  );
}

function Products(props: { list: Shapes["ProductView"][]; title: string }): JSX.Element | null {
  if (props.list.length === 0) return null;
  return (
    <>
      <h2>{props.title}</h2>
      <ul class="lines">
        {props.list.map((p) => (
          <li>
            <div>
              <a href={productAt(p.gtin)}>{titleOf(p)}</a>
              <div class="soft">{t.find.codes(p.sku ?? "", p.gtin, p.category ?? "")}</div>
            </div>
          </li>
        ))}
      </ul>
    </>
  );
}

function Line(props: { item: Shapes["FoundItem"]; shop: Shop; moved: boolean }): JSX.Element {
  const i = props.item;
  return (
    <li>
      <div>
        <a href={itemAt(i.item)}>
          {titleOf(i.product, i.item)} {i.product && <span class="soft">{serialOf(i.item)}</span>}
        </a>{" "}
        {props.moved && <span class="tag">{t.find.changed}</span>}
        <div>{i.zone ? t.find.at(props.shop.name_of(i.zone), i.storey ?? "") : t.find.nowhere}</div>
        <div class="soft">
          {sureOf(i)}
          {i.last_seen && (
            <>
              {" "}
              {t.find.heard} <Ago at={i.last_seen} />.
            </>
          )}
        </div>
      </div>
    </li>
  );
}

/** List is the items that are so, with what narrows them. */
function List(props: { shop: Shop; which: Which }): JSX.Element {
  const { shop: s, which } = props;
  const turn = (more: Which) => (location.hash = itemsAt({ ...which, ...more }));
  const states = { "only=stock": t.find.only.stock, "only=misplaced": t.find.only.misplaced, ...t.find.state };
  const state = which.only ? `only=${which.only}` : (which.disposition ?? "");
  return (
    <>
      <h2>{t.find.items}</h2>
      <div class="choice narrow">
        <label>
          {t.find.place}
          <select value={which.zone ?? ""} onChange={(e) => turn({ zone: e.currentTarget.value })}>
            <option value="">{t.find.anywhere}</option>
            {s.places.map((p) => (
              <option value={p.id}>{p.name}</option>
            ))}
          </select>
        </label>
        <label>
          {t.find.which}
          <select
            value={state}
            onChange={(e) => {
              const v = e.currentTarget.value;
              const only = v.startsWith("only=") ? v.slice(5) : "";
              turn({ only, disposition: only ? "" : v } as Which);
            }}
          >
            <option value="">{t.find.any}</option>
            {Object.entries(states).map(([v, words]) => (
              <option value={v}>{words}</option>
            ))}
          </select>
        </label>
      </div>
      {which.product && (
        <p>
          {t.find.ofProduct} <a href={productAt(which.product)}>{which.product}</a>
        </p>
      )}
      <Items key={itemsAt(which)} shop={s} which={which} />
    </>
  );
}
