/** What is in view of a knee: slice, window, zoom. It is saved when the reader has come to rest. */

import { Viewport } from "./viewport.js";

/** @typedef {import("./types.js").SavedView} SavedView */
/** @typedef {import("./types.js").Pixel} Pixel */

const REST_MS = 700;
/** A window of the browser whose sides are in the same ratio, nearly, shows the same view. */
const SAME_SHAPE = 0.01;
const NARROWEST_PART = 1 / 500;

/** How long the page was in view until it was last hidden, and since when it is in view; milliseconds. */
let seenMs = 0;
let seenSince = performance.now();

document.addEventListener("visibilitychange", () => {
  if (isHidden()) seenMs += performance.now() - seenSince;
  else seenSince = performance.now();
});

function isHidden() {
  return document.visibilityState === "hidden";
}

/** How long the page has been in view: not while another tab is in front of it. */
function inViewMs() {
  return seenMs + (isHidden() ? 0 : performance.now() - seenSince);
}

export class View {
  shown;
  /** @type {[number, number]} */
  window;
  preset = "overview";
  /** Whether a dragged outer edge is moved onto the edge of the image nearby. */
  snapsDrops = false;
  #timer = 0;
  #isBegun = false;
  /** Whether the reader has gone to another slice before the work was taken up. */
  #wasPaged = false;
  #since = inViewMs();
  #readBefore = 0;

  /**
   * @param {import("./api.js").Api} api
   * @param {string} path
   * @param {import("./types.js").Knee} knee
   * @param {() => void} changed
   */
  constructor(api, path, knee, changed) {
    this.api = api;
    this.path = path;
    this.knee = knee;
    this.changed = changed;
    this.shown = knee.middle;
    this.window = knee.window;
    this.viewport = new Viewport(knee);
  }

  /** How long the knee has been in view, in this window and before. */
  get readingTimeS() {
    return this.#readBefore + (inViewMs() - this.#since) / 1000;
  }

  /** Take up what was in view the last time; without one, the slice to be measured. What the reader has gone to or set meanwhile stays. @param {SavedView | null} saved @param {number} slice @returns {boolean} whether zoom and place are those of then */
  begin(saved, slice) {
    if (!this.#wasPaged) this.shown = Math.min(saved?.slice ?? slice, this.knee.slices.length - 1);
    this.#isBegun = true;
    const { viewport } = this;
    const isZoomed = viewport.fitted === "hand";
    if (!saved) return isZoomed;
    if (this.window === this.knee.window) [this.window, this.preset] = [saved.window, saved.preset];
    this.snapsDrops = saved.snap;
    this.#readBefore = saved.reading_time_s;
    if (isZoomed) return true;
    const isSameShape = Math.abs(viewport.width / viewport.height / saved.aspect - 1) < SAME_SHAPE;
    if (saved.fitted === "hand" || isSameShape) viewport.showField(saved.field_mm, saved.centre);
    viewport.fitted = /** @type {import("./viewport.js").Fitted} */ (saved.fitted);
    return isSameShape || saved.fitted === "hand";
  }

  /** @param {number} index @returns {boolean} whether another slice is in view now */
  show(index) {
    const to = Math.min(Math.max(index, 0), this.knee.slices.length - 1);
    if (to === this.shown) return false;
    this.shown = to;
    this.#wasPaged = true;
    this.#moved();
    return true;
  }

  /** @param {(viewport: Viewport) => void} change */
  move(change) {
    change(this.viewport);
    this.#moved();
  }

  /** @param {boolean} snaps */
  setSnapsDrops(snaps) {
    this.snapsDrops = snaps;
    this.#moved();
  }

  /** @param {string} code */
  choosePreset(code) {
    const [black, white] = this.knee.window;
    const { part } = this.knee.windows.find((preset) => preset.code === code) ?? this.knee.windows[0];
    this.preset = code;
    this.window = [black + part[0] * (white - black), black + part[1] * (white - black)];
    this.#moved();
  }

  nextPreset() {
    const { windows } = this.knee;
    const at = windows.findIndex((preset) => preset.code === this.preset);
    this.choosePreset(windows[(at + 1) % windows.length].code);
  }

  /** Brighten and steepen; fractions of the width of the window. @param {number} level @param {number} width */
  adjustWindow(level, width) {
    const [black, white] = this.window;
    const span = white - black;
    const middle = (black + white) / 2 + level * span;
    const least = (this.knee.window[1] - this.knee.window[0]) * NARROWEST_PART;
    const half = Math.max((span / 2) * Math.exp(width), least);
    this.preset = "";
    this.window = [middle - half, middle + half];
    this.#moved();
  }

  #moved() {
    this.changed();
    if (!this.#isBegun) return;
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => this.#save(false), REST_MS);
  }

  /** @param {boolean} leaving */
  #save(leaving) {
    const { viewport } = this;
    /** @type {SavedView} */
    const view = {
      slice: this.shown, window: this.window, preset: this.preset, fitted: viewport.fitted,
      field_mm: viewport.fieldMm, aspect: viewport.width / viewport.height, centre: viewport.centre, snap: this.snapsDrops, reading_time_s: this.readingTimeS,
    };
    this.api.post(`${this.path}/view`, { view }, leaving).catch(() => undefined);
  }

  leave() {
    clearTimeout(this.#timer);
    if (this.#isBegun) this.#save(true);
  }
}
