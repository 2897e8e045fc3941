// Traces and curves: uPlot, with the page's colours, marks and lanes.
import uPlot from "uplot";
import { el } from "./dom";

/** The value of a colour of style.css in the theme that holds now. */
export function colour(name: string): string {
  return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
}

/** Colours of setups in order; with more, dashes tell them apart. */
export const setupColours = 8;
export const setupColour = (i: number) => colour("s" + (i % setupColours));
export const setupDash = (i: number): number[] | undefined => [undefined, [8, 4], [2, 3], [10, 3, 2, 3]][Math.floor(i / setupColours) % 4];

/** A line of a plot. */
export interface Line {
  label: string;
  colour: string | (() => string); // a name of style.css, or a function
  width?: number;
  dash?: number[];
  alpha?: number;
  points?: boolean; // points only
  step?: boolean;
}

/** A mark at an instant, drawn with a shape at the top of a thin line. */
export interface Mark {
  x: number;
  shape: string;
  colour?: string;
}

/** A line across the plot at a level, or down it at a value. */
export interface Level {
  at: number;
  words: string;
  colour?: string;
  down?: boolean;
}

/** A switched signal, drawn as a lane below the trace: pairs of on and off. */
export interface Lane {
  colour: string;
  words: string;
  spans: [number, number][];
}

/** An area between two lines of the plot, by their places from 1. */
export type Band = { upper: number; lower: number; colour: () => string };

export interface PlotOptions {
  label: string; // what it shows, for those who cannot see it
  x: string; // axis title with unit
  y: string;
  lines: Line[];
  bands?: Band[];
  yRange?: (min: number, max: number) => [number, number];
  xRange?: () => [number, number];
  levels?: () => Level[];
  marks?: () => Mark[];
  lanes?: () => Lane[];
  log?: boolean; // decades up; yRange must then begin above 0
  yRight?: { title: string; lines: number[] }; // lines on a second scale
  zoomed?: (from: number, to: number) => void; // by dragging; double click asks for all with NaN
  zoom?: boolean;
}

const laneHeightEm = 0.56;
const open = new Set<Plot>();

/** Draws every open plot anew, after the theme has changed. */
export function repaint(): void {
  for (const p of open) p.u.redraw(false, true);
}

/** A plot that fills its host and goes with it. */
export class Plot {
  readonly u: uPlot;
  private watch: ResizeObserver;

  constructor(host: HTMLElement, o: PlotOptions, data: uPlot.AlignedData) {
    host.replaceChildren();
    host.setAttribute("role", "img");
    host.setAttribute("aria-label", o.label);
    const em = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const font = `${Math.round(em * 0.8)}px system-ui, "Liberation Sans", Arial, sans-serif`;
    const axis = (label: string, size: number, extra: uPlot.Axis = {}): uPlot.Axis => ({
      label, font, labelFont: font, size, labelSize: Math.round(em * 1.2), gap: 4, labelGap: 0,
      stroke: () => colour("ink"), grid: { stroke: () => colour("faint"), width: 1 }, ticks: { stroke: () => colour("faint"), width: 1, size: 4 }, ...extra,
    });
    const size = () => ({ width: Math.max(80, host.clientWidth), height: Math.max(80, host.clientHeight) });
    const thick = (width: number) => width * Math.max(1, em / 17); // px, of a screen that stands near
    this.u = new uPlot({
      ...size(),
      scales: {
        x: { time: false, range: o.xRange },
        y: { distr: o.log ? 3 : 1, range: o.yRange ? (u, min, max) => (o.log ? o.yRange!(min ?? 1, max ?? 10) : room(u, o, o.yRange!(min ?? 0, max ?? 1), em)) : undefined },
        right: {},
      },
      axes: [
        axis(o.x, Math.round(em * 1.5), { space: em * 4.5 }),
        axis(o.y, Math.round(em * 2.8), o.lanes ? { values: (_u, v) => v.map((x) => (x < 0 ? "" : String(+x.toFixed(6)))) } : {}), // below 0 lie the lanes
        ...(o.yRight ? [axis(o.yRight.title, Math.round(em * 2.8), { side: 1, scale: "right", grid: { show: false } })] : []),
      ],
      series: [{}, ...o.lines.map((l, i): uPlot.Series => ({
        label: l.label,
        scale: o.yRight?.lines.includes(i + 1) ? "right" : "y",
        stroke: () => (typeof l.colour === "string" ? colour(l.colour) : l.colour()),
        width: l.points ? 0 : thick(l.width ?? 2),
        dash: l.dash,
        alpha: l.alpha ?? 1,
        spanGaps: false,
        paths: l.points ? () => null : l.step ? uPlot.paths.stepped!({ align: 1 }) : undefined,
        points: { show: !!l.points, size: thick(7), fill: () => (typeof l.colour === "string" ? colour(l.colour) : l.colour()) },
      }))],
      bands: (o.bands ?? []).map((b) => ({ series: [b.upper, b.lower], fill: b.colour as any })),
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: o.zoom ?? !!o.zoomed, y: false, setScale: !!o.zoom }, bind: o.zoomed ? { dblclick: () => () => { o.zoomed!(NaN, NaN); return null; } } : undefined },
      hooks: {
        setSelect: [(u) => {
          if (o.zoomed && u.select.width > 4) {
            o.zoomed(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
            u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          }
        }],
        draw: [(u) => annotate(u, o, em)],
      },
    }, data, host);
    this.watch = new ResizeObserver(() => this.u.setSize(size()));
    this.watch.observe(host);
    open.add(this);
  }

  set(data: uPlot.AlignedData): void {
    this.u.setData(data);
  }

  end(): void {
    this.watch.disconnect();
    open.delete(this);
    this.u.destroy();
  }
}

/** A range widened by what lanes need below it and marks above. */
function room(u: uPlot, o: PlotOptions, [lo, hi]: [number, number], em: number): [number, number] {
  const height = Math.max(60, u.bbox ? u.bbox.height / devicePixelRatio : u.height - 4 * em);
  const below = ((o.lanes?.().length ?? 0) * (laneHeightEm + 0.2) * em) / height, above = o.marks ? (1.1 * em) / height : 0;
  const span = (hi - lo) / Math.max(0.2, 1 - below - above - 0.03);
  return [lo - span * (below + 0.03), hi + span * above];
}

function annotate(u: uPlot, o: PlotOptions, em: number): void {
  const c = u.ctx, r = devicePixelRatio, { left, top, width, height } = u.bbox;
  c.save();
  c.beginPath();
  c.rect(left, top, width, height);
  c.clip();
  c.font = `600 ${Math.round(em * 0.8 * r)}px system-ui, "Liberation Sans", Arial, sans-serif`;
  const lanes = o.lanes?.() ?? [], laneHeight = laneHeightEm * em;
  const thick = Math.max(1, em / 17) * r;
  lanes.forEach((lane, i) => {
    const y = top + height - (lanes.length - i) * (laneHeight + 0.2 * em) * r;
    c.fillStyle = colour("sunk");
    c.fillRect(left, y, width, laneHeight * r);
    c.fillStyle = colour(lane.colour);
    for (const [on, off] of lane.spans) {
      const x0 = Math.max(left, u.valToPos(on, "x", true)), x1 = Math.min(left + width, u.valToPos(off, "x", true));
      if (x1 > x0) c.fillRect(x0, y, Math.max(r, x1 - x0), laneHeight * r);
    }
  });
  for (const l of o.levels?.() ?? []) {
    c.strokeStyle = colour(l.colour ?? "need");
    c.fillStyle = colour("ink");
    c.lineWidth = 2 * thick;
    c.setLineDash([6 * thick, 4 * thick]);
    c.beginPath();
    const at = u.valToPos(l.at, l.down ? "x" : "y", true);
    if (l.down) {
      c.moveTo(at, top);
      c.lineTo(at, top + height);
    } else {
      c.moveTo(left, at);
      c.lineTo(left + width, at);
    }
    c.stroke();
    c.setLineDash([]);
    c.textBaseline = "bottom";
    const wide = c.measureText(l.words).width;
    if (l.down) {
      const right = at + wide + 8 * r < left + width;
      c.textAlign = right ? "left" : "right";
      c.textBaseline = "top";
      c.fillText(l.words, at + (right ? 5 : -5) * r, top + 1.2 * em * r); // below the row of marks
    } else {
      c.textAlign = "left";
      c.fillText(l.words, left + 5 * r, at - 2 * r);
    }
  }
  c.textAlign = "center";
  c.textBaseline = "top";
  for (const m of o.marks?.() ?? []) {
    const x = u.valToPos(m.x, "x", true);
    if (x < left - 9 * r || x > left + width + 9 * r) continue;
    c.strokeStyle = c.fillStyle = colour(m.colour ?? "ink");
    c.lineWidth = thick;
    c.beginPath();
    c.moveTo(x, top + em * r);
    c.lineTo(x, top + height);
    c.globalAlpha = 0.45;
    c.stroke();
    c.globalAlpha = 1;
    c.fillText(m.shape, x, top);
  }
  c.restore();
}

/** A host for a plot. */
export const host = (tall = "mid") => el("div", { class: "plot " + tall });
