/**
 * The controls as text, and what is written beside them.
 */
import { canPush, pressOf, pushOf } from "./compute.js";
import { asAtNodes, heldAt, mostLoad } from "./state.js";
import { capital, fixed, percent, safe } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */

export const CRITERIA = [
  ["area2", "Σ w a², weighted by area"],
  ["volume2", "Σ w a², weighted by volume"],
  ["equal2", "Σ a², all heads equal"],
  ["area3", "Σ w a³, weighted by area"],
  ["volume3", "Σ w a³, weighted by volume"],
  ["equal3", "Σ a³, all heads equal"],
];

/**
 * @param {string} id
 * @param {string} label
 * @param {string[][]} options  value and words
 */
function choice(id, label, options) {
  const inner = options.map(([value, words]) => `<option value="${safe(value)}">${safe(words)}</option>`).join("");
  return `<div class="field"><label for="${id}">${safe(label)}</label><select id="${id}" data-key="${id}">${inner}</select></div>`;
}

/**
 * @param {string} id
 * @param {string} label
 * @param {number} low
 * @param {number} high
 * @param {number} step
 */
function slider(id, label, low, high, step) {
  return (
    `<div class="field" id="${id}-field"><label for="${id}">${safe(label)}</label><output for="${id}" id="${id}-out"></output>` +
    `<input type="range" id="${id}" data-key="${id}" min="${low}" max="${high}" step="${step}"></div>`
  );
}

/**
 * All controls.
 * @param {Page} page
 */
export function controlsMarkup(page) {
  const { info } = page;
  const numbered = (/** @type {any[]} */ items, /** @type {(item: any) => string} */ words) => items.map((item, k) => [String(k), words(item)]);
  const tasks = [
    ["bar", "Bar press"],
    ["dumbbells", "Dumbbell press"],
    ["push_up", "Push-up"],
    ...info.conditions.map((/** @type {string} */ name, /** @type {number} */ k) => [`c${k}`, `Study: ${name}`]),
  ];
  const radios = [
    ["none", "None"],
    ["given", "Set below"],
    ["measured", "Measured"],
    ["free", "Least effort"],
  ]
    .map(([value, words]) => `<label class="radio"><input type="radio" name="push" value="${value}" data-key="push"> ${words}</label>`)
    .join("");
  return `
<fieldset><legend>Press</legend>
${choice("person", "Person", numbered(info.people, (p) => `${p.name}, ${p.sex}, ${p.stature_cm} cm, ${p.mass_kg} kg`))}
${choice("task", "Exercise", tasks)}
${info.angles_deg.length > 1 ? choice("angle", "Bench", numbered(info.angles_deg, (a) => (a === 0 ? "flat" : a > 0 ? `${a}° incline, head up` : `${-a}° decline, head down`))) : ""}
${slider("spacing", "Hand spacing", 0, info.spacings.length - 1, 1)}
${slider("touch", "Touch point (tuck)", 0, info.touches_cm.length - 1, 1)}
${slider("load", "Load", 0, mostLoad(page), 0.5)}
</fieldset>
<fieldset id="push-set"><legend>Outward push of the hand</legend>
<div class="radios" role="radiogroup" aria-label="Outward push of the hand">${radios}</div>
${slider("ratio", "Push ÷ vertical force", -0.3, 0.8, 0.01)}
<p class="hint" id="push-hint"></p>
</fieldset>
<fieldset><legend>Second setting</legend>
<div class="buttons"><button type="button" id="keep">Keep this as B</button><button type="button" id="swap">Swap A and B</button><button type="button" id="drop">Remove B</button></div>
<p class="hint" id="other-hint"></p>
</fieldset>`;
}

/**
 * Height and play, which stay at hand on a phone.
 * @param {Page} page
 */
export function scrubMarkup(page) {
  return `<fieldset class="scrub"><legend>Height on the lift</legend>
${slider("height", "From chest to lock-out", 0, page.info.heights.length - 1, 1)}
<button type="button" id="play">Play the lift</button>
<p class="hint keys">The left and right arrow keys move the bar too.</p>
</fieldset>`;
}

/**
 * The what-ifs.
 * @param {Page} page
 */
export function whatIfMarkup(page) {
  const { info } = page;
  const heads = info.heads.map((/** @type {any} */ h, /** @type {number} */ k) => [String(k), h.label]);
  return `
<fieldset><legend>Change a head</legend>
${choice("changed", "Head", [["-1", "none changed"], ...heads])}
${choice("noArm", "Its moment arm", [["", "as it is"], ["shoulder", "none at the shoulder"], ["elbow", "none at the elbow"]])}
${slider("strength", "Strength", 0, 2, 0.05)}
${choice("scope", "Strength applies to", [["head", "this head"], ["muscle", "its whole muscle"], ["group", "its strength group"]])}
<p class="hint">A two-joint head without its moment arm at one joint is its one-joint twin. Strength 0 removes the head; where heads are weighted by size, its weight follows its strength.</p>
</fieldset>
<fieldset><legend>Change the rule</legend>
${choice("criterion", "What is minimised", CRITERIA)}
${choice("leftOut", "Moment left out of the balance", [["", "none"], ...info.rows.map((/** @type {any} */ r) => [r.name, r.positive.words === r.negative.words ? r.positive.words : `${r.positive.words} / ${r.negative.noun}`])])}
<div class="field"><label class="check"><input type="checkbox" id="glenoid" data-key="glenoid"> Keep the contact force within the glenoid</label></div>
</fieldset>
<button type="button" id="reset">Reset the what-ifs</button>`;
}

/**
 * Upper arm from the trunk [deg].
 * @param {Page} page
 * @param {State} state
 * @param {number} height
 */
export function tuckOf(page, state, height) {
  const press = pressOf(page, state);
  if (press < 0) return NaN;
  const table = page.tables.joints;
  const first = (page.info.presses[press].geometry * table.shape[1] + height) * table.width;
  const v = table.values;
  const arm = [0, 1, 2].map((k) => v[first + 3 + k] - v[first + k]);
  return (180 / Math.PI) * Math.acos(-arm[1] / Math.hypot(...arm));
}

/**
 * The load of a state.
 * @param {State} state
 */
export function loadWords(state) {
  return `${fixed(state.load, state.load % 1 ? 1 : 0)} kg${state.task === "push_up" ? " on the back" : ""}`;
}

/**
 * What stands beside every control.
 * @param {Page} page
 * @param {State} state
 * @param {boolean} [atBound]
 * @returns {Record<string, string>}
 */
export function besides(page, state, atBound = false) {
  const { info } = page;
  const breadth = info.people[state.person].breadth_cm;
  const tuck = tuckOf(page, state, 0);
  const fixedInStudy = state.task.startsWith("c") && !asAtNodes(page, state);
  const reached = pressOf(page, state) >= 0;
  const { spacing, touch } = reached ? heldAt(page, state) : { spacing: info.spacings[state.spacing] * breadth, touch: info.touches_cm[state.touch] };
  const push = canPush(page, state) ? pushOf(page, state) : null;
  return {
    spacing: fixedInStudy ? "as in the study" : `${fixed(spacing / breadth, 1)} × shoulder breadth, ${fixed(spacing)} cm`,
    touch: fixedInStudy
      ? "as in the study"
      : `${fixed(touch)} cm towards the feet from the shoulder${Number.isFinite(tuck) ? `; upper arm ${fixed(tuck)}° from the trunk` : ""}`,
    load: state.task === "push_up" ? loadWords(state) : `${loadWords(state)} on both hands`,
    height: `${percent(info.heights[state.height])} of the way up`,
    ratio: `${fixed(state.ratio, 2)}`,
    strength: `× ${fixed(state.strength, 2)}`,
    push: push
      ? { none: "The hands press straight up.", given: "Outward is positive; the two hands cancel on the bar.", measured: "As given in the study for this condition.", free: atBound ? "A harder push would cost less effort, but friction between hand and bar limits it." : "The push for which the effort is least." }[push]
      : "Dumbbells give the hands nothing to push against.",
    angle: capital(fixed(info.angles_deg[state.angle])),
  };
}
