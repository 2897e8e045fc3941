// States as a shape and a word: the shape says it without colour.
import { el, type Child } from "./dom";
import { text, word } from "./text";

const shapes: Record<string, [shape: string, tone: string]> = {
  released: ["●", "good"], dropped: ["✕", "bad"], unsealed: ["○", "bad"], ended: ["◐", "doubt"], open: ["…", ""],
  holds: ["✓", "good"], "does not": ["✕", "bad"], "not shown yet": ["◌", "doubt"], "not shown": ["◌", "doubt"],
  better: ["▲", "good"], worse: ["▼", "bad"], "cannot be told apart": ["=", ""], "not testable": ["–", ""], "this piece only": ["◔", "doubt"], provisional: ["◌", "doubt"],
  planned: ["○", ""], running: ["▶", "good"], done: ["✓", ""], stopped: ["■", "doubt"],
  recording: ["●", "bad"], finished: ["■", ""], lost: ["✕", "bad"], opening: ["◌", "doubt"],
};

/** Shapes of instants and events on traces. */
export const instants: Record<string, string> = { contact: "◇", seal: "▲", dip: "▽", "re-seal": "△", sag: "◣", drop: "✕", release: "○", gap: "┊" };

/** A mark with words of its own. */
export const mark = (shape: string, tone: string, words: Child) => el("span", { class: "mark " + tone, "data-shape": shape }, words);

/** The mark of a state by the server's name of it. */
export function stateMark(state: string, words?: string): HTMLElement {
  const [shape, tone] = shapes[state] ?? ["·", ""];
  return mark(shape, tone, words ?? text.outcome[state] ?? text.trial.status[state] ?? word(state));
}
