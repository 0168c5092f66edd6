/** The slices of one stack in a canvas: scroll, zoom, move, point. What lies on a slice is drawn by its owner. */

import { further, Painted } from "./slices.js";
import { markScale, Viewport } from "./viewport.js";
import { Wheel } from "./wheel.js";

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Stack} Stack */
/** @typedef {{moved: () => void, pointed: (pixel: Pixel) => void,
 *   marks: (context: CanvasRenderingContext2D, viewport: Viewport) => void}} Owner moved: another slice is in view */

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
  #wheel = new Wheel();
  #isDrawn = false;
  /** @type {{x: number, y: number, moved: boolean} | null} what is pressed, CSS pixels */
  #press = null;

  /** @param {HTMLCanvasElement} element @param {Owner} owner */
  constructor(element, owner) {
    this.element = element;
    this.owner = owner;
    element.addEventListener("wheel", (event) => this.#turn(event), { passive: false });
    element.addEventListener("keydown", (event) => this.#key(event));
    element.addEventListener("pointerdown", (event) => {
      element.setPointerCapture(event.pointerId);
      this.#press = { x: event.offsetX, y: event.offsetY, moved: false };
    });
    element.addEventListener("pointermove", ({ offsetX: x, offsetY: y }) => {
      const press = this.#press;
      if (!press) return;
      press.moved ||= Math.hypot(x - press.x, y - press.y) > CLICK_PX;
      if (!press.moved) return;
      this.#viewport?.pan(x - press.x, y - press.y);
      [press.x, press.y] = [x, y];
      this.draw();
    });
    element.addEventListener("pointerup", () => {
      const press = this.#press;
      this.letGo();
      if (press && !press.moved && this.#isDrawn && this.#viewport) this.owner.pointed(this.#viewport.toPixel(press.x, press.y));
    });
    element.addEventListener("pointercancel", () => this.letGo());
  }

  /** Take a press for no click: what it was meant for is not in view any more. */
  letGo() {
    this.#press = null;
  }

  get isEmpty() {
    return this.#slices === null;
  }

  /** Number of the slice in view, as people count. */
  get number() {
    return this.#stack?.slices[this.index].number ?? 0;
  }

  /** @returns {Pixel | null} in the middle of the view; null while the slice is not there */
  get middle() {
    const viewport = this.#viewport;
    return viewport && this.#isDrawn ? viewport.toPixel(viewport.width / 2, viewport.height / 2) : null;
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
    this.#viewport.markScale = markScale();
    this.#viewport.resize(width, height);
    this.draw();
  }

  /** @param {number} by slices, as people count */
  page(by) {
    if (this.#stack) this.go(further(this.#stack.slices, this.index, by));
  }

  /** @param {number} index */
  go(index) {
    if (!this.#stack || !this.#slices) return;
    this.letGo();
    this.index = Math.min(Math.max(index, 0), this.#stack.slices.length - 1);
    this.#slices.want(this.index);
    this.owner.moved();
  }

  /** @param {number} factor; 0 shows the whole slice @param {number} [x] @param {number} [y] the place that stays where it is */
  zoom(factor, x, y) {
    if (factor) this.#viewport?.zoom(factor, x, y);
    else this.#viewport?.fitAll();
    this.draw();
  }

  /** @param {WheelEvent} event */
  #turn(event) {
    event.preventDefault();
    if (this.#press) return; // a notch while something is pressed is a slip of the finger
    this.#wheel.turn(event, (by) => this.page(by), (factor) => this.zoom(factor, event.offsetX, event.offsetY));
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const arrows = /** @type {Record<string, [number, number]>} */ ({
      ArrowLeft: [PAN_PX, 0], ArrowRight: [-PAN_PX, 0], ArrowUp: [0, PAN_PX], ArrowDown: [0, -PAN_PX],
    });
    const acts = /** @type {Record<string, () => unknown>} */ ({
      PageUp: () => this.page(-1), PageDown: () => this.page(1),
      "+": () => this.zoom(1.25), "-": () => this.zoom(0.8), 0: () => this.zoom(0),
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
    const context = /** @type {CanvasRenderingContext2D} */ (this.element.getContext("2d"));
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.element.width, this.element.height); // nothing of another slice stays in view
    this.#isDrawn = false;
    if (!slice || !this.window || !this.#viewport || !this.element.width) return false;
    this.#isDrawn = true;
    this.#painted.paint(slice, this.window);
    this.#viewport.applyTo(context, devicePixelRatio);
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
    context.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    this.owner.marks(context, this.#viewport);
    return true;
  }
}
