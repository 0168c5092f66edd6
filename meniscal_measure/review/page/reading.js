/**
 * One reading in progress: what the reader sees and sets. Everything shown is drawn from here.
 *
 * It exists from the moment the headers are known, so that slices are seen at once; it begins when the
 * working state has come.
 */

import { ApiError } from "./api.js";
import { Measurer } from "./measurer.js";
import { Saver } from "./saver.js";
import { Slices } from "./slices.js";
import { isSnappable, NEEDED_POINTS, POINT_ORDER, wordsOf } from "./types.js";
import { Viewport } from "./viewport.js";

/** @typedef {import("./types.js").Knee} Knee */
/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./types.js").Points} Points */
/** @typedef {import("./types.js").State} State */

const NUDGES_BECOME_ONE_STEP_MS = 500;

/** Parts of the automatic window, by what they are for. */
export const WINDOWS = [
  { code: "overview", words: "Whole knee", part: [0, 1] },
  { code: "meniscus", words: "Meniscal edge", part: [-0.05, 0.55] },
  { code: "bone", words: "Plateau rim", part: [0.05, 0.75] },
  { code: "fluid", words: "Fluid against fat", part: [0.35, 1.25] },
];

export class Reading {
  /** @type {string | null} */
  selected = null;
  /** @type {[number, number]} */
  window;
  preset = "overview";
  snapsDrops = false;
  isBegun = false;
  #isSnapping = false;
  /** @type {import("./types.js").Working | null} */
  working = null;
  /** @type {import("./types.js").Proposed | null} */
  proposed = null;
  remark = "";
  savedWords = "";
  trouble = "";

  /**
   * @param {import("./api.js").Api} api
   * @param {string} task
   * @param {Knee} knee
   * @param {() => void} changed
   */
  constructor(api, task, knee, changed) {
    this.api = api;
    this.path = `tasks/${task}`;
    this.knee = knee;
    this.changed = changed;
    /** @type {State} */
    this.state = { slice: knee.middle, points: {}, side: null, quality: [], remark: "" };
    this.shown = knee.middle;
    this.window = knee.window;
    this.viewport = new Viewport(knee);
    this.slices = new Slices(api, `${this.path}/slices`, knee.positions_mm.length, () => changed());
    this.saver = new Saver(api, task, {
      kept: (working) => this.#kept(working),
      rested: () => this.changed(),
      stale: (message) => void this.#stale(message),
      failed: (message) => this.#say("Not kept yet", message),
    });
    this.measurer = new Measurer(
      api, this.path, () => ({ state: this.state, slice: this.shown }), (trouble) => this.#answered(trouble),
    );
    this.slices.want(this.shown);
  }

  /** Take up the work where it was left. @param {import("./types.js").Desk} desk */
  begin(desk) {
    this.working = desk;
    this.proposed = desk.proposed;
    this.remark = desk.remark;
    this.saver.revision = desk.revision;
    this.state = desk.state;
    this.shown = desk.state.slice;
    this.#takeView(desk.view);
    this.slices.want(this.shown);
    this.isBegun = true;
    if (!desk.view) this.zoomToJoint();
    this.select(desk.proposed ? null : this.firstMissing());
    this.measure("all");
  }

  /** @returns {Points} */
  get points() {
    return this.state.points[this.shown] ?? {};
  }

  /** Whether something is not kept or not measured yet. */
  get isBusy() {
    return this.#isSnapping || !this.saver.isClean || !this.measurer.isIdle;
  }

  get isMeasuredSlice() {
    return this.shown === this.state.slice;
  }

  /** First needed point that is not placed on the slice to be measured. */
  firstMissing() {
    if (!this.isMeasuredSlice) return null;
    return NEEDED_POINTS.find((name) => !(name in this.points)) ?? null;
  }

  /** @param {string | null} name */
  select(name) {
    this.selected = name;
    this.changed();
  }

  /** @param {number} by */
  selectNext(by) {
    const place = this.selected === null ? (by > 0 ? -1 : 0) : POINT_ORDER.indexOf(this.selected);
    this.select(POINT_ORDER[(place + by + POINT_ORDER.length) % POINT_ORDER.length]);
  }

  /** @param {number} index */
  show(index) {
    const last = this.slices.count - 1;
    this.shown = Math.min(Math.max(index, 0), last);
    this.slices.want(this.shown);
    this.changed();
    this.keepView();
  }

  /** Move or place a point while it is being dragged; nothing is kept yet. @param {string} name @param {Pixel} pixel */
  drag(name, pixel) {
    if (!this.isBegun) return;
    const { rows, columns } = this.knee;
    const inside = /** @type {Pixel} */ ([
      Math.min(Math.max(pixel[0], -0.5), columns - 0.5),
      Math.min(Math.max(pixel[1], -0.5), rows - 0.5),
    ]);
    this.#setPoint(name, this.#byHand(inside));
    this.measure("live");
  }

  /** @param {Pixel} pixel @returns {Point} */
  #byHand(pixel) {
    const { hand_sd_mm: sd_mm } = this.knee;
    return { pixel, origin: "reader", sd_mm, sd_across_mm: null, carried_from: null };
  }

  /** Keep what was dragged. */
  async drop() {
    const name = this.selected;
    if (this.snapsDrops && name && isSnappable(name) && (await this.snap(name))) return;
    this.keep();
  }

  /** @param {string} name @param {Pixel} pixel */
  place(name, pixel) {
    if (!this.isBegun) return;
    this.drag(name, pixel);
    this.selected = name;
    void this.drop();
    const missing = this.firstMissing();
    if (missing) this.select(missing);
  }

  /** @param {number} columns @param {number} rows */
  nudge(columns, rows) {
    const name = this.selected;
    const point = name ? this.points[name] : undefined;
    if (!name || !point) return;
    this.drag(name, [point.pixel[0] + columns, point.pixel[1] + rows]);
    this.keep(NUDGES_BECOME_ONE_STEP_MS);
  }

  /** @param {string | null} name @returns {Promise<boolean>} whether the point was moved onto an edge */
  async snap(name) {
    if (!this.isBegun || !name || !this.points[name]) return false;
    const slice = this.shown;
    this.#isSnapping = true;
    this.changed();
    try {
      const point = await this.api.post(`${this.path}/snap`, { state: this.state, slice, name });
      this.#setPoint(name, point, slice);
      this.keep();
      this.#say(`${wordsOf(name)} moved onto the edge`);
      return true;
    } catch (error) {
      this.#say(error instanceof Error ? error.message : String(error));
      return false;
    } finally {
      this.#isSnapping = false;
      this.changed();
    }
  }

  remove() {
    if (!this.isBegun) return;
    if (!this.selected || !(this.selected in this.points)) return;
    const points = { ...this.points };
    delete points[this.selected];
    this.#setPoints(points, this.shown);
    this.keep();
  }

  /** Choose the slice that is measured; its points start from those of the slice chosen before. */
  measureHere() {
    if (!this.isBegun) return;
    if (this.isMeasuredSlice) return;
    const points = Object.keys(this.points).length ? this.points : this.#carried();
    this.state = { ...this.state, slice: this.shown };
    this.#setPoints(points, this.shown);
    this.keep();
  }

  /** Bring the points of the measured slice onto this one, to be looked at. */
  carry() {
    if (!this.isBegun) return;
    if (this.isMeasuredSlice) return;
    this.#setPoints({ ...this.#carried(), ...this.points }, this.shown);
    this.keep();
  }

  #carried() {
    const from = this.state.slice;
    const points = Object.entries(this.state.points[from] ?? {});
    return Object.fromEntries(points.map(([name, point]) => [name, { ...point, carried_from: from }]));
  }

  /** Take the points of this slice as they are: the reader has looked at them. */
  accept() {
    if (!this.isBegun) return;
    const points = Object.entries(this.points);
    const accepted = points.map(([name, point]) => [name, { ...point, carried_from: null }]);
    this.#setPoints(Object.fromEntries(accepted), this.shown);
    this.keep();
  }

  /** @param {Partial<State>} parts @param {number} [delayMs] */
  set(parts, delayMs = 0) {
    if (!this.isBegun) return;
    this.state = { ...this.state, ...parts };
    this.keep(delayMs);
  }

  /** @param {number} [delayMs] */
  keep(delayMs = 0) {
    if (!this.isBegun) return;
    this.#say("Keeping…");
    this.saver.keep(this.state, delayMs);
    this.measure("all");
    this.changed();
  }

  /** @param {"undo" | "redo"} what */
  async step(what) {
    if (!this.isBegun) return;
    await this.saver.flush();
    await this.#ask(what, { revision: this.saver.revision }, (working) => this.#takeState(working.state));
  }

  /** @returns {Promise<boolean>} */
  async sign() {
    if (!this.isBegun) return false;
    await this.saver.flush();
    if (this.saver.failing) return false;
    let signed = false;
    await this.#ask("sign", { revision: this.saver.revision }, (answer) => {
      signed = !answer.refused;
      this.#say(answer.refused ? `Not signed. ${answer.refused}` : "Signed");
    });
    return signed;
  }

  /** @param {string} reason @returns {Promise<boolean>} */
  async reject(reason) {
    if (!this.isBegun) return false;
    await this.saver.flush();
    let rejected = false;
    await this.#ask("reject", { revision: this.saver.revision, reason }, () => {
      rejected = true;
      this.#say("Rejected and signed");
    });
    return rejected;
  }

  /** @param {string} what @param {object} body @param {(answer: any) => void} then */
  async #ask(what, body, then) {
    try {
      const answer = await this.api.post(`${this.path}/${what}`, body);
      if (answer.state) this.saver.took(answer);
      then(answer);
    } catch (error) {
      if (error instanceof ApiError && error.kind === "StaleStateError") return this.#stale(error.message);
      this.#say("Not done", error instanceof Error ? error.message : String(error));
    }
    this.changed();
  }

  /** @param {import("./types.js").Working} working */
  #kept(working) {
    this.working = working;
    this.#say("All kept");
    if (this.measurer.hasFailed) this.measure("all");
  }

  /** @param {string} trouble */
  #answered(trouble) {
    if (trouble) this.#say("Not measured", trouble);
    else this.changed();
  }

  /** @param {string} message */
  async #stale(message) {
    const working = await this.api.get(`${this.path}/desk`);
    this.saver.took(working);
    this.#takeState(working.state);
    this.#say("Changed elsewhere", message);
  }

  /** @param {State} state */
  #takeState(state) {
    this.state = state;
    this.measure("all");
    this.changed();
  }

  /** @param {string} words @param {string} [trouble] */
  #say(words, trouble = "") {
    this.savedWords = words;
    this.trouble = trouble;
    this.changed();
  }

  /** @param {string} name @param {Point} point @param {number} [slice] */
  #setPoint(name, point, slice = this.shown) {
    this.#setPoints({ ...(this.state.points[slice] ?? {}), [name]: point }, slice);
  }

  /** @param {Points} points @param {number} slice */
  #setPoints(points, slice) {
    this.state = { ...this.state, points: { ...this.state.points, [slice]: points } };
    this.changed();
  }

  get measured() {
    return this.measurer.found;
  }

  /** @param {import("./measurer.js").Extent} extent */
  measure(extent) {
    this.measurer.ask(extent);
  }

  /** @param {string} code */
  choosePreset(code) {
    const [black, white] = this.knee.window;
    const { part } = WINDOWS.find((preset) => preset.code === code) ?? WINDOWS[0];
    this.preset = code;
    this.window = [black + part[0] * (white - black), black + part[1] * (white - black)];
    this.changed();
    this.keepView();
  }

  /** Brighten and steepen; fractions of the width of the window. @param {number} level @param {number} width */
  adjustWindow(level, width) {
    const [black, white] = this.window;
    const span = white - black;
    const middle = (black + white) / 2 + level * span;
    const half = Math.max((span / 2) * Math.exp(width), (this.knee.window[1] - this.knee.window[0]) / 500);
    this.preset = "";
    this.window = [middle - half, middle + half];
    this.changed();
    this.keepView();
  }

  #viewTimer = 0;
  #isFitted = false;

  /** Show the whole slice the first time the size of the window is known. */
  fitOnce() {
    if (this.#isFitted) return;
    this.#isFitted = true;
    this.viewport.fitAll();
  }

  zoomToJoint() {
    const placed = Object.values(this.state.points[this.state.slice] ?? {}).map((point) => point.pixel);
    if (placed.length > 1) this.viewport.fit(placed, 14);
    else this.viewport.fitAll();
    this.changed();
    this.keepView();
  }

  /** @param {import("./types.js").View | null} view */
  #takeView(view) {
    if (!view) return;
    this.shown = Math.min(view.slice, this.knee.positions_mm.length - 1);
    this.window = view.window;
    this.preset = view.preset;
    this.snapsDrops = view.snap;
    this.viewport.scale = view.scale;
    this.viewport.centre = view.centre;
  }

  /** Keep slice, window and zoom for the next time, when the reader has come to rest. */
  keepView() {
    if (!this.isBegun) return;
    clearTimeout(this.#viewTimer);
    this.#viewTimer = window.setTimeout(() => this.#sendView(false), 700);
  }

  /** @param {boolean} leaving */
  #sendView(leaving) {
    this.#viewTimer = 0;
    const { scale, centre } = this.viewport;
    const view = { slice: this.shown, window: this.window, preset: this.preset, scale, centre, snap: this.snapsDrops };
    this.api.post(`${this.path}/view`, { view }, leaving).catch(() => undefined);
  }

  leave() {
    this.saver.leave();
    if (this.#viewTimer) this.#sendView(true);
    clearTimeout(this.#viewTimer);
  }
}
