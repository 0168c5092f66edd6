/** The series of the other planes, with the line in which the slice in view cuts them. */

import { byId, make, setShown } from "./dom.js";
import { Painted, Slices } from "./slices.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {{window: [number, number], cuts: ([number, number][] | null)[]}} Cuts */

const LINE = "#56B4E9";

export class Planes {
  #details = /** @type {HTMLDetailsElement} */ (byId("planes"));
  #canvas = /** @type {HTMLCanvasElement} */ (byId("plane"));
  #slider = /** @type {HTMLInputElement} */ (byId("plane-slider"));
  #painted = new Painted();
  /** @type {Reading | null} */
  #reading = null;
  /** @type {Slices | null} */
  #slices = null;
  /** @type {Cuts | null} */
  #cuts = null;
  #chosen = 0;
  #index = 0;

  constructor() {
    this.#details.addEventListener("toggle", () => this.#open());
    this.#slider.addEventListener("input", () => void this.#go(Number(this.#slider.value)));
  }

  /** @param {Reading} reading */
  show(reading) {
    this.#reading = reading;
    this.#slices = null;
    this.#cuts = null;
    setShown(this.#details, reading.knee.planes.length > 0);
    byId("plane-choice").replaceChildren(...reading.knee.planes.map(({ plane }, at) => {
      const button = make("button", { type: "button", "aria-pressed": String(at === 0) }, plane);
      button.addEventListener("click", () => this.#choose(at));
      return button;
    }));
    this.#chosen = 0;
    this.#open();
  }

  #open() {
    if (this.#details.open && !this.#slices && this.#reading?.knee.planes.length) this.#choose(this.#chosen);
  }

  /** @param {number} at */
  #choose(at) {
    const reading = this.#reading;
    if (!reading) return;
    this.#chosen = at;
    byId("plane-choice").querySelectorAll("button").forEach((button, place) =>
      button.setAttribute("aria-pressed", String(place === at)));
    const { count } = reading.knee.planes[at];
    this.#slices = new Slices(reading.api, `${reading.path}/planes/${at}`, count, () => this.draw());
    this.#slider.max = String(count - 1);
    void this.#go(Math.floor(count / 2));
  }

  /** @param {number} index */
  async #go(index) {
    const reading = this.#reading;
    if (!reading || !this.#slices) return;
    this.#index = index;
    this.#slider.value = String(index);
    this.#slices.want(index);
    const cuts = await reading.api.get(`${reading.path}/planes/${this.#chosen}/${index}/cuts`).catch(() => null);
    if (index !== this.#index) return;
    this.#cuts = cuts;
    this.draw();
  }

  draw() {
    const slice = this.#slices?.get(this.#index);
    const reading = this.#reading;
    if (!this.#details.open || !slice || !this.#cuts || !reading) return;
    this.#painted.paint(slice, this.#cuts.window);
    const { plane, columns, rows, column_spacing_mm: wide, row_spacing_mm: high } = reading.knee.planes[this.#chosen];
    const scale = this.#canvas.width / (columns * wide);
    const height = Math.round(rows * high * scale);
    if (this.#canvas.height !== height) this.#canvas.height = height;
    const context = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext("2d"));
    context.setTransform(wide * scale, 0, 0, high * scale, 0, 0);
    context.drawImage(this.#painted.canvas, 0, 0);
    context.setTransform(1, 0, 0, 1, 0, 0);
    this.#line(context, this.#cuts.cuts[reading.state.slice], [wide * scale, high * scale], [8, 6]);
    this.#line(context, this.#cuts.cuts[reading.shown], [wide * scale, high * scale], []);
    const words = `${plane} slice ${this.#index + 1}; the solid line is the slice in view, the dashed one the measured slice`;
    this.#canvas.setAttribute("aria-label", words);
  }

  /** @param {CanvasRenderingContext2D} context @param {[number, number][] | null} cut @param {[number, number]} scale @param {number[]} dash */
  #line(context, cut, [wide, high], dash) {
    if (!cut) return;
    const path = new Path2D();
    path.moveTo((cut[0][0] + 0.5) * wide, (cut[0][1] + 0.5) * high);
    path.lineTo((cut[1][0] + 0.5) * wide, (cut[1][1] + 0.5) * high);
    for (const [style, width] of /** @type {[string, number][]} */ ([["#000", 5], [LINE, 2.5]])) {
      context.setLineDash(dash);
      context.strokeStyle = style;
      context.lineWidth = width;
      context.stroke(path);
    }
    context.setLineDash([]);
  }
}
