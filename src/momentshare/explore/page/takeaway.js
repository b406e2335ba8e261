/**
 * What can be taken away: drawings, an animation, a table, a worksheet. Each says what it is.
 */
import { armKey, armView, numberedHeads } from "./arm.js";
import { wrapped } from "./charts.js";
import { answerAt } from "./compute.js";
import { rowOf } from "./payload.js";
import { element, INK, markup, PAPER, short, SOFT, tag, text, zoom } from "./svg.js";
import { percent, safe } from "./words.js";

/** @typedef {import("./compute.js").Page} Page */
/** @typedef {import("./compute.js").State} State */
/** @typedef {import("./compute.js").Answer} Answer */

const CAUTION = "Model estimate, not a measurement; not medical or coaching advice.";

/**
 * A drawing to be put into another.
 * @typedef {object} Piece
 * @property {string} svg
 * @property {number} width
 * @property {number} height
 * @property {string} [label]  stands above a row that begins with this drawing
 */

/**
 * Caption below everything that leaves the page.
 * @param {Page} page
 * @param {string} stateWords
 */
export function captionOf(page, stateWords) {
  return `${stateWords}. ${CAUTION} ${page.info.note} momentshare ${page.info.version}.`;
}

/**
 * The key of numbered heads in a line.
 * @param {string[]} names
 */
export function keyWords(names) {
  return `Heads by number: ${names.map((name, k) => `${k + 1} ${name}`).join(", ")}.`;
}

/**
 * Put drawings below each other, or side by side where they fit, with a title and a caption.
 * @param {Piece[]} pieces
 * @param {string} title
 * @param {string} caption
 * @returns {Piece}
 */
export function sheet(pieces, title, caption) {
  const width = Math.max(520, ...pieces.map((p) => p.width), pieces.length > 1 ? pieces[0].width + pieces[1].width + 16 : 0) + 24;
  const parts = [];
  let [x, y, deep] = [12, 40, 0];
  for (const piece of pieces) {
    if (x > 12 && x + piece.width > width) [x, y, deep] = [12, y + deep + 14, 0];
    if (piece.label) {
      for (const words of wrapped(piece.label, width - 24, 13)) {
        parts.push(markup(text(12, y + 12, words, { "font-weight": 600 })));
        y += 20;
      }
    }
    parts.push(piece.svg.replace("<svg ", `<svg x="${short(x)}" y="${short(y)}" `));
    x += piece.width + 16;
    deep = Math.max(deep, piece.height);
  }
  y += deep + 22;
  const lines = wrapped(caption, width - 24, 12);
  const words = lines.map((line, k) => text(12, y + 16 * k, `${line} `, { "font-size": 12, fill: SOFT }));
  const height = y + 16 * lines.length;
  const first = [tag("title", {}, title), tag("rect", { width, height, fill: PAPER }), text(12, 25, title, { "font-size": 17, "font-weight": 700, fill: INK })];
  const inner = markup(first) + parts.join("") + markup(words);
  const svg = element("svg", { xmlns: "http://www.w3.org/2000/svg", width, height, viewBox: `0 0 ${short(width)} ${short(height)}`, "font-family": "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif" }, inner);
  return { svg, width, height };
}

/**
 * A table as a drawing, for the panel whose picture is one.
 * @param {string[][]} rows  the first holds the heads of the columns
 * @param {string[]} below
 * @returns {Piece}
 */
export function tableDrawing(rows, below) {
  const wide = rows[0].map((_, c) => 24 + Math.max(8.4 * rows[0][c].length, ...rows.map((r) => 7.4 * (r[c] ?? "").length)));
  const width = wide.reduce((a, b) => a + b, 0);
  const parts = rows.flatMap((row, r) => {
    let x = 0;
    return row.map((cell, c) => {
      const at = c === 0 ? x : x + wide[c] - 8;
      x += wide[c];
      return text(at, 18 + 22 * r, cell, { "font-weight": r === 0 ? 700 : 400, "text-anchor": c === 0 ? "start" : "end" });
    });
  });
  const top = 18 + 22 * rows.length + 8;
  parts.push(...below.map((line, k) => text(0, top + 20 * k, line)));
  const height = top + 20 * below.length;
  return { svg: markup(tag("svg", { width, height, viewBox: `0 0 ${short(width)} ${short(height)}` }, parts)), width, height };
}

/**
 * The lift up and down again, as a drawing that moves.
 * @param {Page} page
 * @param {State} state
 * @param {(Answer | null)[]} along
 * @param {import("./arm.js").Scale} full
 * @param {string} caption
 */
export function animation(page, state, along, full, caption) {
  const width = 460;
  const wide = width * zoom.factor;
  const numbered = numberedHeads(along);
  const known = along.map((_, h) => h).filter((h) => along[h]);
  const order = [...known, ...known.slice(1, -1).reverse()];
  const frames = known.map((h) => {
    const answer = /** @type {Answer} */ (along[h]);
    const views = ["front", "side"].map((view) => armView(page, { ...state, height: h }, answer, view, width, full, `m${h}-${view}`, numbered));
    const size = views.map((v) => Number(v.look.height));
    const shown = order.map((k) => (k === h ? "visible" : "hidden"));
    const times = order.map((_, k) => String(Math.round((1e4 * k) / order.length) / 1e4));
    const move = tag("animate", { attributeName: "visibility", calcMode: "discrete", dur: `${short(0.22 * order.length)}s`, repeatCount: "indefinite", values: shown.join(";"), keyTimes: times.join(";") });
    const words = text(8, 18, `${percent(page.info.heights[h])} of the way up`, { "font-weight": 700 });
    const placed = views.map((v, k) => ({ ...v, look: { x: k * (wide + 16), y: 26, ...v.look } }));
    return { shape: tag("g", { visibility: "hidden" }, [move, words, ...placed]), height: Math.max(...size) + 26 };
  });
  const height = Math.max(...frames.map((f) => f.height));
  const body = markup(tag("svg", { width: 2 * wide + 16, height }, frames.map((f) => f.shape)));
  return sheet([{ svg: body, width: 2 * wide + 16, height }], "The lift, up and down", `${keyWords(armKey(page, state, null, numbered))} ${caption}`).svg;
}

/**
 * All heads of the states as a table of comma-separated values.
 * @param {Page} page
 * @param {{name: string, state: State}[]} states
 * @param {(state: State) => string} say
 */
export function csvOf(page, states, say) {
  const { info } = page;
  const rows = info.rows.map((/** @type {any} */ r) => r.name);
  const head = ["state", "settings", "height_fraction", "head", "activation", "force_n", "capacity_n", "passive_force_n", "fibre_length", ...rows.map((/** @type {string} */ r) => `arm_${r}_cm`), ...rows.map((/** @type {string} */ r) => `moment_${r}_nm`), "note"];
  const lines = [head.join(",")];
  for (const { name, state } of states) {
    info.heights.forEach((/** @type {number} */ fraction, /** @type {number} */ h) => {
      const answer = answerAt(page, state, h);
      if (!answer) return;
      const fibre = rowOf(page.tables.fibre, answer.geometry, h);
      info.heads.forEach((/** @type {any} */ one, /** @type {number} */ i) => {
        const arms = rows.map((/** @type {string} */ _, /** @type {number} */ j) => answer.arms[j * info.heads.length + i]);
        const force = answer.shared.force[i];
        const cells = [name, say({ ...state, height: h }), fraction, one.id, answer.shared.activation[i], force, answer.problem.capacity[i], answer.problem.passive[i], fibre[i], ...arms.map((/** @type {number} */ a) => 100 * a), ...arms.map((/** @type {number} */ a) => a * force), CAUTION];
        lines.push(cells.map(cell).join(","));
      });
    });
  }
  return `${lines.join("\n")}\n`;
}

/**
 * @param {string | number} value
 */
function cell(value) {
  if (typeof value === "number") return String(Number(value.toPrecision(6)));
  return /[",\n]/.test(value) ? `"${value.replaceAll('"', '""')}"` : value;
}

/**
 * A sheet of questions to print.
 * @param {Page} page
 * @param {{question: import("./questions.js").Question, options: string[], right: number, because: string, settings: string}[]} items
 * @param {boolean} answers
 * @param {string} picture
 * @param {string} caption
 */
export function worksheet(page, items, answers, picture, caption) {
  const list = items.map(({ question, options, right, because, settings }) => {
    const choices = options.map((o, k) => `<li>${answers && k === right ? `<strong>☒ ${safe(o)}</strong>` : `☐ ${safe(o)}`}</li>`).join("");
    const room = answers ? `<p class="because">${safe(because)}</p>` : `<p class="write">Answer of the page:</p><div class="lines"></div><p class="write">Why:</p><div class="lines"></div>`;
    return `<li><h3>${safe(question.ask)}</h3><p class="settings">${safe(settings)}</p><p>${safe(question.look)}</p><ul class="choices">${choices}</ul>${room}</li>`;
  });
  return `<h2>${safe(page.info.title)}: worksheet${answers ? " with answers" : ""}</h2>${answers ? "" : '<p class="write">Name: ______________________ Date: ______________</p>'}<p>Predict first. Then open the question on the page and reveal the answer.</p><div class="figure">${picture}</div><ol>${list.join("")}</ol><p class="caption">${safe(caption)}</p>`;
}

/**
 * Let the browser save a text or a picture.
 * @param {string} name
 * @param {Blob} blob
 */
export function save(name, blob) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

/**
 * A drawing as a picture of twice its size in dots.
 * @param {Piece} piece
 * @returns {Promise<Blob>}
 */
export async function picture(piece) {
  const image = new Image();
  image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(piece.svg)}`;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = 2 * piece.width;
  canvas.height = 2 * piece.height;
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  context.drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((done, fail) => canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error("no picture"))), "image/png"));
}

/** Name for a file that is taken away. */
export const FILE = "momentshare";
