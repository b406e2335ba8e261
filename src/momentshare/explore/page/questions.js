/**
 * Guided questions: a state to look at, a prediction, and an answer made from its numbers.
 */
import { answerAt, answersAlong, greatestAt, pressOf } from "./compute.js";
import { rowOf } from "./payload.js";
import { firstState, greatestAlong } from "./state.js";
import { sumOf } from "./sum.js";
import { rangeOf, whyUnsure } from "./sure.js";
import { capital, change, direction, fixed, inSentence, listed, percent } from "./words.js";

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
const kilograms = (/** @type {number} */ v) => `${fixed(v, 1)} kg`;

/**
 * Number of a head; −1 where the limb has none of that name.
 * @param {Page} page
 * @param {string} id
 */
function headOf(page, id) {
  return page.info.heads.findIndex((/** @type {any} */ h) => h.id === id || h.id.startsWith(id));
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

/** @type {Question} */
const lessFromTheLong = {
  id: "long-head",
  ask: "Why does the two-joint head of the triceps give less than the lateral head?",
  look: "Compare the two heads under “Activation of every head”, then look at the sum of the long head.",
  setup: (page) => ({ state: reachable(page, { ...firstState(page), head: headOf(page, LONG) }) }),
  options: () => ["Its fibres are too short or too long here", "At the shoulder it pulls against what is needed there", "It is too weak", "It does not give less here"],
  judge: (page, state) => {
    const [long, lateral] = [headOf(page, LONG), headOf(page, LATERAL)];
    const now = must(page, state);
    const twin = must(page, { ...state, changed: long, noArm: "shoulder" });
    const [a, b, c] = [now.shared.activation[long], now.shared.activation[lateral], twin.shared.activation[long]];
    const sum = sumOf(page, { ...state, head: long }, now);
    const shoulder = sum.terms.filter((t) => t.joint === "shoulder").reduce((s, t) => s + t.product, 0);
    const fibre = rowOf(page.tables.fibre, now.geometry, now.height)[long];
    const said = `Here the long head works at ${percent(a)} and the lateral head at ${percent(b)}. The shoulder ${shoulder < 0 ? "takes" : "adds"} ${fixed(Math.abs(shoulder), 2)} ${shoulder < 0 ? "from" : "to"} its drive; a twin without its arm at the shoulder would work at ${percent(c)}. Its fibre is at ${fixed(fibre, 2)} of its optimal length.`;
    if (a >= b) return { right: 3, because: said };
    if (shoulder < 0 && c > a) return { right: 1, because: said };
    if (fibre < 0.8 || fibre > 1.25) return { right: 0, because: said };
    return { right: 2, because: said };
  },
};

/** @type {Question} */
const whoHoldsTheElbow = {
  id: "wide-hands",
  ask: "Hands far apart and no outward push: who holds the elbow?",
  look: "Look at the front view: on which side of the elbow does the line of the force pass?",
  setup: (page) => {
    const base = { ...firstState(page), spacing: last(page.info.spacings), push: /** @type {const} */ ("none"), load: 0.5 * firstState(page).load };
    const row = rowNumber(page, "elbow_extension");
    let best = reachable(page, base);
    let least = Infinity;
    answersAlong(page, base).forEach((a, h) => {
      if (a && a.net[row] < least) [best, least] = [{ ...base, height: h }, a.net[row]];
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
    const said = `Without a push the elbow needs ${newtonMetres(Math.abs(net))} of ${toward}${best.length ? `, held by ${listed(best)}` : ""}. With the push of least effort, ${fixed(pushing.push)} N outward, it needs ${newtonMetres(Math.abs(pushing.net[row]))} of ${direction(page.info.rows[row], pushing.net[row]).words}.`;
    return { right: Math.abs(net) < 1 ? 2 : net > 0 ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const spreadTheBar = {
  id: "spread",
  ask: "What happens at the joints when the hands spread the bar, that is, push outward?",
  look: "B presses straight up, A pushes outward with a quarter of the vertical force.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), height: 5 });
    return { state: { ...base, push: "given", ratio: 0.25 }, other: { ...base, push: "none" } };
  },
  options: () => ["More for the elbow extensors, less for horizontal adduction", "Less for the elbow extensors, more for horizontal adduction", "Nothing: left and right cancel on the bar"],
  judge: (page, state, other) => {
    const [elbow, shoulder] = [rowNumber(page, "elbow_extension"), rowNumber(page, "shoulder_horizontal_adduction")];
    const [a, b] = [must(page, state), must(page, other ?? { ...state, push: "none" })];
    const [up, down] = [a.net[elbow] - b.net[elbow], a.net[shoulder] - b.net[shoulder]];
    const said = `With an outward push of ${fixed(a.push)} N the moment of elbow extension ${change(b.net[elbow], a.net[elbow], newtonMetres)}, and that of shoulder horizontal adduction ${change(b.net[shoulder], a.net[shoulder], newtonMetres)}. The forces cancel on the bar, the moments in the arm do not.`;
    return { right: Math.abs(up) + Math.abs(down) < 1 ? 2 : up > 0 ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const sameMomentLessWork = {
  id: "same-moment",
  ask: "The elbow needs the same moment in both states, yet the long head of the triceps works less in one. Why?",
  look: "Compare the terms of its sum: elbow and shoulder apart. Swap A and B to see both.",
  setup: (page) => {
    const { info } = page;
    const head = headOf(page, LONG);
    const row = rowNumber(page, "elbow_extension");
    const base = firstState(page);
    /** @type {{s: State, m: number, a: number}[]} */
    const all = [];
    for (let spacing = 0; spacing < info.spacings.length; spacing++) {
      for (const push of /** @type {const} */ (["none", "free"])) {
        const s = { ...base, spacing, push, head };
        answersAlong(page, s).forEach((a, h) => {
          if (a && !a.shared.short && a.net[row] > 8) all.push({ s: { ...s, height: h }, m: a.net[row], a: a.shared.activation[head] });
        });
      }
    }
    let best = { gap: -1, high: base, low: { ...base, push: /** @type {State["push"]} */ ("none") } };
    for (const x of all) {
      for (const y of all) {
        if (Math.abs(x.m - y.m) < 0.4 && x.a - y.a > best.gap) best = { gap: x.a - y.a, high: x.s, low: y.s };
      }
    }
    return { state: { ...best.low, head }, other: { ...best.high, head } };
  },
  options: () => ["What the elbow itself gives it has changed: price, arm or capacity", "What the shoulder adds or takes has changed", "The moments are not balanced in one of them"],
  judge: (page, state, other) => {
    const head = headOf(page, LONG);
    const row = rowNumber(page, "elbow_extension");
    const [s, o] = [{ ...state, head }, { ...(other ?? state), head }];
    const [a, b] = [must(page, s), must(page, o)];
    const by = (/** @type {State} */ st, /** @type {Answer} */ an, /** @type {string} */ joint) => sumOf(page, st, an).terms.filter((t) => t.joint === joint).reduce((v, t) => v + t.product, 0);
    const [elbowA, elbowB, shoulderA, shoulderB] = [by(s, a, "elbow"), by(o, b, "elbow"), by(s, a, "shoulder"), by(o, b, "shoulder")];
    const said = `A asks ${newtonMetres(a.net[row])} of elbow extension and B ${newtonMetres(b.net[row])}, but the long head works at ${percent(a.shared.activation[head])} in A and ${percent(b.shared.activation[head])} in B. From B to A the elbow's part of its drive ${change(elbowB, elbowA, (v) => fixed(v, 2))} and the shoulder's ${change(shoulderB, shoulderA, (v) => fixed(v, 2))}.`;
    return { right: Math.abs(shoulderA - shoulderB) > Math.abs(elbowA - elbowB) ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const lowerPectoralis = {
  id: "lower-pectoralis",
  ask: "The hands come together: when does the lower pectoralis drop out, and how much of that hangs on the rotators?",
  look: "B has the widest hands, A the narrowest. Then leave the rotation about the humeral axis out under “What if”.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), push: "none", load: 0.7 * firstState(page).load, head: lowerHead(page) });
    return { state: { ...base, spacing: 0 }, other: { ...base, spacing: last(page.info.spacings) } };
  },
  options: () => ["It hardly falls", "It falls, and less than a third of the fall hangs on the rotators", "It falls, and a third or more hangs on the rotators"],
  judge: (page, state) => {
    const head = lowerHead(page);
    const course = (/** @type {string} */ leftOut) => page.info.spacings.map((/** @type {number} */ _, /** @type {number} */ spacing) => meanActivation(page, { ...state, spacing, leftOut }, head));
    const whole = course("");
    const bare = course("shoulder_internal_rotation");
    const end = last(whole);
    const [fall, without] = [whole[end] - whole[0], bare[end] - bare[0]];
    const gone = whole.findLastIndex((/** @type {number} */ a) => a < 0.02);
    const share = fall > 0 ? 1 - without / fall : 0;
    const said = `Over the lift, ${inSentence(page.info.heads[head])} works at ${percent(whole[end])} with the widest hands and ${percent(whole[0])} with the narrowest${gone >= 0 ? `; from ${fixed(page.info.spacings[gone], 1)} × shoulder breadth inward it is below 2 %` : ""}. With the rotation about the humeral axis left out it goes from ${percent(bare[end])} to ${percent(bare[0])}${fall > 0.02 ? `: ${share >= 0 ? `${percent(Math.min(1, share))} of the fall hangs on the rotators` : "without the rotators it would fall more"}` : ""}.`;
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
  ask: "Which grip stretches the pectoralis more at the chest?",
  look: "Height at the chest; B has narrow hands, A wide ones. Look at “Its fibre”.",
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
    const said = `At the chest ${inSentence(page.info.heads[head])} is at ${fixed(wide, 2)} of its optimal fibre length with wide hands and ${fixed(narrow, 2)} with narrow ones. The long head of the triceps is at ${fixed(fibre(a, long), 2)} and ${fixed(fibre(b, long), 2)}.`;
    return { right: Math.abs(wide - narrow) < 0.02 ? 2 : wide > narrow ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const weakPoint = {
  id: "weak-point",
  ask: "Where on the lift is the weak point, and what would lift it?",
  look: "Predict first, then show “greatest load” under “Along the lift”.",
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
    const said = `The greatest load is least ${percent(heights[at])} of the way up, ${kilograms(loads[at])}. There, 10 % more strength of the ${order[0][0]} would raise it by about ${kilograms(0.1 * order[0][1])}, of the ${order[1][0]} by ${kilograms(0.1 * order[1][1])}; no other group does more.`;
    return { right: heights[at] < 0.334 ? 0 : heights[at] < 0.667 ? 1 : 2, because: said };
  },
};

/** @type {Question} */
const barOrDumbbells = {
  id: "dumbbells",
  ask: "Bar or dumbbells of the same load: which asks more of the triceps?",
  look: "A presses the bar with the push of least effort, B dumbbells in the same postures.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), head: headOf(page, LATERAL) });
    return { state: { ...base, push: "free" }, other: { ...base, task: "dumbbells" } };
  },
  options: () => ["The bar", "The dumbbells", "Neither"],
  judge: (page, state, other) => {
    const triceps = page.info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => (h.muscle === "triceps brachii" ? i : -1)).filter((/** @type {number} */ i) => i >= 0);
    const mean = (/** @type {State} */ s) => triceps.reduce((/** @type {number} */ v, /** @type {number} */ i) => v + meanActivation(page, s, i), 0) / Math.max(1, triceps.length);
    const [a, b] = [mean(state), mean(other ?? { ...state, task: "dumbbells" })];
    const now = must(page, state);
    const said = `Over the lift the heads of the triceps work at ${percent(a)} on average with the bar and ${percent(b)} with dumbbells. On the bar the hands push outward, ${fixed(now.push)} N here; dumbbells give nothing to push against.`;
    return { right: Math.abs(a - b) < 0.01 ? 2 : a > b ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const seatedTest = {
  id: "seated-test",
  ask: "A seated test (arm at the side, elbow at 90°) measures how strong the extensors are. What does it say of their load in the press?",
  look: "The press has another posture, and the shoulder has to be balanced too.",
  setup: (page) => ({ state: reachable(page, { ...firstState(page), height: 4 }) }),
  options: () => ["It understates it: here the extensors can give less than in the test", "It overstates it: here they can give more", "It is right within 5 %"],
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
    const said = `In the test posture this limb can give ${newtonMetres(test)} of extension, in the press here ${newtonMetres(here)} with the shoulder braced. The press asks for ${newtonMetres(net)}: ${percent(net / test)} of the test, but ${percent(net / here)} of what can be given here.`;
    return { right: Math.abs(here / test - 1) < 0.05 ? 2 : here < test ? 0 : 1, because: said };
  },
};

/** @type {Question} */
const howSure = {
  id: "how-sure",
  ask: "How sure is it which head works hardest?",
  look: "The lines across the bars span the middle 80 % of the draws of the limb.",
  setup: (page) => ({ state: reachable(page, firstState(page)) }),
  options: () => ["Sure: its range stands clear of all others", "Unsure: other heads' ranges overlap it", "Nothing can be said here"],
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
    const said = `Hardest works ${name(order[0])}. ${rivals.length ? `The ranges of ${rivals.length} other heads reach into its own, first ${name(rivals[0])}.` : `The next is ${name(order[1])}.`} A range says what the limb's numbers leave open, not what the method does.`;
    return { right: rivals.length ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const withoutAHead = {
  id: "without-a-head",
  ask: "What would the greatest load be without the long head of the triceps?",
  look: "Set the strength of the long head to 0 under “What if” and show “greatest load” along the lift.",
  setup: (page) => {
    const base = reachable(page, { ...firstState(page), head: headOf(page, LONG) });
    return { state: { ...base, changed: headOf(page, LONG), strength: 0 }, other: base };
  },
  options: () => ["Lower at every height", "Lower at some heights only", "Nowhere lower"],
  judge: (page, state, other) => {
    const known = (/** @type {State} */ s) => greatestAlong(page, s).map((v) => (v !== null && Number.isFinite(v) ? v : 0));
    const [a, b] = [known(state), known(other ?? { ...state, changed: -1, strength: 1 })];
    const lower = a.filter((v, h) => v < 0.99 * b[h]).length;
    const least = (/** @type {number[]} */ v) => Math.min(...v.filter((x) => x > 0));
    const said = `The load at the weakest height ${change(least(b), least(a), kilograms)}; it is lower at ${lower} of ${a.length} heights${lower < a.length ? ": where the shoulder charges more for the long head than the elbow gains, nothing is lost without it" : ""}.`;
    return { right: lower === 0 ? 2 : lower < a.length ? 1 : 0, because: said };
  },
};

/** @type {Question} */
const anotherRule = {
  id: "another-rule",
  ask: "Nobody knows the body’s rule of sharing. If the cubes of activation were minimised instead of the squares, what would change?",
  look: "B minimises Σ V a², A minimises Σ V a³.",
  setup: (page) => {
    const base = reachable(page, firstState(page));
    return { state: { ...base, push: "none", criterion: "volume3" }, other: { ...base, push: "none", criterion: "volume2" } };
  },
  options: () => ["The net moments", "How they are shared, but not the net moments", "Nothing"],
  judge: (page, state, other) => {
    const [a, b] = [must(page, state), must(page, other ?? { ...state, criterion: "volume2" })];
    let most = 0;
    let moved = 0;
    a.shared.activation.forEach((v, i) => {
      const d = Math.abs(v - b.shared.activation[i]);
      if (d > moved) [most, moved] = [i, d];
    });
    const moments = Math.max(...a.net.map((m, j) => Math.abs(m - b.net[j])));
    const said = `The net moments differ by ${newtonMetres(moments)}: they follow from mechanics alone. The greatest change is that of ${inSentence(page.info.heads[most])}, whose activation ${change(b.shared.activation[most], a.shared.activation[most], (v) => percent(v))}. Cubes spread the work over more heads.`;
    return { right: moments > 0.1 ? 0 : moved > 0.005 ? 1 : 2, because: said };
  },
};

/** @type {Question} */
const heldInTheSocket = {
  id: "glenoid",
  ask: "What does it cost to hold the head of the humerus within the glenoid?",
  look: "A holds the contact force within the stability limits, B does not.",
  setup: (page) => {
    const base = { ...firstState(page), load: 0.7 * firstState(page).load };
    let best = reachable(page, base);
    let worst = Infinity;
    answersAlong(page, base).forEach((a, h) => {
      if (a && !a.shared.short && a.contact.margin < worst) [best, worst] = [{ ...base, height: h }, a.contact.margin];
    });
    return { state: { ...best, glenoid: true }, other: best };
  },
  options: () => ["Nothing: it is held anyway", "More effort, and the cuff works more", "More effort, but other heads than the cuff bear it", "It cannot be held here"],
  judge: (page, state, other) => {
    const [a, b] = [must(page, state), must(page, other ?? { ...state, glenoid: false })];
    const cuff = page.info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => (h.group === "rotator cuff" ? i : -1)).filter((/** @type {number} */ i) => i >= 0);
    const mean = (/** @type {Answer} */ an) => cuff.reduce((/** @type {number} */ v, /** @type {number} */ i) => v + an.shared.activation[i], 0) / Math.max(1, cuff.length);
    const margin = (/** @type {number} */ m) => (m >= 0 ? `${percent(m)} of the limit left` : `${percent(-m)} beyond the limit`);
    const said = `Without the condition the contact force stands ${margin(b.contact.margin)}${a.shared.held ? `, with it ${margin(a.contact.margin)}; the heads of the cuff work at ${percent(mean(b))} and ${percent(mean(a))} on average, and the total effort ${change(b.shared.effort, a.shared.effort, (v) => fixed(v, 2))}` : "; no sharing that meets the moments holds it"}.`;
    if (!a.shared.held) return { right: 3, because: said };
    if (b.contact.margin >= 0) return { right: 0, because: said };
    return { right: mean(a) > mean(b) ? 1 : 2, because: said };
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
