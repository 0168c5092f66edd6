/** Changes of landmarks, as values: nothing here knows of the page. */

/** @typedef {import("./types.js").Landmark} Landmark */
/** @typedef {import("./types.js").Landmarks} Landmarks */
/** @typedef {import("./types.js").Pixel} Pixel */

/** Set by the reader, within the image. @param {import("./types.js").Knee} knee @param {Pixel} pixel @returns {Landmark} */
export function setByHand({ rows, columns, hand_sd_mm: sd_mm }, [column, row]) {
  /** @type {Pixel} */
  const pixel = [Math.min(Math.max(column, -0.5), columns - 0.5), Math.min(Math.max(row, -0.5), rows - 0.5)];
  return { pixel, origin: "reader", sd_mm, sd_across_mm: null, carried_from: null };
}

/** @param {import("./types.js").Knee} knee @param {Pixel} pixel */
export function isOnImage({ rows, columns }, [column, row]) {
  return column >= -0.5 && column <= columns - 0.5 && row >= -0.5 && row <= rows - 0.5;
}

/** Landmarks as they come to another slice, to be looked at there. @param {Landmarks} landmarks @param {number} from */
export function carried(landmarks, from) {
  const entries = Object.entries(landmarks);
  return Object.fromEntries(entries.map(([name, landmark]) => [name, { ...landmark, carried_from: from }]));
}

/** Landmarks the reader has looked at: what was carried here lies where the reader wants it now. @param {import("./types.js").Knee} knee @param {Landmarks} landmarks */
export function accepted(knee, landmarks) {
  const entries = Object.entries(landmarks);
  return Object.fromEntries(entries.map(([name, landmark]) =>
    [name, landmark.carried_from === null ? landmark : setByHand(knee, landmark.pixel)]));
}

/** @param {Landmarks} landmarks @returns {Pixel[]} */
export function pixelsOf(landmarks) {
  return Object.values(landmarks).map(({ pixel }) => pixel);
}
