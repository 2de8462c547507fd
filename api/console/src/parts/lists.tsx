import type { ComponentChildren, JSX } from "preact";
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import { t } from "../text/en";

/** Fresh is the bar behind which waits what came while a list is being read: nothing moves by itself. */
export function Fresh(props: { count: number; over?: number; urgent?: boolean; show: () => void }): JSX.Element {
  const words = [];
  if (props.count) words.push(props.urgent ? t.freshUrgent(props.count) : t.fresh(props.count));
  if (props.over) words.push(t.over(props.over));
  return (
    <div class="fresh" aria-live="polite">
      {words.length > 0 && (
        <button type="button" class={props.urgent ? "needs" : ""} onClick={props.show}>
          {words.join(", ")}
        </button>
      )}
    </div>
  );
}

const step = 100;

/** Growing shows the first hundred of many rows of any height, and a hundred more when asked to: what stands
 * below the list is always reached. */
export function Growing<T>(props: { rows: T[]; children: (row: T, index: number) => ComponentChildren; class?: string; label: string }): JSX.Element {
  const [most, set] = useState(step);
  const shown = props.rows.slice(0, most);
  return (
    <>
      <ul class={props.class} aria-label={props.label}>
        {shown.map(props.children)}
      </ul>
      {shown.length < props.rows.length && (
        <p>
          <button type="button" onClick={() => set(most + step)}>
            {t.list.more(shown.length, props.rows.length)}
          </button>
        </p>
      )}
    </>
  );
}

const highest = 8_000_000; // pixels that an element may be high in every browser

const tops = new Map<string, number>(); // how far lists were scrolled that one may come back to

/** Rows is a table of very many rows of one height, of which those in sight are in the page. Arrow keys,
 * Page Up and Down, Home and End move in it. seen is called with the rows that are in sight. A list with
 * the same keep as one that was there before is where that was left. */
export function Rows(props: {
  count: number;
  height: number;
  label: string;
  columns: string[];
  row: (index: number) => ComponentChildren[];
  seen?: (first: number, last: number) => void;
  keep?: string;
}): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const [top, setTop] = useState(() => tops.get(props.keep ?? "") ?? 0);
  const [view, setView] = useState(600);
  const total = props.count * props.height;
  const full = Math.min(total, highest);
  useLayoutEffect(() => {
    if (!box.current) return;
    box.current.scrollTop = top;
    const seen = new ResizeObserver((list) => list[0] && setView(list[0].contentRect.height));
    seen.observe(box.current);
    return () => seen.disconnect();
  }, []);
  // Where all rows do not fit into the highest element, the way of the bar stands for the way through them.
  const offset = full > view ? (top / (full - view)) * (total - view) : 0;
  const first = Math.max(0, Math.floor(offset / props.height) - 3);
  const last = Math.min(props.count, Math.ceil((offset + view) / props.height) + 3);
  useEffect(() => props.seen?.(first, last), [first, last, props.seen]);
  const indexes = Array.from({ length: Math.max(0, last - first) }, (_, i) => first + i);
  return (
    <div
      ref={box}
      class="rows"
      role="grid"
      aria-label={props.label}
      aria-rowcount={props.count + 1}
      aria-colcount={props.columns.length}
      tabIndex={0}
      onScroll={(e) => {
        setTop(e.currentTarget.scrollTop);
        if (props.keep) tops.set(props.keep, e.currentTarget.scrollTop);
      }}
    >
      <div role="row" aria-rowindex={1} class="head">
        {props.columns.map((c) => (
          <span role="columnheader">{c}</span>
        ))}
      </div>
      <div role="rowgroup" class="all" style={{ height: `${full}px` }}>
        {indexes.map((i) => (
          <div role="row" key={i} aria-rowindex={i + 2} style={{ height: `${props.height}px`, transform: `translateY(${top + i * props.height - offset}px)` }}>
            {props.row(i).map((cell) => (
              <span role="gridcell">{cell}</span>
            ))}
          </div>
        ))}
      </div>
    </div>
  );
}
