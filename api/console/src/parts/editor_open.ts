import { autocompletion, closeBrackets, closeBracketsKeymap, completionKeymap, type CompletionSource } from "@codemirror/autocomplete";
import { defaultKeymap, history, historyKeymap } from "@codemirror/commands";
import { yaml } from "@codemirror/lang-yaml";
import { bracketMatching, HighlightStyle, indentOnInput, syntaxHighlighting } from "@codemirror/language";
import { linter, lintGutter, lintKeymap, setDiagnostics, type Diagnostic } from "@codemirror/lint";
import { Compartment, EditorState } from "@codemirror/state";
import { drawSelection, EditorView, highlightActiveLine, keymap, lineNumbers } from "@codemirror/view";
import { tags } from "@lezer/highlight";

/** EditorSetup is what a page may add to an editor. */
export interface EditorSetup {
  /** complete offers words at the place of the cursor. */
  complete?: CompletionSource;
  /** check finds what is wrong with the text. It is asked half a second after the last change. */
  check?: (text: string) => Promise<Diagnostic[]>;
}

export type { CompletionSource, Diagnostic };

/** Mark is something that is said of a place in the text; columns are counted in characters. */
export interface Mark {
  line: number; // from 1
  column: number; // from 1
  length?: number; // to the end of the line if it is left out
  severity: "error" | "warning" | "info";
  message: string;
}

/** Editing is an open editor. */
export interface Editing {
  replace(value: string): void;
  /** mark shows marks in place of those before. */
  mark(list: Mark[]): void;
  /** select goes to a place, and selects what is meant there. */
  select(at: Mark): void;
  destroy(): void;
}

const colors = HighlightStyle.define([
  { tag: [tags.propertyName, tags.definition(tags.propertyName)], color: "var(--accent)" },
  { tag: [tags.comment, tags.lineComment], color: "var(--soft)", fontStyle: "italic" },
  { tag: [tags.string, tags.content], color: "var(--ink)" },
  { tag: [tags.keyword, tags.bool, tags.number, tags.atom], color: "var(--ink)", fontWeight: "600" },
]);

const mark = (color: string) => ({ backgroundImage: "none", textDecoration: `underline wavy ${color}`, textUnderlineOffset: "3px" });
const sign = (color: string) => ({ content: "''", display: "block", width: "0.6em", height: "0.6em", margin: "0.35em 0.2em", background: color, borderRadius: "50%" });

// Custom properties reach into the shadow root. The images that the lint package brings are data: URLs, which
// the Content-Security-Policy refuses; these rules take their place.
const theme = EditorView.theme({
  "&": { color: "var(--ink)", backgroundColor: "var(--paper)", border: "1px solid var(--line)" },
  ".cm-scroller": { fontFamily: "ui-monospace, monospace", fontSize: "0.95rem", lineHeight: "1.5" },
  "&.cm-focused": { outline: "3px solid var(--accent)", outlineOffset: "1px" },
  ".cm-content": { caretColor: "var(--ink)", padding: "0.5rem 0" },
  ".cm-cursor": { borderLeftColor: "var(--ink)" },
  ".cm-selectionBackground, &.cm-focused .cm-selectionBackground": { backgroundColor: "var(--select)" },
  ".cm-gutters": { color: "var(--soft)", backgroundColor: "var(--paper)", borderRight: "1px solid var(--line)" },
  ".cm-activeLine": { backgroundColor: "var(--tint)" },
  ".cm-tooltip": { color: "var(--ink)", backgroundColor: "var(--paper)", border: "1px solid var(--ink)" },
  ".cm-tooltip.cm-tooltip-autocomplete > ul": { minWidth: "12rem", maxWidth: "min(90vw, 30rem)" },
  ".cm-tooltip.cm-tooltip-autocomplete > ul > li": { padding: "0.4rem 0.5rem" },
  ".cm-tooltip.cm-completionInfo": { maxWidth: "min(45vw, 20rem)", whiteSpace: "pre-line" },
  ".cm-tooltip-autocomplete ul li[aria-selected]": { color: "var(--paper)", backgroundColor: "var(--accent)" },
  ".cm-lintRange-error": mark("var(--needs)"),
  ".cm-lintRange-warning": mark("var(--accent)"),
  ".cm-lintRange-info, .cm-lintRange-hint": mark("var(--soft)"),
  ".cm-lint-marker-error": sign("var(--needs)"),
  ".cm-lint-marker-warning": sign("var(--accent)"),
  ".cm-lint-marker-info, .cm-lint-marker-hint": sign("var(--soft)"),
  ".cm-diagnostic": { borderLeft: "3px solid var(--needs)" },
});

/** openEditor opens an editor in a shadow root, where its styles need no permission of the page's. */
export function openEditor(box: HTMLElement, of: EditorSetup & { label: string; value: string; readOnly: boolean; marked: boolean; changed: (v: string) => void }): Editing {
  const root = box.shadowRoot ?? box.attachShadow({ mode: "open" });
  const scheme = new Compartment();
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const schemeNow = () => EditorView.theme({}, { dark: dark.matches });
  let own = false; // a change of ours is no change of the person's
  const view = new EditorView({
    parent: root,
    root,
    state: EditorState.create({
      doc: of.value,
      extensions: [
        lineNumbers(),
        history(),
        drawSelection(),
        indentOnInput(),
        bracketMatching(),
        closeBrackets(),
        highlightActiveLine(),
        yaml(),
        syntaxHighlighting(colors),
        theme,
        scheme.of(schemeNow()),
        EditorView.lineWrapping,
        EditorView.contentAttributes.of({ "aria-label": of.label }),
        EditorState.readOnly.of(of.readOnly),
        of.complete ? autocompletion({ override: [of.complete] }) : [],
        of.marked ? lintGutter() : [],
        of.check ? [lintGutter(), linter((v) => of.check!(v.state.doc.toString()), { delay: 500 })] : [],
        // Tab leaves the editor, as it leaves every field: nobody is caught in it.
        keymap.of([...closeBracketsKeymap, ...defaultKeymap, ...historyKeymap, ...completionKeymap, ...lintKeymap]),
        EditorView.updateListener.of((u) => {
          if (u.docChanged && !own) of.changed(u.state.doc.toString());
        }),
      ],
    }),
  });
  const turn = () => view.dispatch({ effects: scheme.reconfigure(schemeNow()) });
  dark.addEventListener("change", turn);
  const range = (at: Mark) => {
    const line = view.state.doc.line(Math.max(1, Math.min(at.line, view.state.doc.lines)));
    const chars = [...line.text];
    const upTo = (n: number) => line.from + chars.slice(0, Math.max(0, n)).join("").length;
    return { from: upTo(at.column - 1), to: upTo(at.length ? at.column - 1 + at.length : chars.length) };
  };
  return {
    mark(list) {
      view.dispatch(setDiagnostics(view.state, list.map((m) => ({ ...range(m), severity: m.severity, message: m.message }))));
    },
    select(at) {
      const { from, to } = range(at);
      view.focus();
      view.dispatch({ selection: { anchor: from, head: to }, scrollIntoView: true });
    },
    replace(value) {
      const had = view.state.doc.toString();
      if (value === had) return;
      // Only what differs is replaced, so that the cursor stays where it is.
      let from = 0;
      let end = 0;
      const least = Math.min(had.length, value.length);
      while (from < least && had[from] === value[from]) from++;
      while (end < least - from && had[had.length - 1 - end] === value[value.length - 1 - end]) end++;
      own = true;
      view.dispatch({ changes: { from, to: had.length - end, insert: value.slice(from, value.length - end) } });
      own = false;
    },
    destroy() {
      dark.removeEventListener("change", turn);
      view.destroy();
    },
  };
}
