/**
 * The other panels: activation of every head, net moments and who makes them, the fibre on its curve,
 * and curves along the lift.
 */
import { limitsOf } from "./limits.js";
import { rowOf } from "./payload.js";
import { rangeOf } from "./sure.js";
import { BAND, drawing, hatch, INK, line, MAIN, OTHER, PAPER, RULE, SOFT, tag, text, ticks } from "./svg.js";
import { capital, direction, fixed, inSentence, listed, percent } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

const ROW = 22;
const SHORT_FIBRE = 0.6;
const LONG_FIBRE = 1.5;

/**
 * Marks of a head: † where a limit of the model touches it, ‡ where its fibres are at the end of
 * their range.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {number} head
 * @param {State | null} other  a second state that is shown
 */
function marksOf(page, state, answer, head, other) {
  const fibre = rowOf(page.tables.fibre, answer.geometry, answer.height)[head];
  const touched = limitsOf(page, state, head, other).length > 0;
  return `${touched ? "†" : ""}${fibre < SHORT_FIBRE || fibre > LONG_FIBRE ? "‡" : ""}`;
}

/**
 * Whether any head has its fibres at the end of their range.
 * @param {Page} page
 * @param {Answer} answer
 */
export function fibreEnds(page, answer) {
  return rowOf(page.tables.fibre, answer.geometry, answer.height).some((v) => v < SHORT_FIBRE || v > LONG_FIBRE);
}

/**
 * Activation of every head, in the order of the muscles; a second state as a hatched bar below.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {Answer | null} other
 * @param {State | null} otherState
 * @param {number} width
 */
export function activationChart(page, state, answer, other, otherState, width) {
  const { heads } = page.info;
  const narrow = width < 430;
  const numbers = other ? 92 : 52;
  // On a phone the parts of a muscle stand below its name.
  const labels = heads.map((/** @type {any} */ h) => (narrow && h.part ? `\u2003${h.part}` : h.label));
  const names = 14 + 6.75 * Math.max(...labels.map((/** @type {string} */ l) => l.length + 2));
  const wide = width - names - numbers - 8;
  const parts = [hatch("activation")];
  let y = 22;
  const first = y;
  let muscle = "";
  const zone = (/** @type {number} */ a) => names + wide * Math.min(1, a);
  heads.forEach((/** @type {any} */ head, /** @type {number} */ i) => {
    if (head.muscle !== muscle) {
      muscle = head.muscle;
      if (y > first) parts.push(line([[0, y - 1], [width, y - 1]], { stroke: RULE, "stroke-width": 1 }));
      y += 2;
      if (narrow && head.part) {
        parts.push(text(4, y + 15, head.muscle, { "font-size": 12.5, fill: SOFT }));
        y += 20;
      }
    }
    const a = answer.shared.activation[i];
    const chosen = i === state.head;
    const row = [
      tag("rect", { x: 0, y, width, height: ROW, fill: chosen ? "#e3eef6" : PAPER }),
      text(4, y + 15.5, `${labels[i]} ${marksOf(page, state, answer, i, otherState)}`, { "font-size": 13, "font-weight": chosen ? 700 : 400 }),
      tag("rect", { x: names, y: y + (other ? 3 : 5), width: Math.max(0, wide * a), height: other ? 8 : 12, fill: chosen ? MAIN : BAND, stroke: INK, "stroke-width": 0.6 }),
      text(names + wide + 6, y + 15.5, percent(a), { "font-size": 12.5, "font-weight": chosen ? 700 : 400 }),
    ];
    const mark = (/** @type {{low: number, high: number} | null} */ range, /** @type {number} */ middle, /** @type {number} */ half, /** @type {string} */ colour) => {
      if (!range) return;
      row.push(line([[zone(range.low), middle], [zone(range.high), middle]], { stroke: colour, "stroke-width": 1 }));
      for (const end of [range.low, range.high]) row.push(line([[zone(end), middle - half], [zone(end), middle + half]], { stroke: colour, "stroke-width": 1 }));
    };
    mark(rangeOf(page, state, answer, i), y + (other ? 7 : 11), 3, INK);
    if (other) {
      const b = other.shared.activation[i];
      row.push(tag("rect", { x: names, y: y + 12, width: Math.max(0, wide * b), height: 7, fill: "url(#activation-hatch)", stroke: OTHER, "stroke-width": 0.8 }));
      if (otherState) mark(rangeOf(page, otherState, other, i), y + 15.5, 2.5, INK);
      row.push(text(names + wide + 50, y + 15.5, percent(b), { "font-size": 12.5, fill: OTHER }));
    }
    parts.push(tag("g", { "data-head": i, style: "cursor:pointer" }, row));
    y += ROW;
  });
  for (const share of [0, 0.5, 1]) {
    parts.push(line([[zone(share), first - 2], [zone(share), y]], { stroke: share ? RULE : SOFT, "stroke-width": 1, "stroke-dasharray": share === 1 ? "3 3" : undefined }));
    if (!other || share !== 0.5) parts.push(text(zone(share), 14, percent(share), { "font-size": 11.5, fill: SOFT, "text-anchor": other && share === 1 ? "end" : "middle" }));
  }
  if (other) {
    parts.push(text(names + wide + 6, 14, "A", { "font-size": 12, "font-weight": 700 }));
    parts.push(text(names + wide + 50, 14, "B", { "font-size": 12, "font-weight": 700, fill: OTHER }));
  }
  const words = heads
    .map((/** @type {any} */ head, /** @type {number} */ i) => `${head.label} ${percent(answer.shared.activation[i])}${rangeWords(rangeOf(page, state, answer, i))}${other ? ` (B ${percent(other.shared.activation[i])}${otherState ? rangeWords(rangeOf(page, otherState, other, i)) : ""})` : ""}`)
    .join("; ");
  return drawing("activation", width, y + 4, "Activation of every head", words, parts);
}

/**
 * @param {{low: number, high: number} | null} range
 */
function rangeWords(range) {
  return range ? `, range ${percent(range.low)} to ${percent(range.high)}` : "";
}

/**
 * Moment of every head about a row [N·m], greatest help first, in the direction that is asked for.
 * @param {Answer} answer
 * @param {number} row
 */
export function makersOf(answer, row) {
  const { force } = answer.shared;
  const heads = force.length;
  const sign = answer.net[row] < 0 ? -1 : 1;
  return Array.from(force, (f, i) => ({ head: i, moment: sign * answer.arms[row * heads + i] * f })).sort((x, y) => y.moment - x.moment);
}

/**
 * Net moments and what the heads make of them, for each row in the direction that is asked for.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {Answer | null} other
 * @param {number} width
 */
export function momentChart(page, state, answer, other, width) {
  const { rows, heads } = page.info;
  const names = [];
  const parts = [hatch("moments")];
  const most = Math.max(
    10,
    ...rows.map((/** @type {any} */ _, /** @type {number} */ j) => {
      const made = makersOf(answer, j);
      return Math.max(Math.abs(other?.net[j] ?? 0), Math.abs(answer.net[j]), made.reduce((s, m) => s + Math.max(0, m.moment), 0), -made.reduce((s, m) => s + Math.min(0, m.moment), 0) * 1.6);
    }),
  );
  const zero = 0.3 * width;
  const scale = ((other ? 0.58 : 0.68) * width) / most; // room for the number of B
  let y = 6;
  for (let j = 0; j < rows.length; j++) {
    const net = answer.net[j];
    const toward = direction(rows[j], net);
    const balanced = answer.rows.includes(rows[j].name);
    const made = makersOf(answer, j);
    parts.push(text(0, y + 13, `${capital(toward.words)}: ${fixed(Math.abs(net), 1)} N·m${balanced ? "" : " (left out)"}`, { "font-weight": 700 }));
    y += 20;
    parts.push(tag("rect", { x: zero, y, width: Math.abs(net) * scale, height: 12, fill: INK }));
    y += 15;
    if (other) {
      const value = (net < 0 ? -1 : 1) * other.net[j];
      parts.push(tag("rect", { x: value < 0 ? zero + value * scale : zero, y: y - 2, width: Math.abs(value) * scale, height: 8, fill: "url(#moments-hatch)", stroke: OTHER }));
      parts.push(text(Math.max(zero, zero + value * scale) + 5, y + 6, `B ${fixed(value, 1)}`, { "font-size": 11.5, fill: OTHER }));
      y += 10;
    }
    const stack = (/** @type {typeof made} */ part, /** @type {number} */ way) => {
      let x = zero;
      for (const { head, moment } of part) {
        const wide = Math.abs(moment) * scale;
        if (wide < 0.4) continue;
        const chosen = head === state.head;
        parts.push(tag("rect", { x: way > 0 ? x : x - wide, y, width: wide, height: 15, fill: chosen ? MAIN : way > 0 ? "#b9c4d0" : "#e2d5c6", stroke: SOFT, "stroke-width": 0.7, "data-head": head }, tag("title", {}, `${heads[head].label}: ${fixed(moment, 1)} N·m`)));
        x += way * wide;
      }
    };
    stack(made.filter((m) => m.moment > 0), 1);
    stack(made.filter((m) => m.moment < 0).reverse(), -1);
    parts.push(line([[zero, y - 17], [zero, y + 17]], { stroke: INK, "stroke-width": 1.2 }));
    y += 29;
    const helpers = made.filter((m) => m.moment > 0.02 * most).slice(0, 3).map((m) => `${inSentence(heads[m.head])} ${fixed(m.moment, 1)}`);
    const against = made.filter((m) => m.moment < -0.02 * most).slice(-2).reverse().map((m) => `${inSentence(heads[m.head])} ${fixed(-m.moment, 1)}`);
    const said = `${helpers.length ? `Supplied by ${listed(helpers)} N·m` : "No head supplies it"}${against.length ? `; opposed by ${listed(against)} N·m` : ""}`;
    for (const words of wrapped(said, width, 12)) {
      parts.push(text(0, y, words, { "font-size": 12, fill: "#3d4654" }));
      y += 15;
    }
    names.push(`${toward.words} ${fixed(Math.abs(net), 1)} N·m. ${said}.`);
    y += 9;
  }
  return drawing("moments", width, y, "Net moments and the heads that supply them", names.join(" "), parts);
}

/**
 * Lines of a text that is to be no wider than this; letters are taken as half their size wide.
 * @param {string} words
 * @param {number} width
 * @param {number} size
 */
export function wrapped(words, width, size) {
  const most = Math.floor(width / (0.54 * size));
  /** @type {string[]} */
  const lines = [""];
  for (const word of words.split(" ")) {
    if (lines[lines.length - 1].length + word.length + 1 > most && lines[lines.length - 1]) lines.push("");
    lines[lines.length - 1] = `${lines[lines.length - 1]} ${word}`.trim();
  }
  return lines;
}

/**
 * The chosen head's fibre on its force–length curve, with the range of the lift.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {(Answer | null)[]} along
 * @param {Answer | null} other
 * @param {number} width
 */
export function fibreChart(page, state, answer, along, other, width) {
  const { curves, heads } = page.info;
  const tall = Math.min(250, 0.62 * width);
  const [left, right, top, bottom] = [44, width - 16, 14, tall - 40];
  const x = (/** @type {number} */ v) => left + ((v - 0.3) / 1.5) * (right - left);
  const y = (/** @type {number} */ v) => bottom - (Math.min(v, 1.25) / 1.25) * (bottom - top);
  const here = rowOf(page.tables.fibre, answer.geometry, answer.height)[state.head];
  const lengths = along.flatMap((a) => (a ? [rowOf(page.tables.fibre, a.geometry, a.height)[state.head]] : []));
  const [least, most] = [Math.min(...lengths), Math.max(...lengths)];
  const value = at(curves.x, curves.active, here);
  const parts = [hatch("fibre"), tag("rect", { x: x(least), y: top, width: Math.max(2, x(most) - x(least)), height: bottom - top, fill: "#e3eef6" })];
  for (const v of [0, 0.5, 1]) {
    parts.push(line([[left, y(v)], [right, y(v)]], { stroke: RULE, "stroke-width": 1 }));
    parts.push(text(left - 6, y(v) + 4, percent(v), { "font-size": 11.5, "text-anchor": "end", fill: SOFT }));
  }
  for (const v of [0.4, 0.6, 0.8, 1, 1.2, 1.4, 1.6, 1.8]) {
    parts.push(text(x(v), bottom + 16, fixed(v, 1), { "font-size": 11.5, "text-anchor": "middle", fill: SOFT }));
  }
  const curve = (/** @type {number[]} */ values) => curves.x.map((/** @type {number} */ v, /** @type {number} */ k) => [x(v), y(values[k])]).filter((/** @type {number[]} */ p) => p[1] > y(1.25) + 0.01);
  parts.push(line(curve(curves.active), { stroke: INK, "stroke-width": 2 }));
  parts.push(line(curve(curves.passive), { stroke: SOFT, "stroke-width": 2, "stroke-dasharray": "6 4" }));
  parts.push(line([[x(here), bottom], [x(here), y(value)]], { stroke: MAIN, "stroke-width": 1.4 }));
  parts.push(tag("circle", { cx: x(here), cy: y(value), r: 6, fill: MAIN, stroke: PAPER, "stroke-width": 1.5 }));
  if (other) {
    const there = rowOf(page.tables.fibre, other.geometry, other.height)[state.head];
    parts.push(tag("rect", { x: x(there) - 5, y: y(at(curves.x, curves.active, there)) - 5, width: 10, height: 10, fill: "url(#fibre-hatch)", stroke: OTHER, "stroke-width": 1.5 }));
  }
  parts.push(text((left + right) / 2, tall - 6, "fibre length ÷ peak fibre length", { "font-size": 12, "text-anchor": "middle" }));
  parts.push(text(x(1.02), y(1.08), "active", { "font-size": 12 }));
  parts.push(text(x(1.5), y(0.62), "passive", { "font-size": 12, fill: SOFT, "text-anchor": "end" }));
  return drawing("fibre", width, tall, `Fibre of ${inSentence(heads[state.head])} on its force–length curve`, fibreWords(page, state, answer, along), parts);
}

/**
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {(Answer | null)[]} along
 */
export function fibreWords(page, state, answer, along) {
  const { curves } = page.info;
  const here = rowOf(page.tables.fibre, answer.geometry, answer.height)[state.head];
  const lengths = along.flatMap((a) => (a ? [rowOf(page.tables.fibre, a.geometry, a.height)[state.head]] : []));
  const value = at(curves.x, curves.active, here);
  const stretch = here > 1.05 ? "longer than the peak" : here < 0.95 ? "shorter than the peak" : "near the peak";
  const last = lengths[lengths.length - 1];
  const most = Math.max(...lengths);
  const least = Math.min(...lengths);
  const between =
    most > Math.max(lengths[0], last) + 0.005
      ? ` by way of ${fixed(most, 2)}`
      : least < Math.min(lengths[0], last) - 0.005
        ? ` by way of ${fixed(least, 2)}`
        : "";
  return `The fibre is at ${fixed(here, 2)} of its peak fibre length, ${stretch}; there its active force can reach ${percent(value)} of the greatest. Over the lift the length goes from ${fixed(lengths[0], 2)}${between} to ${fixed(last, 2)}.`;
}

/**
 * Value of a curve between its points.
 * @param {number[]} xs
 * @param {number[]} ys
 * @param {number} x
 */
function at(xs, ys, x) {
  const k = Math.max(1, Math.min(xs.length - 1, xs.findIndex((v) => v >= x)));
  const share = Math.max(0, Math.min(1, (x - xs[k - 1]) / (xs[k] - xs[k - 1])));
  return ys[k - 1] + share * (ys[k] - ys[k - 1]);
}

/**
 * @typedef {object} Series
 * @property {string} label
 * @property {(number | null)[]} values
 * @property {boolean} [second]  of the second state
 */

const DASHES = [undefined, "7 4", "2 3", "9 3 2 3"];
const COLOURS = [MAIN, "#7a3b8f", "#3c6e1f", "#1c2430"];

const ALIKE = 0.01;

/**
 * Curves of which no one hides another: those that run within a hundredth of the scale of each
 * other have one line with both names.
 * @param {Series[]} series
 * @returns {Series[]}
 */
export function joined(series) {
  const known = series.flatMap((s) => s.values.filter((v) => v !== null && Number.isFinite(v)).map(Number));
  const near = ALIKE * (Math.max(0, ...known) - Math.min(0, ...known));
  /** @type {Series[]} */
  const out = [];
  for (const s of series) {
    const level = (/** @type {number | null} */ a, /** @type {number | null} */ b) => (a === null || b === null ? a === b : Math.abs(a - b) < near);
    const k = out.findIndex((t) => !t.second && !s.second && t.values.every((v, h) => level(v, s.values[h])));
    if (k < 0) out.push(s);
    else out[k] = { ...out[k], label: `${out[k].label} and ${s.label.split(", ").at(-1)}` };
  }
  return out;
}

/**
 * Curves along the lift, each with its own dash and its name at its end.
 * @param {Page} page
 * @param {State} state
 * @param {Series[]} series  four at most, and as many of the second state
 * @param {string} title
 * @param {string} unit
 * @param {number} width
 */
export function alongChart(page, state, series, title, unit, width) {
  const { heights } = page.info;
  const tall = Math.max(210, Math.min(280, 0.55 * width));
  const key = wrappedKey(series, width);
  const [left, right, top, bottom] = [46, width - 22, 28, tall - 40];
  const known = series.flatMap((s) => s.values.filter((v) => v !== null && Number.isFinite(v)));
  const low = Math.min(0, .../** @type {number[]} */ (known));
  const high = Math.max(low + 1e-6, .../** @type {number[]} */ (known)) || 1;
  const marks = ticks(low, high, 5);
  const top_ = Math.max(high, marks[marks.length - 1]);
  const x = (/** @type {number} */ f) => left + f * (right - left);
  const y = (/** @type {number} */ v) => bottom - ((v - low) / (top_ - low)) * (bottom - top);
  const parts = [];
  for (const v of marks) {
    parts.push(line([[left, y(v)], [right, y(v)]], { stroke: v === 0 ? SOFT : RULE, "stroke-width": 1 }));
    parts.push(text(left - 6, y(v) + 4, fixed(v, marks[1] - marks[0] < 1 ? 1 : 0), { "font-size": 11.5, "text-anchor": "end", fill: SOFT }));
  }
  for (const f of [0, 0.25, 0.5, 0.75, 1]) {
    parts.push(text(x(f), bottom + 16, percent(f), { "font-size": 11.5, "text-anchor": "middle", fill: SOFT }));
  }
  const here = heights[state.height];
  parts.push(line([[x(here), top - 6], [x(here), bottom]], { stroke: INK, "stroke-width": 1.2, "stroke-dasharray": "2 2" }));
  series.forEach((s, k) => {
    const colour = s.second ? OTHER : COLOURS[k % COLOURS.length];
    const dash = s.second ? "1.5 3.5" : DASHES[k % DASHES.length];
    for (const run of runs(s.values)) {
      parts.push(line(run.map(([f, v]) => [x(heights[f]), y(v)]), { stroke: colour, "stroke-width": s.second ? 2.6 : 2.2, "stroke-dasharray": dash }));
    }
    const now = s.values[state.height];
    if (now !== null && Number.isFinite(now)) {
      parts.push(s.second ? tag("rect", { x: x(here) - 4, y: y(now) - 4, width: 8, height: 8, fill: PAPER, stroke: colour, "stroke-width": 2 }) : tag("circle", { cx: x(here), cy: y(now), r: 4.5, fill: colour }));
    }
  });
  parts.push(text((left + right) / 2, tall - 6, "height, chest to lock-out", { "font-size": 12, "text-anchor": "middle" }));
  parts.push(text(4, 13, unit, { "font-size": 12, fill: SOFT }));
  key.forEach(({ label, k, second, x: kx, y: ky }) => {
    const colour = second ? OTHER : COLOURS[k % COLOURS.length];
    parts.push(line([[kx, tall + ky - 4], [kx + 26, tall + ky - 4]], { stroke: colour, "stroke-width": 2.4, "stroke-dasharray": second ? "1.5 3.5" : DASHES[k % DASHES.length] }));
    parts.push(text(kx + 31, tall + ky, label, { "font-size": 12.5 }));
  });
  const deep = key.length ? key[key.length - 1].y + 8 : 0;
  const words = series
    .map((s) => `${s.label}: ${s.values.map((v, h) => (v === null || !Number.isFinite(v) ? "" : `${fixed(v, 1)} at ${percent(heights[h])}`)).filter((_, h) => h % 2 === 0).join(", ")}`)
    .join("; ");
  return drawing("along", width, tall + deep, `${title} along the lift`, `${unit}. ${words}`, parts);
}

/**
 * Places of the names below a chart.
 * @param {Series[]} series
 * @param {number} width
 */
function wrappedKey(series, width) {
  let x = 0;
  let y = 14;
  return series.map((s, k) => {
    const wide = 31 + 7.1 * s.label.length + 16;
    if (x > 0 && x + wide > width) {
      x = 0;
      y += 18;
    }
    const place = { label: s.label, k, second: Boolean(s.second), x, y };
    x += wide;
    return place;
  });
}

/**
 * Stretches without a gap, as pairs of height and value.
 * @param {(number | null)[]} values
 * @returns {number[][][]}
 */
function runs(values) {
  /** @type {number[][][]} */
  const out = [[]];
  values.forEach((v, h) => {
    if (v === null || !Number.isFinite(v)) out.push([]);
    else out[out.length - 1].push([h, v]);
  });
  return out.filter((run) => run.length > 1);
}

