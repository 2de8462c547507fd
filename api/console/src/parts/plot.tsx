import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { t } from "../text/en";

/** Line is one line of a plot: its values at the plot's x. Dots alone, where a line would claim what was
 * between. */
export interface Line {
  name: string;
  values: (number | null)[];
  dashed?: boolean;
}

/** Plot draws lines over x, in ink and accent, with the same as a table for who can't see it. The library
 * comes when the first plot does. */
export function Plot(props: { label: string; x: number[]; xName: string; yName: string; lines: Line[]; format?: (v: number) => string; xFormat?: (v: number) => string; whole?: boolean }): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const [failed, fail] = useState(false);
  const format = props.format ?? ((v: number) => String(Math.round(v * 10) / 10));
  useEffect(() => {
    let plot: { destroy(): void } | undefined;
    let gone = false;
    const dark = matchMedia("(prefers-color-scheme: dark)");
    const draw = async () => {
      try {
        const { drawPlot } = await import("./plot_draw");
        if (gone || !box.current) return;
        plot?.destroy();
        plot = drawPlot(box.current, props);
      } catch {
        fail(true);
      }
    };
    const again = () => void draw();
    void draw();
    dark.addEventListener("change", again);
    addEventListener("resize", again);
    return () => {
      gone = true;
      plot?.destroy();
      dark.removeEventListener("change", again);
      removeEventListener("resize", again);
    };
  }, [props.x, props.lines]);
  return (
    <figure class="plot">
      <figcaption>{props.label}</figcaption>
      {!failed && <div ref={box} class="drawing" aria-hidden="true" />}
      <p class="legend" aria-hidden="true">
        {props.lines.map((l, i) => (
          <span class={`mark${i}`}>{l.name}</span>
        ))}
      </p>
      <details open={failed}>
        <summary>{t.table}</summary>
        <div class="wide">
          <table>
            <thead>
              <tr>
                <th scope="col">{props.xName}</th>
                {props.lines.map((l) => (
                  <th scope="col">{l.name}</th>
                ))}
              </tr>
            </thead>
            <tbody>
              {props.x.map((x, i) => (
                <tr>
                  <th scope="row">{(props.xFormat ?? format)(x)}</th>
                  {props.lines.map((l) => (
                    <td>{l.values[i] == null ? "" : format(l.values[i] as number)}</td>
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      </details>
    </figure>
  );
}
