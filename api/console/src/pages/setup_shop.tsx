import type { JSX } from "preact";
import { useEffect, useState } from "preact/hooks";
import { address, exchange, newOnce, post } from "../lib/api";
import { slug, unused, type Diagnostic } from "../lib/documents";
import { layoutOf, rowsOfTemplate, templates, type Layout, type Row } from "../lib/setup_layouts";
import { loadShops, shop, sites, turnTo } from "../lib/shop";
import { useStore } from "../lib/store";
import { Loading } from "../parts/answer";
import { Choice, Field, Said, useAct, Wrong } from "../parts/fields";
import { t } from "../text/en";

/** layoutURL is where the layout of a shop is. */
export const layoutURL = (site: string) => address("/v1/sites/{site}/layout", { path: { site } });

/** ShopStep makes a shop from a template, or renames the places of the one that is there. */
export function ShopStep(props: { finished: () => void; again: () => void }): JSX.Element {
  const s = useStore(shop);
  const [another, set] = useState(false);
  if (!s || another) return <NewShop finished={props.finished} />;
  return (
    <>
      <Places key={s.id} site={s.id} again={props.again} />
      <p>
        <button type="button" class="quiet" onClick={() => set(true)}>
          {t.setup.shop.another}
        </button>
      </p>
    </>
  );
}

function NewShop(props: { finished: () => void }): JSX.Element {
  const [name, setName] = useState("");
  const [zone, setZone] = useState(Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC");
  const [template, setTemplate] = useState(templates[0]!);
  const [rows, setRows] = useState(() => rowsOfTemplate(templates[0]!));
  const [wrongName, setWrongName] = useState("");
  const act = useAct();
  const site = unused(slug(name) || "shop", (sites.get() ?? []).map((s) => s.id));
  const choose = (id: string) => {
    const next = templates.find((x) => x.id === id)!;
    const named = new Map(rows.map((r) => [r.id, r.name]));
    setTemplate(next);
    setRows(rowsOfTemplate(next).map((r) => ({ ...r, name: named.get(r.id) ?? r.name }))); // what was typed stays
  };
  const store = (e: Event) => {
    e.preventDefault();
    setWrongName(name.trim() ? "" : t.setup.shop.nameNeeded);
    if (!name.trim()) return;
    act.run(async () => {
      await exchange("PUT", layoutURL(site), { text: JSON.stringify(layoutOf(template, site, name.trim(), zone, rows)), isNew: true });
      await loadShops();
      await turnTo(site);
      props.finished();
    });
  };
  return (
    <form onSubmit={store} noValidate>
      <Field label={t.setup.shop.name} value={name} set={setName} wrong={wrongName} hint={name.trim() ? t.setup.shop.address(site) : t.setup.shop.nameHint} />
      <Field label={t.setup.shop.zone} value={zone} set={setZone} list={timeZones()} hint={t.setup.shop.zoneHint} code />
      <Choice label={t.setup.shop.template} value={template.id} set={choose} of={templates.map((x) => ({ value: x.id, ...t.setup.shop.templates[x.id] }))} />
      <PlaceList rows={rows} set={setRows} add />
      <Wrong error={act.wrong} place={(d) => placeOf(d, rows)} />
      <button type="submit" class="main" disabled={act.busy}>
        {t.setup.shop.store}
      </button>
    </form>
  );
}

/** placeOf says where a fault of a layout is: by the name of the place, or by the field of the form. */
function placeOf(d: Diagnostic, rows: Row[]): string {
  const n = /^zones\[(\d+)\]/.exec(d.path ?? "")?.[1];
  if (n !== undefined) return rows[Number(n)]?.name ?? d.path ?? "";
  return { name: t.setup.shop.name, time_zone: t.setup.shop.zone }[d.path ?? ""] ?? d.path ?? "";
}

function timeZones(): string[] {
  return typeof Intl.supportedValuesOf === "function" ? Intl.supportedValuesOf("timeZone") : [];
}

/** PlaceList are the names of places, each a line to type into. */
function PlaceList(props: { rows: Row[]; set: (rows: Row[]) => void; add?: boolean }): JSX.Element {
  const { rows, set } = props;
  const addShelf = () => {
    const id = unused("shelf-1", rows.map((r) => r.id));
    set([...rows, { id, kind: "shelf", name: t.setup.shop.newShelf }]);
  };
  return (
    <fieldset class="field">
      <legend>{t.setup.shop.places(rows.length)}</legend>
      <p class="soft">{t.setup.shop.placesHint}</p>
      <ul class="names">
        {rows.map((r, i) => (
          <li key={r.id}>
            <input
              aria-label={t.setup.shop.nameOf(r.name || r.id)}
              value={r.name}
              onInput={(e) => {
                const name = e.currentTarget.value;
                set(rows.map((x, k) => (k === i ? { ...x, name } : x)));
              }}
            />
            <span class="soft">
              {t.setup.shop.kinds[r.kind]}
              {r.storey ? `, ${t.setup.shop.storeys[r.storey] ?? r.storey}` : ""}
            </span>
            {props.add && rows.length > 1 && (
              <button type="button" class="quiet" onClick={() => set(rows.filter((_, k) => k !== i))}>
                {t.setup.shop.drop}
                <span class="hidden"> {r.name}</span>
              </button>
            )}
          </li>
        ))}
      </ul>
      {props.add && (
        <button type="button" onClick={addShelf}>
          {t.setup.shop.add}
        </button>
      )}
    </fieldset>
  );
}

/** Places renames the places of a shop that is there. */
function Places(props: { site: string; again: () => void }): JSX.Element {
  const [had, setHad] = useState<{ layout: Layout; etag: string }>();
  const [rows, setRows] = useState<Row[]>([]);
  const [undo, setUndo] = useState(0); // the version to go back to
  const act = useAct();
  const load = async () => {
    const got = await exchange("GET", layoutURL(props.site));
    const layout = JSON.parse(got.text) as Layout;
    setHad({ layout, etag: got.etag });
    setRows(layout.zones.map((z) => ({ id: z.id, kind: z.kind, name: z.name ?? z.id, ...(z.storey ? { storey: z.storey } : {}) })));
  };
  useEffect(() => act.run(load), []);
  if (!had) return act.wrong !== undefined ? <Wrong error={act.wrong} /> : <Loading />;
  const changed = rows.some((r, i) => r.name !== (had.layout.zones[i]!.name ?? r.id));
  const store = async () => {
    const zones = had.layout.zones.map((z, i) => ({ ...z, name: rows[i]!.name.trim() || z.id }));
    const saved = await exchange("PUT", layoutURL(props.site), { text: JSON.stringify({ ...had.layout, zones }), match: had.etag });
    setUndo((JSON.parse(saved.text) as { version: number }).version - 1);
    await refresh();
  };
  const back = async () => {
    await post("/v1/sites/{site}/layout/restore", { path: { site: props.site }, body: { version: undo }, once: newOnce() });
    setUndo(0);
    await refresh();
  };
  const refresh = async () => {
    await load();
    await turnTo(props.site);
    props.again();
  };
  return (
    <form onSubmit={(e) => (e.preventDefault(), act.run(store))} noValidate>
      <PlaceList rows={rows} set={setRows} />
      <Wrong error={act.wrong} place={(d) => placeOf(d, rows)} />
      <div class="acts">
        <button type="submit" class="main" disabled={act.busy || !changed}>
          {t.setup.shop.rename}
        </button>
        {undo > 0 && (
          <button type="button" disabled={act.busy} onClick={() => act.run(back)}>
            {t.undo}
          </button>
        )}
      </div>
      <Said>{undo > 0 && <p>{t.setup.shop.renamed}</p>}</Said>
    </form>
  );
}
