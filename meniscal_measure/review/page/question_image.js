/** The image a question is answered on: which view and slice, in which window, and what is drawn on it. */

import { byId, make, setShown, setText, watchSize } from "./dom.js";
import { SliceCanvas } from "./slice_canvas.js";
import { Slices } from "./slices.js";

/**
 * @typedef {import("./types.js").Pixel} Pixel
 * @typedef {import("./types.js").Stack & {words: string, window: [number, number]}} View a stack of a plane, or a radiograph
 */

export class QuestionImage {
  /** @type {Record<string, View>} */
  views = {};
  name = "";
  /** @type {Map<string, Slices>} */
  #slices = new Map();
  canvas;

  /**
   * @param {() => import("./api.js").Api} api
   * @param {{moved: () => void, pointed: (pixel: Pixel | null) => void, marks: (context: CanvasRenderingContext2D, viewport: import("./viewport.js").Viewport) => void}} on
   *   pointed: null while the slice is not in view
   */
  constructor(api, on) {
    this.api = api;
    this.moved = on.moved;
    this.canvas = new SliceCanvas(/** @type {HTMLCanvasElement} */ (byId("slice")), on);
    for (const [id, factor] of Object.entries({ "zoom-out": 0.8, "zoom-in": 1.25, "zoom-all": 0 })) {
      byId(id).addEventListener("click", () => this.canvas.zoom(factor));
    }
    select("plane-select").addEventListener("change", () => this.show(select("plane-select").value));
    select("window-preset").addEventListener("change", () => this.moved());
    slider().addEventListener("input", () => this.canvas.page(Number(slider().value) - this.canvas.number));
    watchSize(byId("stage"), () => this.#fit());
  }

  /** @param {Record<string, View>} views */
  open(views) {
    this.views = views;
    select("plane-select").replaceChildren(...Object.entries(views).map(([value, { words }]) => make("option", { value }, words)));
  }

  get view() {
    return this.views[this.name];
  }

  /** @param {string} name */
  show(name) {
    if (name === this.name) return;
    this.name = name;
    const view = this.view;
    const slices = this.#slices.get(name) ?? new Slices(this.api(), `planes/${name}`, view.slices.length, () => this.moved());
    this.#slices.set(name, slices);
    select("plane-select").value = name;
    select("window-preset").replaceChildren(...view.windows.map(({ code, words }) => make("option", { value: code }, words)));
    slider().max = String(view.slices.length);
    for (const [border, letter] of Object.entries(view.borders)) setText(byId(`border-${border}`), letter);
    this.canvas.show(view, slices);
    this.canvas.index = Math.floor(view.slices.length / 2); // the one before may have more slices
    this.#fit();
    this.canvas.go(this.canvas.index);
  }

  #fit() {
    this.canvas.resize(byId("stage").clientWidth, byId("stage").clientHeight);
    if (this.name) this.moved();
  }

  /** @param {number} column @param {number} row @returns {Pixel} on the image, to a hundredth of a pixel */
  within(column, row) {
    const within = (/** @type {number} */ value, /** @type {number} */ count) =>
      Math.round(Math.min(Math.max(value, -0.5), count - 0.5) * 100) / 100;
    return [within(column, this.view.columns), within(row, this.view.rows)];
  }

  /** @param {boolean} isBusy whether an answer is not in the file yet */
  draw(isBusy) {
    const { view, canvas } = this;
    const [black, white] = view.window;
    const { part } = view.windows.find(({ code }) => code === select("window-preset").value) ?? view.windows[0];
    canvas.window = [black + part[0] * (white - black), black + part[1] * (white - black)];
    const isDrawn = canvas.draw();
    const trouble = this.#slices.get(this.name)?.trouble(canvas.index) ?? "";
    setText(byId("todo"), trouble || (isDrawn ? "" : "Opening…"));
    setShown(byId("todo"), Boolean(trouble) || !isDrawn);
    const { element, index, number } = canvas;
    element.dataset.drawn = isDrawn ? `${this.name} ${index}` : "";
    element.ariaBusy = String(isBusy);
    element.dataset.view = JSON.stringify(canvas.view);
    element.setAttribute("aria-label", `${view.words} ${view.slices[index].short}`);
    setText(byId("slice-label"), `Slice ${number} / ${view.slices.length}`);
    if (slider().value !== String(number)) slider().value = String(number);
  }
}

/** @param {string} id */
function select(id) {
  return /** @type {HTMLSelectElement} */ (byId(id));
}

function slider() {
  return /** @type {HTMLInputElement} */ (byId("slice-slider"));
}
