import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { Problem } from "../lib/api";
import { Answer, Note } from "../parts/answer";
import { Editor } from "../parts/editor";
import { Fresh, Rows } from "../parts/lists";
import { Plot } from "../parts/plot";
import { t } from "../text/en";

const x = Array.from({ length: 12 }, (_, i) => i / 2);
const lines = [
  { name: t.now.inner, values: x.map((v) => (v > 4 ? null : -50 - v * 4)) },
  { name: t.now.outer, values: x.map((v) => (v < 2 ? null : -75 + v * 4)), dashed: true },
];
const nothing = () => {};

/** PartsPage shows every part in every state, for who builds pages. */
export default function PartsPage(): JSX.Element {
  const [text, setText] = useState("rules:\n  - name: first # a comment\n    when: zone.kind == \"exit\"\n");
  const states = [
    { value: undefined, error: undefined, busy: true, again: nothing },
    { value: undefined, error: new Problem(403, "missing_scope", "", {}), busy: false, again: nothing },
    { value: undefined, error: new Error(), busy: false, again: nothing },
    { value: 0, error: undefined, busy: false, again: nothing },
    { value: 1, error: new Error(), busy: false, again: nothing },
  ];
  return (
    <>
      <p class="soft">{t.parts.lead}</p>
      {states.map((ask) => (
        <Answer ask={ask} empty={(v) => v === 0} none={{ title: t.now.empty, more: t.now.emptyMore }}>
          {() => <p>{t.list.row(1, 1)}</p>}
        </Answer>
      ))}
      <Note title={t.page.none} again={nothing} />
      <Fresh count={3} over={1} show={nothing} />
      <Fresh count={1} urgent show={nothing} />
      <Plot label={t.now.picture} x={x} xName={t.now.seconds} yName={t.now.strength} lines={lines} />
      <Editor label={t.page.parts} value={text} onChange={setText} setup={{ check: async (v) => (v.includes("first") ? [{ from: v.indexOf("first"), to: v.indexOf("first") + 5, severity: "error", message: t.error.broken }] : []) }} />
      <Rows count={100_000} height={44} label={t.now.picks} columns={[t.now.product, t.now.there]} row={(i) => [t.list.row(i + 1, 100_000), t.number(i)]} />
    </>
  );
}
