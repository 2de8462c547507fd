import type { JSX } from "preact";
import { useState } from "preact/hooks";
import { get, Problem } from "../lib/api";
import { useAsk } from "../lib/ask";
import { restoreChannels } from "../lib/channels";
import { to } from "../lib/router";
import { mayWrite, session } from "../lib/session";
import { useStore } from "../lib/store";
import { Answer } from "../parts/answer";
import { Diff } from "../parts/diff";
import { Said, useAct, Wrong } from "../parts/fields";
import { Growing } from "../parts/lists";
import { When } from "../parts/when";
import { t } from "../text/en";

/** History is who changed the channels when, and the way back to any version. */
export function History(): JSX.Element {
  const who = useStore(session);
  const act = useAct();
  const [undo, setUndo] = useState(0); // the version before the way back
  const ask = useAsk(
    (signal) =>
      get("/v1/channels/versions", { signal }).catch((err: unknown) => {
        if (err instanceof Problem && err.status === 404) return { versions: [] };
        throw err;
      }),
    [],
  );
  const newest = ask.value?.versions[0]?.version ?? 0;
  const restore = (version: number, before: number) =>
    act.run(async () => {
      await restoreChannels(version);
      setUndo(before);
      ask.again();
    });
  return (
    <>
      <p>
        <a href={to("messages")}>{t.messages.toChannels}</a>
      </p>
      <h2>{t.messages.history}</h2>
      <Wrong error={act.wrong} />
      <Said>{undo > 0 && <p>{t.messages.restored}</p>}</Said>
      {undo > 0 && (
        <button type="button" disabled={act.busy} onClick={() => restore(undo, 0)}>
          {t.undo}
        </button>
      )}
      <Answer ask={ask} empty={(v) => v.versions.length === 0} none={{ title: t.messages.none }}>
        {(v) => (
          <Growing rows={v.versions} class="lines" label={t.messages.history}>
            {(one) => (
              <li class="block" key={one.version}>
                <div class="acts">
                  <span>
                    <strong>{t.messages.version(one.version)}</strong> <When at={one.at} />, {one.by} <span class="soft">{one.note}</span>
                  </span>
                  {one.version === newest ? (
                    <span class="tag">{t.messages.inForce}</span>
                  ) : (
                    mayWrite(who) && (
                      <button type="button" disabled={act.busy} onClick={() => restore(one.version, newest)}>
                        {t.messages.restore(one.version)}
                      </button>
                    )
                  )}
                </div>
                {one.version > 1 && <Changed to={one.version} />}
              </li>
            )}
          </Growing>
        )}
      </Answer>
    </>
  );
}

/** Changed is what a version changed, asked for when somebody wants to see it. */
function Changed(props: { to: number }): JSX.Element {
  const [open, set] = useState(false);
  return (
    <details onToggle={(e) => set(e.currentTarget.open)}>
      <summary>{t.messages.changed(props.to)}</summary>
      {open && <Difference to={props.to} />}
    </details>
  );
}

function Difference(props: { to: number }): JSX.Element {
  const ask = useAsk((signal) => get("/v1/channels/diff", { query: { from: props.to - 1, to: props.to }, signal }), [props.to]);
  return <Answer ask={ask}>{(d) => <Diff changes={d} />}</Answer>;
}
