import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { beat, beatPause } from "../lib/count_sound";
import type { Watched } from "../lib/counting";
import { length } from "../lib/time";
import { t } from "../text/en";

/** Hears is called with each read, and how strong it was (dBm) if the reader says so. */
export type Hears = (key: string, strength: number | undefined) => void;

const lost = 1500; // ms after which what was heard is not heard any more

/** Seek is for finding one thing: a beat that goes faster as it is heard stronger, or, from a reader that does
 * not say how strongly, one beat each time. */
export function Seek(props: { watched: Watched; heard: { current: Hears }; end: () => void }): JSX.Element {
  const w = props.watched;
  const state = useRef({ times: 0, at: 0, strength: undefined as number | undefined, beaten: 0 });
  const [, draw] = useState(0);
  const title = useRef<HTMLHeadingElement>(null);
  useEffect(() => {
    const s = state.current;
    Object.assign(s, { times: 0, at: 0, strength: undefined });
    title.current?.focus();
    props.heard.current = (key, strength) => {
      if (w.item ? key !== w.item : !key.startsWith(`(01)${w.gtin}(21)`)) return;
      s.times++;
      s.at = performance.now();
      if (strength === undefined) beat();
      else s.strength = s.strength === undefined ? strength : s.strength + (strength - s.strength) / 2;
    };
    const timer = setInterval(() => {
      const at = performance.now();
      if (s.strength === undefined || at - s.at > lost || at - s.beaten < beatPause(s.strength)) return;
      s.beaten = at;
      beat(s.strength);
    }, 20);
    const drawing = setInterval(() => draw((n) => n + 1), 300);
    return () => {
      clearInterval(timer);
      clearInterval(drawing);
      props.heard.current = () => {};
    };
  }, [w.item, w.gtin]);
  const s = state.current;
  const now = performance.now();
  const heard = s.at > 0 && now - s.at <= lost;
  return (
    <section class="seek" aria-labelledby="seek">
      <h2 id="seek" tabIndex={-1} ref={title}>
        {t.count.seekTitle(w.name)}
      </h2>
      <p>{s.times === 0 ? t.count.seekNot : t.count.seekHeard(s.times, length(now - s.at))}</p>
      {s.strength !== undefined && (
        <>
          <meter aria-label={t.count.strength} min={-85} max={-30} value={heard ? s.strength : -85} />
          <p class="soft">{t.count.seekStrength(String(Math.round(s.strength)))}</p>
        </>
      )}
      {s.strength === undefined && <p class="soft">{t.count.seekPlain}</p>}
      <p>
        <button type="button" onClick={props.end}>
          {t.count.seekEnd}
        </button>
      </p>
    </section>
  );
}
