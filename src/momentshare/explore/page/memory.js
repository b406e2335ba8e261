/**
 * What has been solved already: height and head looked at change no answer, and a second setting
 * stays as it is while the first is moved.
 */
import { answersAlong } from "./compute.js";
import { greatestAlong } from "./state.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

const KEPT = 6;

/**
 * A function of a state that keeps its last values.
 * @template T
 * @param {(page: Page, state: State) => T} solve
 * @param {Partial<State>} idle  what does not matter to it
 * @returns {(page: Page, state: State) => T}
 */
function remembered(solve, idle) {
  /** @type {Map<string, T>} */
  const values = new Map();
  return (page, state) => {
    const key = JSON.stringify({ ...state, ...idle });
    const known = values.get(key);
    if (known !== undefined) return known;
    const value = solve(page, state);
    values.set(key, value);
    if (values.size > KEPT) values.delete(/** @type {string} */ (values.keys().next().value));
    return value;
  };
}

/** @type {(page: Page, state: State) => (Answer | null)[]} */
export const alongOf = remembered(answersAlong, { height: 0, head: 0 });

/** Greatest load at every height [kg]. @type {(page: Page, state: State) => (number | null)[]} */
export const greatestOf = remembered(greatestAlong, { height: 0, head: 0, load: 0 });
