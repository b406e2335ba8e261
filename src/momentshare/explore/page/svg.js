/**
 * Pieces of drawings, which dom.js puts into the page and `markup` writes as text. Sizes are pixels
 * of the page, so that letters keep theirs on a phone.
 */
import { safe } from "./words.js";

export const INK = "#1c2430";
export const SOFT = "#5b6675";
export const RULE = "#c9ced6";
export const MAIN = "#0f5c8c";
export const OTHER = "#a8490a";
export const BAND = "#8795a6";
export const PAPER = "#ffffff";

/** @typedef {Record<string, string | number | undefined>} Look */

/**
 * An element of a drawing or of the page.
 * @typedef {object} Shape
 * @property {string} name
 * @property {Look} look
 * @property {(Shape | string)[]} inner
 */

/** What can be drawn: an element, words, or several. @typedef {Shape | string | (Shape | string)[]} Drawn */

/**
 * @param {string} name
 * @param {Look} look
 * @param {Drawn} [inner]
 * @returns {Shape}
 */
export function tag(name, look, inner = []) {
  return { name, look, inner: Array.isArray(inner) ? inner.filter((part) => part !== "") : inner === "" ? [] : [inner] };
}

/**
 * What is drawn, as text.
 * @param {Drawn} drawn
 * @returns {string}
 */
export function markup(drawn) {
  if (Array.isArray(drawn)) return drawn.map(markup).join("");
  return typeof drawn === "string" ? safe(drawn) : element(drawn.name, drawn.look, markup(drawn.inner));
}

/**
 * An element as text.
 * @param {string} name
 * @param {Look} look
 * @param {string} inner  as text
 */
export function element(name, look, inner) {
  let written = "";
  for (const key in look) if (look[key] !== undefined) written += ` ${key}="${safe(valueOf(look[key]))}"`;
  return `<${name}${written}>${inner}</${name}>`;
}

/**
 * An attribute as it is written.
 * @param {string | number | undefined} value
 */
export function valueOf(value) {
  return typeof value === "number" ? short(value) : String(value);
}

/** @param {number} value */
export function short(value) {
  return String(Math.round(value * 100) / 100);
}

/**
 * @param {number} x
 * @param {number} y
 * @param {string} words
 * @param {Look} [look]
 */
export function text(x, y, words, look = {}) {
  return tag("text", { x, y, fill: INK, "font-size": 13, ...look }, words);
}

/**
 * @param {number[][]} points
 * @param {Look} look
 */
export function line(points, look) {
  const path = points.map(([x, y]) => `${short(x)},${short(y)}`).join(" ");
  return tag("polyline", { points: path, fill: "none", "stroke-linejoin": "round", ...look });
}

/**
 * @param {number[][]} points
 * @param {Look} look
 */
export function area(points, look) {
  const path = points.map(([x, y]) => `${short(x)},${short(y)}`).join(" ");
  return tag("polygon", { points: path, "stroke-linejoin": "round", ...look });
}

/** How many pixels of the page a pixel of a drawing is: more where the page is thrown on a wall. */
export const zoom = { factor: 1 };

/**
 * A whole drawing with its name and what it shows, for those who cannot see it.
 * @param {string} id
 * @param {number} width
 * @param {number} height
 * @param {string} title
 * @param {string} words
 * @param {(Shape | string)[]} inner
 */
export function drawing(id, width, height, title, words, inner) {
  return tag(
    "svg",
    {
      xmlns: "http://www.w3.org/2000/svg",
      width: width * zoom.factor,
      height: height * zoom.factor,
      viewBox: `0 0 ${short(width)} ${short(height)}`,
      role: "img",
      "aria-labelledby": `${id}-title`,
      "aria-describedby": `${id}-desc`,
      "font-family": "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif",
    },
    [tag("title", { id: `${id}-title` }, title), tag("desc", { id: `${id}-desc` }, words), ...inner],
  );
}

/**
 * A hatch for what belongs to the second state; a page may hold one name once only.
 * @param {string} id  of the drawing
 */
export function hatch(id) {
  const stripes = [tag("rect", { width: 6, height: 6, fill: "#f7e6da" }), tag("rect", { width: 2.4, height: 6, fill: OTHER })];
  const look = { id: `${id}-hatch`, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" };
  return tag("defs", {}, tag("pattern", look, stripes));
}

/**
 * An arrow from one point to another; nothing where they are close.
 * @param {number[]} from
 * @param {number[]} to
 * @param {Look} look
 */
export function arrow(from, to, look) {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  if (length < 3) return [];
  const [x, y] = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
  const head = Math.min(11, 0.5 * length);
  const foot = [to[0] - head * x, to[1] - head * y];
  const colour = look.stroke ?? INK;
  return [
    line([from, foot], look),
    area([to, [foot[0] - 0.42 * head * y, foot[1] + 0.42 * head * x], [foot[0] + 0.42 * head * y, foot[1] - 0.42 * head * x]], {
      fill: colour,
    }),
  ];
}

/**
 * Round numbers for an axis from 0 or from a low value to a high one.
 * @param {number} low
 * @param {number} high
 * @param {number} [most]
 */
export function ticks(low, high, most = 6) {
  const rough = (high - low) / most || 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((f) => f * power).find((s) => s >= rough - 1e-12) ?? 10 * power;
  const out = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + 1e-9 * step; v += step) {
    out.push(Math.abs(v) < 1e-12 ? 0 : v);
  }
  return out;
}
