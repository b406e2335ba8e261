/**
 * How sure an activation is: the range of the draws, where the state is one that was drawn.
 */
import { rowOf } from "./payload.js";
import { unchanged } from "./state.js";
import { fixed } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

const NEAR = 0.2;

/**
 * Why no ranges are known for a state, or "" where they are.
 * @param {Page} page
 * @param {State} state
 */
export function whyUnsure(page, state) {
  const { info, tables } = page;
  if (!tables.low_none) return "This page was written without draws.";
  const usual = info.people[state.person].usual_load_kg;
  const drawn = `Ranges (from ${info.draws} draws) are shown for bar and dumbbell presses within a fifth of ${fixed(usual, usual % 1 ? 1 : 0)} kg, with no push or the least-effort push, and without what-ifs.`;
  if (!["bar", "dumbbells"].includes(state.task) || !["none", "free"].includes(state.push)) return drawn;
  const changed = Object.entries(unchanged(page)).some(
    ([key, value]) => !["scope", "changed"].includes(key) && /** @type {Record<string, any>} */ (state)[key] !== value,
  );
  if (changed || Math.abs(state.load - usual) > NEAR * usual) return drawn;
  return "";
}

/**
 * Range of the middle 80 % of the draws; null where it is not known.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {number} head
 */
export function rangeOf(page, state, answer, head) {
  if (whyUnsure(page, state)) return null;
  const mode = state.task === "dumbbells" || state.push === "none" ? "none" : "free";
  const low = rowOf(page.tables[`low_${mode}`], answer.geometry, answer.height)[head];
  const high = rowOf(page.tables[`high_${mode}`], answer.geometry, answer.height)[head];
  return low < 0 || high < 0 ? null : { low, high };
}
