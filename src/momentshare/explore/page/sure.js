/**
 * How sure a number is: the range of the draws, where the state is one that was drawn.
 */
import { pressOf, pushOf } from "./compute.js";
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
  const own = state.task.startsWith("c") ? info.presses[pressOf(page, state)] : null;
  const load = own ? own.load : info.people[state.person].usual_load_kg;
  const pushes = ["no push", own?.ratios ? "that of the study" : "", own && !own.lateral ? "" : "the least-effort push"].filter(Boolean);
  const drawn = `Ranges (from ${info.draws} draws) are shown for ${own ? "this condition" : "bar and dumbbell presses"} ${load ? `within a fifth of ${fixed(load, load % 1 ? 1 : 0)} kg` : "without an added load"}, with ${pushes.length > 1 ? `${pushes.slice(0, -1).join(", ")} or ${pushes.at(-1)}` : pushes[0]}, and without what-ifs.`;
  if (state.task === "push_up" || pushOf(page, state) === "given") return drawn;
  const changed = Object.entries(unchanged(page)).some(
    ([key, value]) => !["scope", "changed"].includes(key) && /** @type {Record<string, any>} */ (state)[key] !== value,
  );
  if (changed || Math.abs(state.load - load) > NEAR * load) return drawn;
  return "";
}

/**
 * What the lines across the bars of activation are, or why there are none.
 * @param {Page} page
 * @param {State} state
 * @param {State | null} other
 */
export function sureWords(page, state, other) {
  const why = whyUnsure(page, state);
  const whyOther = other ? whyUnsure(page, other) : why;
  const all = `spans the middle 80 % of ${page.info.draws} draws of what is uncertain in the limb.`;
  if (!why && !whyOther) return `The line across each bar ${all}`;
  if (!why) return `The line across each bar of A ${all} B has none. ${whyOther}`;
  return whyOther ? why : `The line across each bar of B ${all} A has none. ${why}`;
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
  const push = pushOf(page, state);
  const low = rowOf(page.tables[`low_${push}`], answer.geometry, answer.height)[head];
  const high = rowOf(page.tables[`high_${push}`], answer.geometry, answer.height)[head];
  return low < 0 || high < 0 ? null : { low, high };
}

/**
 * Range of the middle 80 % of the draws of a net moment [N·m]; null where it is not known.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {number} row
 */
export function momentRange(page, state, answer, row) {
  const push = pushOf(page, state);
  if (!rangeOf(page, state, answer, 0) || !page.tables[`net_low_${push}`]) return null;
  const [low, high] = ["low", "high"].map((end) => rowOf(page.tables[`net_${end}_${push}`], answer.geometry, answer.height)[row]);
  return { low, high };
}

/**
 * Range of the middle 80 % of the draws of the greatest load at a height [kg]; null where it is
 * not known.
 * @param {Page} page
 * @param {State} state
 * @param {number} height
 */
export function loadRange(page, state, height) {
  const press = pressOf(page, state);
  const push = pushOf(page, state);
  if (press < 0 || whyUnsure(page, state) || !page.tables[`load_low_${push}`]) return null;
  const { geometry } = page.info.presses[press];
  const [low, high] = ["low", "high"].map((end) => rowOf(page.tables[`load_${end}_${push}`], geometry, height)[0]);
  return low < 0 || high < 0 ? null : { low, high };
}
