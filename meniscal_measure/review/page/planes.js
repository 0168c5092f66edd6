/**
 * The series of the other planes. Where positions can be related, they are linked with the coronal slices: a cross
 * marks the same place in all of them, and lines say where the coronal slices lie.
 */

import { byId, make, setShown, setText } from "./dom.js";
import { drawCross } from "./drawing.js";
import { toPatient, toStack } from "./geometry.js";
import { Painted, Slices } from "./slices.js";
import { messageOf } from "./types.js";
import { Viewport } from "./viewport.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {{window: [number, number], cuts: ([number, number][] | null)[]}} Cuts none where the planes are not linked */

const LINE = "#56B4E9";
const WHEEL_STEP = 40;
const CLICK_PX = 4;

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
  /** @type {Viewport | null} */
  #viewport = null;
  /** @type {import("./types.js").Vector | null} the place this plane was last brought to */
  #followed = null;
  #chosen = 0;
  #index = 0;
  #wheel = 0;

  constructor() {
    this.#details.addEventListener("toggle", () => this.#open());
    this.#slider.addEventListener("input", () => this.#leaf(Number(this.#slider.value) - this.#number));
    this.#canvas.addEventListener("wheel", (event) => this.#turn(event), { passive: false });
    this.#canvas.addEventListener("keydown", (event) => this.#key(event));
    this.#listenToDrags();
    new ResizeObserver(() => this.#fit()).observe(this.#canvas);
  }

  #listenToDrags() {
    /** @type {{x: number, y: number, moved: boolean} | null} */
    let press = null;
    this.#canvas.addEventListener("pointerdown", (event) => {
      this.#canvas.setPointerCapture(event.pointerId);
      press = { x: event.offsetX, y: event.offsetY, moved: false };
    });
    this.#canvas.addEventListener("pointermove", ({ offsetX: x, offsetY: y }) => {
      if (!press) return;
      press.moved ||= Math.hypot(x - press.x, y - press.y) > CLICK_PX;
      if (!press.moved) return;
      this.#viewport?.pan(x - press.x, y - press.y);
      [press.x, press.y] = [x, y];
      this.draw();
    });
    this.#canvas.addEventListener("pointerup", () => {
      if (press && !press.moved) this.#point(press.x, press.y);
      press = null;
    });
  }

  get #plane() {
    return /** @type {Reading} */ (this.#reading).knee.planes[this.#chosen];
  }

  /** Number of the slice in view, as people count. */
  get #number() {
    return this.#plane.numbers[this.#index];
  }

  /** @param {number} by as people count */
  #leaf(by) {
    const { numbers } = this.#plane;
    void this.#go(this.#index + (numbers[0] < numbers[numbers.length - 1] ? by : -by));
  }

  /** @param {Reading} reading */
  show(reading) {
    this.#reading = reading;
    this.#slices = null;
    this.#cuts = null;
    this.#viewport = null;
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
    const { count, is_linked: isLinked } = this.#plane;
    setText(byId("plane-link"), isLinked
      ? "Linked: the cross is the same place in both planes. Click to go there; scroll for other slices, Ctrl and scroll to zoom."
      : "Not linked: this series was not taken in the same frame of reference, so its positions cannot be related.");
    this.#slices = new Slices(reading.api, `${reading.path}/planes/${at}`, count, () => this.draw());
    this.#viewport = new Viewport(this.#plane);
    this.#slider.max = String(count);
    this.#followed = null;
    this.#fit();
    void this.#go(Math.floor(count / 2));
    this.#follow();
  }

  #fit() {
    const { clientWidth: width } = this.#canvas;
    if (!this.#viewport || !width) return;
    const { columns, rows, column_spacing_mm: wide, row_spacing_mm: high } = this.#plane;
    const height = Math.round((width * rows * high) / (columns * wide));
    this.#canvas.style.height = `${height}px`;
    this.#canvas.width = width * devicePixelRatio;
    this.#canvas.height = height * devicePixelRatio;
    this.#viewport.resize(width, height);
    this.draw();
  }

  /** @param {number} index */
  async #go(index) {
    const reading = this.#reading;
    if (!reading || !this.#slices) return;
    this.#index = Math.min(Math.max(index, 0), this.#plane.count - 1);
    this.#slider.value = String(this.#number);
    this.#slices.want(this.#index);
    const wanted = this.#index;
    const path = `${reading.path}/planes/${this.#chosen}/${wanted}/cuts`;
    const cuts = await reading.api.get(path).catch((error) => reading.say(messageOf(error)));
    if (wanted !== this.#index || !cuts) return;
    this.#cuts = cuts;
    this.draw();
  }

  /** Bring the slice with the crosshair into view, once for each place of it. */
  #follow() {
    const place = this.#reading?.crosshair ?? null;
    if (!place || place === this.#followed || !this.#plane.is_linked) return;
    this.#followed = place;
    const { index } = toStack(this.#plane.geometry, place);
    if (index !== this.#index) void this.#go(index);
  }

  /** Go to a place of this plane in the coronal slices too. @param {number} x @param {number} y */
  #point(x, y) {
    if (!this.#viewport || !this.#reading || !this.#plane.is_linked) return;
    const place = toPatient(this.#plane.geometry, this.#index, this.#viewport.toPixel(x, y));
    this.#followed = place;
    this.#reading.goTo(place);
  }

  /** @param {WheelEvent} event */
  #turn(event) {
    event.preventDefault();
    const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? event.deltaY * WHEEL_STEP : event.deltaY;
    if (event.ctrlKey || event.metaKey) {
      this.#viewport?.zoom(Math.exp(-lines / 400), event.offsetX, event.offsetY);
      this.draw();
      return;
    }
    this.#wheel += lines;
    const steps = Math.trunc(this.#wheel / WHEEL_STEP);
    this.#wheel -= steps * WHEEL_STEP;
    if (steps) this.#leaf(Math.sign(steps));
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const acts = /** @type {Record<string, () => unknown>} */ ({
      PageUp: () => this.#leaf(-1), PageDown: () => this.#leaf(1),
      "+": () => this.#viewport?.zoom(1.25), "-": () => this.#viewport?.zoom(0.8), 0: () => this.#viewport?.fitAll(),
      ArrowLeft: () => this.#viewport?.pan(20, 0), ArrowRight: () => this.#viewport?.pan(-20, 0),
      ArrowUp: () => this.#viewport?.pan(0, 20), ArrowDown: () => this.#viewport?.pan(0, -20),
    });
    const act = acts[event.key];
    if (!act || event.ctrlKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    void act();
    this.draw();
  }

  draw() {
    const reading = this.#reading;
    if (!this.#details.open || !reading || !this.#slices || !this.#viewport) return;
    this.#follow();
    const slice = this.#slices?.get(this.#index);
    if (!slice || !this.#cuts) return;
    this.#painted.paint(slice, this.#cuts.window);
    const context = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext("2d"));
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.#canvas.width, this.#canvas.height);
    this.#viewport.applyTo(context, devicePixelRatio);
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
    context.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    this.#line(context, this.#cuts.cuts[reading.state.slice], [8, 6]);
    this.#line(context, this.#cuts.cuts[reading.shown], []);
    this.#drawCross(context, reading);
    const lines = this.#plane.is_linked
      ? "; the solid line is the slice in view, the dashed one the measured slice" : ", not linked";
    this.#canvas.setAttribute("aria-label", `${this.#plane.plane} slice ${this.#number}${lines}`);
  }

  /** @param {CanvasRenderingContext2D} context @param {Reading} reading */
  #drawCross(context, { crosshair }) {
    if (!crosshair || !this.#viewport || !this.#plane.is_linked) return;
    const { index, pixel } = toStack(this.#plane.geometry, crosshair);
    if (index !== this.#index) return;
    context.save();
    context.translate(...this.#viewport.toScreen(pixel));
    drawCross(context);
    context.restore();
  }

  /** @param {CanvasRenderingContext2D} context @param {[number, number][] | null | undefined} cut @param {number[]} dash */
  #line(context, cut, dash) {
    if (!cut || !this.#viewport) return;
    const path = new Path2D();
    path.moveTo(...this.#viewport.toScreen(cut[0]));
    path.lineTo(...this.#viewport.toScreen(cut[1]));
    for (const [style, width] of /** @type {[string, number][]} */ ([["#000", 3.5], [LINE, 1.8]])) {
      context.setLineDash(dash);
      context.strokeStyle = style;
      context.lineWidth = width;
      context.stroke(path);
    }
    context.setLineDash([]);
  }
}
