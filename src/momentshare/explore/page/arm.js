/**
 * The arm, drawn to scale from the solved posture, from the front across the bar and from the side
 * along it: force of the hand, its distances from elbow and shoulder, and the heads that pull.
 */
import { limitsOf } from "./limits.js";
import { rowOf } from "./payload.js";
import { area, arrow, BAND, drawing, INK, line, MAIN, OTHER, PAPER, SOFT, tag, text } from "./svg.js";
import { fixed, inSentence, listed, percent } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */
/** @typedef {import("./svg.js").Shape} Shape */

/**
 * The force of the hand in a view.
 * @typedef {object} Seen
 * @property {number[]} hand      [m]
 * @property {number[]} force     to the right of the page and upward [N]
 * @property {number} size        [N]
 * @property {Lever[]} levers
 */

/**
 * @typedef {object} Lever
 * @property {string} joint
 * @property {number[]} at        the joint [m]
 * @property {number[]} foot      nearest point of the line of action [m]
 * @property {number} distance    [m]
 * @property {number} moment      distance times force [N·m]
 */

/**
 * Forces that the widest band and the longest arrow stand for [N].
 * @typedef {object} Scale
 * @property {number} band
 * @property {number} arrow
 */

const VIEWS = ["front", "side"];
const FORCE_LENGTH = 0.17;
const BAND_WIDTH = 0.026;
const LABELLED = 6;
/** Radius of a number [px]. */
const MARK = 8;

/**
 * Unit vectors of the page of a view in the thorax frame.
 * @param {Page} page
 * @param {number} press
 * @param {number} height
 * @param {string} view
 */
function axesOf(page, press, height, view) {
  const up = Array.from(rowOf(page.tables.up, press, height));
  let out = Array.from(rowOf(page.tables.outward, press, height));
  const rise = dot(out, up);
  out = out.map((v, k) => v - rise * up[k]);
  const length = Math.hypot(...out);
  out = out.map((v) => v / length);
  const side = [up[1] * out[2] - up[2] * out[1], up[2] * out[0] - up[0] * out[2], up[0] * out[1] - up[1] * out[0]];
  return { right: view === "front" ? out : side, up };
}

/**
 * @param {number[]} a
 * @param {ArrayLike<number>} b
 */
function dot(a, b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/**
 * Force of the hand and its moment arms about elbow and shoulder, as a view shows them.
 * @param {Page} page
 * @param {Answer} answer
 * @param {string} view
 * @returns {Seen}
 */
export function seenForce(page, answer, view) {
  const { right, up } = axesOf(page, answer.press, answer.height, view);
  const joints = rowOf(page.tables.joints, answer.geometry, answer.height);
  const at = (/** @type {number} */ k) => {
    const point = joints.subarray(3 * k, 3 * k + 3);
    return [dot(right, point), dot(up, point)];
  };
  const outward = rowOf(page.tables.outward, answer.press, answer.height);
  // The ground pushes a hand up as much as the hand pushes down; the drawn force is the hand's.
  const sign = page.info.presses[answer.press].kind === "push_up" ? -1 : 1;
  const force = [
    answer.push * dot(right, outward),
    sign * answer.vertical + answer.push * dot(up, outward),
  ];
  const size = Math.hypot(...force);
  const hand = at(3);
  const levers = ["shoulder", "elbow"].map((joint, k) => {
    const centre = at(k);
    const arm = [hand[0] - centre[0], hand[1] - centre[1]];
    const moment = arm[0] * force[1] - arm[1] * force[0];
    const along = size > 0 ? (arm[0] * force[0] + arm[1] * force[1]) / size ** 2 : 0;
    return {
      joint,
      at: centre,
      foot: [hand[0] - along * force[0], hand[1] - along * force[1]],
      distance: size > 0 ? Math.abs(moment) / size : 0,
      moment: Math.abs(moment),
    };
  });
  return { hand, force, size, levers };
}

/**
 * Heads that are drawn, most force first.
 * @param {Answer} answer
 */
export function pulling(answer) {
  const { force } = answer.shared;
  const least = Math.max(5, 0.02 * Math.max(...force));
  return Array.from(force.keys())
    .filter((i) => force[i] >= least)
    .sort((i, j) => force[j] - force[i]);
}

/**
 * Draw one view.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {string} view
 * @param {number} width
 * @param {Scale} full
 * @param {string} id
 * @param {number[]} numbered  heads that bear a number, in the order of the key
 */
export function armView(page, state, answer, view, width, full, id, numbered) {
  const { info, tables } = page;
  const { press, geometry, height } = answer;
  const { right, up } = axesOf(page, press, height, view);
  const outlines = info.outlines[info.presses[press].outline][view];
  const frame = frameOf(page, press, geometry, view, right, up);
  const scale = width / frame.width;
  const tall = frame.height * scale;
  const [restX, restY] = atRest(page, press, geometry, height, right, up);
  const put = (/** @type {number[]} */ p) => [(p[0] - restX - frame.left) * scale, (frame.top - p[1] + restY) * scale];
  const flat = (/** @type {ArrayLike<number>} */ p) => put([dot(right, p), dot(up, p)]);
  const clip = `${id}-clip`;
  const parts = [
    tag("defs", {}, tag("clipPath", { id: clip }, tag("rect", { width, height: tall }))),
    tag("rect", { width, height: tall, fill: PAPER }),
  ];
  const body = [];
  const looks = /** @type {Record<string, string>} */ ({ bench: "#dfe3e8", trunk: "#f1ece2", neck: "#f1ece2", head: "#f1ece2" });
  for (const [part, corners] of Object.entries(outlines)) {
    body.push(area(/** @type {number[][]} */ (corners).map(put), { fill: looks[part], stroke: "#8a8371", "stroke-width": 1 }));
  }
  const girdle = pointsOf(rowOf(tables.girdle, geometry, height));
  const bone = { fill: "#ffffff", stroke: "#8a8371", "stroke-width": 1.2 };
  const count = girdle.length - 6;
  body.push(area(girdle.slice(2, 2 + count).map(flat), { ...bone, "fill-opacity": 0.75 }));
  body.push(line(girdle.slice(2 + count).map(flat), { stroke: "#8a8371", "stroke-width": 2.2 }));
  body.push(line(girdle.slice(0, 2).map(flat), { stroke: "#8a8371", "stroke-width": 5, "stroke-linecap": "round" }));
  const joints = pointsOf(rowOf(tables.joints, geometry, height)).map(flat);
  const [shoulder, elbow, wrist, hand] = joints;
  body.push(area(boneOutline(shoulder, elbow, [0.024, 0.012, 0.026], scale), bone));
  body.push(area(boneOutline(elbow, wrist, [0.024, 0.014, 0.022], scale), bone));
  body.push(tag("circle", { cx: shoulder[0], cy: shoulder[1], r: 0.024 * scale, ...bone }));
  body.push(...course(page, answer, right, up, put));
  body.push(...implement(page, state, press, view, hand, scale, width));
  const drawn = bands(page, answer, state, flat, (BAND_WIDTH * scale) / full.band, joints, numbered);
  body.push(...drawn.shapes);
  body.push(tag("circle", { cx: hand[0], cy: hand[1], r: 0.034 * scale, fill: "#ffffff", stroke: INK, "stroke-width": 1.4 }));
  parts.push(tag("g", { "clip-path": `url(#${clip})` }, body));
  const seen = seenForce(page, answer, view);
  parts.push(...forces(seen, put, FORCE_LENGTH / full.arrow, view, width, drawn.spots));
  parts.push(...ruler(width, tall, scale));
  const where = view === "front" ? frontWords(up, right) : "Seen from the person's right";
  parts.push(text(8, 18, where, { "font-size": 13, "font-weight": 600 }));
  return drawing(id, width, tall, `${where}: the arm at ${percent(info.heights[height])} of the way up`, viewWords(seen, view), parts);
}

/**
 * Point of the page of a view that stays where it is along the lift: the hands of a push-up, the
 * trunk otherwise.
 * @param {Page} page
 * @param {number} press
 * @param {number} geometry
 * @param {number} height
 * @param {number[]} right
 * @param {number[]} up
 */
function atRest(page, press, geometry, height, right, up) {
  if (page.info.presses[press].kind !== "push_up") return [0, 0];
  const hand = pointsOf(rowOf(page.tables.joints, geometry, height))[3];
  return [dot(right, hand), dot(up, hand)];
}

/**
 * Where the hand goes along the lift, a dot for each height; in a push-up the shoulder, since the
 * hands stay on the ground.
 * @param {Page} page
 * @param {Answer} answer
 * @param {number[]} right
 * @param {number[]} up
 * @param {(point: number[]) => number[]} put
 */
function course(page, answer, right, up, put) {
  const { info, tables } = page;
  const { press, geometry, height } = answer;
  const joint = info.presses[press].kind === "push_up" ? 0 : 3;
  const known = info.heights.map((/** @type {number} */ _, /** @type {number} */ h) => h).filter((/** @type {number} */ h) => rowOf(tables.reached, press, h)[0]);
  const now = atRest(page, press, geometry, height, right, up);
  const points = known.map((/** @type {number} */ h) => {
    const point = pointsOf(rowOf(tables.joints, geometry, h))[joint];
    const then = atRest(page, press, geometry, h, right, up);
    return put([dot(right, point) - then[0] + now[0], dot(up, point) - then[1] + now[1]]);
  });
  if (points.length < 2) return [];
  const [x, y] = points[points.length - 1];
  const name = height < info.heights.length - 2 && known.at(-1) === info.heights.length - 1 ? [text(x - 9, y + 4, "lock-out", { "font-size": 12, "text-anchor": "end", fill: SOFT })] : [];
  const dots = points.map((/** @type {number[]} */ [px, py]) => tag("circle", { cx: px, cy: py, r: 1.8, fill: SOFT }));
  return [line(points, { class: "course", stroke: SOFT, "stroke-width": 1, "stroke-dasharray": "1.5 3" }), ...dots, ...name];
}

/**
 * Say from where the front view is seen.
 * @param {number[]} up
 * @param {number[]} right
 */
function frontWords(up, right) {
  const toward = [right[1] * up[2] - right[2] * up[1], right[2] * up[0] - right[0] * up[2]];
  if (Math.abs(toward[1]) >= Math.abs(toward[0])) return `Seen from the ${toward[1] > 0 ? "head" : "feet"}`;
  return `Seen from ${toward[0] > 0 ? "the front" : "behind"}`;
}

/**
 * What a view shows, in words.
 * @param {Seen} seen
 * @param {string} view
 */
export function viewWords(seen, view) {
  const sideways = Math.abs(seen.force[0]);
  const way = view === "front" ? (seen.force[0] > 0 ? "outward" : "inward") : "along the body";
  const push = sideways >= 0.5 ? `, ${fixed(sideways)} N ${way}` : "";
  const levers = [...seen.levers].reverse().map((lever) => {
    const distance = `${fixed(100 * lever.distance, 2)} cm`;
    return `${distance} from the ${lever.joint} (${distance} × ${fixed(seen.size, 1)} N = ${fixed(lever.moment, 1)} N·m)`;
  });
  const vertical = `${fixed(Math.abs(seen.force[1]))} N ${seen.force[1] < 0 ? "down" : "up"}`;
  return `The hand pushes with ${fixed(seen.size)} N (${vertical}${push}). The line of this force passes ${listed(levers)}; the net moments are about the joints' own axes, to which the view is oblique, and include the weight of the arm.`;
}

/**
 * @param {Float64Array} row
 */
function pointsOf(row) {
  return Array.from({ length: row.length / 3 }, (_, k) => row.subarray(3 * k, 3 * k + 3));
}

/**
 * What the drawing has to hold, the same at every height of a press.
 * @param {Page} page
 * @param {number} press
 * @param {number} geometry
 * @param {string} view
 * @param {number[]} right
 * @param {number[]} up
 */
function frameOf(page, press, geometry, view, right, up) {
  const { info, tables } = page;
  const corners = Object.values(info.outlines[info.presses[press].outline][view]).flat();
  const xs = [];
  const ys = [];
  for (let h = 0; h < info.heights.length; h++) {
    const [restX, restY] = atRest(page, press, geometry, h, right, up);
    for (const point of pointsOf(rowOf(tables.joints, geometry, h))) {
      xs.push(dot(right, point) - restX);
      ys.push(dot(up, point) - restY);
    }
    ys.push(...corners.map((/** @type {number[]} */ c) => c[1] - restY));
  }
  const sign = info.presses[press].kind === "push_up" ? -1 : 1;
  const low = Math.min(...ys) - (sign < 0 ? FORCE_LENGTH + 0.08 : 0.05);
  const high = Math.max(...ys) + (sign > 0 ? FORCE_LENGTH + 0.08 : 0.12);
  const wide = 0.92 * (high - low);
  if (view === "front") {
    const left = -0.2 + Math.min(0, ...info.heights.map((/** @type {number} */ _, /** @type {number} */ h) => -atRest(page, press, geometry, h, right, up)[0]));
    const reach = Math.max(...xs) + 0.18;
    return { left, top: high, width: Math.max(reach - left, wide), height: high - low };
  }
  const middle = 0.5 * (Math.min(...xs) + Math.max(...xs));
  return { left: middle - 0.52 * wide, top: high, width: wide, height: high - low };
}

/**
 * Outline of a long bone, thicker at its ends.
 * @param {number[]} start
 * @param {number[]} end
 * @param {number[]} halves near, shaft, far [m]
 * @param {number} scale
 */
function boneOutline(start, end, halves, scale) {
  const length = Math.hypot(end[0] - start[0], end[1] - start[1]) || 1;
  const [x, y] = [(end[0] - start[0]) / length, (end[1] - start[1]) / length];
  const flare = Math.min(0.2 * length, 0.05 * scale);
  const stations = [0, flare, length - flare, length];
  const sizes = [halves[0], halves[1], halves[1], halves[2]].map((h) => h * scale);
  const side = (/** @type {number} */ s) =>
    stations.map((at, k) => [start[0] + at * x - s * sizes[k] * y, start[1] + at * y + s * sizes[k] * x]);
  return [...side(1), ...side(-1).reverse()];
}

/**
 * Bar, dumbbell or ground.
 * @param {Page} page
 * @param {State} state
 * @param {number} press
 * @param {string} view
 * @param {number[]} hand
 * @param {number} scale
 * @param {number} width
 */
function implement(page, state, press, view, hand, scale, width) {
  const look = { stroke: "#3d4654", "stroke-width": 0.026 * scale };
  if (page.info.presses[press].kind === "push_up") {
    const y = hand[1] + 0.034 * scale;
    return [line([[0, y], [width, y]], { class: "ground", stroke: "#3d4654", "stroke-width": 3 })];
  }
  const alone = state.task === "dumbbells" || !page.info.presses[press].lateral;
  if (view === "front") {
    const left = alone ? hand[0] - 0.13 * scale : -10;
    const rightEnd = alone ? hand[0] + 0.13 * scale : hand[0] + 0.14 * scale;
    const bar = line([[left, hand[1]], [rightEnd, hand[1]]], look);
    if (!alone) return [bar];
    const plate = { width: 0.035 * scale, height: 0.13 * scale, y: hand[1] - 0.065 * scale, fill: "#3d4654" };
    return [bar, tag("rect", { x: left, ...plate }), tag("rect", { x: rightEnd - 0.035 * scale, ...plate })];
  }
  return [tag("circle", { cx: hand[0], cy: hand[1], r: (alone ? 0.065 : 0.02) * scale, fill: "#3d4654" })];
}

/**
 * Bands along the paths of the heads that pull, with the numbers of the key.
 * @param {Page} page
 * @param {Answer} answer
 * @param {State} state
 * @param {(point: ArrayLike<number>) => number[]} flat
 * @param {number} perNewton  width [px/N]
 * @param {number[][]} joints  shoulder and elbow come first; their names need room
 * @param {number[]} numbered
 * @returns {{shapes: Shape[], spots: number[][]}}  the drawing, and where the numbers are
 */
function bands(page, answer, state, flat, perNewton, joints, numbered) {
  const { info, tables } = page;
  const points = pointsOf(rowOf(tables.paths, answer.geometry, answer.height)).map(flat);
  const firsts = [0];
  for (const size of info.path_sizes) firsts.push(firsts[firsts.length - 1] + size);
  const order = pulling(answer);
  const out = [];
  /** @type {Shape[]} */
  const marks = [];
  const chosen = state.head;
  for (const i of [...order].reverse().filter((k) => k !== chosen).concat(chosen)) {
    const force = answer.shared.force[i];
    const path = points.slice(firsts[i], firsts[i + 1]);
    const wide = Math.max(i === chosen ? 2 : 1, perNewton * force);
    const colour = i === chosen ? MAIN : BAND;
    out.push(line(path, { stroke: PAPER, "stroke-width": wide + 1.6, "stroke-opacity": 0.8 }));
    out.push(line(path, { stroke: colour, "stroke-width": wide, "stroke-opacity": i === chosen ? 0.95 : 0.8, ...(force > 0 ? {} : { "stroke-dasharray": "3 3" }) }));
  }
  const taken = [joints[0], joints[1]];
  numbered.forEach((i, k) => {
    if (!order.includes(i)) return;
    const path = points.slice(firsts[i], firsts[i + 1]);
    const { spot, on } = freeSpot(path, taken);
    taken.push(spot);
    if (on !== spot) marks.push(line([on, spot], { stroke: SOFT, "stroke-width": 1 }));
    const fill = i === chosen ? MAIN : PAPER;
    marks.push(tag("circle", { cx: spot[0], cy: spot[1], r: MARK, fill, stroke: i === chosen ? MAIN : SOFT }));
    marks.push(text(spot[0], spot[1] + 4, String(k + 1), { "font-size": 11, "text-anchor": "middle", fill: i === chosen ? PAPER : INK }));
  });
  return { shapes: [...out, ...marks], spots: taken.slice(2) };
}

/**
 * A place for the number of a path, away from other numbers: on the path, or beside it where the
 * path is seen end-on.
 * @param {number[][]} path
 * @param {number[][]} taken
 * @returns {{spot: number[], on: number[]}}  the number, and the point of the path it belongs to
 */
function freeSpot(path, taken) {
  let best = path[0];
  let room = -1;
  const clearOf = (/** @type {number[]} */ spot) => Math.min(40, ...taken.map((t) => Math.hypot(t[0] - spot[0], t[1] - spot[1])));
  const lengths = path.slice(1).map((p, k) => Math.hypot(p[0] - path[k][0], p[1] - path[k][1]));
  const whole = lengths.reduce((x, y) => x + y, 0);
  for (const share of [0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82]) {
    let left = share * whole;
    let k = 0;
    while (k < lengths.length - 1 && left > lengths[k]) left -= lengths[k++];
    const part = lengths[k] > 0 ? left / lengths[k] : 0;
    const spot = [path[k][0] + part * (path[k + 1][0] - path[k][0]), path[k][1] + part * (path[k + 1][1] - path[k][1])];
    const clear = clearOf(spot);
    if (clear > room + 4) [best, room] = [spot, clear];
  }
  if (room >= 2 * MARK) return { spot: best, on: best };
  for (const reach of [22, 32, 44]) {
    for (let turn = 0; turn < 12; turn++) {
      const spot = [best[0] + reach * Math.cos((turn * Math.PI) / 6), best[1] - reach * Math.sin((turn * Math.PI) / 6)];
      if (clearOf(spot) >= 2 * MARK + 2) return { spot, on: best };
    }
  }
  return { spot: best, on: best };
}

/**
 * Arrows of the hand's force, its line of action, and the distances from elbow and shoulder.
 * @param {Seen} seen
 * @param {(point: number[]) => number[]} put
 * @param {number} metres  length of an arrow [m/N]
 * @param {string} view
 * @param {number} width
 * @param {number[][]} spots  of the numbers of heads, which the words leave free
 */
function forces(seen, put, metres, view, width, spots) {
  if (seen.size < 0.5) return [];
  const tip = (/** @type {number} */ x, /** @type {number} */ y) => put([seen.hand[0] + metres * x, seen.hand[1] + metres * y]);
  const hand = put(seen.hand);
  const out = [];
  const along = seen.force.map((f) => f / seen.size);
  const feet = seen.levers.map((l) => (l.foot[0] - seen.hand[0]) * along[0] + (l.foot[1] - seen.hand[1]) * along[1]);
  const low = Math.min(0, ...feet) - 0.03;
  out.push(line([put([seen.hand[0] + low * along[0], seen.hand[1] + low * along[1]]), hand], { stroke: INK, "stroke-width": 1, "stroke-dasharray": "8 3 2 3" }));
  /** @type {number[][]} */
  const boxes = [];
  for (const lever of seen.levers) {
    const [at, foot] = [put(lever.at), put(lever.foot)];
    out.push(line([at, foot], { stroke: OTHER, "stroke-width": 2.4 }));
    out.push(tag("circle", { cx: at[0], cy: at[1], r: 3.2, fill: OTHER }));
    const words = `${lever.joint} ${fixed(100 * lever.distance, 1)} cm`;
    const place = wordsPlace(at, foot, words, width, [...spots, hand], boxes);
    boxes.push(place.box);
    out.push(...halo(place.x, place.y, words, place.anchor));
  }
  const [sideways, vertical] = seen.force;
  if (Math.abs(sideways) > 0.005 * seen.size && Math.abs(vertical) > 0.005 * seen.size) {
    out.push(...arrow(hand, tip(0, vertical), { stroke: SOFT, "stroke-width": 1.6, "stroke-dasharray": "5 3" }));
    out.push(...arrow(hand, tip(sideways, 0), { stroke: SOFT, "stroke-width": 1.6, "stroke-dasharray": "2 2" }));
    if (view === "front") {
      // Above the bar, clear of the hand.
      const clear = put([seen.hand[0] + (sideways > 0 ? 1 : -1) * Math.max(0.045, Math.abs(metres * sideways)), seen.hand[1] + 0.025]);
      out.push(...halo(clear[0], clear[1], `${fixed(Math.abs(sideways))} N ${sideways > 0 ? "outward" : "inward"}`, sideways > 0 ? "start" : "end"));
    }
  }
  const end = tip(sideways, vertical);
  out.push(...arrow(hand, end, { stroke: INK, "stroke-width": 3 }));
  // On the side to which it leans, clear of the vertical part.
  const lean = sideways < 0 ? -1 : 1;
  out.push(...halo(end[0] + 8 * lean, end[1] + (vertical > 0 ? 12 : -2), `${fixed(seen.size)} N`, lean > 0 ? "start" : "end", 700));
  return out;
}

/**
 * Where the words beside a joint cover least of numbers and other words: beyond the joint first.
 * @param {number[]} at
 * @param {number[]} foot
 * @param {string} words
 * @param {number} width
 * @param {number[][]} spots
 * @param {number[][]} boxes  left, top, right and bottom of words that are there already
 */
function wordsPlace(at, foot, words, width, spots, boxes) {
  const wide = 7 * words.length;
  const beyond = at[0] >= foot[0] ? 1 : -1;
  let best = { x: at[0], y: at[1], anchor: "start", box: [0, 0, 0, 0] };
  let least = Infinity;
  for (const aside of [14, 30, 46]) {
    for (const side of [beyond, -beyond]) {
      for (const lower of [20, -10, 34, -24, 4]) {
        const [x, y] = [at[0] + side * aside, at[1] + lower];
        const left = side > 0 ? x : x - wide;
        const box = [left, y - 12, left + wide, y + 4];
        const covered = spots.filter(([px, py]) => px > box[0] - 9 && px < box[2] + 9 && py > box[1] - 9 && py < box[3] + 9).length;
        const met = boxes.filter((b) => b[0] < box[2] && b[2] > box[0] && b[1] < box[3] && b[3] > box[1]).length;
        const outside = left < 2 || left + wide > width - 2;
        const cost = covered + 3 * met + 9 * Number(outside);
        if (cost < least) [best, least] = [{ x, y, anchor: side > 0 ? "start" : "end", box }, cost];
      }
    }
  }
  return best;
}

/**
 * Words that stay readable on anything.
 * @param {number} x
 * @param {number} y
 * @param {string} words
 * @param {string} anchor
 * @param {number} [weight]
 */
function halo(x, y, words, anchor, weight = 400) {
  const look = { "text-anchor": anchor, "font-size": 12.5, "font-weight": weight };
  return [text(x, y, words, { ...look, stroke: PAPER, "stroke-width": 4, "stroke-linejoin": "round", "aria-hidden": "true" }), text(x, y, words, look)];
}

/**
 * @param {number} width
 * @param {number} tall
 * @param {number} scale
 */
function ruler(width, tall, scale) {
  const y = tall - 10;
  const x = width - 12 - 0.1 * scale;
  return [line([[x, y - 4], [x, y], [x + 0.1 * scale, y], [x + 0.1 * scale, y - 4]], { stroke: INK, "stroke-width": 1.2 }), text(x - 6, y, "10 cm", { "font-size": 11.5, "text-anchor": "end" })];
}

/**
 * Both views side by side, and the key of the numbered heads.
 * @param {Page} page
 * @param {State} state
 * @param {Answer} answer
 * @param {number} width
 * @param {Scale} full
 * @param {string} id
 * @param {number[]} numbered
 * @returns {Shape[]}
 */
export function armViews(page, state, answer, width, full, id, numbered) {
  return VIEWS.map((view) => armView(page, state, answer, view, width, full, `${id}-${view}`, numbered));
}

/**
 * Heads that bear a number, those with the greatest force along the lift: the same at every height,
 * so that a number keeps its meaning while the arm moves.
 * @param {(Answer | null)[]} along
 * @returns {number[]}
 */
export function numberedHeads(along) {
  const known = along.flatMap((answer) => (answer ? [answer.shared.force] : []));
  if (!known.length) return [];
  const most = Array.from(known[0], (_, i) => Math.max(...known.map((force) => force[i])));
  return Array.from(most.keys())
    .sort((i, j) => most[j] - most[i])
    .slice(0, LABELLED);
}

/**
 * The numbered heads in words, with the force of one answer, or none.
 * @param {Page} page
 * @param {State} state
 * @param {Answer | null} answer
 * @param {number[]} numbered
 */
export function armKey(page, state, answer, numbered) {
  return numbered.map((i) => {
    const name = `${inSentence(page.info.heads[i])}${limitsOf(page, state, i, null, "force_marks").length ? " †" : ""}`;
    return answer ? `${name} ${fixed(answer.shared.force[i])} N` : name;
  });
}

/**
 * Scales that hold the forces of some answers.
 * @param {(Answer | null)[]} answers
 * @returns {Scale}
 */
export function scaleOf(answers) {
  const full = { band: 100, arrow: 100 };
  for (const answer of answers) {
    if (!answer) continue;
    full.band = Math.max(full.band, ...answer.shared.force);
    full.arrow = Math.max(full.arrow, Math.hypot(answer.vertical, answer.push));
  }
  return full;
}
