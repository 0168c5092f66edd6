/**
 * The series of the other planes. Where positions can be related, they are linked with the coronal slices: a cross
 * marks the same place in all of them, and lines say where the coronal slices lie.
 */

import { byId, make, setShown, setText, watchSize } from "./dom.js";
import { drawPlace, withHalo } from "./drawing.js";
import { toPatient, toStack } from "./geometry.js";
import { SliceCanvas } from "./slice_canvas.js";
import { Slices } from "./slices.js";
import { messageOf } from "./types.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {import("./viewport.js").Viewport} Viewport */
/** @typedef {{window: [number, number], cuts: ([number, number][] | null)[]}} Cuts none where the planes are not linked */

const LINE = "#56B4E9";

export class Planes {
  #details = /** @type {HTMLDetailsElement} */ (byId("planes"));
  #canvas = new SliceCanvas(/** @type {HTMLCanvasElement} */ (byId("plane")), {
    moved: () => void this.#moved(),
    pointed: (pixel) => this.#point(pixel),
    marks: (context, viewport) => this.#drawMarks(context, viewport),
  });
  #slider = /** @type {HTMLInputElement} */ (byId("plane-slider"));
  /** @type {Reading | null} */
  #reading = null;
  /** @type {Cuts["cuts"]} */
  #cuts = [];
  /** @type {import("./types.js").Vector | null} the place this plane was last brought to */
  #followed = null;
  #chosen = 0;

  constructor() {
    this.#details.addEventListener("toggle", () => this.#open());
    this.#slider.addEventListener("input", () => this.#canvas.page(Number(this.#slider.value) - this.#canvas.number));
    watchSize(this.#canvas.element, () => this.#fit());
  }

  get #plane() {
    return /** @type {Reading} */ (this.#reading).knee.planes[this.#chosen];
  }

  /** @param {Reading} reading */
  show(reading) {
    this.#reading = reading;
    this.#canvas.show(null, null);
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
    if (this.#details.open && this.#canvas.isEmpty && this.#reading?.knee.planes.length) this.#choose(this.#chosen);
  }

  /** @param {number} at */
  #choose(at) {
    const reading = this.#reading;
    if (!reading) return;
    this.#chosen = at;
    byId("plane-choice").querySelectorAll("button").forEach((button, place) =>
      button.setAttribute("aria-pressed", String(place === at)));
    const { slices: { length: count }, is_linked: isLinked } = this.#plane;
    setText(byId("plane-link"), isLinked
      ? "Linked: the cross is the same place in both planes. Click to go there; scroll for other slices, Ctrl and scroll to zoom."
      : "Not linked: this series was not taken in the same frame of reference, so its positions cannot be related.");
    this.#canvas.show(this.#plane, new Slices(reading.api, `${reading.path}/planes/${at}`, count, () => this.draw()));
    this.#slider.max = String(count);
    this.#followed = null;
    this.#fit();
    this.#canvas.go(Math.floor(count / 2));
    this.#follow();
  }

  #fit() {
    const { clientWidth: width } = this.#canvas.element;
    if (this.#canvas.isEmpty || !width) return;
    const { columns, rows, column_spacing_mm: wide, row_spacing_mm: high } = this.#plane;
    const height = Math.round((width * rows * high) / (columns * wide));
    this.#canvas.element.style.height = `${height}px`;
    this.#canvas.resize(width, height);
  }

  async #moved() {
    const reading = /** @type {Reading} */ (this.#reading);
    const { index } = this.#canvas;
    const chosen = this.#chosen;
    this.#cuts = [];
    this.#slider.value = String(this.#canvas.number);
    const path = `${reading.path}/planes/${chosen}/${index}/cuts`;
    const found = await reading.api.get(path).catch((error) => reading.say(messageOf(error)));
    if (reading !== this.#reading || chosen !== this.#chosen || index !== this.#canvas.index || !found) return;
    this.#canvas.window = found.window;
    this.#cuts = found.cuts;
    this.draw();
  }

  /** Bring the slice with the crosshair into view, once for each place of it. */
  #follow() {
    const place = this.#reading?.selection.crosshair ?? null;
    if (!place || place === this.#followed || !this.#plane.is_linked) return;
    this.#followed = place;
    const { index } = toStack(this.#plane.geometry, place);
    if (index !== this.#canvas.index) this.#canvas.go(index);
  }

  /** Go to a place of this plane in the coronal slices too. @param {import("./types.js").Pixel} pixel */
  #point(pixel) {
    if (!this.#reading || !this.#plane.is_linked) return;
    const place = toPatient(this.#plane.geometry, this.#canvas.index, pixel);
    this.#followed = place;
    this.#reading.selection.goTo(place);
  }

  draw() {
    if (!this.#details.open || !this.#reading || this.#canvas.isEmpty) return;
    this.#follow();
    if (!this.#canvas.draw()) return;
    const lines = this.#plane.is_linked
      ? "; the solid line is the slice in view, the dashed one the measured slice" : ", not linked";
    this.#canvas.element.setAttribute("aria-label", `${this.#plane.plane} slice ${this.#canvas.number}${lines}`);
  }

  /** @param {CanvasRenderingContext2D} context @param {Viewport} viewport */
  #drawMarks(context, viewport) {
    const { state, shown, selection: { crosshair } } = /** @type {Reading} */ (this.#reading);
    drawLine(context, viewport, this.#cuts[state.slice], [8, 6]);
    drawLine(context, viewport, this.#cuts[shown], []);
    if (!crosshair || !this.#plane.is_linked) return;
    const { index, pixel } = toStack(this.#plane.geometry, crosshair);
    if (index === this.#canvas.index) drawPlace(context, viewport.toScreen(pixel));
  }
}

/** @param {CanvasRenderingContext2D} context @param {Viewport} viewport @param {[number, number][] | null | undefined} cut @param {number[]} dash */
function drawLine(context, viewport, cut, dash) {
  if (!cut) return;
  const path = new Path2D();
  path.moveTo(...viewport.toScreen(cut[0]));
  path.lineTo(...viewport.toScreen(cut[1]));
  context.setLineDash(dash);
  withHalo(context, path, LINE, 1.8);
  context.setLineDash([]);
}
