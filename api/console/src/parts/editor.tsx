import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { Loading } from "./answer";
import type { Editing, EditorSetup, Mark } from "./editor_open";

/** Editor is a code editor for documents in YAML, or plain text. It comes when the first one does; until
 * then, and where it fails, a plain text field has the same text. marks are what a page found itself, and
 * show where it is said; open is called with the editor that came. */
export function Editor(props: {
  label: string;
  value: string;
  onChange: (v: string) => void;
  setup?: EditorSetup;
  marks?: Mark[];
  open?: (e: Editing | undefined) => void;
  readOnly?: boolean;
}): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const editing = useRef<Editing | undefined>(undefined);
  const current = useRef(props);
  current.current = props;
  const [state, set] = useState<"loading" | "there" | "failed">("loading");
  useEffect(() => {
    let gone = false;
    void import("./editor_open").then(
      ({ openEditor }) => {
        if (gone || !box.current) return;
        editing.current = openEditor(box.current, {
          label: props.label,
          value: current.current.value,
          readOnly: props.readOnly ?? false,
          marked: props.marks !== undefined,
          changed: (v) => current.current.onChange(v),
          ...props.setup,
        });
        editing.current.mark(current.current.marks ?? []);
        current.current.open?.(editing.current);
        set("there");
      },
      () => set("failed"),
    );
    return () => {
      gone = true;
      current.current.open?.(undefined);
      editing.current?.destroy();
      editing.current = undefined;
    };
  }, []);
  useEffect(() => editing.current?.replace(props.value), [props.value]);
  useEffect(() => editing.current?.mark(props.marks ?? []), [props.marks]);
  return (
    <div class="editor">
      {state === "loading" && <Loading />}
      {state === "failed" ? (
        <textarea aria-label={props.label} value={props.value} readOnly={props.readOnly} onInput={(e) => props.onChange(e.currentTarget.value)} />
      ) : (
        <div ref={box} />
      )}
    </div>
  );
}
