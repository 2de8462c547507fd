import type { CompletionSource } from "../parts/editor_open";
import type { Shapes } from "./api";
import type { Place } from "./shop";

type Names = Shapes["RuleNames"];
type Option = NonNullable<Awaited<ReturnType<CompletionSource>>>["options"][number];

const conditions = ["when", "first", "unless", "items"];

/** keyAt returns the key of a rule whose value the cursor stands in, "" where a key can stand. */
function keyAt(lines: string[]): { key: string; before: string } {
  const last = lines[lines.length - 1] ?? "";
  const own = /^[\s-]*([a-z_]+):\s(.*)$/.exec(last);
  if (own) return { key: own[1]!, before: own[2]! };
  const indent = /^\s*/.exec(last)![0].length;
  for (let i = lines.length - 2; i >= 0 && indent > 0; i--) {
    const above = /^(\s*(?:-\s+)?)([a-z_]+):/.exec(lines[i]!);
    if (above && above[1]!.length < indent) return { key: above[2] === "but" ? "" : above[2]!, before: last };
  }
  return { key: "", before: last };
}

/** completion offers keys, names, functions and values where they can stand. */
export function completion(names: Names, places: Place[], channels: string[]): CompletionSource {
  const option = (label: string, detail: string, info: string, more: Partial<Option> = {}): Option => ({ label, detail, info, ...more });
  const keys = names.keys.map((k) => option(k.name, "", k.meaning, { apply: `${k.name}: ` }));
  const zones = places.map((p) => option(p.id, p.name, p.name));
  const functions = names.functions.flatMap((f) => [...f.call.matchAll(/([a-z_]+)\(/g)].map((m) => option(m[1]!, f.call, f.meaning, { apply: `${m[1]}(` })));
  const words = ["and", "or", "not", "in"].map((w) => option(w, "", ""));
  const named = (about: string) =>
    names.names.filter((n) => n.subjects.includes(about)).map((n) => option(n.name, n.unit ? `${n.type}, ${n.unit}` : n.type, `${n.meaning}\n${n.example}`));

  /** values are what the name before the quote can be. */
  const values = (name: string): Option[] => {
    if (/^(zone|from)\.id$|\.door$/.test(name)) return zones;
    return names.names.find((n) => n.name === name)?.values?.map((v) => option(v, "", "")) ?? [];
  };

  return (context) => {
    const text = context.state.doc.sliceString(0, context.pos);
    const { key, before } = keyAt(text.split("\n"));
    const word = /[\w.-]*$/.exec(before)![0];
    if (!word && !context.explicit && !/["{[(]$/.test(before)) return null;
    const about = /^[\s-]*about:\s*(\w+)/m.exec(context.state.doc.toString())?.[1] ?? "item";
    let options: Option[] = [];
    if (key === "") options = keys;
    else if (conditions.includes(key)) {
      const quote = /([a-z_.]+)\s*(?:==|!=|in\s*\[(?:[^\]]*,)?)\s*"[^"]*$/.exec(before);
      options = quote ? values(quote[1]!) : (before.match(/"/g)?.length ?? 0) % 2 ? [] : [...named(about), ...functions, ...words];
    } else if (key === "say") options = /\{[\w.]*$/.test(before) ? named(about) : [];
    else if (key === "send" || key === "escalate_to") options = channels.map((c) => option(c, "", ""));
    else options = names.keys.find((k) => k.name === key)?.values?.map((v) => option(v, "", "")) ?? [];
    // What is typed whole is not offered: Enter is for the next line then.
    options = options.filter((o) => o.label !== word);
    return options.length ? { from: context.pos - word.length, options } : null;
  };
}
