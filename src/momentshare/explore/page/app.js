/**
 * The page: controls, panels, and what links them.
 */
import { armKey, armViews, numberedHeads, scaleOf, seenForce, viewWords } from "./arm.js";
import { alongChart, activationChart, fibreChart, fibreEnds, fibreWords, joined, makersOf, momentChart } from "./charts.js";
import { answerAt, canPush, greatestAt, pressOf, pushOf } from "./compute.js";
import { besides, CRITERIA, controlsMarkup, loadWords, scrubMarkup, whatIfMarkup } from "./controls.js";
import { draw, find, say } from "./dom.js";
import { limitsOf, limitWords } from "./limits.js";
import { alongOf, greatestOf } from "./memory.js";
import { inflate, unpack } from "./payload.js";
import { QUESTIONS, worked } from "./questions.js";
import { asAtNodes, asInStudy, opening, readState, unchanged, whyNot, written } from "./state.js";
import { markup, tag, zoom } from "./svg.js";
import { sumOf, sumWords } from "./sum.js";
import { sureWords } from "./sure.js";
import { animation, captionOf, csvOf, FILE, keyWords, picture, save, sheet, tableDrawing, worksheet } from "./takeaway.js";
import { capital, direction, fixed, inSentence, kilograms, listed, percent, safe } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

const WHOLE = ["person", "spacing", "touch", "angle", "height", "head", "changed"];
const REAL = ["load", "ratio", "strength"];

/** @type {Page} */
let page;
/** @type {State} */
let state;
/** @type {State | null} */
let other = null;
/** @type {(Answer | null)[]} */
let secondAlong = [];
let curve = "activation";
let timer = 0;
/** Frame in which the page is drawn again, and when its address is written; 0 for none. */
let waiting = 0;
let resting = 0;

const PANELS = [
  ["arm", "The arm", "arm-panel wide"],
  ["activation", "Activation of every head", "activation-panel tall"],
  ["moments", "Net moments and the heads that supply them", "moments-panel"],
  ["along", "Along the lift", "along-panel"],
  ["sum", "One head, term by term", "sum-panel"],
  ["fibre", "Fibre length of this head", "fibre-panel"],
];

/** What the arrow keys do in a figure. @type {Record<string, string>} */
const KEYS = { arm: "left and right arrow keys move the bar", activation: "up and down arrow keys choose a head" };

/**
 * @param {string[]} panel
 */
function panelMarkup([id, title, look]) {
  return `<section class="panel ${look}" aria-labelledby="${id}-head"><div class="bar"><h2 id="${id}-head">${title}</h2><div class="save"><button type="button" data-save="${id}" data-as="svg" aria-label="Save ${title} as SVG">SVG</button><button type="button" data-save="${id}" data-as="png" aria-label="Save ${title} as PNG">PNG</button></div></div><div class="choice" id="${id}-bar"></div><p class="lead" id="${id}-lead"></p><div class="figure" id="${id}-figure"${KEYS[id] ? ` tabindex="0" role="group" aria-label="${title}: ${KEYS[id]}"` : ""}></div><div id="${id}-foot"></div></section>`;
}

/**
 * @param {import("./questions.js").Question} question
 * @param {number} number
 */
function questionMarkup(question, number) {
  const options = question
    .options(page)
    .map((words, k) => `<label class="radio"><input type="radio" name="q-${question.id}" value="${k}"> ${safe(words)}</label>`)
    .join("");
  return `<li><details data-question="${number}"><summary>${safe(question.ask)}</summary><p>${safe(question.look)}</p><p><button type="button" data-set="${number}">Show this setting</button></p><fieldset><legend>Your prediction</legend>${options}</fieldset><button type="button" data-reveal="${number}">Reveal the answer</button><div class="verdict" aria-live="polite"></div></details></li>`;
}

/**
 * Move the page to the state of a question.
 * @param {number} number
 */
function setQuestion(number) {
  const found = worked(page, QUESTIONS[number]);
  if (!found) return null;
  state = { ...found.state };
  other = found.other ? { ...found.other } : null;
  show();
  return found;
}

/**
 * Answer a question beside the prediction.
 * @param {number} number
 */
function reveal(number) {
  const question = QUESTIONS[number];
  const place = /** @type {Element} */ (document.querySelector(`[data-question="${number}"] .verdict`));
  const found = setQuestion(number);
  if (!found) {
    place.textContent = "None of the presses on this page can answer this question.";
    return;
  }
  const guess = /** @type {any} */ (document.querySelector(`[name="q-${question.id}"]:checked`));
  const options = question.options(page);
  const { right, because } = found.verdict;
  const said = !guess ? "" : Number(guess.value) === right ? "✓ Your prediction holds. " : "✗ The model disagrees. ";
  place.innerHTML = `<p><strong>${safe(said)}${safe(options[right])}.</strong> ${safe(because)}</p><p class="hint">${safe(settingWords(found))} Model estimate.</p>`;
}

/** Write the frame of the page. */
function frame() {
  const { info } = page;
  const heads = info.heads.map((/** @type {any} */ h, /** @type {number} */ k) => `<option value="${k}">${safe(h.label)}</option>`).join("");
  const curves = [["activation", "activation of the muscle's heads"], ["moments", "net moments"], ["load", "greatest load"], ["push", "outward push of the hand"]];
  find("page").innerHTML = `
<header class="top">
<h1>${safe(info.title)}</h1>
<p>Move the controls and the press is solved again: the net moments about shoulder and elbow, and how the heads of the muscles may share them. <strong>Model estimate, not a measurement.</strong> ${safe(info.note)}</p>
</header>
<section class="answer" aria-label="Answer"><p id="headline" aria-live="polite"></p><p id="warning" class="warning" aria-live="polite"></p></section>
<div class="layout">
<form class="controls" aria-label="Controls" autocomplete="off">
<div class="card">${scrubMarkup(page)}</div>
<details id="controls-fold" open><summary>Controls</summary>${controlsMarkup(page)}</details>
<details id="whatif-fold"><summary>What if …</summary>${whatIfMarkup(page)}</details>
</form>
<div class="panels">
${PANELS.map(panelMarkup).join("")}
</div>
</div>
<section class="panel questions" aria-labelledby="questions-head"><h2 id="questions-head">Questions</h2>
<p>Choose a prediction, then reveal the answer. The page sets itself to the question and answers from its own numbers.</p>
<ol>${QUESTIONS.map(questionMarkup).join("")}</ol></section>
<section class="panel take" aria-labelledby="take-head"><h2 id="take-head">Take away</h2>
<div class="buttons">
<button type="button" id="csv">Table of all heights (CSV)</button>
<button type="button" id="film">Animation of the lift (SVG)</button>
<button type="button" id="sheet-plain">Print a worksheet</button>
<button type="button" id="sheet-answers">Print the worksheet with answers</button>
</div>
<div class="link"><label for="link">Link to this view</label><input id="link" readonly><button type="button" id="copy">Copy</button><span id="copied" aria-live="polite"></span></div>
</section>
<footer>
<h2>How far to trust these numbers</h2>
<ul>${info.cautions.map((/** @type {string} */ t) => `<li>${safe(t)}</li>`).join("")}</ul>
<details><summary>Limits of the model</summary><ol>${info.limits.map((/** @type {string} */ t) => `<li>${safe(t)}</li>`).join("")}</ol></details>
<p>Model estimate. ${safe(info.note)} momentshare ${safe(info.version)}, model ${safe(info.model)}, curves ${safe(info.curves.name)}.</p>
</footer>`;
  find("sum-bar").innerHTML = `<label for="head">Head</label> <select id="head" data-key="head">${heads}</select>`;
  find("along-bar").innerHTML = `<label for="curve">Show</label> <select id="curve">${curves.map(([v, w]) => `<option value="${v}">${w}</option>`).join("")}</select>`;
  find("activation-foot").innerHTML = `<p class="hint">Click a head to select it, press the up and down arrow keys on this figure, or choose it under “One head, term by term”. <span class="foot"><span id="limit-hint"></span> <span id="fibre-hint"></span> <span id="sure-hint"></span></span></p>`;
}

/**
 * Whether the changed head of a state crosses two joints, so that it has one-joint twins.
 * @param {State} s
 */
function hasTwin(s) {
  return s.changed >= 0 && page.info.heads[s.changed].joints.length > 1;
}

/** Put the state into the controls. */
function fill(atBound = false) {
  for (const control of /** @type {NodeListOf<any>} */ (document.querySelectorAll("[data-key]"))) {
    const key = control.dataset.key;
    const value = /** @type {Record<string, any>} */ (state)[key];
    if (control.type === "radio") control.checked = control.value === value;
    else if (control.type === "checkbox") control.checked = value;
    else if (control !== document.activeElement || control.tagName !== "SELECT") control.value = String(value);
  }
  const words = besides(page, state, atBound);
  for (const id of ["spacing", "touch", "load", "height", "ratio", "strength"]) {
    say(`${id}-out`, words[id]);
    find(id).setAttribute("aria-valuetext", words[id]);
  }
  say("push-hint", words.push);
  const still = state.task.startsWith("c") && !asAtNodes(page, state);
  for (const id of ["spacing", "touch", "angle"]) if (find(id)) find(id).disabled = still;
  const push = canPush(page, state);
  const measured = Boolean(page.info.presses[pressOf(page, state)]?.ratios);
  for (const radio of /** @type {NodeListOf<any>} */ (document.querySelectorAll("[name=push]"))) radio.disabled = !push || (radio.value === "measured" && !measured);
  find("ratio-field").hidden = !push || state.push !== "given";
  for (const id of ["strength", "scope"]) find(id).disabled = state.changed < 0;
  find("noArm").disabled = !hasTwin(state);
  find("swap").disabled = find("drop").disabled = !other;
  say("other-hint", other ? `B: ${stateWords(other)}. The controls change A.` : "Keep this setting as B, then change A with the controls; B stays for comparison.");
}

/**
 * A state in a line.
 * @param {State} s
 */
function stateWords(s) {
  return `${pressWords(s)}, ${percent(page.info.heights[s.height])} up${changedWords(s)}`;
}

/**
 * A state in a line without its height.
 * @param {State} s
 */
function pressWords(s) {
  const { info } = page;
  const task = s.task.startsWith("c")
    ? info.conditions[Number(s.task.slice(1))]
    : `${{ bar: "bar", dumbbells: "dumbbells", push_up: "push-up" }[s.task]}, ${fixed(info.spacings[s.spacing], 1)} × shoulder breadth, touch point ${info.touches_cm[s.touch]} cm${info.angles_deg[s.angle] ? `, bench ${info.angles_deg[s.angle]}°` : ""}`;
  const push = !canPush(page, s) ? "" : { none: ", no push", given: `, push ${fixed(s.ratio, 2)} of the vertical force`, measured: ", measured push", free: ", least-effort push" }[pushOf(page, s)];
  return `${info.people[s.person].name}, ${task}, ${loadWords(s)}${push}`;
}

/**
 * The settings of a question in a line, B too where there is one.
 * @param {{state: State, other: State | null}} found
 */
function settingWords(found) {
  return found.other ? `A: ${stateWords(found.state)}. B: ${stateWords(found.other)}.` : `${capital(stateWords(found.state))}.`;
}

/**
 * What the what-ifs of a state change, in words.
 * @param {State} s
 */
function changedWords(s) {
  const { info } = page;
  const out = [];
  if (s.changed >= 0) {
    const name = inSentence(info.heads[s.changed]);
    if (s.noArm) out.push(`${name} without its moment arm at the ${s.noArm}`);
    const whose = { head: name, muscle: info.heads[s.changed].muscle, group: `the ${info.heads[s.changed].group}` }[s.scope];
    if (s.strength === 0) out.push(`without ${whose}`);
    else if (s.strength !== 1) out.push(`${whose} × ${fixed(s.strength, 2)}`);
  }
  if (s.criterion !== unchanged(page).criterion) out.push(`minimising ${CRITERIA.find(([name]) => name === s.criterion)?.[1].split(",")[0]}`);
  if (s.leftOut) out.push(`${info.rows.find((/** @type {any} */ r) => r.name === s.leftOut).axis} left out of the balance`);
  if (s.glenoid !== unchanged(page).glenoid) out.push(`contact force ${s.glenoid ? "" : "not "}kept within the glenoid`);
  return out.length ? `; what if: ${out.join(", ")}` : "";
}

/** Solve the state and draw everything. */
function show() {
  const begun = performance.now();
  cancelAnimationFrame(waiting);
  waiting = 0;
  const along = alongOf(page, state);
  const answer = along[state.height];
  secondAlong = other ? alongOf(page, other) : [];
  const second = other ? secondAlong[other.height] : null;
  fill(answer?.atBound);
  document.body.classList.toggle("no-answer", !answer);
  if (!answer) {
    say("headline", whyNot(page, state));
    say("warning", "");
    for (const [id] of PANELS) {
      draw(find(`${id}-figure`), []);
      say(`${id}-lead`, "");
    }
  } else {
    headline(answer);
    arms(answer, along, second);
    activations(answer, second);
    moments(answer, second);
    sum(answer);
    fibre(answer, along, second);
    curves(along);
  }
  link();
  say("copied", "");
  document.body.dataset.ms = (performance.now() - begun).toFixed(1);
}

/** Draw once in the next frame, however many changes come before it. */
function showSoon() {
  if (!waiting) waiting = requestAnimationFrame(show);
}

/** Write the link to this view; the address of the page follows when the controls rest. */
function link() {
  find("link").value = `${location.href.split("#")[0]}#${written(page, state)}${other ? `&&${written(page, other)}` : ""}`;
  clearTimeout(resting);
  resting = setTimeout(address, 250);
}

/** Give the page the address of its view, so that it can be opened again there. */
function address() {
  clearTimeout(resting);
  const wanted = find("link").value;
  if (location.href !== wanted) history.replaceState(null, "", wanted);
}

/**
 * The answer in two or three sentences.
 * @param {Answer} answer
 */
function headline(answer) {
  const { info } = page;
  const { activation, force } = answer.shared;
  // By force, since a head that is hardly larger than a finger may be the most active; and without
  // those whose force the limb does not support.
  const all = Array.from(force.keys()).sort((i, j) => force[j] - force[i]);
  const order = all.filter((i) => !limitsOf(page, state, i, null, "force_marks").length);
  const asked = info.rows
    .map((/** @type {any} */ row, /** @type {number} */ j) => ({ words: direction(row, answer.net[j]).words, size: Math.abs(answer.net[j]) }))
    .filter((/** @type {any} */ m) => m.size >= 1)
    .sort((/** @type {any} */ x, /** @type {any} */ y) => y.size - x.size)
    .map((/** @type {any} */ m) => `${fixed(m.size)} N·m of ${m.words}`);
  const hardest = order.slice(0, 3).map((i) => `${inSentence(info.heads[i])} with ${fixed(force[i])} N (${percent(activation[i])} active)`);
  const without = order[2] === all[2] ? "" : ", heads marked † left out";
  const load = state.task === "push_up" ? `${fixed(2 * answer.vertical)} N on the hands` : loadWords(state);
  say("headline", `At ${percent(info.heights[state.height])} of the way up with ${load}, the muscles have to supply ${listed(asked)}. Pulling hardest at this height${without}: ${listed(hardest)}.`);
  const warnings = [];
  if (answer.shared.short) {
    const most = greatestAt(page, state, state.height);
    const missing = answer.rows
      .map((name, k) => ({ row: info.rows.find((/** @type {any} */ r) => r.name === name), value: answer.shared.unmet[k] }))
      .filter((m) => Math.abs(m.value) >= 0.05)
      .map((m) => `${fixed(Math.abs(m.value), 1)} N·m of ${direction(m.row, m.value).words}`);
    warnings.push(`The heads cannot supply all of this: ${listed(missing)} ${missing.length > 1 ? "are" : "is"} unmet.`);
    if (most && Number.isFinite(most.load)) warnings.push(most.load > 0.05 ? `The greatest load at this height is ${kilograms(most.load)}.` : "At this height no load can be held.");
    else if (most) warnings.push("Even without a load this posture cannot be held.");
  }
  if (state.glenoid && !answer.shared.held) warnings.push("No sharing that meets these moments keeps the contact force within the glenoid; the numbers shown come closest.");
  const breaches = info.presses[answer.press].breaches;
  if (breaches.length) warnings.push(`Posture: ${breaches[0]}.`);
  say("warning", warnings.join(" "));
}

/** @type {Record<string, number>} */
let widths = {};

/** Measure the panels, before anything is written into them. */
function measure() {
  zoom.factor = innerWidth >= 1500 ? 1.15 : 1;
  widths = Object.fromEntries(PANELS.map(([id]) => [id, Math.max(260, Math.floor(find(`${id}-figure`).clientWidth / zoom.factor))]));
}

/**
 * @param {Answer} answer
 * @param {(Answer | null)[]} along
 * @param {Answer | null} second
 */
function arms(answer, along, second) {
  const whole = widths.arm;
  const full = scaleOf([...along, ...secondAlong]);
  const two = whole >= 560;
  const width = Math.floor(two ? (whole - 16 / zoom.factor) / 2 : whole);
  const numbered = numberedHeads([...along, ...secondAlong]);
  const row = (/** @type {State} */ s, /** @type {Answer} */ a, /** @type {string} */ id) => [
    tag("div", { class: "pair" }, armViews(page, s, a, width, full, id, numbered)),
    tag("ol", { class: "key" }, armKey(page, s, a, numbered).map((words) => tag("li", {}, words))),
  ];
  const first = row(state, answer, "arm-a");
  const foot = `Numbered by the greatest force anywhere along the lift, heads marked † included, so that a number keeps its head; the force beside it is the one at this height. ${forceLimits(numbered)}`;
  const both = second && other ? [tag("h3", {}, `A: ${stateWords(state)}`), ...first, tag("h3", {}, `B: ${stateWords(other)}`), ...row({ ...other, head: state.head }, second, "arm-b")] : first;
  draw(find("arm-figure"), [...both, tag("p", { class: "hint foot" }, foot)]);
  say("arm-lead", viewWords(seenForce(page, answer, "front"), "front"));
}

/**
 * What the mark of numbered heads means, or nothing where none bears one.
 * @param {number[]} numbered
 */
function forceLimits(numbered) {
  const touched = limitWords(page, state, null, "force_marks", numbered);
  return touched ? `† Limits of the model that apply here: ${touched}.` : "";
}

/**
 * @param {Answer} answer
 * @param {Answer | null} second
 */
function activations(answer, second) {
  draw(find("activation-figure"), [activationChart(page, state, answer, second, other, widths.activation)]);
  const touched = limitWords(page, state, second ? other : null);
  say("limit-hint", touched ? `† Limits of the model that apply here: ${touched}.` : "");
  say("fibre-hint", fibreEnds(page, answer) ? "‡ Its fibres are near the end of their range, below 0.6 or above 1.5 of peak fibre length." : "");
  say("sure-hint", sureWords(page, state, second ? other : null));
  const { activation } = answer.shared;
  const busy = activation.filter((a) => a >= 0.05).length;
  const full = activation.filter((a) => a > 0.999).length;
  say("activation-lead", `${busy} of ${activation.length} heads are active at 5 % or more${full ? `, ${full} of them fully` : ""}. Activation is active force divided by capacity here, the greatest active force at this length.`);
}

/**
 * @param {Answer} answer
 * @param {Answer | null} second
 */
function moments(answer, second) {
  const { rows, heads } = page.info;
  draw(find("moments-figure"), [momentChart(page, state, answer, second, widths.moments)]);
  let top = 0;
  for (let j = 1; j < rows.length; j++) if (Math.abs(answer.net[j]) > Math.abs(answer.net[top])) top = j;
  const best = makersOf(answer, top)[0];
  say("moments-lead", `The largest net moment is ${direction(rows[top], answer.net[top]).words}, ${fixed(Math.abs(answer.net[top]), 1)} N·m; ${inSentence(heads[best.head])} contributes most, ${fixed(best.moment, 1)} N·m.`);
}

/**
 * @param {Answer} answer
 */
function sum(answer) {
  const name = inSentence(page.info.heads[state.head]);
  const found = sumOf(page, state, answer);
  say("sum-lead", sumWords(found, name));
  const row = (/** @type {string} */ words, /** @type {string[]} */ cells, wide = 1) => tag("tr", {}, [tag("th", { scope: "row", colspan: wide > 1 ? wide : undefined }, words), ...cells.map((cell) => tag("td", {}, cell))]);
  const rows = found.terms.map((t) => row(capital(t.towards), [fixed4(t.multiplier), fixed4(t.arm), fixed(found.capacity, 1), fixed4(t.part)]));
  if (found.rest) rows.push(row("Limit at the glenoid", ["", "", "", fixed4(found.rest)]));
  const columns = ["Direction", "Multiplier [1/(N·m)]", "Moment arm [m]", "Capacity [N]", `Part of ${found.whole}`];
  const table = tag("table", {}, [
    tag("caption", { class: "unseen" }, `Drive of ${name}`),
    tag("thead", {}, tag("tr", {}, columns.map((words) => tag("th", { scope: "col" }, words)))),
    tag("tbody", {}, rows),
    tag("tfoot", {}, [row("Sum", [fixed4(found.total)], 4), row("Weight of the head", [fixed4(found.weight)], 4)]),
  ]);
  const hint = `Multiplier × moment arm × capacity ÷ (${found.exponent} × weight) = part of the ${found.whole}. The multiplier is the change of total effort for one more N·m in that direction; a head with a negative arm pulls the other way.`;
  const region = tag("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": `Sum of ${name}` }, table);
  const result = tag("p", { class: "result" }, [tag("strong", {}, found.formula), tag("br", {}), found.result]);
  draw(find("sum-figure"), [tag("p", { class: "hint" }, hint), region, result]);
}

/**
 * A number with all the digits it was rounded to.
 * @param {number} value
 */
function fixed4(value) {
  return String(value).replace("-", "\u2212");
}

/**
 * @param {Answer} answer
 * @param {(Answer | null)[]} along
 * @param {Answer | null} second
 */
function fibre(answer, along, second) {
  say("fibre-lead", fibreWords(page, state, answer, along));
  draw(find("fibre-figure"), [fibreChart(page, state, answer, along, second, widths.fibre)]);
}

/**
 * @param {(Answer | null)[]} along
 */
function curves(along) {
  const { info } = page;
  const second = other ? secondAlong : null;
  const of = (/** @type {(Answer | null)[]} */ all, /** @type {(a: Answer) => number} */ value) => all.map((a) => (a ? value(a) : null));
  /** @type {import("./charts.js").Series[]} */
  let series = [];
  let unit = "activation [%]";
  let title = "Activation";
  if (curve === "activation") {
    const muscle = info.heads[state.head].muscle;
    const members = info.heads.map((/** @type {any} */ h, /** @type {number} */ i) => [h, i]).filter((/** @type {any[]} */ [h, i]) => h.muscle === muscle && i !== state.head).slice(0, second ? 1 : 3);
    series = [[info.heads[state.head], state.head], ...members].map((/** @type {any[]} */ [h, i]) => ({ label: h.part ? `${h.muscle}, ${h.part}` : h.muscle, values: of(along, (a) => 100 * a.shared.activation[i]) }));
    if (second) series.push({ label: `B: ${info.heads[state.head].part || muscle}`, values: of(second, (a) => 100 * a.shared.activation[state.head]), second: true });
  } else if (curve === "moments") {
    title = "Net moments";
    unit = "net moment [N·m], negative in the opposite direction";
    series = info.rows.map((/** @type {any} */ r, /** @type {number} */ j) => ({ label: r.positive.words, values: of(along, (a) => a.net[j]) }));
  } else if (curve === "load") {
    title = "Greatest load";
    unit = "load [kg]";
    series = [{ label: "greatest load", values: greatestOf(page, state) }, { label: "load set", values: along.map(() => state.load) }];
    if (other) series.push({ label: "B: greatest load", values: greatestOf(page, other), second: true });
  } else {
    title = "Outward push";
    unit = "push over vertical force [%]";
    series = [{ label: "outward push", values: of(along, (a) => (100 * a.push) / a.vertical) }];
    if (second) series.push({ label: "B", values: of(second, (a) => (100 * a.push) / a.vertical), second: true });
  }
  series = joined(series);
  draw(find("along-figure"), [alongChart(page, state, series, title, unit, widths.along)]);
  const first = series[0];
  const known = first.values.map((/** @type {number | null} */ v, /** @type {number} */ h) => [v, h]).filter((/** @type {any[]} */ [v]) => v !== null && Number.isFinite(v));
  const best = known.reduce((/** @type {any[]} */ x, /** @type {any[]} */ y) => (y[0] > x[0] ? y : x), known[0]);
  const least = known.reduce((/** @type {any[]} */ x, /** @type {any[]} */ y) => (y[0] < x[0] ? y : x), known[0]);
  const mark = { activation: " %", moments: " N·m", load: " kg", push: " %" }[curve];
  say("along-lead", best ? `${capital(first.label)}: greatest ${fixed(best[0])}${mark} at ${percent(info.heights[best[1]])} of the way up, least ${fixed(least[0])}${mark} at ${percent(info.heights[least[1]])}.` : "");
}

/**
 * Change the state and draw.
 * @param {Partial<State>} changes
 */
function set(changes) {
  move(changes);
  show();
}

/**
 * Change the state.
 * @param {Partial<State>} changes
 */
function move(changes) {
  const before = state;
  const study = state.task.startsWith("c") && changes.task === undefined;
  const moved = ["spacing", "touch", "angle"].some((key) => key in changes);
  state = { ...((study && moved && asAtNodes(page, state)) || state), ...changes };
  if (changes.task?.startsWith("c") || (study && changes.person !== undefined)) state = asInStudy(page, state);
  else if (changes.task === "push_up") state.load = 0;
  else if (before.task === "push_up" && changes.task) state.load = page.info.people[state.person].usual_load_kg;
  if (!hasTwin(state)) state.noArm = "";
  if (state.push === "measured" && !page.info.presses[pressOf(page, state)]?.ratios) state.push = "free";
}

/**
 * @param {any} control
 */
function changedBy(control) {
  const key = control.dataset.key;
  if (!key) return;
  let value = control.value;
  if (control.type === "checkbox") value = control.checked;
  else if (WHOLE.includes(key) || REAL.includes(key)) value = Number(value);
  move({ [key]: value });
  showSoon();
}

/**
 * Arrow keys: up and down choose a head in the figure of activations; left and right move the bar
 * wherever they have nothing else to do.
 * @param {KeyboardEvent} event
 */
function pressed(event) {
  if (event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const target = /** @type {Element} */ (event.target);
  const inFigure = Boolean(target.closest("#activation-figure"));
  const step = /** @type {Record<string, number>} */ ({ ArrowUp: -1, ArrowDown: 1, ArrowLeft: -1, ArrowRight: 1 })[event.key];
  if (!step) return;
  const upright = event.key === "ArrowUp" || event.key === "ArrowDown";
  const within = (/** @type {number} */ k, /** @type {any[]} */ all) => Math.max(0, Math.min(all.length - 1, k + step));
  if (upright && inFigure) move({ head: within(state.head, page.info.heads) });
  else if (!upright && (inFigure || target === document.body || target.closest("#arm-figure"))) move({ height: within(state.height, page.info.heights) });
  else return;
  event.preventDefault();
  showSoon();
}

/** Play or stop. */
function play() {
  if (timer) {
    clearInterval(timer);
    timer = 0;
    say("play", "Play the lift");
    return;
  }
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const last = page.info.heights.length - 1;
  if (state.height === last) set({ height: 0 });
  say("play", "Stop");
  timer = setInterval(
    () => {
      if (state.height >= last) play();
      else {
        move({ height: state.height + 1 });
        showSoon();
      }
    },
    still ? 1200 : 220,
  );
}

/** Settings of what is shown, A and B. */
function shownWords() {
  return other ? `A: ${stateWords(state)}. B: ${stateWords(other)}` : stateWords(state);
}

/**
 * A panel as one drawing.
 * @param {string} id
 */
function panelSheet(id) {
  const head = page.info.heads[state.head];
  const title = `${find(`${id}-head`).textContent}${["sum", "fibre"].includes(id) ? `: ${inSentence(head)}` : ""}`;
  const states = [...document.querySelectorAll(`#${id}-figure h3`)].map((h) => h.textContent ?? "");
  /** @type {import("./takeaway.js").Piece[]} */
  let pieces = [.../** @type {NodeListOf<SVGSVGElement>} */ (document.querySelectorAll(`#${id}-figure svg`))].map((svg, k) => ({
    svg: new XMLSerializer().serializeToString(svg),
    label: k % 2 === 0 ? states[k / 2] : undefined,
    width: Number(svg.getAttribute("width")),
    height: Number(svg.getAttribute("height")),
  }));
  if (!pieces.length) {
    const rows = [.../** @type {NodeListOf<HTMLTableRowElement>} */ (document.querySelectorAll(`#${id}-figure tr`))].map((tr) => {
      const cells = [...tr.cells].flatMap((c) => [c.textContent ?? "", ...new Array(c.colSpan - 1).fill("")]);
      return cells;
    });
    pieces = [tableDrawing(rows, [...find(`${id}-figure`).querySelector(".result").childNodes].map((n) => n.textContent ?? "").filter(Boolean))];
  }
  const keys = [...document.querySelectorAll(`#${id}-figure .key`)].map((list) => keyWords([...list.children].map((li) => li.textContent ?? "")));
  const names = keys.map((words, k) => `${keys.length > 1 ? `${"AB"[k]}: ` : ""}${words} `).join("");
  const foot = [...document.querySelectorAll(`#${id}-figure .foot, #${id}-foot .foot`)].map((p) => `${(p.textContent ?? "").replace(/\s+/g, " ").trim()} `).join("");
  return sheet(pieces, title, `${names}${find(`${id}-lead`).textContent} ${foot}${captionOf(page, shownWords())}`);
}

/**
 * @param {string} id
 * @param {string} kind
 */
async function savePanel(id, kind) {
  const found = panelSheet(id);
  const blob = kind === "svg" ? new Blob([found.svg], { type: "image/svg+xml" }) : await picture(found);
  save(`${FILE}-${id}.${kind}`, blob);
}

/** The table of the states shown. */
function tableText() {
  const states = [{ name: "A", state }];
  if (other) states.push({ name: "B", state: other });
  return csvOf(page, states, stateWords);
}

/** The lift as a drawing that moves. */
function film() {
  const along = alongOf(page, state);
  return animation(page, state, along, scaleOf(along), `${forceLimits(numberedHeads(along))} ${captionOf(page, `${pressWords(state)}${changedWords(state)}`)}`);
}

/**
 * @param {boolean} answers
 */
function worksheetText(answers) {
  const items = QUESTIONS.flatMap((question) => {
    const found = worked(page, question);
    if (!found) return [];
    const settings = settingWords(found);
    return [{ question, options: question.options(page), ...found.verdict, settings }];
  });
  const answer = answerAt(page, state);
  const numbered = numberedHeads([answer]);
  const drawn = answer ? armViews(page, state, answer, 330, scaleOf([answer]), `sheet-${answers}`, numbered) : [];
  return worksheet(page, items, answers, `<div class="pair">${markup(drawn)}</div><p class="settings">${safe(keyWords(armKey(page, state, answer, numbered)))}</p>`, captionOf(page, stateWords(state)));
}

/**
 * @param {boolean} answers
 */
function printWorksheet(answers) {
  find("worksheet").innerHTML = worksheetText(answers);
  document.body.classList.add("on-paper");
  print();
  document.body.classList.remove("on-paper");
}

/** Copy the link, or mark it so that the person can. */
async function copyLink() {
  find("link").select();
  try {
    await navigator.clipboard.writeText(find("link").value);
    say("copied", "Copied.");
  } catch {
    say("copied", "Selected: copy it with the keyboard.");
  }
}

/** Listen to the controls. */
function listen() {
  document.addEventListener("input", (event) => {
    const control = /** @type {any} */ (event.target);
    if (control.id === "curve") {
      curve = control.value;
      showSoon();
    } else changedBy(control);
  });
  document.addEventListener("keydown", pressed);
  document.addEventListener("click", (event) => {
    const target = /** @type {Element} */ (event.target);
    const head = target.closest("[data-head]");
    if (head) set({ head: Number(head.getAttribute("data-head")) });
    const button = /** @type {any} */ (target.closest("button"));
    if (button?.dataset.save) savePanel(button.dataset.save, button.dataset.as);
    if (button?.dataset.set) setQuestion(Number(button.dataset.set));
    if (button?.dataset.reveal) reveal(Number(button.dataset.reveal));
  });
  find("csv").addEventListener("click", () => save(`${FILE}-heads.csv`, new Blob([tableText()], { type: "text/csv" })));
  find("film").addEventListener("click", () => save(`${FILE}-lift.svg`, new Blob([film()], { type: "image/svg+xml" })));
  find("sheet-plain").addEventListener("click", () => printWorksheet(false));
  find("sheet-answers").addEventListener("click", () => printWorksheet(true));
  find("copy").addEventListener("click", copyLink);
  find("play").addEventListener("click", play);
  find("keep").addEventListener("click", () => {
    other = { ...state };
    show();
  });
  find("drop").addEventListener("click", () => {
    other = null;
    show();
  });
  find("swap").addEventListener("click", () => {
    if (other) [state, other] = [other, state];
    show();
  });
  find("reset").addEventListener("click", () => set(unchanged(page)));
  addEventListener("pagehide", address);
  let resized = 0;
  addEventListener("resize", () => {
    cancelAnimationFrame(resized);
    resized = requestAnimationFrame(() => {
      measure();
      show();
    });
  });
}

/** Unpack, and begin. */
async function begin() {
  const info = JSON.parse(find("info").textContent);
  page = { info, tables: unpack(info.arrays, await inflate(find("data").textContent)) };
  find("data").remove();
  const [mine, theirs] = location.hash.slice(1).split("&&");
  ({ state, other } = opening(page));
  if (mine) {
    state = readState(page, mine);
    other = theirs === undefined ? null : readState(page, theirs);
  }
  frame();
  if (matchMedia("(max-width: 900px)").matches) find("controls-fold").open = false;
  listen();
  measure();
  show();
  // For tests and for those who like to look: the same functions on the same numbers.
  Object.assign(globalThis, { momentshare: { page, answerAt, greatestAt, readState, set, panelSheet, tableText, film, worksheetText, picture, reveal, QUESTIONS, worked, opening, limitWords, get state() { return state; } } });
}

begin();
