import type { Shapes } from "./api";

export type Diagnostic = Shapes["Diagnostic"];

/** faults lists what a document that was refused has wrong. */
export function faults(more: Record<string, unknown>): Diagnostic[] {
  return Array.isArray(more["errors"]) ? (more["errors"] as Diagnostic[]) : [];
}

/** rowsOf takes CSV apart, as far as RFC 4180 has it: for a look at the first rows, not to judge it. */
export function rowsOf(text: string, most: number): string[][] {
  const head = text.slice(0, text.search(/[\r\n]|$/));
  const comma = head.split(";").length > head.split(",").length ? ";" : ",";
  const rows: string[][] = [];
  let row: string[] = [];
  let cell = "";
  let quoted = false;
  for (let i = text.charCodeAt(0) === 0xfeff ? 1 : 0; i < text.length && rows.length < most; i++) {
    const c = text[i];
    if (quoted) {
      if (c !== '"') cell += c;
      else if (text[i + 1] === '"') cell += text[i++];
      else quoted = false;
    } else if (c === '"' && cell === "") quoted = true;
    else if (c === comma) {
      row.push(cell);
      cell = "";
    } else if (c === "\n") {
      rows.push([...row, cell]);
      row = [];
      cell = "";
    } else if (c !== "\r") cell += c;
  }
  if (rows.length < most && (cell || row.length)) rows.push([...row, cell]);
  return rows;
}

/** slug makes an id of a name: a-z, 0-9 and hyphens, at most 64. */
export function slug(name: string): string {
  return name
    .normalize("NFKD")
    .replace(/\p{M}/gu, "")
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 64)
    .replace(/-+$/, "");
}

/** unused returns a name that is not among those that are taken: name, or name-2 and so on. */
export function unused(name: string, taken: Iterable<string>): string {
  const had = new Set(taken);
  if (!had.has(name)) return name;
  for (let n = 2; ; n++) if (!had.has(`${name}-${n}`)) return `${name}-${n}`;
}
