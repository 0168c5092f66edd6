/**
 * What the server sends and takes. The Python side, `present.py` and `state.py`, is the source.
 *
 * @typedef {[number, number]} Pixel column, row; pixel centres at whole numbers
 * @typedef {{pixel: Pixel, origin: string, sd_mm: number, sd_across_mm: number | null, carried_from: number | null}} Landmark
 * @typedef {Record<string, Landmark>} Landmarks
 * @typedef {{slice: number, landmarks: Record<string, Landmarks>, side: string | null, side_reason: string,
 *   quality: string[], remark: string}} State
 * @typedef {{number: number, at: string, by: string, rejection: string | null, is_current: boolean,
 *   elsewhere: boolean}} Signed signed elsewhere: on another series
 * @typedef {{stage: "waiting" | "arrived" | "refused", words: string}} Sending of what was signed, to an archive
 * @typedef {{revision: number, state: State, can_undo: boolean, can_redo: boolean, signed: Signed | null,
 *   sending: Sending | null}} Working
 * @typedef {{rim: Pixel[], outer: Pixel[], caliper: Pixel[]}} Lines
 * @typedef {{compartment: string, name: string, image_side: string, extrusion_mm: number, expanded_mm: number,
 *   value: string, interval: string, decision: string, decision_words: string, flag: boolean, flag_words: string,
 *   threshold_remark: string, probability: string, body_width: string, relative_extrusion: string, coverage: string,
 *   coverage_width: string, budget: string[], lines: Lines}} Compartment
 * @typedef {{compartments: Compartment[], plateau_width: string}} SliceReading
 * @typedef {{message: string, slices: Record<string, SliceReading>, warnings: string[], status?: string, conventions?: string,
 *   is_hidden?: boolean}} Measured hidden: millimetres are shown once they are signed
 * @typedef {{origins: Vector[], row_direction: Vector, column_direction: Vector, row_spacing_mm: number,
 *   column_spacing_mm: number}} Geometry of a stack, in patient space, mm (LPS)
 * @typedef {[number, number, number]} Vector
 * @typedef {{rows: number, columns: number, row_spacing_mm: number, column_spacing_mm: number, geometry: Geometry,
 *   borders: {left: string, right: string, top: string, bottom: string}, slices: {number: number, short: string}[],
 *   windows: {code: string, words: string, part: [number, number]}[]}} Stack slices: as people number and name them;
 *   windows: parts of the automatic one
 * @typedef {Stack & {plane: string, is_linked: boolean}} Plane
 * @typedef {{slice: number, window: [number, number], preset: string, fitted: string, field_mm: number, aspect: number,
 *   centre: [number, number], snap: boolean, reading_time_s: number}} SavedView
 * @typedef {{slice: number, why: string, confidence: string}} Proposed
 * @typedef {{remark: string, likely_slice: number | null, proposed: Proposed | null}} Proposal
 * @typedef {Working & Proposal & {view: SavedView | null, is_proposing: boolean, may_propose: boolean}} Desk
 * @typedef {Stack & {label: string, middle: number, window: [number, number], hand_sd_mm: number, person: string,
 *   series: {key: string, reason: string, choices: {key: string, words: string}[]},
 *   side: {known: string | null, source: string, hint: string | null, hint_source: string},
 *   planes: Plane[], quality: {code: string, words: string}[]}} Knee
 * @typedef {Stack & {label: string, day: string, window: [number, number], is_linked: boolean, slice: number | null,
 *   joint: Pixel[], signed: string}} Visit
 * @typedef {{id: string, label: string, status: string, is_flagged: boolean, is_disagreeing: boolean, reading_time_s: number}} Task
 * @typedef {{blinded: boolean, tasks: Task[], rejection_reasons: string[], notice: string}} TaskList
 */

/** The landmarks of a slice in the order in which they are placed. */
export const LANDMARK_ORDER = [
  "image_left_rim", "image_left_outer_edge", "image_left_free_edge", "image_left_spine_base",
  "image_right_rim", "image_right_outer_edge", "image_right_free_edge", "image_right_spine_base",
];

/** Landmarks without which nothing is asked for; the spine base is only wanted for coverage. */
export const NEEDED_LANDMARKS = LANDMARK_ORDER.filter((name) => !name.endsWith("spine_base"));

/** @param {string} name */
export function landmarkOf(name) {
  return name.replace(/^image_(left|right)_/, "");
}

/** @param {string} name */
export function imageSideOf(name) {
  return name.startsWith("image_left") ? "image_left" : "image_right";
}

/** Whether the landmark lies on an edge that can be found. @param {string} name */
export function isSnappable(name) {
  return landmarkOf(name) === "outer_edge";
}

/** @param {string} name such as `image_left_outer_edge` @returns {string} such as `outer edge, image left` */
export function wordsOf(name) {
  return `${landmarkOf(name)}, ${imageSideOf(name)}`.replaceAll("_", " ");
}

/** @param {unknown} error */
export function messageOf(error) {
  return error instanceof Error ? error.message : String(error);
}
