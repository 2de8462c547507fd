import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { get, inWords, type Shapes } from "../lib/api";
import { useAsk } from "../lib/ask";
import { start, type Counting } from "../lib/counting";
import { serialOf } from "../lib/find_links";
import { go } from "../lib/router";
import type { Shop } from "../lib/shop";
import { unlock } from "../lib/sound";
import { Answer } from "../parts/answer";
import { Growing } from "../parts/lists";
import { When } from "../parts/when";
import { t } from "../text/en";
import { Files, pathOf } from "./count_lists";

type Difference = Shapes["DifferenceView"];

/** Over is a count that was submitted: what it found otherwise than expected. */
export function Over(props: { shop: Shop; counting: Counting }): JSX.Element {
  const { shop: s, counting: c } = props;
  const view = c.here.view!;
  const [wrong, setWrong] = useState("");
  const [busy, setBusy] = useState(false);
  const run = (f: Promise<unknown>) => {
    setBusy(true);
    setWrong("");
    f.catch((err: unknown) => setWrong(inWords(err))).finally(() => setBusy(false));
  };
  if (view.status === "discarded") return <p class="lead">{t.count.overDiscarded}</p>;
  const r = view.result;
  const again = () => {
    unlock();
    const body = { zones: view.zones, missing_after: 2, missing_of: view.id };
    run(start({ site: s.id, zones: view.zones, point: c.here.point, body, also: false }).then((here) => go("count", here.id)));
  };
  return (
    <>
      <p class="lead">
        {t.count.over} {view.closed_at && <When at={view.closed_at} />}
      </p>
      {r && (
        <>
          <dl class="facts numbers">
            {(["expected", "matched", "missing", "unexpected"] as const).map((name) => (
              <>
                <dt>{t.count.numbers[name]}</dt>
                <dd class="figure">{t.number(r[name])}</dd>
              </>
            ))}
          </dl>
          <p>{t.count.accuracy((Math.floor(r.item_accuracy * 1000) / 10).toString())}</p>
        </>
      )}
      <p class="caution">{view.caution}</p>
      <div class="acts">
        {r && r.missing > 0 && (
          <button type="button" class="main" disabled={busy} onClick={again}>
            {t.count.recount}
          </button>
        )}
        {!view.final && (
          <button type="button" disabled={busy} onClick={() => run(c.tell("reopen"))}>
            {t.count.reopen}
          </button>
        )}
        <a class="button" href={`${pathOf(c)}/differences.html`} target="_blank" rel="noopener">
          {t.count.print}
        </a>
        {wrong && (
          <p class="wrong" role="alert">
            {wrong}
          </p>
        )}
      </div>
      <Differences shop={s} counting={c} />
    </>
  );
}

function Differences(props: { shop: Shop; counting: Counting }): JSX.Element {
  const { shop: s, counting: c } = props;
  const path = { site: s.id, id: c.here.server };
  const ask = useAsk((signal) => get("/v1/sites/{site}/counts/{id}/differences", { path, signal }), [path.id, c.here.view?.closed_at]);
  return (
    <>
      <h2>{t.count.differences}</h2>
      <Answer ask={ask} empty={(v) => v.differences.length === 0} none={{ title: t.count.differencesNone }}>
        {(v) => (
          <>
            <p class="caution">{t.now.caution}</p>
            {byFinding(v.differences).map(([finding, list]) => (
              <section aria-label={t.count.finding[finding] ?? list[0]!.words}>
                <h3>
                  {t.count.finding[finding] ?? list[0]!.words} <span class="soft">{t.number(list.length)}</span>
                </h3>
                <Growing rows={list} class="lines" label={t.count.finding[finding] ?? list[0]!.words}>
                  {(d) => (
                    <li key={d.item}>
                      <div>
                        <strong>{d.product?.name || d.gtin || t.count.unnamed}</strong> <span class="soft">{t.count.serial(serialOf(d.item))}</span>
                        <div class="soft">{places(s, d)}</div>
                      </div>
                    </li>
                  )}
                </Growing>
              </section>
            ))}
          </>
        )}
      </Answer>
      <h2>{t.count.files}</h2>
      <ul class="lines">
        <li>
          {t.count.differences} <Files path={`${pathOf(c)}/differences`} label={t.count.differences} forms={["csv", "xlsx"]} />
        </li>
        <li>
          {t.count.missingOver} <Files path={`${pathOf(c)}/missing`} label={t.count.missingOver} forms={["txt", "csv", "xlsx"]} />
        </li>
        <li>
          {t.count.foundTitle} <Files path={`${pathOf(c)}/items`} label={t.count.foundTitle} forms={["txt", "csv", "xlsx"]} />
        </li>
      </ul>
    </>
  );
}

function byFinding(list: Difference[]): [finding: string, list: Difference[]][] {
  const kinds = new Map<string, Difference[]>();
  for (const d of list) {
    const had = kinds.get(d.finding);
    if (had) had.push(d);
    else kinds.set(d.finding, [d]);
  }
  return [...kinds];
}

function places(s: Shop, d: Difference): string {
  const parts = [];
  if (d.zone) parts.push(t.count.is(s.name_of(d.zone)));
  if (d.was && d.was !== d.zone) parts.push(t.count.was(s.name_of(d.was)));
  return parts.join(", ");
}
