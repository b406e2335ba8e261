/**
 * Numbers and names in words. Every direction of a moment is named, never a signed row.
 */

/**
 * A number with a minus sign in place of a hyphen.
 * @param {number} value
 * @param {number} [digits]
 */
export function fixed(value, digits = 0) {
  if (!Number.isFinite(value)) return "–";
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", "\u2212");
}

/**
 * A load [kg]: whole from ten on, with one decimal below.
 * @param {number} load
 */
export function kilograms(load) {
  return `${fixed(load, Math.abs(load) >= 9.95 ? 0 : 1)} kg`;
}

/**
 * Activation in per cent.
 * @param {number} activation
 * @param {number} [digits]
 */
export function percent(activation, digits = 0) {
  return `${fixed(100 * activation, digits)}\u00a0%`;
}

/**
 * Text that may stand between tags or in an attribute.
 * @param {unknown} text
 */
export function safe(text) {
  return String(text).replace(
    /[&<>"']/g,
    (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;" })[c] ?? c,
  );
}

/**
 * Direction in which a moment of a row acts.
 * @param {any} row
 * @param {number} value
 */
export function direction(row, value) {
  return value < 0 ? row.negative : row.positive;
}

/**
 * "a", "a and b", "a, b and c".
 * @param {string[]} items
 */
export function listed(items) {
  if (items.length < 2) return items.join("");
  return `${items.slice(0, -1).join(", ")} and ${items.at(-1)}`;
}

/**
 * @param {string} text
 */
export function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

/**
 * Name of a head as it stands in a sentence: "triceps brachii (long head)" or "brachialis".
 * @param {any} head
 */
export function inSentence(head) {
  return head.part ? `${head.muscle} (${head.part})` : head.muscle;
}

/**
 * What happens to a value: "rises from 12 to 20", "falls …", "stays at …".
 * @param {number} before
 * @param {number} after
 * @param {(value: number) => string} write
 */
export function change(before, after, write) {
  if (write(before) === write(after)) return `stays at ${write(after)}`;
  return `${after > before ? "rises" : "falls"} from ${write(before)} to ${write(after)}`;
}
