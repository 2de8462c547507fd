import type { JSX } from "preact";
import { useLayoutEffect, useState } from "preact/hooks";
import type { CountPlace } from "../lib/count_places";
import { listenToWedge } from "../lib/count_wedge";
import type { Shop } from "../lib/shop";
import { at } from "../lib/time";
import { Ago } from "../parts/when";
import { t } from "../text/en";

/** useNoPlaceYet counts what a reader sends before there is a count that it could go to. */
export function useNoPlaceYet(): JSX.Element | null {
  const [n, set] = useState(0);
  useLayoutEffect(() => listenToWedge(() => set((v) => v + 1)), []);
  return n ? (
    <p class="wrong" role="alert">
      {t.count.scanFirst(n)}
    </p>
  ) : null;
}

/** PlaceState says who counts a place, or when it was counted last. */
export function PlaceState(props: { place: CountPlace | undefined; zone: string }): JSX.Element {
  const p = props.place;
  if (p?.active) return <>{p.active.status === "paused" ? t.count.byPaused(p.active.by) : t.count.by(p.active.by, at(p.active.opened_at, props.zone))}</>;
  return p?.last ? <Ago at={p.last} words={t.count.counted} /> : <>{t.count.never}</>;
}

/** placeNames names the places of a count. */
export function placeNames(s: Shop, zones: readonly string[]): string {
  return zones.map((z) => s.name_of(z)).join(", ");
}
