/**
 * The state of the controls: where it starts, and as a line of text for a link.
 */
import { greatestAt, pressOf } from "./compute.js";
import { rowOf } from "./payload.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */

/** @type {State} */
const PLAIN = {
  person: 0,
  task: "bar",
  spacing: 0,
  touch: 0,
  angle: 0,
  height: 3,
  push: "free",
  ratio: 0.2,
  load: 20,
  head: 0,
  criterion: "area2",
  glenoid: false,
  noArm: "",
  changed: -1,
  scope: "head",
  strength: 1,
  leftOut: "",
};

/**
 * What the what-ifs are when nothing is changed.
 * @param {Page} page
 */
export function unchanged(page) {
  const { noArm, changed, scope, strength, leftOut } = PLAIN;
  return { criterion: page.info.criterion, glenoid: page.info.glenoid, noArm, changed, scope, strength, leftOut };
}

/**
 * Number of the value nearest to a wanted one.
 * @param {number[]} values
 * @param {number} wanted
 */
export function nearest(values, wanted) {
  let best = 0;
  values.forEach((v, k) => {
    if (Math.abs(v - wanted) < Math.abs(values[best] - wanted)) best = k;
  });
  return best;
}

/**
 * A plain state: a moderate grip, and half of what can be held at most heights.
 * @param {Page} page
 * @returns {State}
 */
export function firstState(page) {
  const { info } = page;
  const head = info.heads.findIndex((/** @type {any} */ h) => h.id === "triceps_brachii/long");
  const state = {
    ...PLAIN,
    spacing: nearest(info.spacings, 1.6),
    touch: nearest(info.touches_cm, 12),
    angle: nearest(info.angles_deg, 0),
    head: Math.max(0, head),
    criterion: info.criterion,
    glenoid: info.glenoid,
  };
  return { ...state, load: info.people[0].usual_load_kg };
}

/**
 * What a page opens with: the first two conditions of its study, A and B; the plain state where it
 * is not written for a study. Hands then press straight up, since the push of least effort may point
 * inward.
 * @param {Page} page
 * @returns {{state: State, other: State | null}}
 */
export function opening(page) {
  const plain = /** @type {State} */ ({ ...firstState(page), push: "none" });
  if (!page.info.opens_at_study) return { state: plain, other: null };
  const found = page.info.conditions.map((/** @type {string} */ _, /** @type {number} */ k) => asInStudy(page, { ...plain, task: `c${k}` })).filter((/** @type {State} */ s) => pressOf(page, s) >= 0);
  return { state: found[0] ?? plain, other: found[1] ?? null };
}

/**
 * The state of a condition with the load and the push of the study, and the nodes nearest to it.
 * @param {Page} page
 * @param {State} state  its task is a condition
 * @returns {State}
 */
export function asInStudy(page, state) {
  const { info } = page;
  const press = info.presses[pressOf(page, state)];
  if (!press) return state;
  const held = heldAt(page, state);
  return {
    ...state,
    load: press.load,
    push: press.push,
    spacing: nearest(info.spacings, held.spacing / info.people[state.person].breadth_cm),
    touch: nearest(info.touches_cm, held.touch),
    angle: nearest(info.angles_deg, held.angle),
  };
}

/**
 * A condition of the study as a press of the page that the controls can move; null for an exercise
 * that the page has at no node.
 * @param {Page} page
 * @param {State} state
 * @returns {State | null}
 */
export function asAtNodes(page, state) {
  const number = Number(state.task.slice(1));
  const task = /** @type {Record<string, string>} */ ({ bar_press: "bar", dumbbell_press: "dumbbells", push_up: "push_up" })[page.info.exercises[number]];
  if (!task) return null;
  const ratios = state.push === "measured" ? page.info.presses[pressOf(page, state)]?.ratios : null;
  return { ...state, task, ...(ratios ? { push: "given", ratio: Math.round(100 * ratios[state.height]) / 100 } : {}) };
}

/**
 * Distance of the grips [cm], of the hands towards the feet from the shoulder joint, as it is
 * with the arm hanging [cm], and angle of the bench [deg], at the bottom of the press of a state.
 * @param {Page} page
 * @param {State} state
 */
export function heldAt(page, state) {
  const press = pressOf(page, state);
  if (press < 0) return { spacing: NaN, touch: NaN, angle: NaN };
  const points = rowOf(page.tables.joints, page.info.presses[press].geometry, 0);
  const up = rowOf(page.tables.up, press, 0);
  return { spacing: 200 * points[11], touch: page.info.people[state.person].joint_up_cm - 100 * points[10], angle: (180 / Math.PI) * Math.asin(Math.max(-1, Math.min(1, up[1]))) };
}

/**
 * Greatest load at every height [kg].
 * @param {Page} page
 * @param {State} state
 * @returns {(number | null)[]}
 */
export function greatestAlong(page, state) {
  return page.info.heights.map((/** @type {number} */ _, /** @type {number} */ h) => {
    const found = greatestAt(page, state, h);
    return found ? found.load : null;
  });
}

/**
 * Upper end of the load control [kg].
 * @param {Page} page
 */
export function mostLoad(page) {
  const loads = page.info.presses.map((/** @type {any} */ p) => p.load ?? 0);
  return Math.max(120, 10 * Math.ceil(Math.max(0, ...loads) / 8));
}

/**
 * Write a state as a line: what differs from the plain one.
 * @param {Page} page
 * @param {State} state
 */
export function written(page, state) {
  const start = /** @type {Record<string, any>} */ (firstState(page));
  return Object.entries(state)
    .filter(([key, value]) => key === "task" || start[key] !== value) // never empty: no words are the opening
    .map(([key, value]) => `${key}=${encodeURIComponent(String(value))}`)
    .join("&");
}

/**
 * Read a state from a line; what is unknown or out of range is left as it is.
 * @param {Page} page
 * @param {string} words
 * @returns {State}
 */
export function readState(page, words) {
  const { info } = page;
  const state = /** @type {Record<string, any>} */ (firstState(page));
  /** @type {Record<string, (value: string) => any>} */
  const rules = {
    person: whole(info.people.length),
    task: (v) => (["bar", "dumbbells", "push_up"].includes(v) || (/^c\d+$/.test(v) && Number(v.slice(1)) < info.conditions.length) ? v : undefined),
    spacing: whole(info.spacings.length),
    touch: whole(info.touches_cm.length),
    angle: whole(info.angles_deg.length),
    height: whole(info.heights.length),
    push: (v) => (["none", "given", "measured", "free"].includes(v) ? v : undefined),
    ratio: between(-0.5, 1),
    load: between(0, mostLoad(page)),
    head: whole(info.heads.length),
    criterion: (v) => (["area2", "volume2", "equal2", "area3", "volume3", "equal3"].includes(v) ? v : undefined),
    glenoid: (v) => v === "true",
    noArm: (v) => (["", "shoulder", "elbow"].includes(v) ? v : undefined),
    changed: (v) => (v === "-1" ? -1 : whole(info.heads.length)(v)),
    scope: (v) => (["head", "muscle", "group"].includes(v) ? v : undefined),
    strength: between(0, 3),
    leftOut: (v) => (v === "" || info.rows.some((/** @type {any} */ r) => r.name === v) ? v : undefined),
  };
  for (const [key, value] of new URLSearchParams(words)) {
    const read = rules[key]?.(value);
    if (read !== undefined) state[key] = read;
  }
  return /** @type {State} */ (state);
}

/**
 * @param {number} count
 */
function whole(count) {
  return (/** @type {string} */ v) => (/^\d+$/.test(v) && Number(v) < count ? Number(v) : undefined);
}

/**
 * @param {number} low
 * @param {number} high
 */
function between(low, high) {
  return (/** @type {string} */ v) => {
    const number = v.trim() === "" ? NaN : Number(v);
    return number >= low && number <= high ? number : undefined;
  };
}

/**
 * Why there is no press for a state, in words.
 * @param {Page} page
 * @param {State} state
 */
export function whyNot(page, state) {
  const { info } = page;
  if (state.task === "push_up" && info.angles_deg[state.angle] !== 0) return "Push-ups are solved with a level trunk only: choose the flat bench.";
  const key = state.task.startsWith("c") ? `${state.person}|${state.task}` : `${state.person}|${state.task === "push_up" ? "u" : "p"}|${state.spacing}|${state.touch}|${state.angle}`;
  if (info.reasons[key]) return info.reasons[key];
  if (pressOf(page, state) < 0) return "No posture brings the hands to the bar here. Choose another spacing or touch point.";
  return "No posture reaches the bar at this height. Choose another height, spacing or touch point.";
}
