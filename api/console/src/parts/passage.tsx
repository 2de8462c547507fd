import type { JSX } from "preact";
import { useMemo } from "preact/hooks";
import { get, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { Answer } from "./answer";
import { Plot } from "./plot";
import { t } from "../text/en";

const slot = 0.25; // seconds, of which the strongest read of each side is shown
const around = 15; // seconds before and after the passage

/** series takes from a passage's document how strongly each side of the door heard the item, by the time
 * from the passage on. */
function series(doc: Shapes["Passage"], points: Map<string, { zone: string; side: string }>) {
  const start = Date.parse(doc.start);
  const passed = Date.parse(doc.notified.at);
  const best: Record<string, Map<number, number>> = { inner: new Map(), outer: new Map() };
  for (const entry of doc.entries) {
    for (const r of entry.reads ?? []) {
      const point = points.get(doc.read_points[r.point] ?? "");
      const side = best[point?.side ?? ""];
      const after = (start + r.at - passed) / 1000;
      if (r.tag !== 0 || r.rssi == null || !side || point?.zone !== doc.door || Math.abs(after) > around) continue;
      const k = Math.floor(after / slot);
      side.set(k, Math.max(side.get(k) ?? -Infinity, r.rssi));
    }
  }
  const keys = [...best["inner"]!.keys(), ...best["outer"]!.keys()];
  if (keys.length === 0) return undefined;
  const from = Math.min(...keys);
  const x = Array.from({ length: Math.max(...keys) - from + 1 }, (_, i) => from + i);
  return { x: x.map((k) => k * slot), inner: x.map((k) => best["inner"]!.get(k) ?? null), outer: x.map((k) => best["outer"]!.get(k) ?? null) };
}

/** Passage draws what a door heard of one passage. */
export function Passage(props: { site: string; fact: string }): JSX.Element {
  const points = useStore(shop)?.points;
  const ask = useAsk((signal) => get("/v1/sites/{site}/facts/{id}/passage", { path: { site: props.site, id: props.fact }, signal }), [props.site, props.fact]);
  const drawn = useMemo(() => (ask.value && points ? series(ask.value, points) : undefined), [ask.value, points]);
  const lines = useMemo(
    () =>
      drawn && [
        { name: t.now.inner, values: drawn.inner },
        { name: t.now.outer, values: drawn.outer, dashed: true },
      ],
    [drawn],
  );
  return (
    <Answer ask={ask}>
      {() =>
        drawn && lines ? (
          <Plot label={t.now.picture} x={drawn.x} xName={t.now.seconds} yName={t.now.strength} lines={lines} />
        ) : (
          <p class="soft">{t.now.noPicture}</p>
        )
      }
    </Answer>
  );
}
