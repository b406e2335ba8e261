/**
 * What the limb does not support: which rows of its limits concern a head in a state, or two states.
 */
import { canPush, pushOf } from "./compute.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */

/**
 * A row of the limits.
 * @typedef {Object} LimitRow
 * @property {number} place         in the page's list of limits
 * @property {number[]} heads
 * @property {string[]} exercises   empty for all
 * @property {string[]} parts       thirds of the lift; empty for all
 * @property {string} claim         "size", "order", "any" or "course"
 * @property {string} condition
 * @property {number | null} value
 */

/**
 * Limits of the limb that concern a quantity of a head in a state, as places in their list.
 * @param {Page} page
 * @param {State} state
 * @param {number} head
 * @param {State | null} [other]  a second state that it is compared with
 * @param {string} [marks]  of activation, or `force_marks`
 * @returns {number[]}
 */
export function limitsOf(page, state, head, other = null, marks = "limit_marks") {
  /** @type {State[][]} */
  const asked = other ? [[state], [other], [state, other]] : [[state]];
  /** @type {LimitRow[]} */
  const rows = page.info[marks].filter((/** @type {LimitRow} */ row) => row.heads.includes(head));
  return [...new Set(rows.filter((row) => asked.some((states) => concerns(page, row, states))).map((row) => row.place))];
}

/**
 * The limits behind the marks in view, in words.
 * @param {Page} page
 * @param {State} state
 * @param {State | null} other
 * @param {string} [marks]  of activation, or `force_marks`
 * @param {number[]} [heads]  in view; all if left out
 */
export function limitWords(page, state, other, marks = "limit_marks", heads = page.info.heads.map((/** @type {any} */ _, /** @type {number} */ i) => i)) {
  const found = new Set(heads.flatMap((i) => limitsOf(page, state, i, other, marks)));
  return [...found].sort((a, b) => a - b).map((place) => page.info.limits[place]).join("; ");
}

/**
 * Exercise, hand spacing [biacromial breadths] and free push of a state; a spacing that varies is
 * null.
 * @param {Page} page
 * @param {State} state
 * @returns {{exercise: string, spacing: number | null, free: boolean}}
 */
function kindOf(page, state) {
  const { info } = page;
  const free = canPush(page, state) && pushOf(page, state) === "free";
  if (state.task.startsWith("c")) {
    const number = Number(state.task.slice(1));
    return { exercise: info.exercises[number], spacing: info.condition_spacings[number], free };
  }
  const exercise = /** @type {Record<string, string>} */ ({ bar: "bar_press", dumbbells: "dumbbell_press", push_up: "push_up" })[state.task];
  return { exercise, spacing: info.spacings[state.spacing], free };
}

/**
 * Whether a limit is about the size in one state, or about the order of two.
 * @param {Page} page
 * @param {LimitRow} row
 * @param {State[]} states  one or two
 */
function concerns(page, row, states) {
  const claims = ["any", "course", states.length > 1 ? "order" : "size"];
  const parts = states.map((state) => page.info.parts[state.height]);
  if (!claims.includes(row.claim) || (row.parts.length && !parts.some((part) => row.parts.includes(part)))) return false;
  const kinds = states.map((state) => kindOf(page, state));
  const names = [...new Set(kinds.map((kind) => kind.exercise))];
  const among = names.filter((name) => !row.exercises.length || row.exercises.includes(name));
  if (!among.length) return false;
  const known = kinds.flatMap(({ spacing }) => (spacing === null ? [] : [spacing]));
  if (row.condition === "exercise_differs") return names.length > 1 && among.length === names.length;
  if (row.condition === "lateral_free") return kinds.some(({ free }) => free);
  if (row.condition === "spacing_differs") return known.length < 2 || known[0] !== known[1];
  if (row.value === null || known.length < kinds.length) return true;
  return row.condition === "spacing_at_least" ? Math.max(...known) >= row.value : Math.min(...known) <= row.value;
}
