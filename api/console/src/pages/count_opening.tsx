import type { JSX } from "preact";
import { useRef, useState } from "preact/hooks";
import { inWords } from "../lib/api";
import { useAsk } from "../lib/ask";
import { countPlaces } from "../lib/count_places";
import { joinIn, start } from "../lib/counting";
import { go, to } from "../lib/router";
import type { CountField, Shop } from "../lib/shop";
import { unlock } from "../lib/sound";
import { remembered, useStore } from "../lib/store";
import { Answer, Note } from "../parts/answer";
import { t } from "../text/en";
import { PlaceState, useNoPlaceYet } from "./count_parts";

const lastPoint = remembered("lintel.count.point", "");

/** pointsFor lists the read points that reads of a count can be said to be of: handhelds, else all. */
function pointsFor(s: Shop): [id: string, name: string][] {
  const all = [...s.points];
  const own = all.filter(([, p]) => p.role === "handheld");
  return (own.length ? own : all).map(([id, p]) => [id, p.name]);
}

/** usePoint is the read point that this device goes by. */
export function usePoint(s: Shop): { list: [id: string, name: string][]; point: string } {
  const list = pointsFor(s);
  const had = useStore(lastPoint);
  return { list, point: list.some(([id]) => id === had) ? had : (list[0]?.[0] ?? "") };
}

/** Opening begins a count of a place, or has this device count along. */
export function Opening(props: { shop: Shop; zone: string }): JSX.Element {
  const { shop: s, zone } = props;
  const ask = useAsk((signal) => countPlaces(s.id, signal), [s.id]);
  const { list, point } = usePoint(s);
  const [more, setMore] = useState<string[]>([]);
  const [wrong, setWrong] = useState("");
  const [busy, setBusy] = useState(false);
  const form = useRef<HTMLFormElement>(null);
  const unread = useNoPlaceYet();
  const place = s.places.find((p) => p.id === zone);

  const enter = (begin: Promise<{ id: string }>) => {
    unlock();
    setBusy(true);
    void navigator.storage?.persist?.();
    begin.then(
      (here) => go("count", here.id),
      (err: unknown) => {
        setBusy(false);
        setWrong(err instanceof DOMException ? t.count.noStore : inWords(err));
      },
    );
  };
  const begin = (also: boolean) => {
    const data = new FormData(form.current!);
    const fields: Record<string, string> = {};
    for (const f of s.fields) {
      const value = String(data.get(`field-${f.id}`) ?? "").trim();
      if (value) fields[f.id] = value;
      else if (f.required) {
        setWrong(t.count.needed(f.name || f.id));
        form.current?.querySelector<HTMLElement>(`[name="field-${f.id}"]`)?.focus();
        return;
      }
    }
    const zones = [zone, ...more];
    const body = { zones, missing_after: 2, blind: data.has("blind") || undefined, fields: s.fields.length ? fields : undefined };
    enter(start({ site: s.id, zones, point, also, body }));
  };

  return (
    <>
      <div class="placehead">
        <h2>{place?.name ?? zone}</h2>
        <a href={to("count")}>{t.count.back}</a>
      </div>
      {!place ? (
        <Note title={t.count.noPlace} />
      ) : list.length === 0 ? (
        <Note title={t.count.noReader} />
      ) : (
        <>
          {unread}
          <Answer ask={ask}>
            {(v) => {
              const known = v.zones[zone];
              const active = known?.active;
              return (
                <form ref={form} onSubmit={(e) => (e.preventDefault(), active ? enter(joinIn(s.id, active, point)) : begin(false))} noValidate>
                  <p class="soft">
                    <PlaceState place={known} zone={s.zone} />
                  </p>
                  {v.stale && <p class="caution">{t.count.offlineStart}</p>}
                  {list.length > 1 && (
                    <p>
                      <label for="reader">{t.count.reader}</label>
                      <select id="reader" class="wholerow" value={point} onChange={(e) => lastPoint.set(e.currentTarget.value)}>
                        {list.map(([id, name]) => (
                          <option value={id}>{name}</option>
                        ))}
                      </select>
                    </p>
                  )}
                  {active && (
                    <p>
                      <button type="submit" class="main" disabled={busy}>
                        {t.count.join}
                      </button>
                    </p>
                  )}
                  {s.fields.map((f) => (
                    <Field key={f.id} field={f} />
                  ))}
                  {more.map((z) => (
                    <p>
                      {s.name_of(z)}{" "}
                      <button type="button" class="quiet" onClick={() => setMore(more.filter((m) => m !== z))}>
                        {t.count.without(s.name_of(z))}
                      </button>
                    </p>
                  ))}
                  {s.places.length > 1 && (
                    <p>
                      <label for="together">{t.count.together}</label>
                      <select id="together" class="wholerow" value="" onChange={(e) => e.currentTarget.value && setMore([...more, e.currentTarget.value])}>
                        <option value="">{t.count.togetherNone}</option>
                        {s.places
                          .filter((p) => p.id !== zone && !more.includes(p.id))
                          .map((p) => (
                            <option value={p.id}>{p.name}</option>
                          ))}
                      </select>
                    </p>
                  )}
                  {known?.blind ? (
                    <p class="soft">{t.count.blindPlanned}</p>
                  ) : (
                    <label class="check">
                      <input type="checkbox" name="blind" /> {t.count.blind}
                    </label>
                  )}
                  {wrong && (
                    <p class="wrong" role="alert">
                      {wrong}
                    </p>
                  )}
                  <p>
                    {active ? (
                      <button type="button" disabled={busy} onClick={() => begin(true)}>
                        {t.count.beside}
                      </button>
                    ) : (
                      <button type="submit" class="main wholerow" disabled={busy}>
                        {t.count.start}
                      </button>
                    )}
                  </p>
                </form>
              );
            }}
          </Answer>
        </>
      )}
    </>
  );
}

/** Field asks for something that the shop wants to know of each count. */
function Field(props: { field: CountField }): JSX.Element {
  const f = props.field;
  const name = `field-${f.id}`;
  const common = { id: name, name, class: "wholerow", required: f.required };
  return (
    <p>
      <label for={name}>{f.name || f.id}</label>
      {f.type === "choice" ? (
        <select {...common}>
          <option value="" />
          {(f.choices ?? []).map((c) => (
            <option value={c}>{c}</option>
          ))}
        </select>
      ) : (
        <input {...common} type="text" inputMode={f.type === "number" ? "decimal" : undefined} maxLength={200} autocomplete="off" />
      )}
    </p>
  );
}
