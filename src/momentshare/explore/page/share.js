/**
 * Sharing of joint moments among muscle heads, solved in the page for every change.
 *
 *     minimise   Σ w aᵖ
 *     subject to R (capacity∘a + passive) + c f = m,   0 ≤ a ≤ 1,
 *
 * with at most one free value f, the outward push. The dual lives in the few rows: a head whose
 * drive is z = Aᵀλ works with a = (z / (p w))^(1/(p−1)), kept within 0 and 1. Newton steps climb
 * the dual; a small pull towards a centre that follows keeps every step defined and, where the
 * moments cannot be met, lets the multipliers run off along the direction that separates them from
 * everything the heads can supply. What is left then is the shortfall.
 *
 * A test compares this with the Python library on 1,000 states.
 */

/**
 * @typedef {object} Problem
 * @property {number} rows
 * @property {number} heads
 * @property {Float64Array} arms      rows × heads [m]
 * @property {Float64Array} capacity  greatest active force here [N]
 * @property {Float64Array} passive   [N]
 * @property {Float64Array} moments   net moments without the free value [N·m]
 * @property {Float64Array} weights   above zero
 * @property {number} exponent        above 1
 * @property {Float64Array | null} column  moment of each row per unit of the free value
 * @property {Limits | null} [limits]  G F ≤ h on the total forces
 */

/**
 * @typedef {object} Limits
 * @property {number} facets
 * @property {Float64Array} G  facets × heads
 * @property {Float64Array} h  [N]
 */

/**
 * @typedef {object} Shared
 * @property {Float64Array} activation
 * @property {Float64Array} force        active and passive [N]
 * @property {Float64Array} multipliers  of the rows [1/(N·m)], in units of effort
 * @property {Float64Array} unmet        moment left over [N·m]
 * @property {number} free               the free value; 0 without one
 * @property {boolean} short             whether a moment cannot be met
 * @property {boolean} held              whether all limits hold
 * @property {boolean} solved            whether the answer proves itself
 * @property {number} effort             Σ w aᵖ
 */

/**
 * Rows of unit size, with the free column projected out.
 * @typedef {object} Balance
 * @property {number} rows
 * @property {number} heads
 * @property {Float64Array} A
 * @property {Float64Array} b
 * @property {Float64Array | null} q  unit vector along the free column
 * @property {number} scale           what rounding acts on
 */

/**
 * @typedef {object} Inner
 * @property {Float64Array} lambda
 * @property {Float64Array} a
 * @property {Float64Array} rest  b − A a
 * @property {boolean} short
 * @property {boolean} done
 */

const MET = 1e-12;
const SHORT = 1e-10;
const ACROSS = 1e-7;
const SOFTEST = 1e-6;
const STIFFEST = 1e-11;
const ROUNDS = 60;
const STEPS = 60;

/**
 * Share the moments of one state.
 * @param {Problem} problem
 * @returns {Shared}
 */
export function share(problem) {
  const { rows, heads } = problem;
  const size = rowSizes(problem);
  const balance = balanceOf(problem, size);
  const found = problem.limits
    ? withinLimits(problem, balance, size)
    : { ...climb(balance, problem.weights, problem.exponent), held: true };
  const force = new Float64Array(heads);
  let effort = 0;
  for (let i = 0; i < heads; i++) {
    force[i] = found.a[i] * problem.capacity[i] + problem.passive[i];
    effort += problem.weights[i] * found.a[i] ** problem.exponent;
  }
  // What the heads leave goes to the free value as far as it can carry it.
  const unmet = new Float64Array(rows);
  for (let j = 0; j < rows; j++) {
    let sum = problem.moments[j];
    for (let i = 0; i < heads; i++) sum -= problem.arms[j * heads + i] * force[i];
    unmet[j] = sum;
  }
  let free = 0;
  if (problem.column && balance.q) {
    let above = 0;
    let below = 0;
    for (let j = 0; j < rows; j++) {
      above += (problem.column[j] * unmet[j]) / size[j] ** 2;
      below += (problem.column[j] / size[j]) ** 2;
    }
    free = above / below;
    for (let j = 0; j < rows; j++) unmet[j] -= problem.column[j] * free;
  }
  if (!found.short) unmet.fill(0);
  return {
    activation: found.a,
    force,
    multipliers: found.lambda.slice(0, rows).map((value, j) => value / size[j]),
    unmet,
    free,
    short: found.short,
    held: found.held,
    solved: found.done,
    effort,
  };
}

/**
 * Norm of every row of R∘capacity; a row that no head acts on takes the mean of the others.
 * @param {Problem} problem
 */
function rowSizes({ rows, heads, arms, capacity }) {
  const size = new Float64Array(rows);
  for (let j = 0; j < rows; j++) {
    let sum = 0;
    for (let i = 0; i < heads; i++) sum += (arms[j * heads + i] * capacity[i]) ** 2;
    size[j] = Math.sqrt(sum);
  }
  const acting = size.filter((value) => value > 0);
  const mean = acting.length ? acting.reduce((x, y) => x + y) / acting.length : 1;
  return size.map((value) => (value > 0 ? value : mean));
}

/**
 * @param {Problem} problem
 * @param {Float64Array} size
 * @returns {Balance}
 */
function balanceOf({ rows, heads, arms, capacity, passive, moments, column }, size) {
  const A = new Float64Array(rows * heads);
  const b = new Float64Array(rows);
  let scale = 0;
  for (let j = 0; j < rows; j++) {
    let rest = moments[j];
    let sum = Math.abs(moments[j]);
    for (let i = 0; i < heads; i++) {
      const arm = arms[j * heads + i];
      A[j * heads + i] = (arm * capacity[i]) / size[j];
      rest -= arm * passive[i];
      sum += Math.abs(arm * passive[i]);
    }
    b[j] = rest / size[j];
    scale = Math.max(scale, sum / size[j]);
  }
  let q = null;
  const length = column ? Math.sqrt(column.reduce((x, c, j) => x + (c / size[j]) ** 2, 0)) : 0;
  if (column && length > 0) {
    const unit = column.map((c, j) => c / size[j] / length);
    q = unit;
    const whole = new Float64Array(heads);
    for (let k = 0; k < rows * heads; k++) whole[k % heads] = Math.max(whole[k % heads], Math.abs(A[k]));
    project(A, unit, rows, heads);
    project(b, unit, rows, 1);
    // A head that turns the free value alone cannot help; rounding must not say that it can.
    for (let i = 0; i < heads; i++) {
      let left = 0;
      for (let j = 0; j < rows; j++) left = Math.max(left, Math.abs(A[j * heads + i]));
      if (left <= 1e-14 * whole[i]) for (let j = 0; j < rows; j++) A[j * heads + i] = 0;
    }
  }
  return { rows, heads, A, b, q, scale };
}

/**
 * Take the part along a unit vector out of every column.
 * @param {Float64Array} M rows × columns
 * @param {Float64Array} unit
 * @param {number} rows
 * @param {number} columns
 */
function project(M, unit, rows, columns) {
  for (let i = 0; i < columns; i++) {
    let along = 0;
    for (let j = 0; j < rows; j++) along += unit[j] * M[j * columns + i];
    for (let j = 0; j < rows; j++) M[j * columns + i] -= along * unit[j];
  }
}

/**
 * Solve a balance: climb the dual, and where the moments cannot be met, finish on the nearest point.
 * @param {Balance} balance
 * @param {Float64Array} weights
 * @param {number} exponent
 * @returns {Inner}
 */
function climb(balance, weights, exponent) {
  const answer = climbDual(balance, weights, exponent);
  return answer.short ? onTheEdge(balance, weights, exponent, answer) : answer;
}

/**
 * @param {Balance} balance
 * @param {Float64Array} weights
 * @param {number} exponent
 * @returns {Inner}
 */
function climbDual(balance, weights, exponent) {
  const { rows, heads, A, b } = balance;
  const heaviest = weights.reduce((x, y) => Math.max(x, y), 0) || 1;
  const w = weights.map((value) => value / heaviest);
  let lambda = new Float64Array(rows);
  const z = new Float64Array(heads);
  const a = new Float64Array(heads);
  const slope = new Float64Array(heads);
  const rest = new Float64Array(rows);
  const gradient = new Float64Array(rows);
  let rho = SOFTEST;
  let size = balance.scale;

  const look = (/** @type {Float64Array} */ at) => {
    size = 0;
    for (let i = 0; i < heads; i++) {
      let drive = 0;
      for (let j = 0; j < rows; j++) drive += A[j * heads + i] * at[j];
      z[i] = drive;
      a[i] = answerTo(drive, w[i], exponent);
      slope[i] = slopeAt(drive, a[i], w[i], exponent);
      size += a[i] ** 2;
    }
    size = balance.scale + Math.sqrt(size);
    for (let j = 0; j < rows; j++) {
      let sum = b[j];
      for (let i = 0; i < heads; i++) sum -= A[j * heads + i] * a[i];
      rest[j] = sum;
    }
  };
  let short = false;
  let done = false;
  look(lambda);
  for (let round = 0; round < ROUNDS && !done; round++) {
    const centre = lambda.slice();
    for (let step = 0; step < STEPS; step++) {
      let pull = 0;
      let uphill = 0;
      for (let j = 0; j < rows; j++) {
        const slack = rho * (lambda[j] - centre[j]);
        gradient[j] = rest[j] - slack;
        pull = Math.max(pull, Math.abs(slack));
        uphill = Math.max(uphill, Math.abs(gradient[j]));
      }
      if (largest(rest) <= MET * size || uphill <= Math.max(1e-7 * pull, 0.1 * MET * size)) break;
      const direction = newtonStep(balance, slope, rho, gradient);
      const length = alongLine(balance, w, exponent, z, direction, lambda, centre, rho);
      let moved = 0;
      for (let j = 0; j < rows; j++) {
        const change = length * direction[j];
        lambda[j] += change;
        moved = Math.max(moved, Math.abs(change) / (1e-300 + Math.abs(lambda[j])));
      }
      look(lambda);
      if (moved < 1e-16) break;
    }
    if (largest(rest) <= MET * size) done = true;
    else if (separates(balance, a, rest, size)) short = done = true;
    rho = Math.max(STIFFEST, rho * 0.3);
  }
  // For exponents above 2 rounding in the drive leaves activations less exact than the balance.
  if (!done && largest(rest) <= 1e-7 * size) done = true;
  return { lambda: lambda.map((value) => value * heaviest), a, rest, short, done };
}

/**
 * Activation that a drive calls for.
 * @param {number} drive
 * @param {number} weight
 * @param {number} exponent
 */
function answerTo(drive, weight, exponent) {
  if (drive <= 0) return 0;
  const reduced = drive / (exponent * weight);
  if (reduced >= 1) return 1;
  return exponent === 2 ? reduced : reduced ** (1 / (exponent - 1));
}

/**
 * Its change with the drive; zero at the bounds.
 * @param {number} drive
 * @param {number} a
 * @param {number} weight
 * @param {number} exponent
 */
function slopeAt(drive, a, weight, exponent) {
  if (drive <= 0 || a >= 1) return 0;
  return exponent === 2 ? 1 / (2 * weight) : a / (drive * (exponent - 1));
}

/**
 * Solve (A S Aᵀ + ρ I + τ q qᵀ) d = gradient by Cholesky's method.
 * @param {Balance} balance
 * @param {Float64Array} slope
 * @param {number} rho
 * @param {Float64Array} gradient
 */
function newtonStep({ rows, heads, A, q }, slope, rho, gradient) {
  const H = new Float64Array(rows * rows);
  let trace = rho;
  for (let j = 0; j < rows; j++) {
    for (let l = 0; l <= j; l++) {
      let sum = 0;
      for (let i = 0; i < heads; i++) sum += A[j * heads + i] * slope[i] * A[l * heads + i];
      H[j * rows + l] = H[l * rows + j] = sum;
      if (j === l) trace += sum;
    }
  }
  for (let j = 0; j < rows; j++) {
    if (q) for (let l = 0; l < rows; l++) H[j * rows + l] += trace * q[j] * q[l];
    H[j * rows + j] += Math.max(rho, 1e-15 * trace);
  }
  return solveSquare(H, gradient, rows);
}

/**
 * Gaussian elimination with pivots on the diagonal of a symmetric positive matrix.
 * @param {Float64Array} H changed
 * @param {Float64Array} right
 * @param {number} n
 */
function solveSquare(H, right, n) {
  const x = right.slice();
  const order = Array.from({ length: n }, (_, k) => k);
  for (let k = 0; k < n; k++) {
    let best = k;
    for (let r = k + 1; r < n; r++) {
      if (Math.abs(H[order[r] * n + k]) > Math.abs(H[order[best] * n + k])) best = r;
    }
    [order[k], order[best]] = [order[best], order[k]];
    const pivot = H[order[k] * n + k] || 1e-300;
    for (let r = k + 1; r < n; r++) {
      const factor = H[order[r] * n + k] / pivot;
      if (factor === 0) continue;
      for (let c = k; c < n; c++) H[order[r] * n + c] -= factor * H[order[k] * n + c];
      x[order[r]] -= factor * x[order[k]];
    }
  }
  const out = new Float64Array(n);
  for (let k = n - 1; k >= 0; k--) {
    let sum = x[order[k]];
    for (let c = k + 1; c < n; c++) sum -= H[order[k] * n + c] * out[c];
    out[k] = sum / (H[order[k] * n + k] || 1e-300);
  }
  return out;
}

/**
 * Length at which the slope of the dual along a direction has all but vanished.
 * @param {Balance} balance
 * @param {Float64Array} w
 * @param {number} exponent
 * @param {Float64Array} z
 * @param {Float64Array} direction
 * @param {Float64Array} lambda
 * @param {Float64Array} centre
 * @param {number} rho
 */
function alongLine({ rows, heads, A, b }, w, exponent, z, direction, lambda, centre, rho) {
  const change = new Float64Array(heads);
  let constant = 0;
  let bend = 0;
  for (let j = 0; j < rows; j++) {
    constant += direction[j] * (b[j] - rho * (lambda[j] - centre[j]));
    bend += rho * direction[j] ** 2;
    for (let i = 0; i < heads; i++) change[i] += A[j * heads + i] * direction[j];
  }
  const slope = (/** @type {number} */ t) => {
    let sum = constant - bend * t;
    for (let i = 0; i < heads; i++) {
      if (change[i] !== 0) sum -= change[i] * answerTo(z[i] + t * change[i], w[i], exponent);
    }
    return sum;
  };
  const begin = slope(0);
  if (!(begin > 0)) return 1;
  const enough = 0.05 * begin;
  let low = 0;
  let high = 1;
  let atLow = begin;
  let atHigh = slope(1);
  if (Math.abs(atHigh) <= enough) return 1;
  for (let k = 0; k < 200 && atHigh > 0; k++) {
    low = high;
    atLow = atHigh;
    high *= 4;
    atHigh = slope(high);
    if (Math.abs(atHigh) <= enough) return high;
  }
  let side = 0;
  for (let k = 0; k < 60; k++) {
    const t = k % 8 === 7 ? 0.5 * (low + high) : low + ((high - low) * atLow) / (atLow - atHigh);
    const value = slope(t);
    if (Math.abs(value) <= enough) return t;
    if (value > 0) {
      low = t;
      atLow = value;
      if (side > 0) atHigh *= 0.5;
      side = 1;
    } else {
      high = t;
      atHigh = value;
      if (side < 0) atLow *= 0.5;
      side = -1;
    }
  }
  return low > 0 ? low : high;
}

/**
 * Whether what is left separates the moments from everything that the heads can supply: every
 * head that adds to it rests at a bound.
 * @param {Balance} balance
 * @param {Float64Array} a
 * @param {Float64Array} rest
 * @param {number} size
 */
function separates({ rows, heads, A }, a, rest, size) {
  const length = norm(rest);
  if (length <= SHORT * size) return false;
  for (let i = 0; i < heads; i++) {
    const along = alongHead(A, rest, i, rows, heads);
    if (Math.abs(along.value) <= ACROSS * along.size * length) continue;
    if (along.value > 0 ? a[i] < 1 : a[i] > 0) return false;
  }
  return true;
}

/**
 * Least effort on the edge of what can be supplied. Heads that add along the shortfall rest at
 * their bounds; the others share what is across it, which can be met.
 * @param {Balance} balance
 * @param {Float64Array} weights
 * @param {number} exponent
 * @param {Inner} rough
 * @returns {Inner}
 */
function onTheEdge(balance, weights, exponent, rough) {
  const { rows, heads, A, b } = balance;
  let rest = rough.rest;
  const fixed = new Float64Array(heads);
  const bound = new Uint8Array(heads);
  let target = b;
  const across = new Float64Array(rows * heads);
  for (let round = 0; round < 2; round++) {
    const length = norm(rest);
    across.set(A);
    target = b.slice();
    for (let i = 0; i < heads; i++) {
      const along = alongHead(A, rest, i, rows, heads);
      bound[i] = Math.abs(along.value) > ACROSS * along.size * length ? 1 : 0;
      fixed[i] = bound[i] && along.value > 0 ? 1 : 0;
      if (!bound[i]) continue;
      for (let j = 0; j < rows; j++) {
        target[j] -= A[j * heads + i] * fixed[i];
        across[j * heads + i] = 0;
      }
    }
    // The part of what is left that the heads across can reach, taken out twice for accuracy.
    const span = spanOf(across, rows, heads);
    rest = target.slice();
    for (let again = 0; again < 2; again++) for (const unit of span) project(rest, unit, rows, 1);
  }
  const reached = target.map((value, j) => value - rest[j]);
  const inner = climbDual({ ...balance, A: across, b: reached }, weights, exponent);
  const a = inner.a.map((value, i) => (bound[i] ? fixed[i] : value));
  // As far along the shortfall as the heads at their bounds need.
  let reach = 0;
  for (let i = 0; i < heads; i++) {
    if (!bound[i]) continue;
    let drive = 0;
    for (let j = 0; j < rows; j++) drive += A[j * heads + i] * inner.lambda[j];
    const along = alongHead(A, rest, i, rows, heads).value;
    const needed = fixed[i] ? exponent * weights[i] - drive : -drive;
    if (along !== 0) reach = Math.max(reach, needed / along);
  }
  const lambda = inner.lambda.map((value, j) => value + reach * rest[j]);
  return { lambda, a, rest, short: true, done: inner.done && !inner.short };
}

/**
 * Orthonormal vectors that span the columns, the longest left taken first.
 * @param {Float64Array} M
 * @param {number} rows
 * @param {number} heads
 */
function spanOf(M, rows, heads) {
  const left = M.slice();
  /** @type {Float64Array[]} */
  const span = [];
  let greatest = 0;
  while (span.length < rows) {
    let best = -1;
    let longest = 0;
    for (let i = 0; i < heads; i++) {
      let sum = 0;
      for (let j = 0; j < rows; j++) sum += left[j * heads + i] ** 2;
      if (sum > longest) [best, longest] = [i, sum];
    }
    greatest = Math.max(greatest, longest);
    if (best < 0 || longest <= 1e-13 * greatest) break;
    const unit = new Float64Array(rows);
    for (let j = 0; j < rows; j++) unit[j] = left[j * heads + best];
    for (const other of span) project(unit, other, rows, 1);
    const length = norm(unit);
    for (let j = 0; j < rows; j++) unit[j] /= length;
    span.push(unit);
    project(left, unit, rows, heads);
  }
  return span;
}

/**
 * Keep limits G F ≤ h: those in force become rows of the balance, one after the other.
 * @param {Problem} problem
 * @param {Balance} balance
 * @param {Float64Array} size
 * @returns {Inner & {held: boolean}}
 */
function withinLimits(problem, balance, size) {
  const { heads, capacity, passive, weights, exponent } = problem;
  const limits = /** @type {Limits} */ (problem.limits);
  const { facets, G, h } = limits;
  /** @type {number[]} */
  let active = [];
  let best = climb(balance, weights, exponent);
  const facetSize = Math.max(
    1e-12,
    ...Array.from({ length: facets }, (_, k) => {
      let sum = 0;
      for (let i = 0; i < heads; i++) sum += (G[k * heads + i] * capacity[i]) ** 2;
      return Math.sqrt(sum);
    }),
  );
  const over = (/** @type {number} */ k, /** @type {Float64Array} */ a) => {
    let sum = -h[k];
    for (let i = 0; i < heads; i++) sum += G[k * heads + i] * (a[i] * capacity[i] + passive[i]);
    return sum / facetSize;
  };
  const seen = new Set();
  for (let round = 0; round < 60; round++) {
    let worst = -1;
    let excess = 1e-9;
    for (let k = 0; k < facets; k++) {
      const value = over(k, best.a);
      if (value > excess && !active.includes(k)) [worst, excess] = [k, value];
    }
    const slack = active.filter((_, place) => best.lambda[balance.rows + place] > 0);
    if (worst < 0 && slack.length === 0) return { ...best, held: !best.short || active.length === 0 };
    active = active.filter((k) => !slack.includes(k));
    if (worst >= 0) active.push(worst);
    const key = [...active].sort((x, y) => x - y).join();
    if (seen.has(key)) break;
    seen.add(key);
    best = climb(withRows(problem, balance, active, facetSize), weights, exponent);
    // Limits held as if they were equalities may exclude each other; the newest alone may not.
    if (best.short && active.length > 1) {
      active = active.slice(-1);
      best = climb(withRows(problem, balance, active, facetSize), weights, exponent);
    }
    if (best.short) break;
  }
  return { ...best, held: false, done: false };
}

/**
 * The balance with some limits as further rows.
 * @param {Problem} problem
 * @param {Balance} balance
 * @param {number[]} active
 * @param {number} facetSize
 * @returns {Balance}
 */
function withRows(problem, balance, active, facetSize) {
  const { heads, capacity, passive } = problem;
  const { G, h } = /** @type {Limits} */ (problem.limits);
  const rows = balance.rows + active.length;
  const A = new Float64Array(rows * heads);
  const b = new Float64Array(rows);
  A.set(balance.A);
  b.set(balance.b);
  active.forEach((k, place) => {
    const j = balance.rows + place;
    b[j] = h[k] / facetSize;
    for (let i = 0; i < heads; i++) {
      A[j * heads + i] = (G[k * heads + i] * capacity[i]) / facetSize;
      b[j] -= (G[k * heads + i] * passive[i]) / facetSize;
    }
  });
  let q = null;
  if (balance.q) {
    q = new Float64Array(rows);
    q.set(balance.q);
  }
  const scale = Math.max(balance.scale, ...active.map((k) => Math.abs(h[k]) / facetSize));
  return { rows, heads, A, b, q, scale };
}

/**
 * @param {Float64Array} A
 * @param {Float64Array} rest
 * @param {number} i
 * @param {number} rows
 * @param {number} heads
 */
function alongHead(A, rest, i, rows, heads) {
  let value = 0;
  let sum = 0;
  for (let j = 0; j < rows; j++) {
    value += A[j * heads + i] * rest[j];
    sum += A[j * heads + i] ** 2;
  }
  return { value, size: Math.sqrt(sum) };
}

/** @param {Float64Array} vector */
function norm(vector) {
  return Math.sqrt(vector.reduce((x, y) => x + y * y, 0));
}

/** @param {Float64Array} vector */
function largest(vector) {
  return vector.reduce((x, y) => Math.max(x, Math.abs(y)), 0);
}
