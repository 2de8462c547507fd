import UPlot from "uplot";
import type { Line } from "./plot";

/** drawPlot draws into a box. It is a module of its own, so that the library is fetched with the first plot. */
export function drawPlot(box: HTMLElement, of: { x: number[]; xName: string; yName: string; lines: Line[]; xFormat?: (v: number) => string; whole?: boolean }): { destroy(): void } {
  const style = getComputedStyle(box);
  const color = (name: string) => style.getPropertyValue(name).trim();
  const ink = color("--plot-ink");
  const colors = [color("--plot-accent"), ink];
  const font = `13px ${style.fontFamily}`;
  const axis = { stroke: ink, font, labelFont: font, labelSize: 18, grid: { stroke: color("--plot-grid"), width: 1 }, ticks: { stroke: color("--plot-grid"), width: 1 } };
  return new UPlot(
    {
      width: Math.max(240, box.clientWidth),
      height: 220,
      legend: { show: false },
      cursor: { show: false },
      scales: { x: { time: false } },
      axes: [
        { ...axis, label: of.xName, ...(of.xFormat ? { values: (_: UPlot, ticks: number[]) => ticks.map(of.xFormat!) } : {}) },
        { ...axis, label: of.yName, ...(of.whole ? { incrs: [1, 2, 5].flatMap((n) => [0, 1, 2, 3, 4, 5, 6].map((e) => n * 10 ** e)).sort((a, b) => a - b) } : {}) },
      ],
      series: [
        {},
        ...of.lines.map((l, i) => ({
          label: l.name,
          stroke: colors[i % 2] ?? ink,
          width: 2,
          ...(l.dashed ? { dash: [6, 4] } : {}),
          spanGaps: false,
          points: { show: true, size: 6, fill: colors[i % 2] ?? ink },
        })),
      ],
    },
    [of.x, ...of.lines.map((l) => l.values)] as UPlot.AlignedData,
    box,
  );
}
