/**
 * The arrays of the page, unpacked: see payload.py for how they are packed.
 */

/**
 * @typedef {object} Packed
 * @property {string} name
 * @property {number[]} shape  presses, heights, …
 * @property {number} step     what a whole number stands for; 0 for floats
 */

/**
 * @typedef {object} Table
 * @property {Float64Array} values
 * @property {number[]} shape
 * @property {number} width   numbers for one press at one height
 */

/**
 * Unpack base64 of deflated bytes.
 * @param {string} text
 * @returns {Promise<Uint8Array>}
 */
export async function inflate(text) {
  const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/**
 * Give the arrays their values back.
 * @param {Packed[]} index
 * @param {Uint8Array} bytes
 * @returns {Record<string, Table>}
 */
export function unpack(index, bytes) {
  /** @type {Record<string, Table>} */
  const tables = {};
  let at = 0;
  for (const { name, shape, step } of index) {
    const width = shape.slice(2).reduce((x, y) => x * y, 1);
    const count = shape[0] * shape[1] * width;
    const size = step ? 2 : 4;
    const whole = new Uint32Array(count);
    for (let k = 0; k < size; k++) {
      for (let i = 0; i < count; i++) whole[i] |= bytes[at + k * count + i] << (8 * k);
    }
    at += size * count;
    for (let press = 0; press < shape[0]; press++) {
      const first = press * shape[1] * width;
      for (let i = first + width; i < first + shape[1] * width; i++) whole[i] += whole[i - width];
    }
    const values = step
      ? Float64Array.from(new Int16Array(Uint16Array.from(whole).buffer), (v) => v * step)
      : Float64Array.from(new Float32Array(whole.buffer));
    tables[name] = { values, shape, width };
  }
  return tables;
}

/**
 * Numbers of one press at one height.
 * @param {Table} table
 * @param {number} press
 * @param {number} height
 */
export function rowOf(table, press, height) {
  const first = (press * table.shape[1] + height) * table.width;
  return table.values.subarray(first, first + table.width);
}
