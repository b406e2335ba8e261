/**
 * From a state of the controls to the answer at one height or along the lift.
 */
import { greatest } from "./load.js";
import { rowOf } from "./payload.js";
import { share } from "./share.js";

/** @typedef {import("./share.js").Problem} Problem */
/** @typedef {import("./share.js").Shared} Shared */
/** @typedef {import("./payload.js").Table} Table */

/**
 * What the controls say.
 * @typedef {object} State
 * @property {number} person
 * @property {string} task       "bar", "dumbbells", "push_up", or "c" and the number of a condition
 * @property {number} spacing    number of the node
 * @property {number} touch
 * @property {number} angle
 * @property {number} height
 * @property {"none" | "given" | "measured" | "free"} push
 * @property {number} ratio      outward push over vertical force, where given by the slider
 * @property {number} load       [kg]
 * @property {number} head       the head looked at
 * @property {string} criterion  "area", "volume" or "equal" and the exponent, 2 or 3
 * @property {boolean} glenoid   whether the contact force is held within the glenoid
 * @property {string} noArm      joint at which the changed head has no arm, or ""
 * @property {number} changed    the head that is changed; −1 for none
 * @property {string} scope      "head", "muscle" or "group": what the strength factor is put on
 * @property {number} strength   factor on its strength; 0 removes it
 * @property {string} leftOut    name of a moment component that is not balanced, or ""
 */

/**
 * @typedef {object} Page
 * @property {any} info
 * @property {Record<string, Table>} tables
 */

/**
 * @typedef {object} Answer
 * @property {boolean} reached
 * @property {Problem} problem
 * @property {Shared} shared
 * @property {string[]} rows        names of the rows balanced
 * @property {Float64Array} net     net moments with the push, all rows [N·m]
 * @property {number} vertical      force of one hand [N]
 * @property {number} push          outward push of one hand [N]
 * @property {boolean} atBound      whether a free push stands at what friction can hold
 * @property {Contact} contact
 * @property {Float64Array} arms    all rows × heads, unchanged [m]
 * @property {number} press
 * @property {number} geometry
 * @property {number} height
 */

/**
 * @typedef {object} Contact
 * @property {number} compression  [N]
 * @property {number} shear        [N]
 * @property {number} margin       1 centred, 0 at the limit, negative beyond it
 */

/**
 * Number of the press that a state asks for; −1 where there is none.
 * @param {Page} page
 * @param {State} state
 */
export function pressOf(page, state) {
  const { lookup } = page.info;
  const key = state.task.startsWith("c")
    ? `${state.person}|${state.task}`
    : `${state.person}|${state.task === "push_up" ? "u" : "p"}|${state.spacing}|${state.touch}|${state.angle}`;
  return lookup[key] ?? -1;
}

/**
 * Whether the hands can push along what they hold.
 * @param {Page} page
 * @param {State} state
 */
export function canPush(page, state) {
  const press = pressOf(page, state);
  return state.task !== "dumbbells" && (press < 0 || page.info.presses[press].lateral);
}

/**
 * How the push is treated: as the state says, as far as the press allows.
 * @param {Page} page
 * @param {State} state
 * @returns {State["push"]}
 */
export function pushOf(page, state) {
  if (!canPush(page, state)) return "none";
  const press = pressOf(page, state);
  const measured = press >= 0 && page.info.presses[press].ratios;
  return state.push === "measured" && !measured ? "none" : state.push;
}

/**
 * Outward push over vertical force, where it is given or was measured; 0 elsewhere.
 * @param {Page} page
 * @param {State} state
 * @param {number} press
 * @param {number} height
 */
function givenRatio(page, state, press, height) {
  const push = pushOf(page, state);
  if (push === "given") return state.ratio;
  return push === "measured" ? page.info.presses[press].ratios[height] : 0;
}

/**
 * @param {string} criterion
 */
function exponentOf(criterion) {
  return Number(criterion.at(-1));
}

/**
 * Which heads a strength factor is put on.
 * @param {Page} page
 * @param {State} state
 */
export function changedHeads(page, state) {
  const { heads } = page.info;
  if (state.changed < 0) return [];
  const one = heads[state.changed];
  return heads
    .map((/** @type {any} */ _, /** @type {number} */ i) => i)
    .filter(
      (/** @type {number} */ i) =>
        i === state.changed ||
        (state.scope === "muscle" && heads[i].muscle === one.muscle) ||
        (state.scope === "group" && heads[i].group === one.group),
    );
}

/**
 * The balance of a state at one height, changed as the what-ifs ask.
 * @param {Page} page
 * @param {State} state
 * @param {number} press
 * @param {number} height
 * @param {number | null} [bound]  ratio at which a free push is held
 */
function problemOf(page, state, press, height, bound = null) {
  const { info, tables } = page;
  const names = info.rows.map((/** @type {any} */ row) => row.name);
  const heads = info.heads.length;
  const geometry = info.presses[press].geometry;
  const task = (/** @type {string} */ name) => rowOf(tables[name], press, height);
  const whole = rowOf(tables.arms, geometry, height);
  const kept = names
    .map((/** @type {string} */ _, /** @type {number} */ j) => j)
    .filter((/** @type {number} */ j) => names[j] !== state.leftOut);
  const arms = new Float64Array(kept.length * heads);
  kept.forEach((/** @type {number} */ j, /** @type {number} */ k) =>
    arms.set(whole.subarray(j * heads, (j + 1) * heads), k * heads),
  );
  const capacity = rowOf(tables.capacity, geometry, height).slice();
  const passive = rowOf(tables.passive, geometry, height).slice();
  const sizes = info.people[info.presses[press].person].weights[state.criterion.slice(0, -1)];
  const weights = sizes ? Float64Array.from(sizes) : new Float64Array(heads).fill(1);
  for (const i of changedHeads(page, state)) {
    capacity[i] *= state.strength;
    passive[i] *= state.strength;
    if (sizes && state.strength > 0) weights[i] *= state.strength;
  }
  if (state.noArm && state.changed >= 0) {
    kept.forEach((/** @type {number} */ j, /** @type {number} */ k) => {
      if (info.rows[j].joint === state.noArm) arms[k * heads + state.changed] = 0;
    });
  }
  const onHands = task("base")[0] + state.load;
  const vertical = task("vertical")[0] * onHands;
  const free = pushOf(page, state) === "free" && bound === null;
  const ratio = bound ?? givenRatio(page, state, press, height);
  const lever = task("lever");
  const total = names.map(
    (/** @type {string} */ _, /** @type {number} */ j) =>
      task("fixed")[j] + task("each")[j] * onHands + ratio * vertical * lever[j],
  );
  /** @type {Problem} */
  const problem = {
    rows: kept.length,
    heads,
    arms,
    capacity,
    passive,
    moments: Float64Array.from(kept, (j) => total[j]),
    weights,
    exponent: exponentOf(state.criterion),
    column: free ? Float64Array.from(kept, (j) => -lever[j]) : null,
  };
  if (state.glenoid) problem.limits = glenoidLimits(page, problem, press, height, onHands, ratio * vertical);
  return { problem, kept, total, lever, vertical, ratio, free, onHands, geometry, names };
}

/**
 * Facets of the cone that holds the contact force, as limits on the heads' forces.
 * @param {Page} page
 * @param {Problem} problem
 * @param {number} press
 * @param {number} height
 * @param {number} onHands
 * @param {number} push
 */
function glenoidLimits(page, problem, press, height, onHands, push) {
  const { info, tables } = page;
  const { heads, rows } = problem;
  const geometry = info.presses[press].geometry;
  const frame = rowOf(tables.glenoid, geometry, height);
  const lines = rowOf(tables.lines, geometry, height);
  const outward = rowOf(tables.outward, press, height);
  const base = baseForce(page, press, height, onHands, push);
  /** @type {Float64Array | null} */
  let byHead = null;
  if (problem.column) {
    // The free push follows from the balance and joins the heads' lines.
    const square = problem.column.reduce((s, c) => s + c * c, 0) || 1;
    const weight = problem.column.map((c) => c / square);
    const rest = weight.reduce((s, c, j) => s + c * problem.moments[j], 0);
    byHead = new Float64Array(heads);
    for (let i = 0; i < heads; i++) {
      for (let j = 0; j < rows; j++) byHead[i] += weight[j] * problem.arms[j * heads + i];
    }
    for (let k = 0; k < 3; k++) base[k] += rest * outward[k];
  }
  const facets = info.facets.length;
  const G = new Float64Array(facets * heads);
  const h = new Float64Array(facets);
  for (let f = 0; f < facets; f++) {
    const turn = info.turns[f];
    const facet = [0, 1, 2].map(
      (k) => Math.cos(turn) * frame[k] - Math.sin(turn) * frame[3 + k] + info.facets[f] * frame[6 + k],
    );
    for (let k = 0; k < 3; k++) h[f] += facet[k] * base[k];
    for (let i = 0; i < heads; i++) {
      for (let k = 0; k < 3; k++) {
        G[f * heads + i] += facet[k] * (lines[3 * i + k] + (byHead ? byHead[i] * outward[k] : 0));
      }
    }
  }
  return { facets, G, h };
}

/**
 * Net force across the shoulder on the arm [N].
 * @param {Page} page
 * @param {number} press
 * @param {number} height
 * @param {number} onHands
 * @param {number} push
 */
function baseForce(page, press, height, onHands, push) {
  const { tables } = page;
  const limb = rowOf(tables.across, press, height);
  const each = rowOf(tables.across_each, press, height);
  const outward = rowOf(tables.outward, press, height);
  return [0, 1, 2].map((k) => limb[k] + each[k] * onHands + push * outward[k]);
}

/**
 * Greatest push over vertical force that the hands can hold, in either sense.
 * @param {Page} page
 * @param {State} state
 * @param {number} press
 * @param {number} height
 */
function boundsOf(page, state, press, height) {
  const friction = rowOf(page.tables.friction, press, height)[0];
  const given = state.task.startsWith("c") ? page.info.presses[press].bounds : null;
  return given ?? [-friction, friction];
}

/**
 * Answer at one height.
 * @param {Page} page
 * @param {State} state
 * @param {number} [height]
 * @returns {Answer | null}  null where there is no posture
 */
export function answerAt(page, state, height = state.height) {
  const press = pressOf(page, state);
  if (press < 0 || !rowOf(page.tables.reached, press, height)[0]) return null;
  let made = problemOf(page, state, press, height);
  let shared = share(made.problem);
  let atBound = false;
  if (made.free) {
    // The least effort is convex in the push, so where the best push slips the bound is best.
    const chosen = shared.free / made.vertical;
    const [low, high] = boundsOf(page, state, press, height);
    const kept = Math.max(low, Math.min(high, chosen));
    atBound = Math.abs(kept - chosen) > 1e-12;
    if (atBound) {
      made = problemOf(page, state, press, height, kept);
      shared = share(made.problem);
    }
  }
  const { problem, kept, total, lever, vertical, ratio, free, onHands, geometry, names } = made;
  const push = free ? shared.free : ratio * vertical;
  return {
    reached: true,
    problem,
    shared,
    rows: kept.map((/** @type {number} */ j) => names[j]),
    net: Float64Array.from(total, (m, j) => m + (free ? shared.free * lever[j] : 0)),
    vertical,
    push,
    atBound,
    contact: contactOf(page, press, geometry, height, onHands, push, shared.force),
    arms: rowOf(page.tables.arms, geometry, height),
    press,
    geometry,
    height,
  };
}

/**
 * Force of the humeral head on the glenoid, and its margin to the limit.
 * @param {Page} page
 * @param {number} press
 * @param {number} geometry
 * @param {number} height
 * @param {number} onHands
 * @param {number} push
 * @param {Float64Array} force
 * @returns {Contact}
 */
function contactOf(page, press, geometry, height, onHands, push, force) {
  const frame = rowOf(page.tables.glenoid, geometry, height);
  const lines = rowOf(page.tables.lines, geometry, height);
  const contact = baseForce(page, press, height, onHands, push);
  for (let i = 0; i < force.length; i++) {
    for (let k = 0; k < 3; k++) contact[k] -= force[i] * lines[3 * i + k];
  }
  const [anterior, superior, inward] = [0, 1, 2].map(
    (r) => -(frame[3 * r] * contact[0] + frame[3 * r + 1] * contact[1] + frame[3 * r + 2] * contact[2]),
  );
  const compression = -inward;
  const shear = Math.hypot(anterior, superior);
  const { stability } = page.info;
  const forward = anterior >= 0 ? stability.anterior : stability.posterior;
  const upward = superior >= 0 ? stability.superior : stability.inferior;
  const limit = shear > 0 ? shear / Math.hypot(anterior / forward, superior / upward) : upward;
  const ratio = compression > 0 ? shear / compression : Infinity;
  return { compression, shear, margin: 1 - ratio / limit };
}

/**
 * Greatest load [kg] at one height, and how each head's strength would raise it.
 * @param {Page} page
 * @param {State} state
 * @param {number} height
 */
export function greatestAt(page, state, height) {
  const press = pressOf(page, state);
  if (press < 0 || !rowOf(page.tables.reached, press, height)[0]) return null;
  const best = greatestWith(page, state, press, height, null);
  if (best.free && Number.isFinite(best.load)) {
    const [low, high] = boundsOf(page, state, press, height);
    const kept = Math.max(low, Math.min(high, best.ratio));
    // Loads and pushes that can be held form a convex set, so the nearer bound is best.
    if (Math.abs(kept - best.ratio) > 1e-12) return greatestWith(page, state, press, height, kept);
  }
  return best;
}

/**
 * @param {Page} page
 * @param {State} state
 * @param {number} press
 * @param {number} height
 * @param {number | null} bound
 */
function greatestWith(page, state, press, height, bound) {
  const unloaded = { ...state, load: 0 };
  const { problem, kept, lever, ratio, free, onHands } = problemOf(page, unloaded, press, height, bound);
  const { rows, heads } = problem;
  const A = new Float64Array(rows * heads);
  const start = problem.moments.slice();
  const each = new Float64Array(rows);
  const perKilogram = rowOf(page.tables.vertical, press, height)[0];
  for (let k = 0; k < rows; k++) {
    const j = kept[k];
    each[k] = rowOf(page.tables.each, press, height)[j] + ratio * perKilogram * lever[j];
    for (let i = 0; i < heads; i++) {
      A[k * heads + i] = problem.arms[k * heads + i] * problem.capacity[i];
      start[k] -= problem.arms[k * heads + i] * problem.passive[i];
    }
  }
  const one = problem.limits ? problemOf(page, { ...state, load: 1 }, press, height, bound).problem.limits : null;
  const limits = problem.limits && one ? loadLimits(problem, problem.limits, one) : null;
  const found = greatest({ rows, heads, A, start, each, column: problem.column, limits });
  // The push that closes the balance of the greatest load.
  let above = 0;
  let below = 0;
  for (let k = 0; k < rows; k++) {
    let left = -start[k] - found.load * each[k];
    for (let i = 0; i < heads; i++) left += A[k * heads + i] * found.activation[i];
    above += lever[kept[k]] * left;
    below += lever[kept[k]] ** 2;
  }
  const push = below > 0 ? above / below : 0;
  const vertical = perKilogram * (found.load + onHands);
  return { ...found, free, ratio: free && vertical !== 0 ? push / vertical : ratio };
}

/**
 * Facets as limits on activation and load: what they allow is linear in the load.
 * @param {Problem} problem
 * @param {import("./share.js").Limits} none  without a load
 * @param {import("./share.js").Limits} one   under one kilogram
 */
function loadLimits(problem, none, one) {
  const { facets } = none;
  const { heads } = problem;
  const G = new Float64Array(facets * heads);
  const h = none.h.slice();
  for (let g = 0; g < facets; g++) {
    for (let i = 0; i < heads; i++) {
      G[g * heads + i] = none.G[g * heads + i] * problem.capacity[i];
      h[g] -= none.G[g * heads + i] * problem.passive[i];
    }
  }
  return { facets, G, h, rise: one.h.map((v, g) => v - none.h[g]) };
}

/**
 * Answers at all heights.
 * @param {Page} page
 * @param {State} state
 * @returns {(Answer | null)[]}
 */
export function answersAlong(page, state) {
  return page.info.heights.map((/** @type {number} */ _, /** @type {number} */ h) => answerAt(page, state, h));
}
