/**
 * Pieces of drawings as text. Sizes are pixels of the page, so that letters keep theirs on a phone.
 */
import { safe } from "./words.js";

export const INK = "#1c2430";
export const SOFT = "#5b6675";
export const RULE = "#c9ced6";
export const MAIN = "#0f5c8c";
export const OTHER = "#a8490a";
export const BAND = "#8795a6";
export const PAPER = "#ffffff";

/**
 * @param {string} name
 * @param {Record<string, string | number | undefined>} attributes
 * @param {string} [inner]
 */
export function tag(name, attributes, inner = "") {
  const written = Object.entries(attributes)
    .filter(([, value]) => value !== undefined)
    .map(([key, value]) => ` ${key}="${typeof value === "number" ? short(value) : safe(value)}"`)
    .join("");
  return `<${name}${written}>${inner}</${name}>`;
}

/** @param {number} value */
export function short(value) {
  return String(Math.round(value * 100) / 100);
}

/**
 * @param {number} x
 * @param {number} y
 * @param {string} words
 * @param {Record<string, string | number | undefined>} [look]
 */
export function text(x, y, words, look = {}) {
  return tag("text", { x, y, fill: INK, "font-size": 13, ...look }, safe(words));
}

/**
 * @param {number[][]} points
 * @param {Record<string, string | number | undefined>} look
 */
export function line(points, look) {
  const path = points.map(([x, y]) => `${short(x)},${short(y)}`).join(" ");
  return tag("polyline", { points: path, fill: "none", "stroke-linejoin": "round", ...look });
}

/**
 * @param {number[][]} points
 * @param {Record<string, string | number | undefined>} look
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
 * @param {string} inner
 */
export function drawing(id, width, height, title, words, inner) {
  const head =
    tag("title", { id: `${id}-title` }, safe(title)) + tag("desc", { id: `${id}-desc` }, safe(words));
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
    head + inner,
  );
}

/**
 * A hatch for what belongs to the second state; a page may hold one name once only.
 * @param {string} id  of the drawing
 */
export function hatch(id) {
  const stripes = tag("rect", { width: 6, height: 6, fill: "#f7e6da" }) + tag("rect", { width: 2.4, height: 6, fill: OTHER });
  const look = { id: `${id}-hatch`, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" };
  return tag("defs", {}, tag("pattern", look, stripes));
}

/**
 * An arrow from one point to another.
 * @param {number[]} from
 * @param {number[]} to
 * @param {Record<string, string | number | undefined>} look
 */
export function arrow(from, to, look) {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  if (length < 3) return "";
  const [x, y] = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
  const head = Math.min(11, 0.5 * length);
  const foot = [to[0] - head * x, to[1] - head * y];
  const colour = look.stroke ?? INK;
  return (
    line([from, foot], look) +
    area([to, [foot[0] - 0.42 * head * y, foot[1] + 0.42 * head * x], [foot[0] + 0.42 * head * y, foot[1] - 0.42 * head * x]], {
      fill: colour,
    })
  );
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
