/** Mouse, pen and fingers on the slice. */

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {{name: string, slice: number, offset: [number, number], moved: boolean, wanted: string | null}} Grab
 *   a landmark under the press, on the slice where the press began; wanted: to be placed by a click */

const REACH_PX = { mouse: 18, pen: 22, touch: 34 };
const CLICK_PX = 5;
const WHEEL_STEP = 40;
const MIDDLE_BUTTON = 1;
const RIGHT_BUTTON = 2;

export class Pointer {
  /** @type {Map<number, [number, number]>} */
  #down = new Map();
  /** @type {Grab | null} */
  #grab = null;
  /** @type {"pan" | "window" | null} */
  #does = null;
  /** @type {[number, number]} */
  #start = [0, 0];
  #spread = 0;
  #wheel = 0;
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
    this.#down.set(event.pointerId, this.#at(event));
    if (this.#down.size === 2) {
      this.#endGrab(reading);
      this.#does = null;
      this.#spread = this.#distance();
      return;
    }
    this.#start = this.#at(event);
    const reach = REACH_PX[/** @type {keyof typeof REACH_PX} */ (event.pointerType)] ?? REACH_PX.mouse;
    const name = event.button === 0 ? this.#nearest(reading, reach) : null;
    const isWindow = event.button === RIGHT_BUTTON || event.button === MIDDLE_BUTTON || event.shiftKey;
    if (name) this.#take(reading, name);
    else this.#does = isWindow ? "window" : this.dragDoes();
  }

  /** @param {Reading} reading @param {string} name */
  #take(reading, name) {
    const [x, y] = reading.view.viewport.toScreen(reading.landmarks[name].pixel);
    const { selected } = reading;
    const wanted = selected !== null && !(selected in reading.landmarks) ? selected : null;
    const offset = /** @type {[number, number]} */ ([x - this.#start[0], y - this.#start[1]]);
    this.#grab = { name, slice: reading.shown, offset, moved: false, wanted };
    if (!wanted) reading.select(name);
  }

  /** @param {Reading} reading @param {number} reach */
  #nearest(reading, reach) {
    let best = null;
    let least = reach;
    for (const [name, { pixel }] of Object.entries(reading.landmarks)) {
      const [x, y] = reading.view.viewport.toScreen(pixel);
      const favour = name === reading.selected ? 4 : 0;
      const distance = Math.hypot(x - this.#start[0], y - this.#start[1]) - favour;
      if (distance < least) [best, least] = [name, distance];
    }
    return best;
  }

  /** @param {PointerEvent} event */
  #move(event) {
    const reading = this.reading();
    const before = this.#down.get(event.pointerId);
    if (!reading || !before) return;
    const now = this.#at(event);
    this.#down.set(event.pointerId, now);
    const by = [now[0] - before[0], now[1] - before[1]];
    if (this.#down.size === 2) this.#pinch(reading, by);
    else if (this.#grab) this.#drag(reading, this.#grab, now);
    else if (this.#does === "pan") reading.view.move((viewport) => viewport.pan(by[0], by[1]));
    else if (this.#does === "window") reading.view.adjustWindow(by[1] / 300, -by[0] / 200);
  }

  /** @param {Reading} reading @param {Grab} grab @param {[number, number]} now */
  #drag(reading, grab, now) {
    if (!grab.moved) {
      const far = Math.hypot(now[0] - this.#start[0], now[1] - this.#start[1]) > (grab.wanted ? CLICK_PX : 1);
      if (!far || grab.slice !== reading.shown) return;
      grab.moved = true;
      reading.editing.hold(grab.name);
    }
    // Once something else has let go of the landmark, the rest of this drag moves nothing.
    reading.editing.drag(reading.view.viewport.toPixel(now[0] + grab.offset[0], now[1] + grab.offset[1]));
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
    const reading = this.reading();
    if (!this.#down.delete(event.pointerId) || !reading) return;
    const now = this.#at(event);
    const isClick = event.type === "pointerup" && Math.hypot(now[0] - this.#start[0], now[1] - this.#start[1]) < CLICK_PX;
    if (this.#grab) this.#clickOn(reading, this.#grab, now, event.type === "pointerup");
    else if (this.#does && isClick && event.button === 0) this.#clickBeside(reading, now);
    this.#endGrab(reading);
    this.#does = null;
  }

  /** @param {Reading} reading @param {Grab} grab @param {[number, number]} now @param {boolean} isUp */
  #clickOn(reading, grab, now, isUp) {
    if (!grab.wanted || grab.moved || !isUp || grab.slice !== reading.shown) return;
    reading.editing.place(grab.wanted, reading.view.viewport.toPixel(...now));
  }

  /** @param {Reading} reading @param {[number, number]} now */
  #clickBeside(reading, now) {
    const { selected } = reading;
    if (selected && !(selected in reading.landmarks)) reading.editing.place(selected, reading.view.viewport.toPixel(...now));
    else reading.pointAt(reading.view.viewport.toPixel(...now));
  }

  /** @param {Reading} reading */
  #endGrab(reading) {
    if (this.#grab?.moved) reading.editing.letGo();
    this.#grab = null;
  }

  /** @param {WheelEvent} event */
  #turn(event) {
    const reading = this.reading();
    if (!reading) return;
    event.preventDefault();
    if (this.#down.size) return; // a notch while something is pressed is a slip of the finger
    const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? event.deltaY * WHEEL_STEP : event.deltaY;
    if (event.ctrlKey || event.metaKey) {
      this.#box = this.element.getBoundingClientRect();
      reading.view.move((viewport) => viewport.zoom(Math.exp(-lines / 400), ...this.#at(event)));
      return;
    }
    this.#wheel += lines;
    const steps = Math.trunc(this.#wheel / WHEEL_STEP);
    this.#wheel -= steps * WHEEL_STEP;
    if (steps) reading.leaf(Math.sign(steps));
  }
}
