import type { JSX } from "preact";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { address, get, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { itemAt, itemsAt, serialOf, titleOf, type Which } from "../lib/find_links";
import { useLive } from "../lib/live";
import type { Shop } from "../lib/shop";
import { Answer } from "../parts/answer";
import { Fresh, Rows } from "../parts/lists";
import { Ago } from "../parts/when";
import { t } from "../text/en";

type Item = Shapes["ItemView"];

const page = 100; // items that are asked for at a time
const kept = 40; // pages that are kept
const fresh = 1000; // milliseconds within which a row in sight is asked for again
const settle = 80; // milliseconds for which rows must stay in sight until they are asked for

/** Book keeps the pages of a list that were in sight. */
class Book {
  readonly pages = new Map<number, Item[]>();
  private index = new Map<string, number>(); // the page of an item, as far as that is known
  private due = new Map<string, [number, number]>(); // items in sight that are to be asked for again, with page and row
  private timer: ReturnType<typeof setTimeout> | undefined;
  private asked = new Map<number, AbortController>();
  error: unknown;
  constructor(
    private site: string,
    private which: Which,
    private changed: () => void,
  ) {}

  at(row: number): Item | undefined {
    return this.pages.get(Math.floor(row / page))?.[row % page];
  }

  has(item: string): boolean {
    return this.pages.has(this.index.get(item) ?? -1);
  }

  /** stale says that an item changed. What is out of sight is asked for again when it is seen; an item in
   * sight is asked for within a second, and keeps its row. */
  stale(item: string, inSight: (row: number) => boolean): void {
    const n = this.index.get(item)!;
    const i = this.pages.get(n)!.findIndex((v) => v.item === item);
    if (!inSight(n * page + i)) return void this.pages.delete(n);
    this.due.set(item, [n, i]);
    this.timer ??= setTimeout(() => this.refresh(), fresh);
  }

  private refresh(): void {
    this.timer = undefined;
    for (const [item, [n, i]] of this.due) {
      get("/v1/sites/{site}/items/{epc}", { path: { site: this.site, epc: item } })
        .then((v) => {
          const list = this.pages.get(n);
          if (list?.[i]?.item === item) list[i] = v;
          this.changed();
        })
        .catch(() => {}); // the row is marked, with what it had
    }
    this.due.clear();
  }

  /** want asks for the pages of rows that are in sight, and no longer for those that left it. */
  want(first: number, last: number): void {
    const from = Math.floor(first / page);
    const to = Math.floor(Math.max(first, last - 1) / page);
    for (const [n, stop] of this.asked) if (n < from || n > to) stop.abort();
    for (let n = from; n <= to; n++) if (!this.pages.has(n) && !this.asked.has(n)) void this.load(n);
  }

  private async load(n: number): Promise<void> {
    const stop = new AbortController();
    this.asked.set(n, stop);
    try {
      const answer = await get("/v1/sites/{site}/items", { path: { site: this.site }, query: { ...this.which, skip: n * page, limit: page }, signal: stop.signal });
      this.put(n, answer.items);
      this.error = undefined;
    } catch (err) {
      if (!stop.signal.aborted) this.error = err;
    } finally {
      this.asked.delete(n);
      this.changed();
    }
  }

  put(n: number, items: Item[]): void {
    this.pages.delete(n);
    this.pages.set(n, items);
    for (const i of items) this.index.set(i.item, n);
    for (const old of this.pages.keys()) {
      if (this.pages.size <= kept) return;
      this.pages.delete(old);
    }
  }
}

/** Items is a list of items, of which those in sight are asked for, however many there are. */
export function Items(props: { shop: Shop; which: Which }): JSX.Element {
  const { shop: s, which } = props;
  const key = `${s.id} ${itemsAt(which)}`;
  const [, draw] = useState(0);
  const changed = () => draw((n) => n + 1);
  const book = useRef<Book | undefined>(undefined);
  const sight = useRef<[number, number]>([0, 0]);
  const moved = useRef(new Set<string>());
  const came = useRef(new Set<string>());
  const timer = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  const ask = useAsk(
    async (signal) => {
      const answer = await get("/v1/sites/{site}/items", { path: { site: s.id }, query: { ...which, limit: page }, signal });
      book.current = new Book(s.id, which, changed);
      book.current.put(0, answer.items);
      moved.current.clear();
      came.current.clear();
      book.current.want(...sight.current);
      return answer.total ?? answer.items.length;
    },
    [key],
  );
  const lost = useRef(false); // there were facts that did not come here
  useLive({
    opened() {
      if (lost.current) came.current.add("");
      lost.current = true;
      changed();
    },
    facts(list) {
      const b = book.current;
      if (!b) return;
      const own = new Set<string>();
      for (const f of list) {
        if (!f.item) continue;
        if (b.has(f.item)) own.add(f.item);
        // It was not in the list before: it came to the place, or was never heard of.
        else if ((which.zone ? f.zone === which.zone && f.from !== f.zone : f.zone && !f.from) && (!which.product || Number(f.gtin) === Number(which.product))) came.current.add(f.item);
      }
      const [first, last] = sight.current;
      for (const item of own) {
        moved.current.add(item);
        if (b.has(item)) b.stale(item, (row) => row >= first && row < last);
      }
      b.want(first, last);
      if (own.size + came.current.size > 0) changed();
    },
  });
  useEffect(() => () => clearTimeout(timer.current), []);
  const seen = useMemo(
    () => (first: number, last: number) => {
      sight.current = [first, last];
      clearTimeout(timer.current);
      timer.current = setTimeout(() => book.current?.want(first, last), settle);
    },
    [],
  );
  return (
    <>
      <Fresh count={came.current.size} show={ask.again} />
      <Answer ask={ask} empty={(n) => n === 0} none={{ title: t.find.listEmpty, more: t.find.listEmptyMore }}>
        {(total) => (
          <>
            <p class="together">
              <span role="status">{t.find.count(total)}</span>
              <a href={address("/v1/sites/{site}/items.csv", { path: { site: s.id }, query: which })} download>
                {t.find.sheet}
              </a>
            </p>
            {book.current?.error !== undefined && (
              <p class="wrong" role="alert">
                {t.find.pageFailed}{" "}
                <button type="button" onClick={() => book.current?.want(...sight.current)}>
                  {t.again}
                </button>
              </p>
            )}
            <Rows
              count={total}
              height={4.25 * parseFloat(getComputedStyle(document.documentElement).fontSize)}
              label={t.find.items}
              columns={[t.find.item, t.find.place]}
              seen={seen}
              keep={key}
              row={(n) => {
                const i = book.current?.at(n);
                if (!i) return [<span class="soft">{t.list.row(n + 1, total)}</span>, ""];
                return [
                  <>
                    <a href={itemAt(i.item)}>{titleOf(i.product, i.item)}</a>
                    <div class="soft">{i.product ? serialOf(i.item) : t.find.foreignShort}</div>
                  </>,
                  <>
                    <div>
                      {moved.current.has(i.item) && <span class="tag">{t.find.changed}</span>} {i.zone ? s.name_of(i.zone) : t.find.nowhere}
                    </div>
                    <div class="soft">
                      {!i.disposition.startsWith("sellable") && `${t.find.state[i.disposition]} `}
                      {i.last_seen ? (
                        <>
                          {t.find.heardShort} <Ago at={i.last_seen} />
                        </>
                      ) : (
                        t.find.unheard
                      )}
                    </div>
                  </>,
                ];
              }}
            />
          </>
        )}
      </Answer>
    </>
  );
}
