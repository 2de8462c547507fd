import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { exchange, newOnce, post, Problem, type Shapes } from "../lib/api";
import { faults, rowsOf, type Diagnostic } from "../lib/documents";
import { sampleCSV } from "../lib/setup_layouts";
import { may, session } from "../lib/session";
import { shop } from "../lib/shop";
import { useStore } from "../lib/store";
import { Note } from "../parts/answer";
import { Faults, Said, useAct, Wrong } from "../parts/fields";
import { t } from "../text/en";

const editable = 200_000; // characters up to which a file may be mended in the page
const shownRows = 6;

/** readText reads a file: as UTF-8, or as what older spreadsheets write where it is none. */
async function readText(file: File): Promise<{ text: string; old: boolean }> {
  const bytes = await file.arrayBuffer();
  try {
    return { text: new TextDecoder("utf-8", { fatal: true }).decode(bytes), old: false };
  } catch {
    return { text: new TextDecoder("windows-1252").decode(bytes), old: true };
  }
}

/** Checked is what the server said of a list, without storing it. */
interface Checked {
  diff?: Shapes["ProductDiff"];
  warnings?: string[];
  wrong?: unknown;
  busy?: boolean;
}

/** ProductsStep takes products from a CSV file. What is wrong is said by line and column, and mended in place. */
export function ProductsStep(props: { finished: () => void; version: number }): JSX.Element {
  const s = useStore(shop);
  const who = useStore(session);
  const [text, setText] = useState("");
  const [name, setName] = useState("");
  const [old, setOld] = useState(false);
  const [whole, setWhole] = useState(false);
  const [checked, setChecked] = useState<Checked>({});
  const [over, setOver] = useState(false);
  const act = useAct();
  const field = useRef<HTMLTextAreaElement>(null);
  const verb = whole ? "PUT" : "PATCH";

  const take = (next: string, from = "") => {
    setText(next);
    setName(from);
    act.clear();
  };
  const takeFile = (file: File | undefined) => {
    if (!file) return;
    act.run(async () => {
      const got = await readText(file);
      setOld(got.old);
      take(got.text, file.name);
    });
  };
  // What is there is checked half a second after it last changed.
  useEffect(() => {
    if (!text.trim()) {
      setChecked({});
      return;
    }
    const stop = new AbortController();
    setChecked((c) => ({ ...c, busy: true }));
    const timer = setTimeout(() => {
      exchange(verb, "/v1/products?dry_run=true", { text, media: "text/csv", signal: stop.signal }).then(
        (a) => {
          const dry = JSON.parse(a.text) as Shapes["DryRun"];
          setChecked({ diff: dry.products, warnings: dry.warnings });
        },
        (wrong: unknown) => stop.signal.aborted || setChecked({ wrong }),
      );
    }, 500);
    return () => {
      clearTimeout(timer);
      stop.abort();
    };
  }, [text, verb]);

  const store = () =>
    act.run(async () => {
      const removal = whole && checked.diff && checked.diff.removed > 0 ? "?allow_removal=true" : "";
      await exchange(verb, `/v1/products${removal}`, { text, media: "text/csv" });
      setText("");
      props.finished();
    });
  const back = () =>
    act.run(async () => {
      await post("/v1/products/restore", { body: { version: props.version - 1 }, once: newOnce() });
      props.finished();
    });

  if (!may(who, ["author"]) || !who?.sites.includes("*")) return <Note title={t.setup.everywhere} />;
  const sample = sampleCSV(s?.places ?? []);
  const diagnostics = checked.wrong instanceof Problem ? faults(checked.wrong.more) : [];
  const small = text.length <= editable;
  return (
    <>
      <p>{t.setup.products.lead}</p>
      <div
        class={over ? "drop over" : "drop"}
        onDragOver={(e) => (e.preventDefault(), setOver(true))}
        onDragLeave={() => setOver(false)}
        onDrop={(e) => (e.preventDefault(), setOver(false), takeFile(e.dataTransfer?.files[0]))}
      >
        <p>{t.setup.products.drop}</p>
        <label class="button file">
          {t.setup.products.choose}
          <input type="file" accept=".csv,text/csv,text/plain" onChange={(e) => takeFile(e.currentTarget.files?.[0])} />
        </label>
        <button type="button" onClick={() => take(sample, t.setup.products.sampleName)}>
          {t.setup.products.takeSample}
        </button>
        <a class="button" download="products.csv" href={`data:text/csv;charset=utf-8,${encodeURIComponent(sample)}`}>
          {t.setup.products.getSample}
        </a>
      </div>
      {small ? (
        <div class="field">
          <label for="products-text">{name ? t.setup.products.from(name) : t.setup.products.paste}</label>
          <textarea id="products-text" ref={field} class="code" rows={7} wrap="off" spellcheck={false} value={text} onInput={(e) => take(e.currentTarget.value, name)} />
        </div>
      ) : (
        <p>{t.setup.products.large(name, text.length)}</p>
      )}
      {old && text && <p class="soft">{t.setup.products.old}</p>}
      {props.version > 0 && (
        <label class="check">
          <input type="checkbox" checked={whole} onChange={() => setWhole(!whole)} /> {t.setup.products.whole}
        </label>
      )}
      <Said>
        {checked.busy && <p class="soft">{t.setup.products.checking}</p>}
        {checked.wrong !== undefined && diagnostics.length === 0 && <Wrong error={checked.wrong} />}
        {diagnostics.length > 0 && <p class="wrong">{t.faults.found(diagnostics.reduce((n, d) => n + (d.more || 1), 0))}</p>}
        {checked.diff && (
          <p>
            {t.setup.products.would(checked.diff.rows, checked.diff.added, checked.diff.changed)} {checked.diff.removed > 0 && <strong>{t.setup.products.removes(checked.diff.removed)}</strong>}
          </p>
        )}
      </Said>
      {diagnostics.length > 0 && <Faults list={diagnostics} place={placeOf} />}
      {diagnostics.length > 0 && small && diagnostics[0]!.line && (
        <p>
          <button type="button" onClick={() => field.current && toCell(field.current, diagnostics[0]!)}>
            {t.setup.products.toFirst}
          </button>
        </p>
      )}
      {checked.warnings?.map((w) => <p class="soft">{w}</p>)}
      {text.trim() && diagnostics.length === 0 && <FirstRows text={text} />}
      <Wrong error={act.wrong} />
      <div class="acts">
        <button type="button" class="main" disabled={act.busy || checked.busy || !checked.diff || !text.trim()} onClick={store}>
          {checked.diff ? t.setup.products.store(checked.diff.rows) : t.setup.products.storePlain}
        </button>
        {props.version > 1 && !text && (
          <button type="button" disabled={act.busy} onClick={back}>
            {t.setup.products.back(props.version - 1)}
          </button>
        )}
      </div>
    </>
  );
}

function placeOf(d: Diagnostic): string {
  return [d.line && t.faults.line(d.line, undefined), d.path].filter(Boolean).join(", ");
}

/** toCell selects the cell of a fault. */
function toCell(field: HTMLTextAreaElement, d: Diagnostic): void {
  const lines = field.value.split("\n");
  const line = lines[(d.line ?? 1) - 1] ?? "";
  const before = lines.slice(0, (d.line ?? 1) - 1).reduce((n, l) => n + l.length + 1, 0);
  const column = rowsOf(lines[0] ?? "", 1)[0]?.indexOf(d.path?.replace(/\[.*/, "") ?? "") ?? -1;
  // The cells of the line, and the commas between them.
  const cells = line.match(/("(?:[^"]|"")*"|[^",;\r])*[,;\r]?/g) ?? [];
  const start = before + cells.slice(0, Math.max(0, column)).join("").length;
  const length = column < 0 ? line.length : (cells[column] ?? "").replace(/[,;\r]$/, "").length;
  field.focus();
  field.setSelectionRange(start, start + length);
}

function FirstRows(props: { text: string }): JSX.Element | null {
  const [head, ...rows] = rowsOf(props.text, shownRows + 1);
  if (!head || rows.length === 0) return null;
  return (
    <div class="wide" tabIndex={0} role="group" aria-label={t.setup.products.first}>
      <table>
        <caption>{t.setup.products.first}</caption>
        <thead>
          <tr>
            {head.map((h) => (
              <th scope="col">{h}</th>
            ))}
          </tr>
        </thead>
        <tbody>
          {rows.slice(0, shownRows).map((r) => (
            <tr>
              {r.map((cell) => (
                <td>{cell}</td>
              ))}
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
