/** From a pixel of one stack to patient space and into another stack; millimetres, LPS. */

/** @typedef {import("./types.js").Geometry} Geometry */
/** @typedef {import("./types.js").Vector} Vector */
/** @typedef {import("./types.js").Pixel} Pixel */

/** @param {Vector} a @param {Vector} b */
function dot(a, b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/** @param {Vector} a @param {Vector} b @returns {Vector} */
function minus(a, b) {
  return [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
}

/** @param {Geometry} stack @returns {Vector} */
function normalOf({ row_direction: r, column_direction: c }) {
  return [r[1] * c[2] - r[2] * c[1], r[2] * c[0] - r[0] * c[2], r[0] * c[1] - r[1] * c[0]];
}

/** @param {Geometry} stack @param {number} index @param {Pixel} pixel @returns {Vector} */
export function toPatient(stack, index, [column, row]) {
  const origin = stack.origins[index];
  const [x, y] = [column * stack.column_spacing_mm, row * stack.row_spacing_mm];
  return /** @type {Vector} */ ([0, 1, 2].map((axis) =>
    origin[axis] + x * stack.row_direction[axis] + y * stack.column_direction[axis]));
}

/** Find the slice nearest to a place, and the pixel below it there. @param {Geometry} stack @param {Vector} place @returns {{index: number, pixel: Pixel}} */
export function toStack(stack, place) {
  const normal = normalOf(stack);
  const distances = stack.origins.map((origin) => Math.abs(dot(minus(place, origin), normal)));
  const index = distances.indexOf(Math.min(...distances));
  const offset = minus(place, stack.origins[index]);
  /** @type {Pixel} */
  const pixel = [
    dot(offset, stack.row_direction) / stack.column_spacing_mm,
    dot(offset, stack.column_direction) / stack.row_spacing_mm,
  ];
  return { index, pixel };
}

/** How far a place lies from a slice. @param {Geometry} stack @param {number} index @param {Vector} place */
export function distanceTo(stack, index, place) {
  return Math.abs(dot(minus(place, stack.origins[index]), normalOf(stack)));
}

/** How far a slice lies behind the first of its stack, towards the patient's back. @param {Geometry} stack @param {number} index */
function behindMm(stack, index) {
  const normal = normalOf(stack);
  const towardsBack = normal[1] < 0 ? -1 : 1;
  return towardsBack * dot(minus(stack.origins[index], stack.origins[0]), normal);
}

/** Find the slice of a stack as far behind `reference` as, in another stack, `shown` is behind `from`. @param {Geometry} stack @param {number} reference @param {Geometry} other @param {number} from @param {number} shown */
export function followed(stack, reference, other, from, shown) {
  const wanted = behindMm(stack, reference) + behindMm(other, shown) - behindMm(other, from);
  const off = stack.origins.map((_, index) => Math.abs(behindMm(stack, index) - wanted));
  return off.indexOf(Math.min(...off));
}
