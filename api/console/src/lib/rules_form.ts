/** The three rules that are made by a form. */
export type Kind = "unpaid" | "low" | "astray";

/** RuleForm is what the form asks for. */
export interface RuleForm {
  kind: Kind;
  name: string;
  places: string[]; // ids of zones; none: everywhere
  hold: string; // how long it must be so; "": at once
  hours: string; // always, open, closed, or windows
  severity: "info" | "warning" | "urgent";
  say: string;
  send: string[];
  mode: "watch" | "live" | "off";
}

/** kinds are the parts of each rule that the form does not ask for. */
const kinds: Record<Kind, { about?: string; when: string; gather?: string; at: string; say: string }> = {
  unpaid: {
    when: 'zone.kind == "exit" and passage.sure and item.sellable and not item.paid',
    gather: "5s",
    at: "zone.id",
    say: "{product.name} passed {zone.name}, and no sale is known yet",
  },
  low: {
    about: "stock",
    when: "stock.has_minimum and stock.count < stock.minimum and stock.backroom > 0",
    at: "zone.id",
    say: "{zone.name} has {stock.count} of {product.name}, at least {stock.minimum} should be there; the stockroom has {stock.backroom}",
  },
  astray: {
    when: "item.sellable and item.present and zone.selling and not item.home",
    at: "zone.id",
    say: "{product.name} lies at {zone.name}, where it does not belong",
  },
};

/** newForm is what a form begins with: in watch mode, so that nobody is notified before it was looked at. */
export function newForm(kind: Kind, name: string): RuleForm {
  return {
    kind,
    name,
    places: [],
    hold: kind === "unpaid" ? "" : "10m",
    hours: kind === "unpaid" ? "always" : "open",
    severity: kind === "unpaid" ? "urgent" : kind === "low" ? "warning" : "info",
    say: kinds[kind].say,
    send: [],
    mode: "watch",
  };
}

/** quoted writes a text of YAML. */
const quoted = (s: string) => `"${s.replace(/[\\"]/g, "\\$&")}"`;

/** writeForm writes the rule. */
export function writeForm(f: RuleForm): string {
  const k = kinds[f.kind];
  const places = f.places.length ? ` and ${k.at} in [${f.places.map((p) => `"${p}"`).join(", ")}]` : "";
  const lines = [`name: ${f.name}`];
  if (k.about) lines.push(`about: ${k.about}`);
  lines.push(`when: ${k.when}${places}`);
  if (f.hold) lines.push(`hold: ${f.hold}`);
  if (k.gather) lines.push(`gather: ${k.gather}`);
  if (f.hours !== "always") lines.push(`hours: ${f.hours}`);
  lines.push(`severity: ${f.severity}`, `say: ${quoted(f.say)}`);
  if (f.send.length) lines.push(`send: [${f.send.join(", ")}]`);
  lines.push(`mode: ${f.mode}`);
  return lines.join("\n") + "\n";
}

/** readForm reads a rule that the form wrote. The form shows nothing but what it would write again, so any
 * other text comes back as the first line that it does not know. */
export function readForm(text: string): { form: RuleForm } | { line: string } {
  const lines = text.trimEnd().split("\n");
  const had = new Map<string, string>();
  for (const line of lines) {
    const m = /^([a-z]+): (.*)$/.exec(line);
    if (!m) return { line: line.trim() };
    had.set(m[1]!, m[2]!);
  }
  const when = had.get("when") ?? "";
  const kind = (Object.keys(kinds) as Kind[]).find((k) => when.startsWith(kinds[k].when));
  if (!kind) return { line: `when: ${when}` };
  const list = /^ and zone\.id in \[("[^"]+"(?:, "[^"]+")*)\]$/.exec(when.slice(kinds[kind].when.length));
  const channels = /^\[(.*)\]$/.exec(had.get("send") ?? "")?.[1];
  const say = /^"(.*)"$/.exec(had.get("say") ?? "")?.[1] ?? "";
  const form: RuleForm = {
    kind,
    name: had.get("name") ?? "",
    places: list ? list[1]!.split(", ").map((p) => p.slice(1, -1)) : [],
    hold: had.get("hold") ?? "",
    hours: had.get("hours") ?? "always",
    severity: (had.get("severity") ?? "warning") as RuleForm["severity"],
    say: say.replace(/\\([\\"])/g, "$1"),
    send: channels ? channels.split(", ") : [],
    mode: (had.get("mode") ?? "live") as RuleForm["mode"],
  };
  const written = writeForm(form).trimEnd().split("\n");
  const other = lines.find((l, i) => l !== written[i]);
  if (other !== undefined || written.length !== lines.length) return { line: other ?? written[lines.length]! };
  return { form };
}
