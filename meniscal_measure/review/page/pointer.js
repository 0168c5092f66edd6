/** Mouse, pen and fingers on the slice. */

import { Wheel } from "./wheel.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {{reading: Reading, slice: number, at: [number, number], pixel: import("./types.js").Pixel, wanted: string | null,
 *   grabbed: string | null, offset: [number, number], does: "pan" | "window", moved: boolean}} Press
 *   on which slice and pixel of which knee; wanted: the landmark that a click there places; grabbed: the one that lies
 *   there; offset: from the pointer to it, CSS pixels */

const REACH_PX = { mouse: 18, pen: 22, touch: 34 };
const CLICK_PX = 5;
const MIDDLE_BUTTON = 1;
const RIGHT_BUTTON = 2;

export class Pointer {
  /** @type {Map<number, [number, number]>} */
  #down = new Map();
  /** @type {Press | null} */
  #pressed = null;
  /** @type {Press | null} what was pressed and let go of in one place: a click, unless it is the second of a double click that began elsewhere */
  #clicked = null;
  #spread = 0;
  #wheel = new Wheel();
  /** Where the element lies, looked up when something is pressed: layout is not asked for in every frame of a drag. */
  #box = { left: 0, top: 0 };

  /**
   * @param {HTMLElement} element
   * @param {() => Reading | null} reading
   * @param {() => "pan" | "window"} dragDoes
   */
  constructor(element, reading, dragDoes) {
    this.element = element;
    this.reading = reading;
    this.dragDoes = dragDoes;
    element.addEventListener("pointerdown", (event) => this.#press(event));
    element.addEventListener("pointermove", (event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) {
      element.addEventListener(end, (event) => this.#release(/** @type {PointerEvent} */ (event)));
    }
    element.addEventListener("click", () => {
      if (this.#clicked) click(this.#clicked);
    });
    element.addEventListener("wheel", (event) => this.#turn(event), { passive: false });
    element.addEventListener("contextmenu", (event) => event.preventDefault());
    element.addEventListener("mousedown", (event) => {
      if (event.button === MIDDLE_BUTTON) event.preventDefault(); // no scrolling by itself
    });
  }

  /** @param {MouseEvent} event @returns {[number, number]} */
  #at(event) {
    return [event.clientX - this.#box.left, event.clientY - this.#box.top];
  }

  /** @param {PointerEvent} event */
  #press(event) {
    const reading = this.reading();
    if (!reading) return;
    this.element.setPointerCapture(event.pointerId);
    this.#box = this.element.getBoundingClientRect();
    const at = this.#at(event);
    this.#down.set(event.pointerId, at);
    this.#clicked = null;
    if (this.#down.size === 2) {
      this.#end();
      this.#spread = this.#distance();
      return;
    }
    const { selection, view: { viewport } } = reading;
    const isWindow = event.button === RIGHT_BUTTON || event.button === MIDDLE_BUTTON || event.shiftKey;
    const wanted = selection.name !== null && !(selection.name in reading.landmarks) ? selection.name : null;
    const grabbed = event.button === 0 ? nearest(reading, at, REACH_PX[/** @type {keyof typeof REACH_PX} */ (event.pointerType)]) : null;
    const [x, y] = grabbed ? viewport.toScreen(reading.landmarks[grabbed].pixel) : at;
    this.#pressed = {
      reading, slice: reading.shown, at, pixel: viewport.toPixel(...at), wanted, grabbed,
      offset: [x - at[0], y - at[1]], does: isWindow ? "window" : this.dragDoes(), moved: false,
    };
    if (grabbed && !wanted) selection.take(grabbed);
  }

  /** @param {PointerEvent} event */
  #move(event) {
    const reading = this.reading();
    const before = this.#down.get(event.pointerId);
    if (!reading || !before) return;
    const now = this.#at(event);
    this.#down.set(event.pointerId, now);
    const by = [now[0] - before[0], now[1] - before[1]];
    const press = this.#pressed;
    if (this.#down.size === 2) this.#pinch(reading, by);
    else if (press?.reading !== reading) return; // the knee that was pressed on is not in view any more
    else if (press.grabbed) drag(press, press.grabbed, now);
    else if (press.does === "pan") reading.view.move((viewport) => viewport.pan(by[0], by[1]));
    else reading.view.adjustWindow(by[1] / 300, -by[0] / 200);
  }

  /** @param {Reading} reading @param {number[]} by */
  #pinch(reading, by) {
    const spread = this.#distance();
    const places = [...this.#down.values()];
    const middle = [0, 1].map((axis) => (places[0][axis] + places[1][axis]) / 2);
    reading.view.move((viewport) => {
      viewport.zoom(spread / this.#spread, middle[0], middle[1]);
      viewport.pan(by[0] / 2, by[1] / 2);
    });
    this.#spread = spread;
  }

  #distance() {
    const [a, b] = [...this.#down.values()];
    return Math.max(Math.hypot(a[0] - b[0], a[1] - b[1]), 1);
  }

  /** @param {PointerEvent} event */
  #release(event) {
    if (!this.#down.delete(event.pointerId)) return;
    const press = this.#pressed;
    if (press?.reading === this.reading() && isNear(press.at, this.#at(event), CLICK_PX)) this.#clicked = press;
    this.#end();
  }

  #end() {
    if (this.#pressed?.moved) this.#pressed.reading.editing.letGo();
    this.#pressed = null;
  }

  /** @param {WheelEvent} event */
  #turn(event) {
    const reading = this.reading();
    if (!reading) return;
    event.preventDefault();
    if (this.#down.size) return; // a notch while something is pressed is a slip of the finger
    this.#wheel.turn(event, (by) => reading.page(by), (factor) => {
      this.#box = this.element.getBoundingClientRect();
      reading.view.move((viewport) => viewport.zoom(factor, ...this.#at(event)));
    });
  }
}

/** The landmark within reach of a place. @param {Reading} reading @param {[number, number]} at @param {number} reach @returns {string | null} */
function nearest(reading, at, reach = REACH_PX.mouse) {
  let best = null;
  let least = reach;
  for (const [name, { pixel }] of Object.entries(reading.landmarks)) {
    const [x, y] = reading.view.viewport.toScreen(pixel);
    const favour = name === reading.selection.name ? 4 : 0;
    const distance = Math.hypot(x - at[0], y - at[1]) - favour;
    if (distance < least) [best, least] = [name, distance];
  }
  return best;
}

/** @param {Press} press @param {string} name of the landmark @param {[number, number]} now */
function drag(press, name, now) {
  const { reading, slice, at, offset, wanted } = press;
  if (!press.moved) {
    if (isNear(at, now, wanted ? CLICK_PX : 1) || slice !== reading.shown) return;
    press.moved = true;
    reading.editing.hold(name);
  }
  // Once something else has let go of the landmark, the rest of this drag moves nothing.
  reading.editing.drag(reading.view.viewport.toPixel(now[0] + offset[0], now[1] + offset[1]));
}

/** Place the landmark that is asked for where it was pressed, or point there. @param {Press} press */
function click({ reading, slice, pixel, wanted, grabbed, moved }) {
  if (moved || slice !== reading.shown) return;
  if (wanted && !(wanted in reading.landmarks)) reading.editing.place(wanted, pixel);
  else if (!grabbed) reading.selection.pointAt(pixel);
}

/** @param {[number, number]} one @param {[number, number]} other @param {number} px */
function isNear(one, other, px) {
  return Math.hypot(one[0] - other[0], one[1] - other[1]) <= px;
}
