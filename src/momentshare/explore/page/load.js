/**
 * Greatest load that the heads can hold: a linear programme of few rows, by the simplex method
 * with bounds (Dantzig), Bland's rule keeping it from circling.
 */

/**
 * @typedef {object} Greatest
 * @property {number} load            greatest factor; NaN where not even none can be held
 * @property {Float64Array} activation
 * @property {Float64Array} gain      change of the load per unit of relative strength, each head
 */

/**
 * Limits G a ≤ h + f · rise on what the heads do.
 * @typedef {object} LoadLimits
 * @property {number} facets
 * @property {Float64Array} G     facets × heads, for activation
 * @property {Float64Array} h     facets
 * @property {Float64Array} rise  facets
 */

/**
 * Maximise f so that A a + c q = start + f · each and G a ≤ h + f · rise, with 0 ≤ a ≤ 1, f ≥ 0 and q
 * free. Few limits bind, so they join the programme one after another, the most broken first.
 * @param {Programme & {limits?: LoadLimits | null}} programme
 * @returns {Greatest}
 */
export function greatest(programme) {
  const { heads, limits } = programme;
  /** @type {number[]} */
  const binding = [];
  let found = within(programme, binding);
  while (limits && Number.isFinite(found.load) && binding.length < limits.facets) {
    let worst = -1;
    let most = 1e-9;
    for (let g = 0; g < limits.facets; g++) {
      let over = -limits.h[g] - found.load * limits.rise[g];
      let scale = 1 + Math.abs(limits.h[g]);
      for (let i = 0; i < heads; i++) {
        over += limits.G[g * heads + i] * found.activation[i];
        scale = Math.max(scale, Math.abs(limits.G[g * heads + i]));
      }
      if (over / scale > most) [worst, most] = [g, over / scale];
    }
    if (worst < 0 || binding.includes(worst)) break;
    binding.push(worst);
    found = within(programme, binding);
  }
  return found;
}

/**
 * @typedef {object} Programme
 * @property {number} rows
 * @property {number} heads
 * @property {Float64Array} A      rows × heads
 * @property {Float64Array} start  rows
 * @property {Float64Array} each   rows
 * @property {Float64Array | null} column  rows
 */

/**
 * The same within some of the limits only.
 * @param {Programme & {limits?: LoadLimits | null}} programme
 * @param {number[]} binding  numbers of the limits
 * @returns {Greatest}
 */
function within({ rows, heads, A, start, each, column, limits }, binding) {
  const basis = column ? complement(column) : null;
  const balanced = basis ? basis.length : rows;
  const n = balanced + binding.length;
  const fold = (/** @type {(j: number) => number} */ value) => {
    const out = new Float64Array(n);
    for (let k = 0; k < balanced; k++) {
      if (!basis) out[k] = value(k);
      else for (let j = 0; j < rows; j++) out[k] += basis[k][j] * value(j);
    }
    return out;
  };
  const target = fold((j) => start[j]);
  const columns = Array.from({ length: heads }, (_, i) => fold((j) => A[j * heads + i]));
  columns.push(fold((j) => -each[j]));
  binding.forEach((g, k) => {
    const { h, G, rise } = /** @type {LoadLimits} */ (limits);
    target[balanced + k] = h[g];
    for (let i = 0; i < heads; i++) columns[i][balanced + k] = G[g * heads + i];
    columns[heads][balanced + k] = -rise[g];
  });
  // What is left below each limit.
  for (let k = balanced; k < n; k++) {
    const slack = new Float64Array(n);
    slack[k] = 1;
    columns.push(slack);
  }
  const own = heads + 1 + binding.length;
  const upper = [...new Array(heads).fill(1), ...new Array(1 + binding.length).fill(Infinity)];
  for (let k = 0; k < n; k++) {
    const unit = new Float64Array(n);
    unit[k] = target[k] < 0 ? -1 : 1;
    columns.push(unit);
    upper.push(Infinity);
  }
  const total = own + n;
  const inBasis = Array.from({ length: n }, (_, k) => own + k);
  const atUpper = new Array(total).fill(false);
  const first = new Array(total).fill(0).map((_, k) => (k >= own ? -1 : 0));
  const x1 = climbSimplex(columns, upper, first, target, inBasis, atUpper);
  const scale = 1 + Math.max(...target.map(Math.abs));
  const missed = x1.values.slice(own).reduce((s, v) => s + v, 0);
  if (missed > 1e-9 * scale) {
    return { load: NaN, activation: new Float64Array(heads), gain: new Float64Array(heads) };
  }
  for (let k = own; k < total; k++) upper[k] = 0;
  const second = new Array(total).fill(0).map((_, k) => (k === heads ? 1 : 0));
  const x2 = climbSimplex(columns, upper, second, target, inBasis, atUpper);
  const gain = new Float64Array(heads);
  for (let i = 0; i < heads; i++) {
    let price = 0;
    for (let k = 0; k < n; k++) price -= x2.prices[k] * columns[i][k];
    gain[i] = price * x2.values[i];
  }
  return { load: x2.values[heads], activation: x2.values.slice(0, heads), gain };
}

/**
 * @param {Float64Array[]} columns
 * @param {number[]} upper
 * @param {number[]} worth
 * @param {Float64Array} target
 * @param {number[]} inBasis changed
 * @param {boolean[]} atUpper changed
 */
function climbSimplex(columns, upper, worth, target, inBasis, atUpper) {
  const n = target.length;
  const total = columns.length;
  let prices = new Float64Array(n);
  let basic = new Float64Array(n);
  for (let step = 0; step < 500; step++) {
    const rest = target.slice();
    for (let i = 0; i < total; i++) {
      if (atUpper[i] && !inBasis.includes(i)) {
        for (let k = 0; k < n; k++) rest[k] -= columns[i][k] * upper[i];
      }
    }
    const B = new Float64Array(n * n);
    const Bt = new Float64Array(n * n);
    inBasis.forEach((i, c) => {
      for (let k = 0; k < n; k++) B[k * n + c] = Bt[c * n + k] = columns[i][k];
    });
    basic = gauss(B, rest, n);
    prices = gauss(Bt, Float64Array.from(inBasis, (i) => worth[i]), n);
    let enter = -1;
    for (let i = 0; i < total && enter < 0; i++) {
      if (inBasis.includes(i) || upper[i] === 0) continue;
      let gain = worth[i];
      for (let k = 0; k < n; k++) gain -= prices[k] * columns[i][k];
      if (atUpper[i] ? gain < -1e-11 : gain > 1e-11) enter = i;
    }
    if (enter < 0) break;
    const way = atUpper[enter] ? -1 : 1;
    const C = new Float64Array(n * n);
    inBasis.forEach((i, c) => {
      for (let k = 0; k < n; k++) C[k * n + c] = columns[i][k];
    });
    const change = gauss(C, columns[enter], n);
    let length = upper[enter];
    let leave = -1;
    for (let c = 0; c < n; c++) {
      const fall = way * change[c];
      let room = Infinity;
      if (fall > 1e-12) room = Math.max(0, basic[c]) / fall;
      else if (fall < -1e-12) room = Math.max(0, upper[inBasis[c]] - basic[c]) / -fall;
      if (room < length - 1e-14 || (room <= length && leave >= 0 && inBasis[c] < inBasis[leave])) {
        length = Math.min(length, room);
        leave = c;
      }
    }
    if (!Number.isFinite(length)) break;
    if (leave < 0) {
      atUpper[enter] = !atUpper[enter];
      continue;
    }
    atUpper[inBasis[leave]] = way * change[leave] < 0;
    atUpper[enter] = false;
    inBasis[leave] = enter;
  }
  const values = Float64Array.from(atUpper, (up, i) => (up ? Math.min(upper[i], 1e300) : 0));
  inBasis.forEach((i, c) => (values[i] = basic[c]));
  return { values, prices };
}

/**
 * Orthonormal vectors square to a column.
 * @param {Float64Array} column
 */
function complement(column) {
  const n = column.length;
  const length = Math.hypot(...column);
  const kept = [Float64Array.from(column, (c) => c / (length || 1))];
  for (let k = 0; k < n && kept.length < n; k++) {
    const unit = new Float64Array(n);
    unit[k] = 1;
    for (let again = 0; again < 2; again++) {
      for (const other of kept) {
        const along = unit.reduce((s, v, j) => s + v * other[j], 0);
        for (let j = 0; j < n; j++) unit[j] -= along * other[j];
      }
    }
    const left = Math.hypot(...unit);
    if (left > 0.3) kept.push(unit.map((v) => v / left));
  }
  return length > 0 ? kept.slice(1) : kept;
}

/**
 * @param {Float64Array} M changed
 * @param {Float64Array} right
 * @param {number} n
 */
function gauss(M, right, n) {
  const x = right.slice();
  for (let k = 0; k < n; k++) {
    let best = k;
    for (let r = k + 1; r < n; r++) if (Math.abs(M[r * n + k]) > Math.abs(M[best * n + k])) best = r;
    if (best !== k) {
      for (let c = 0; c < n; c++) [M[k * n + c], M[best * n + c]] = [M[best * n + c], M[k * n + c]];
      [x[k], x[best]] = [x[best], x[k]];
    }
    const pivot = M[k * n + k] || 1e-300;
    for (let r = 0; r < n; r++) {
      if (r === k) continue;
      const factor = M[r * n + k] / pivot;
      if (factor === 0) continue;
      for (let c = k; c < n; c++) M[r * n + c] -= factor * M[k * n + c];
      x[r] -= factor * x[k];
    }
  }
  return x.map((value, k) => value / (M[k * n + k] || 1e-300));
}
