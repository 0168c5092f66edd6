/** Notches of the wheel: slices to go on by, or with Ctrl a factor to zoom by. */

const STEP = 40;

export class Wheel {
  #turned = 0;

  /** @param {WheelEvent} event @param {(by: number) => void} page @param {(factor: number) => void} zoom */
  turn(event, page, zoom) {
    const by = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? event.deltaY * STEP : event.deltaY;
    if (event.ctrlKey || event.metaKey) {
      zoom(Math.exp(-by / 400));
      return;
    }
    this.#turned += by;
    const steps = Math.trunc(this.#turned / STEP);
    this.#turned -= steps * STEP;
    if (steps) page(Math.sign(steps));
  }
}
