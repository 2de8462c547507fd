import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { to } from "../lib/router";
import { writeForm, type RuleForm } from "../lib/rules_form";
import type { Place } from "../lib/shop";
import { Field, Several } from "../parts/fields";
import { t } from "../text/en";

/** Which places a rule of a kind can be about. */
const fits: Record<RuleForm["kind"], (p: Place) => boolean> = {
  unpaid: (p) => p.kind === "exit",
  low: (p) => !["exit", "checkout", "stockroom", "receiving"].includes(p.kind),
  astray: (p) => p.kind === "shelf" || p.kind === "floor",
};

const waits = ["", "30s", "2m", "10m", "30m", "2h", "4h open"];
const hours = ["always", "open", "closed"];

/** Form is a common rule without an expression: it writes the text of the rule. */
export function Form(props: { form: RuleForm; fixed: boolean; places: Place[]; channels: string[]; change: (text: string) => void }): JSX.Element {
  const f = props.form;
  const set = (more: Partial<RuleForm>) => props.change(writeForm({ ...f, ...more }));
  const toggle = (list: string[], one: string) => (list.includes(one) ? list.filter((x) => x !== one) : [...list, one]);
  const places = props.places.filter(fits[f.kind]);
  // What is typed as hours stays as it is typed; the rule has it without blanks around it.
  const [windows, setWindows] = useState<string | undefined>(() => (hours.includes(f.hours) ? undefined : f.hours));
  const chooseHours = (choice: string) => {
    const typed = choice === "windows" ? "mon-sat 09:00-18:00" : undefined;
    setWindows(typed);
    set({ hours: typed ?? choice });
  };
  return (
    <form class="fields" onSubmit={(e) => e.preventDefault()}>
      {props.fixed ? (
        <p class="lead">{t.rules.kind[f.kind]}</p>
      ) : (
        <Field label={t.rules.formName} value={f.name} code hint={t.rules.formNameHint} set={(v) => set({ name: v.toLowerCase().replace(/[\s_]+/g, "-").slice(0, 64) })} />
      )}
      <fieldset class="field">
        <legend>{f.kind === "unpaid" ? t.rules.formDoors : t.rules.formPlaces}</legend>
        <label class="check">
          <input type="checkbox" checked={f.places.length === 0} disabled={f.places.length === 0} onChange={() => set({ places: [] })} />
          {f.kind === "unpaid" ? t.rules.everyDoor : t.rules.everywhere}
        </label>
        <div class="choices">
          {places.map((p) => (
            <label class="check">
              <input type="checkbox" checked={f.places.includes(p.id)} onChange={() => set({ places: toggle(f.places, p.id) })} />
              {p.name}
            </label>
          ))}
        </div>
      </fieldset>
      <label>
        {t.rules.formWait}
        <select value={f.hold} onChange={(e) => set({ hold: e.currentTarget.value })}>
          {[...waits, ...(waits.includes(f.hold) ? [] : [f.hold])].map((w) => (
            <option value={w}>{w ? t.rules.wait(w) : t.rules.atOnce}</option>
          ))}
        </select>
      </label>
      <label>
        {t.rules.formHours}
        <select value={windows === undefined ? f.hours : "windows"} onChange={(e) => chooseHours(e.currentTarget.value)}>
          {hours.map((h) => (
            <option value={h}>{t.rules.hours[h]}</option>
          ))}
          <option value="windows">{t.rules.hours["windows"]}</option>
        </select>
      </label>
      {windows !== undefined && (
        <Field label={t.rules.formWindows} value={windows} code hint={t.rules.formWindowsHint} set={(v) => (setWindows(v), set({ hours: v.trim() || "always" }))} />
      )}
      <label>
        {t.rules.formSeverity}
        <select value={f.severity} onChange={(e) => set({ severity: e.currentTarget.value as RuleForm["severity"] })}>
          {(["urgent", "warning", "info"] as const).map((v) => (
            <option value={v}>{t.now.severity[v]}</option>
          ))}
        </select>
      </label>
      <Several label={t.rules.formWhom} value={f.send} set={(send) => set({ send })} of={[...new Set([...props.channels, ...f.send])].map((c) => ({ value: c, name: c }))} />
      {f.send.length === 0 && (
        <p class="soft">
          {props.channels.length ? t.rules.nobody : t.rules.noChannels} {props.channels.length === 0 && <a href={to("messages", "new")}>{t.rules.toChannels}</a>}
        </p>
      )}
      <label>
        {t.rules.formSay}
        <textarea rows={3} value={f.say} onInput={(e) => set({ say: e.currentTarget.value.replace(/\n/g, " ") })} />
        <span class="soft">{t.rules.formSayHint}</span>
      </label>
    </form>
  );
}
