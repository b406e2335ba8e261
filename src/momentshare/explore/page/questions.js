/**
 * Guided questions: a state to look at, a prediction, and an answer made from its numbers.
 */
import { answerAt, answersAlong, greatestAt, pressOf } from "./compute.js";
import { limitWords } from "./limits.js";
import { rowOf } from "./payload.js";
import { firstState, greatestAlong } from "./state.js";
import { sumOf } from "./sum.js";
import { loadRange, momentRange, rangeOf, whyUnsure } from "./sure.js";
import { capital, change, direction, fixed, inSentence, kilograms, listed, percent } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

/**
 * @typedef {object} Verdict
 * @property {number} right    number of the option that the numbers bear out
 * @property {string} because  a sentence or two with the numbers
 */

/**
 * @typedef {object} Question
 * @property {string} id
 * @property {string} ask
 * @property {string} look     what to look at before predicting
 * @property {(page: Page) => {state: State, other?: State}} setup
 * @property {(page: Page) => string[]} options
 * @property {(page: Page, state: State, other: State | null) => Verdict} judge
 */

const LONG = "triceps_brachii/long";
const LATERAL = "triceps_brachii/lateral";
const newtonMetres = (/** @type {number} */ v) => `${fixed(v, 1)} N·m`;

/**
 * Number of a head; −1 where the limb has none of that name.
 * @param {Page} page
 * @param {string} id
 */
function headOf(page, id) {
  return page.info.heads.findIndex((/** @type {any} */ h) => h.id === id || h.id.startsWith(id));
}

/**
 * The limits of the model that concern the heads of an answer, as its last sentence.
 * @param {Page} page
 * @param {State} state
 * @param {State | null} other
 * @param {number[]} heads
 */
function beyond(page, state, other, heads) {
  const found = limitWords(page, state, other, "limit_marks", heads);
  return found ? ` The reasoning holds for any arm; the numbers are this limb’s, and published values or anatomy speak against it here: ${found}.` : "";
}

/**
 * How far the draws of the limb move the activations that an answer is about, as a sentence.
 * @param {Page} page
 * @param {State} state
 * @param {number[]} heads
 */
function rangesOf(page, state, heads) {
  const now = must(page, state);
  const told = heads.flatMap((i) => {
    const range = rangeOf(page, state, now, i);
    return range ? [`${inSentence(page.info.heads[i])} at ${percent(range.low)} to ${percent(range.high)}`] : [];
  });
  return told.length ? ` How sure: the middle 80\u00a0% of the draws have ${listed(told)}.` : "";
}

/**
 * A net moment in its direction, with the range of the draws in brackets where it is known.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {number} row
 */
function momentWithRange(page, state, answer, row) {
  const net = answer.net[row];
  const range = momentRange(page, state, answer, row);
  const toward = direction(page.info.rows[row], net).words;
  const [low, high] = range ? (net < 0 ? [-range.high, -range.low] : [range.low, range.high]) : [0, 0];
  return `${newtonMetres(Math.abs(net))} of ${toward}${range ? ` (${fixed(low, 1)} to ${fixed(high, 1)})` : ""}`;
}

/**
 * How far the draws of the limb move net moments that an answer is about, as a sentence; why that
 * is not known where it is not.
 * @param {Page} page
 * @param {State} state
 * @param {number[]} rows
 * @param {string} [where]  which of two states the sentence is about
 */
function sureOfMoments(page, state, rows, where = "") {
  const now = must(page, state);
  const why = whyUnsure(page, state);
  if (why) return ` How sure${where}: not known. ${why}`;
  if (!momentRange(page, state, now, rows[0])) return ` How sure${where}: no draw has an answer at this height.`;
  return ` How sure${where} (in brackets, the middle 80\u00a0% of the draws): ${listed(rows.map((row) => momentWithRange(page, state, now, row)))}.`;
}

/**
 * Which limits speak against the loads that an answer gives, as a sentence.
 * @param {Page} page
 */
function againstLoads(page) {
  const limits = page.info.load_limits;
  return limits.length ? ` Published values speak against the loads of this limb (${limits.join("; ")}).` : "";
}

/**
 * How far the draws of the limb move the greatest load at a height, as a sentence; why that is not
 * known where it is not.
 * @param {Page} page
 * @param {State} state
 * @param {number} height
 * @param {string} [where]  which of two states the sentence is about
 */
function sureOfLoad(page, state, height, where = "") {
  const why = whyUnsure(page, state);
  if (why) return ` How sure${where}: not known. ${why}`;
  const range = loadRange(page, state, height);
  if (!range) return ` How sure${where}: no draw has an answer at this height.`;
  return ` How sure${where}: at ${percent(page.info.heights[height])} of the way up, the middle 80\u00a0% of the draws hold ${fixed(range.low)} to ${kilograms(range.high)} at most.`;
}

/**
 * What an answer teaches although the limb cannot bear its numbers, and what they cannot bear.
 * @param {string[]} limits
 * @param {string} lesson
 * @param {string} unsure
 */
function lean(limits, lesson, unsure) {
  return limits.length ? ` What you may take from it: ${lesson}. What you may not: ${unsure}, where published values speak against this limb (${limits.join("; ")}).` : "";
}

/**
 * @param {Page} page
 * @param {string} name
 */
function rowNumber(page, name) {
  return page.info.rows.findIndex((/** @type {any} */ r) => r.name === name);
}

/**
 * The last number of a node list.
 * @param {any[]} values
 */
function last(values) {
  return values.length - 1;
}

/**
 * Answer that has to be there for a question.
 * @param {Page} page
 * @param {State} state
 * @returns {Answer}
 */
function must(page, state) {
  const found = answerAt(page, state);
  if (!found) throw new Error("no posture");
  return found;
}

/**
 * @param {Page} page
 * @param {State} state
 * @param {number} head
 */
function meanActivation(page, state, head) {
  const known = answersAlong(page, state).filter((a) => a !== null);
  return known.reduce((s, a) => s + /** @type {Answer} */ (a).shared.activation[head], 0) / Math.max(1, known.length);
}

/**
 * The first reached height at or above a wanted one.
 * @param {Page} page
 * @param {State} state
 */
function reachable(page, state) {
  const along = answersAlong(page, state);
  const order = along.map((_, h) => h).sort((x, y) => Math.abs(x - state.height) - Math.abs(y - state.height));
  const height = order.find((h) => along[h]);
  return { ...state, height: height ?? state.height };
}

/**
 * What the rows of a joint add to the activation of the head of a state.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {string} joint
 */
function partOf(page, state, answer, joint) {
  return sumOf(page, state, answer).terms.filter((t) => t.joint === joint).reduce((v, t) => v + t.part, 0);
}

/** @type {Question} */
const lessFromTheLong = {
  id: "long-head",
  ask: "Why is the long head of the triceps, which crosses two joints, less active than the lateral head?",
  look: "Compare the two heads in the panel of activations, then read the sum of the long head.",
  setup: (page) => ({ state: reachable(page, { ...firstState(page), head: headOf(page, LONG) }) }),
  options: () => ["Its fibres are too short or too long here", "At the shoulder it pulls against what the press needs", "It is too weak", "It is not less active here"],
  judge: (page, state) => {
    const [long, lateral] = [headOf(page, LONG), headOf(page, LATERAL)];
    const now = must(page, state);
    const twin = must(page, { ...state, changed: long, noArm: "shoulder" });
    const [a, b, c] = [now.shared.activation[long], now.shared.activation[lateral], twin.shared.activation[long]];
    const sum = sumOf(page, { ...state, head: long }, now);
    const shoulder = sum.terms.filter((t) => t.joint === "shoulder").reduce((s, t) => s + t.part, 0);
    const fibre = rowOf(page.tables.fibre, now.geometry, now.height)[long];
    const said = `The activation of the long head is ${percent(a)}, that of the lateral head ${percent(b)}. The shoulder ${shoulder < 0 ? "takes" : "adds"} ${fixed(Math.abs(shoulder), 3)} ${shoulder < 0 ? "from" : "to"} the ${sum.whole} of the long head; a twin without a moment arm at the shoulder would reach ${percent(c)}. Its fibre is at ${fixed(fibre, 2)} of peak fibre length.${rangesOf(page, state, [long, lateral])}${beyond(page, state, null, [long, lateral])}`;
    if (a >= b) return { right: 3, because: said };
    if (shoulder < 0 && c > a) return { right: 1, because: said };
    if (fibre < 0.8 || fibre > 1.25) return { right: 0, because: said };
    return { right: 2, because: said };
  },
};

/** @type {Question} */
const whoHoldsTheElbow = {
  id: "wide-hands",
  ask: "Hands far apart and no outward push: which muscles hold the elbow?",
  look: "In the front view, on which side of the elbow does the line of the force pass?",
  setup: (page) => {
    const base = { ...firstState(page), spacing: last(page.info.spacings), push: /** @type {const} */ ("none"), load: 0.5 * firstState(page).load };
    const row = rowNumber(page, "elbow_extension");
    let best = reachable(page, base);
    let least = Infinity;
    answersAlong(page, base).forEach((a, h) => {
      // Near lock-out the elbow is almost straight; the middle of the lift teaches more.
      if (a && page.info.heights[h] < 0.75 && a.net[row] < least) [best, least] = [{ ...base, height: h }, a.net[row]];
    });
    return { state: { ...best, head: Math.max(0, headOf(page, "brachialis")) } };
  },
  options: () => ["The extensors, as in any press", "The flexors: the load would straighten the elbow", "Nobody: the force passes through the elbow"],
  judge: (page, state) => {
    const row = rowNumber(page, "elbow_extension");
    const now = must(page, state);
    const pushing = must(page, { ...state, push: "free" });
    const net = now.net[row];
    const makers = page.info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => ({ h, f: Math.sign(net) * now.arms[row * page.info.heads.length + i] * now.shared.force[i] })).sort((/** @type {any} */ x, /** @type {any} */ y) => y.f - x.f);
    const best = makers.slice(0, 2).filter((/** @type {any} */ m) => m.f > 0.5).map((/** @type {any} */ m) => `${inSentence(m.h)} ${newtonMetres(m.f)}`);
    const toward = direction(page.info.rows[row], net).words;
    const said = `Without a push the elbow needs ${newtonMetres(Math.abs(net))} of ${toward}${best.length ? `, mainly from ${listed(best)}` : ""}. With the least-effort push, ${fixed(Math.abs(pushing.push))} N ${pushing.push < 0 ? "inward" : "outward"}, it needs ${newtonMetres(Math.abs(pushing.net[row]))} of ${direction(page.info.rows[row], pushing.net[row]).words}.${sureOfMoments(page, state, [row])}`;
    return { right: Math.abs(net) < 1 ? 2 : net > 0 ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const spreadTheBar = {
  id: "spread",
  ask: "What happens at the joints when the hands push outward, as if to pull the bar apart?",
  look: "B presses straight up. A pushes outward with a quarter of the vertical force.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), height: 5 });
    return { state: { ...base, push: "given", ratio: 0.25 }, other: { ...base, push: "none" } };
  },
  options: () => ["More for the elbow extensors, less for horizontal adduction", "Less for the elbow extensors, more for horizontal adduction", "Nothing: the two pushes cancel on the bar"],
  judge: (page, state, other) => {
    const [elbow, shoulder] = [rowNumber(page, "elbow_extension"), rowNumber(page, "shoulder_horizontal_adduction")];
    const [a, b] = [must(page, state), must(page, other ?? { ...state, push: "none" })];
    const [up, down] = [a.net[elbow] - b.net[elbow], a.net[shoulder] - b.net[shoulder]];
    const said = `With an outward push of ${fixed(a.push)} N the net moment of elbow extension ${change(b.net[elbow], a.net[elbow], newtonMetres)}, and that of shoulder horizontal adduction ${change(b.net[shoulder], a.net[shoulder], newtonMetres)}. The two pushes cancel on the bar; the moments in each arm do not.${sureOfMoments(page, other ?? { ...state, push: "none" }, [elbow, shoulder], " without a push")}`;
    return { right: Math.abs(up) + Math.abs(down) < 1 ? 2 : up > 0 ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const sameMomentLessWork = {
  id: "same-moment",
  ask: "The elbow needs the same moment in A and in B, yet the long head of the triceps is less active in A. Why?",
  look: "Read the sum of the long head, the elbow’s term and the shoulder’s terms. Swap A and B to see both sums.",
  setup: (page) => {
    const { info } = page;
    const head = headOf(page, LONG);
    const row = rowNumber(page, "elbow_extension");
    const base = firstState(page);
    const triceps = info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => (h.muscle === "triceps brachii" ? i : -1)).filter((/** @type {number} */ i) => i >= 0);
    /** @type {{s: State, m: number, a: number, shoulder: number}[]} */
    const all = [];
    for (let spacing = 0; spacing < info.spacings.length; spacing++) {
      for (const push of /** @type {const} */ (["none", "free"])) {
        const s = { ...base, spacing, push, head };
        answersAlong(page, s).forEach((a, h) => {
          // A fully active head has no answer left to give, so it would hide the reason.
          if (!a || a.shared.short || a.net[row] < 8 || triceps.some((/** @type {number} */ i) => a.shared.activation[i] > 0.99)) return;
          all.push({ s: { ...s, height: h }, m: a.net[row], a: a.shared.activation[head], shoulder: partOf(page, { ...s, height: h }, a, "shoulder") });
        });
      }
    }
    let best = { fall: -1, high: base, low: { ...base, push: /** @type {State["push"]} */ ("none") } };
    for (const x of all) {
      for (const y of all) {
        if (Math.abs(x.m - y.m) < 0.4 && x.a - y.a > 0.03 && x.shoulder - y.shoulder > best.fall) best = { fall: x.shoulder - y.shoulder, high: x.s, low: y.s };
      }
    }
    return { state: { ...best.low, head }, other: { ...best.high, head } };
  },
  options: () => ["The elbow adds less to its activation", "The shoulder takes more from its activation", "Its moment arm at the elbow is zero in A"],
  judge: (page, state, other) => {
    const head = headOf(page, LONG);
    const row = rowNumber(page, "elbow_extension");
    const [s, o] = [{ ...state, head }, { ...(other ?? state), head }];
    const [a, b] = [must(page, s), must(page, o)];
    const [elbowA, elbowB] = [partOf(page, s, a, "elbow"), partOf(page, o, b, "elbow")];
    const [shoulderA, shoulderB] = [partOf(page, s, a, "shoulder"), partOf(page, o, b, "shoulder")];
    const said = `A needs ${newtonMetres(a.net[row])} of elbow extension and B ${newtonMetres(b.net[row])}, but the activation of the long head is ${percent(a.shared.activation[head])} in A and ${percent(b.shared.activation[head])} in B. From B to A the elbow’s part of its ${sumOf(page, s, a).whole} ${change(elbowB, elbowA, (v) => fixed(v, 3))} and the shoulder’s ${change(shoulderB, shoulderA, (v) => fixed(v, 3))}.${beyond(page, s, o, [head])}`;
    return { right: shoulderB - shoulderA > elbowB - elbowA ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const lowerPectoralis = {
  id: "lower-pectoralis",
  ask: "As the hands come together, when does the lower pectoralis drop out, and how much of that depends on the rotators?",
  look: "The hands are widest in B and narrowest in A. Under “What if”, leave shoulder rotation out of the balance.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), push: "none", load: 0.7 * firstState(page).load, head: lowerHead(page) });
    return { state: { ...base, spacing: 0 }, other: { ...base, spacing: last(page.info.spacings) } };
  },
  options: () => ["Its activation hardly falls", "It falls, and less than a third of the fall depends on the rotators", "It falls, and a third or more depends on the rotators"],
  judge: (page, state) => {
    const head = lowerHead(page);
    const course = (/** @type {string} */ leftOut) => page.info.spacings.map((/** @type {number} */ _, /** @type {number} */ spacing) => meanActivation(page, { ...state, spacing, leftOut }, head));
    const whole = course("");
    const bare = course("shoulder_internal_rotation");
    const end = last(whole);
    const [fall, without] = [whole[end] - whole[0], bare[end] - bare[0]];
    const gone = whole.findLastIndex((/** @type {number} */ a) => a < 0.02);
    const share = fall > 0 ? 1 - without / fall : 0;
    const said = `Averaged over the lift, the activation of ${inSentence(page.info.heads[head])} is ${percent(whole[end])} with the hands widest and ${percent(whole[0])} with them narrowest${gone >= 0 ? `; at ${fixed(page.info.spacings[gone], 1)} × shoulder breadth and closer it is below 2\u00a0%` : ""}. With shoulder rotation left out of the balance it is ${percent(bare[end])} and ${percent(bare[0])}${fall > 0.02 ? `: ${share >= 0 ? `${percent(Math.min(1, share))} of the fall depends on the rotators` : "without the rotators it would fall more"}` : ""}.${rangesOf(page, state, [head])}${beyond(page, state, null, [head])}`;
    return { right: fall < 0.02 ? 0 : share < 1 / 3 ? 1 : 2, because: said };
  },
};

/**
 * The lowest part of the pectoralis that presses.
 * @param {Page} page
 */
function lowerHead(page) {
  for (const id of ["pectoralis_major/sternocostal_lower", "pectoralis_major/abdominal", "pectoralis_major"]) {
    const found = headOf(page, id);
    if (found >= 0) return found;
  }
  return 0;
}

/** @type {Question} */
const whatStretches = {
  id: "stretch",
  ask: "Which grip stretches the pectoralis more when the bar is on the chest?",
  look: "The bar is on the chest; the hands are wide in A and narrow in B. Look at the fibre length.",
  setup: (page) => {
    const base = { ...firstState(page), height: 0, head: lowerHead(page) };
    return { state: reachable(page, { ...base, spacing: last(page.info.spacings) }), other: reachable(page, { ...base, spacing: 0 }) };
  },
  options: () => ["Wide hands", "Narrow hands", "No real difference"],
  judge: (page, state, other) => {
    const [a, b] = [must(page, state), must(page, other ?? state)];
    const fibre = (/** @type {Answer} */ an, /** @type {number} */ i) => rowOf(page.tables.fibre, an.geometry, an.height)[i];
    const head = lowerHead(page);
    const long = headOf(page, LONG);
    const [wide, narrow] = [fibre(a, head), fibre(b, head)];
    const said = `With the bar on the chest, ${inSentence(page.info.heads[head])} is at ${fixed(wide, 2)} of its peak fibre length with wide hands and at ${fixed(narrow, 2)} with narrow ones. The long head of the triceps is at ${fixed(fibre(a, long), 2)} and ${fixed(fibre(b, long), 2)}.`;
    return { right: Math.abs(wide - narrow) < 0.02 ? 2 : wide > narrow ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const weakPoint = {
  id: "weak-point",
  ask: "Where is the weak point of the lift, and what would raise it?",
  look: "Predict first, then choose “greatest load” in the panel “Along the lift”.",
  setup: (page) => ({ state: reachable(page, firstState(page)) }),
  options: () => ["In the lower third", "In the middle third", "In the upper third"],
  judge: (page, state) => {
    const { heights, heads } = page.info;
    const loads = greatestAlong(page, state).map((v) => (v !== null && Number.isFinite(v) ? v : Infinity));
    const at = loads.indexOf(Math.min(...loads));
    const found = greatestAt(page, state, at);
    /** @type {Map<string, number>} */
    const groups = new Map();
    heads.forEach((/** @type {any} */ h, /** @type {number} */ i) => groups.set(h.group, (groups.get(h.group) ?? 0) + (found ? found.gain[i] : 0)));
    const order = [...groups].sort((x, y) => y[1] - x[1]);
    const said = `The greatest load is smallest at ${percent(heights[at])} of the way up, ${kilograms(loads[at])}. There, 10\u00a0% more strength of the ${order[0][0]} would raise it by about ${kilograms(0.1 * order[0][1])}, and of the ${order[1][0]} by ${kilograms(0.1 * order[1][1])}; every other group would raise it less.${sureOfLoad(page, state, at)}${lean(page.info.load_limits, "a press is weakest where the moments come nearest to what the heads can supply there, and more strength of the group that is short raises it", "the kilograms, nor the place")}`;
    return { right: heights[at] < 0.334 ? 0 : heights[at] < 0.667 ? 1 : 2, because: said };
  },
};

/** @type {Question} */
const barOrDumbbells = {
  id: "dumbbells",
  ask: "Bar or dumbbells of the same load: with which is the triceps more active?",
  look: "A presses a bar with the least-effort push, B dumbbells in the same postures.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), head: headOf(page, LATERAL) });
    return { state: { ...base, push: "free" }, other: { ...base, task: "dumbbells" } };
  },
  options: () => ["The bar", "The dumbbells", "No difference"],
  judge: (page, state, other) => {
    const triceps = page.info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => (h.muscle === "triceps brachii" ? i : -1)).filter((/** @type {number} */ i) => i >= 0);
    const mean = (/** @type {State} */ s) => triceps.reduce((/** @type {number} */ v, /** @type {number} */ i) => v + meanActivation(page, s, i), 0) / Math.max(1, triceps.length);
    const [a, b] = [mean(state), mean(other ?? { ...state, task: "dumbbells" })];
    const now = must(page, state);
    const said = `Averaged over the lift and the heads of the triceps, activation is ${percent(a)} with the bar and ${percent(b)} with dumbbells. On the bar the hands push ${now.push < 0 ? "inward" : "outward"}, ${fixed(Math.abs(now.push))} N here; dumbbells give nothing to push against.${beyond(page, state, other, triceps)}`;
    return { right: Math.abs(a - b) < 0.01 ? 2 : a > b ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const seatedTest = {
  id: "seated-test",
  ask: "A seated test (arm at the side, elbow at 90°) measures the strength of the elbow extensors. What does it get wrong about their load in the press?",
  look: "The press has another posture, so moment arms and fibre lengths differ from those in the test.",
  setup: (page) => ({ state: reachable(page, { ...firstState(page), height: 4 }) }),
  options: () => ["It understates the load: here the extensors can supply less than in the test", "It overstates the load: here they can supply more", "Nothing much: it is right within 5 %"],
  judge: (page, state) => {
    const row = rowNumber(page, "elbow_extension");
    const now = must(page, state);
    const { heads } = page.info;
    const capacity = rowOf(page.tables.capacity, now.geometry, now.height);
    const passive = rowOf(page.tables.passive, now.geometry, now.height);
    let here = 0;
    for (let i = 0; i < heads.length; i++) {
      const arm = now.arms[row * heads.length + i];
      here += Math.max(0, arm) * capacity[i] + arm * passive[i];
    }
    const test = page.info.people[state.person].test_extension_nm;
    const net = now.net[row];
    const said = `In the test this limb can supply ${newtonMetres(test)} of elbow extension; here, with the shoulder braced, ${newtonMetres(here)}. The press needs ${newtonMetres(net)}: ${percent(net / test)} of the strength in the test, ${percent(net / test) === percent(net / here) ? "and" : "but"} ${percent(net / here)} of the strength here.${sureOfMoments(page, state, [row])} Neither strength was drawn.${lean(page.info.posture_limits, "another posture has other moment arms and fibre lengths, so the same moment is another share of the strength", "by how much, nor which way")}`;
    return { right: Math.abs(here / test - 1) < 0.05 ? 2 : here < test ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const howSure = {
  id: "how-sure",
  ask: "How sure is it which head is the most active?",
  look: "The line across each bar spans the middle 80 % of the draws of the limb. The answer gives the ranges of net moments and of the greatest load as well.",
  setup: (page) => ({ state: reachable(page, firstState(page)) }),
  options: () => ["Sure: its range is clear of all others", "Unsure: other heads' ranges overlap it", "Nothing can be said here"],
  judge: (page, state) => {
    const now = must(page, state);
    const why = whyUnsure(page, state);
    const order = Array.from(now.shared.activation.keys()).sort((i, j) => now.shared.activation[j] - now.shared.activation[i]);
    const top = rangeOf(page, state, now, order[0]);
    if (why || !top) return { right: 2, because: why || "No draw has an answer at this height." };
    const rivals = order.slice(1).filter((i) => {
      const range = rangeOf(page, state, now, i);
      return range && range.high >= top.low;
    });
    const name = (/** @type {number} */ i) => {
      const r = rangeOf(page, state, now, i);
      return `${inSentence(page.info.heads[i])} ${percent(now.shared.activation[i])}${r ? ` (${percent(r.low)} to ${percent(r.high)})` : ""}`;
    };
    const most = greatestAt(page, state, state.height);
    const range = loadRange(page, state, state.height);
    const held = most && Number.isFinite(most.load) && range ? ` At most ${kilograms(most.load)} (${fixed(range.low)} to ${fixed(range.high)}) can be held here.${againstLoads(page)}` : "";
    const said = `The most active head is ${name(order[0])}. ${rivals.length === 1 ? `The range of one other head overlaps its range: ${name(rivals[0])}.` : rivals.length ? `The ranges of ${rivals.length} other heads overlap its range, the most active of them ${name(rivals[0])}.` : `The next is ${name(order[1])}.`} The joints need ${listed(page.info.rows.map((/** @type {any} */ _, /** @type {number} */ j) => momentWithRange(page, state, now, j)))}.${held} A range (in brackets) holds the middle 80\u00a0% of the draws: it shows what uncertain numbers of the limb leave open, not what the method assumes.${beyond(page, state, null, [order[0], ...rivals])}`;
    return { right: rivals.length ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const withoutAHead = {
  id: "without-a-head",
  ask: "How would the greatest load change without the long head of the triceps?",
  look: "Under “What if”, set the strength of the long head to 0; then choose “greatest load” in the panel “Along the lift”.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), head: headOf(page, LONG) });
    return { state: { ...base, changed: headOf(page, LONG), strength: 0 }, other: base };
  },
  options: () => ["Lower at every height", "Lower at some heights only", "Not lower at any height"],
  judge: (page, state, other) => {
    const known = (/** @type {State} */ s) => greatestAlong(page, s).map((v) => (v !== null && Number.isFinite(v) ? v : 0));
    const base = other ?? { ...state, changed: -1, strength: 1 };
    const [a, b] = [known(state), known(base)];
    const weakest = b.indexOf(Math.min(...b.filter((v) => v > 0)));
    const lower = a.filter((v, h) => v < 0.99 * b[h]).length;
    const least = (/** @type {number[]} */ v) => Math.min(...v.filter((x) => x > 0));
    const said = `At the weakest height the greatest load ${change(least(b), least(a), kilograms)}. It is lower by more than 1\u00a0% at ${lower} of ${a.length} heights${lower < a.length ? "; at the others the moment of the long head at the shoulder costs as much as its moment at the elbow gains" : ""}.${sureOfLoad(page, base, weakest, " with the head")} Without it nothing was drawn.${againstLoads(page)}`;
    return { right: lower === 0 ? 2 : lower < a.length ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const anotherRule = {
  id: "another-rule",
  ask: "Nobody knows by which rule the body shares moments. If the cubes of activation were minimised instead of the squares, what would change?",
  look: "B minimises Σ w a², A minimises Σ w a³, both weighted by area.",
  setup: (page) => {
    const base = reachable(page, firstState(page));
    return { state: { ...base, push: "none", criterion: "area3" }, other: { ...base, push: "none", criterion: "area2" } };
  },
  options: () => ["The net moments", "How they are shared, but not the net moments", "Nothing"],
  judge: (page, state, other) => {
    const [a, b] = [must(page, state), must(page, other ?? { ...state, criterion: "area2" })];
    let most = 0;
    let moved = 0;
    a.shared.activation.forEach((v, i) => {
      const d = Math.abs(v - b.shared.activation[i]);
      if (d > moved) [most, moved] = [i, d];
    });
    const moments = Math.max(...a.net.map((m, j) => Math.abs(m - b.net[j])));
    const said = `The net moments differ by ${newtonMetres(moments)}: with a given push they follow from mechanics alone. The largest change is in ${inSentence(page.info.heads[most])}, whose activation ${change(b.shared.activation[most], a.shared.activation[most], (v) => percent(v))}. Cubes spread the moments more evenly over the heads.`;
    return { right: moments > 0.1 ? 0 : moved > 0.005 ? 1 : 2, because: said };
  },
};

/** @type {Question} */
const heldInTheSocket = {
  id: "glenoid",
  ask: "What does it cost to keep the contact force of the shoulder within the glenoid?",
  look: "A keeps the contact force within the limit of stability, B does not.",
  setup: (page) => {
    const base = { ...firstState(page), glenoid: false };
    const held = answersAlong(page, { ...base, glenoid: true });
    let best = reachable(page, base);
    let most = -1;
    answersAlong(page, base).forEach((a, h) => {
      const b = held[h];
      if (!a || !b || a.shared.short || !b.shared.held) return;
      if (b.shared.effort - a.shared.effort > most) [best, most] = [{ ...base, height: h }, b.shared.effort - a.shared.effort];
    });
    return { state: { ...best, glenoid: true }, other: best };
  },
  options: () => ["Nothing: it is within the limit anyway", "More effort, more than half of it in the rotator cuff", "More effort, at least half of it in other heads", "It cannot be kept within the limit here"],
  judge: (page, state, other) => {
    const [a, b] = [must(page, state), must(page, other ?? { ...state, glenoid: false })];
    const spent = (/** @type {Answer} */ an, /** @type {number} */ i) => an.problem.weights[i] * an.shared.activation[i] ** an.problem.exponent;
    const rise = a.shared.effort - b.shared.effort;
    const cuff = page.info.heads.reduce((/** @type {number} */ v, /** @type {any} */ h, /** @type {number} */ i) => v + (h.group === "rotator cuff" ? spent(a, i) - spent(b, i) : 0), 0);
    const margin = (/** @type {number} */ m) => (Math.abs(m) < 0.005 ? "at the limit" : m > 0 ? `within the limit by ${percent(m)}` : `${percent(-m)} beyond the limit`);
    const free = `Left to itself, the contact force is ${margin(b.contact.margin)}`;
    if (!a.shared.held) return { right: 3, because: `${free}; no sharing that meets the moments keeps it within.` };
    // Facets touch the limit from outside, so a force that they hold may exceed it by 2 %.
    const held = a.contact.margin > -0.02 && a.contact.margin < 0.005 ? "at the limit" : margin(a.contact.margin);
    const said = `${free}; kept within, it is ${held} and the total effort ${change(b.shared.effort, a.shared.effort, (v) => fixed(v, 2))}${rise > 0.005 ? `, ${percent(Math.max(0, cuff) / rise)} of the rise in the rotator cuff` : ""}.`;
    if (b.contact.margin >= 0) return { right: 0, because: said };
    return { right: cuff > 0.5 * rise ? 1 : 2, because: said };
  },
};

/** All questions, in the order in which a lesson may take them. */
export const QUESTIONS = [
  lessFromTheLong,
  whoHoldsTheElbow,
  spreadTheBar,
  sameMomentLessWork,
  lowerPectoralis,
  whatStretches,
  weakPoint,
  withoutAHead,
  barOrDumbbells,
  seatedTest,
  anotherRule,
  heldInTheSocket,
  howSure,
];

/**
 * State and answer of a question; null where the limb or the grid of the page cannot answer it.
 * @param {Page} page
 * @param {Question} question
 */
export function worked(page, question) {
  try {
    const { state, other } = question.setup(page);
    if (pressOf(page, state) < 0 || state.head < 0) return null;
    const verdict = question.judge(page, state, other ?? null);
    return { state, other: other ?? null, verdict: { ...verdict, because: capital(verdict.because) } };
  } catch {
    return null;
  }
}
