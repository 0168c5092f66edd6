/** The slices of one stack in a canvas: scroll, zoom, move, point. What lies on a slice is drawn by its owner. */

import { Painted } from "./slices.js";
import { Viewport } from "./viewport.js";

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {{rows: number, columns: number, row_spacing_mm: number, column_spacing_mm: number, numbers: number[]}} Stack
 *   numbers of its slices as people count */
/** @typedef {{moved: () => void, pointed: (pixel: Pixel) => void,
 *   marks: (context: CanvasRenderingContext2D, viewport: Viewport) => void}} Owner moved: another slice is in view */

const WHEEL_STEP = 40;
const CLICK_PX = 4;
const PAN_PX = 20;

export class SliceCanvas {
  index = 0;
  /** @type {[number, number] | null} grey window; without one nothing is drawn */
  window = null;
  #painted = new Painted();
  /** @type {Stack | null} */
  #stack = null;
  /** @type {import("./slices.js").Slices | null} */
  #slices = null;
  /** @type {Viewport | null} */
  #viewport = null;
  #wheel = 0;

  /** @param {HTMLCanvasElement} element @param {Owner} owner */
  constructor(element, owner) {
    this.element = element;
    this.owner = owner;
    element.addEventListener("wheel", (event) => this.#turn(event), { passive: false });
    element.addEventListener("keydown", (event) => this.#key(event));
    this.#listenToDrags();
  }

  #listenToDrags() {
    /** @type {{x: number, y: number, moved: boolean} | null} */
    let press = null;
    this.element.addEventListener("pointerdown", (event) => {
      this.element.setPointerCapture(event.pointerId);
      press = { x: event.offsetX, y: event.offsetY, moved: false };
    });
    this.element.addEventListener("pointermove", ({ offsetX: x, offsetY: y }) => {
      if (!press) return;
      press.moved ||= Math.hypot(x - press.x, y - press.y) > CLICK_PX;
      if (!press.moved) return;
      this.#viewport?.pan(x - press.x, y - press.y);
      [press.x, press.y] = [x, y];
      this.draw();
    });
    this.element.addEventListener("pointerup", () => {
      if (press && !press.moved && this.#viewport) this.owner.pointed(this.#viewport.toPixel(press.x, press.y));
      press = null;
    });
    this.element.addEventListener("pointercancel", () => (press = null));
  }

  get isEmpty() {
    return this.#slices === null;
  }

  /** Number of the slice in view, as people count. */
  get number() {
    return this.#stack?.numbers[this.index] ?? 0;
  }

  /** @returns {Pixel} in the middle of the view */
  get middle() {
    const viewport = /** @type {Viewport} */ (this.#viewport);
    return viewport.toPixel(viewport.width / 2, viewport.height / 2);
  }

  /** Where the slice lies in the canvas: what is in the middle (mm), and CSS pixels per mm. */
  get view() {
    return { centre: this.#viewport?.centre, scale: this.#viewport?.scale };
  }

  /** Show a stack, or nothing. @param {Stack | null} stack @param {import("./slices.js").Slices | null} slices */
  show(stack, slices) {
    this.#stack = stack;
    this.#slices = slices;
    this.#viewport = stack && new Viewport(stack);
    this.window = null;
  }

  /** @param {number} width @param {number} height CSS pixels */
  resize(width, height) {
    if (!this.#viewport || !width || !height) return;
    this.element.width = width * devicePixelRatio;
    this.element.height = height * devicePixelRatio;
    this.#viewport.resize(width, height);
    this.draw();
  }

  /** @param {number} by slices, as people count */
  leaf(by) {
    const numbers = this.#stack?.numbers ?? [];
    this.go(this.index + (numbers[0] < numbers[numbers.length - 1] ? by : -by));
  }

  /** @param {number} index */
  go(index) {
    if (!this.#stack || !this.#slices) return;
    this.index = Math.min(Math.max(index, 0), this.#stack.numbers.length - 1);
    this.#slices.want(this.index);
    this.owner.moved();
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
    if (steps) this.leaf(Math.sign(steps));
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const arrows = /** @type {Record<string, [number, number]>} */ ({
      ArrowLeft: [PAN_PX, 0], ArrowRight: [-PAN_PX, 0], ArrowUp: [0, PAN_PX], ArrowDown: [0, -PAN_PX],
    });
    const acts = /** @type {Record<string, () => unknown>} */ ({
      PageUp: () => this.leaf(-1), PageDown: () => this.leaf(1),
      "+": () => this.#viewport?.zoom(1.25), "-": () => this.#viewport?.zoom(0.8), 0: () => this.#viewport?.fitAll(),
    });
    const pan = arrows[event.key];
    const act = pan ? () => this.#viewport?.pan(...pan) : acts[event.key];
    if (!act || event.defaultPrevented || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    event.stopPropagation();
    act();
    this.draw();
  }

  /** Draw the slice and what lies on it. @returns {boolean} whether it could be drawn: false until the slice is here */
  draw() {
    const slice = this.#slices?.get(this.index);
    if (!slice || !this.window || !this.#viewport || !this.element.width) return false;
    this.#painted.paint(slice, this.window);
    const context = /** @type {CanvasRenderingContext2D} */ (this.element.getContext("2d"));
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.element.width, this.element.height);
    this.#viewport.applyTo(context, devicePixelRatio);
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
    context.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    this.owner.marks(context, this.#viewport);
    return true;
  }
}
