/**
 * The chosen head's sum: multiplier × moment arm × capacity over the weight, term by term, as parts
 * of the activation and in the units of the library.
 *
 * What is shown is rounded first and multiplied then, so that a pocket calculator gives the same.
 */
import { capital, fixed } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

/**
 * @typedef {object} Term
 * @property {string} towards      direction that the multiplier rewards
 * @property {string} joint
 * @property {number} multiplier   [1/(N·m)], rounded as shown
 * @property {number} arm          [m], positive where the head pulls in that direction
 * @property {number} part         of the activation to the power of the exponent less one, rounded
 *   as shown
 */

/**
 * @typedef {object} Sum
 * @property {Term[]} terms
 * @property {number} capacity  [N], as shown
 * @property {number} total     sum of the parts shown
 * @property {number} rest      part that limits at the glenoid add; 0 without them
 * @property {number} weight
 * @property {number} exponent
 * @property {number} activation  as the solver has it
 * @property {string} whole       what the parts are parts of
 * @property {string} formula     how a part is made, and how the sum becomes the activation
 * @property {string} result      the same with numbers
 */

/**
 * @param {number} value
 * @param {number} digits
 */
function significant(value, digits) {
  return value === 0 ? 0 : Number(value.toPrecision(digits));
}

/**
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @returns {Sum}
 */
export function sumOf(page, state, answer) {
  const { problem, shared } = answer;
  const head = state.head;
  const capacity = Number(problem.capacity[head].toFixed(1));
  const weight = significant(problem.weights[head], 4);
  const p = problem.exponent;
  /** @type {Term[]} */
  const terms = answer.rows.map((name, k) => {
    const row = page.info.rows.find((/** @type {any} */ r) => r.name === name);
    const sign = shared.multipliers[k] < 0 ? -1 : 1;
    const multiplier = significant(sign * shared.multipliers[k], 4);
    const arm = significant(sign * problem.arms[k * problem.heads + head], 4);
    return {
      towards: (sign < 0 ? row.negative : row.positive).words,
      joint: row.joint,
      multiplier,
      arm,
      part: significant((multiplier * arm * capacity) / (p * weight), 4),
    };
  });
  const shown = terms.reduce((s, t) => s + t.part, 0);
  let exact = 0;
  for (let k = 0; k < problem.rows; k++) {
    exact += shared.multipliers[k] * problem.arms[k * problem.heads + head] * problem.capacity[head];
  }
  const activation = shared.activation[head];
  let rest = 0;
  if (problem.limits && activation > 0 && activation < 1) {
    const whole = p * problem.weights[head] * activation ** (p - 1);
    if (Math.abs(whole - exact) > 1e-6 * (1 + Math.abs(whole))) rest = significant((whole - exact) / (p * problem.weights[head]), 4);
  }
  const total = Number((shown + rest).toPrecision(5));
  const unclipped = total <= 0 ? 0 : p === 2 ? total : Math.sqrt(total);
  let result = `${p === 2 ? fixed(total, 4) : `√${fixed(total, 4)}`} = ${fixed(100 * unclipped, 1)} %`;
  if (total <= 0) result = "The sum is not positive, so the head is not active: 0 %";
  else if (unclipped >= 1) result += ", above 100 %, so the head is fully active";
  return {
    terms,
    capacity,
    total,
    rest,
    weight,
    exponent: p,
    activation,
    whole: p === 2 ? "activation" : "activation squared",
    formula: p === 2 ? "activation = the sum of its parts" : "activation = √(the sum of the parts)",
    result,
  };
}

/**
 * Joints that help and hinder, in a sentence.
 * @param {Sum} sum
 * @param {string} name
 */
export function sumWords(sum, name) {
  const by = (/** @type {string} */ joint) => sum.terms.filter((t) => t.joint === joint).reduce((s, t) => s + t.part, 0);
  const parts = ["shoulder", "elbow"]
    .map((joint) => ({ joint, value: by(joint) }))
    .filter(({ value }) => Math.abs(value) >= 0.0005)
    .map(({ joint, value }) => `the ${joint} ${value > 0 ? "adds" : "takes"} ${fixed(Math.abs(value), 3)}`);
  if (!parts.length) return `${capital(name)} has no drive here, so it is not active.`;
  const glenoid = Math.abs(sum.rest) >= 0.0005 ? `, the limit at the glenoid ${sum.rest > 0 ? "adds" : "takes"} ${fixed(Math.abs(sum.rest), 3)}` : "";
  const whole = `${capital(name)}: ${parts.join(" and ")}${glenoid}; the sum is ${fixed(sum.total, 3)}`;
  return `${whole}, and the activation ${fixed(100 * sum.activation)} %.`;
}
