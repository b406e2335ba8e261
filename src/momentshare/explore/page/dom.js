/**
 * Writing into the page: only what differs from what is there, so that little is laid out again.
 */
import { valueOf } from "./svg.js";

/** @typedef {import("./svg.js").Shape} Shape */

const SVG = "http://www.w3.org/2000/svg";

/** @param {string} id */
export const find = (id) => /** @type {any} */ (document.getElementById(id));

/**
 * Put words into an element.
 * @param {string} id
 * @param {string} words
 */
export function say(id, words) {
  const element = find(id);
  if (element.textContent !== words) element.textContent = words;
}

/** What was drawn last into an element. @type {WeakMap<Element, (Shape | string)[]>} */
const drawn = new WeakMap();

/**
 * Draw into an element; what is equal to what is there stays.
 * @param {Element} element
 * @param {(Shape | string)[]} wanted
 */
export function draw(element, wanted) {
  mend(element, drawn.get(element) ?? [], wanted);
  drawn.set(element, wanted);
}

/**
 * Change the children of an element from what was drawn to what is wanted. Where a node is not what
 * was drawn, as after a translation of the page by the browser, it is drawn anew.
 * @param {Element} element
 * @param {(Shape | string)[]} before
 * @param {(Shape | string)[]} wanted
 */
function mend(element, before, wanted) {
  let node = element.firstChild;
  wanted.forEach((now, k) => {
    const was = before[k];
    const after = node ? node.nextSibling : null;
    if (!node) element.appendChild(built(now, element));
    else if (typeof now === "string") {
      if (was !== now || node.nodeType !== Node.TEXT_NODE) {
        if (node.nodeType === Node.TEXT_NODE) node.nodeValue = now;
        else element.replaceChild(built(now, element), node);
      }
    } else if (typeof was === "object" && was.name === now.name && /** @type {Element} */ (node).localName === now.name) {
      mendLook(/** @type {Element} */ (node), was.look, now.look);
      mend(/** @type {Element} */ (node), was.inner, now.inner);
    } else element.replaceChild(built(now, element), node);
    node = after;
  });
  while (node) {
    const after = node.nextSibling;
    element.removeChild(node);
    node = after;
  }
}

/**
 * @param {Element} element
 * @param {import("./svg.js").Look} before
 * @param {import("./svg.js").Look} wanted
 */
function mendLook(element, before, wanted) {
  for (const key in wanted) {
    if (before[key] === wanted[key] || key === "xmlns") continue;
    if (wanted[key] === undefined) element.removeAttribute(key);
    else element.setAttribute(key, valueOf(wanted[key]));
  }
  for (const key in before) if (!(key in wanted)) element.removeAttribute(key);
}

/**
 * A new node.
 * @param {Shape | string} shape
 * @param {Element} parent
 * @returns {Node}
 */
function built(shape, parent) {
  if (typeof shape === "string") return document.createTextNode(shape);
  const drawing = shape.name === "svg" || parent.namespaceURI === SVG;
  const element = drawing ? document.createElementNS(SVG, shape.name) : document.createElement(shape.name);
  mendLook(element, {}, shape.look);
  for (const part of shape.inner) element.appendChild(built(part, element));
  return element;
}
