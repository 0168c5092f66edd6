/** The landmark that is chosen, and the place that is shown in every linked plane. */

import { toPatient, toStack } from "./geometry.js";
import { LANDMARK_ORDER, NEEDED_LANDMARKS, wordsOf } from "./types.js";

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Vector} Vector */

export class Selection {
  /** @type {string | null} */
  name = null;
  /** @type {Vector | null} a place in the patient */
  crosshair = null;

  /** @param {import("./reading.js").Reading} reading */
  constructor(reading) {
    this.reading = reading;
  }

  /** First needed landmark that is not placed on the slice to be measured. */
  get missing() {
    const { reading } = this;
    if (!reading.isMeasuredSlice && !reading.isFree) return null;
    return NEEDED_LANDMARKS.find((name) => !(name in reading.landmarks)) ?? null;
  }

  /** @param {string | null} name */
  take(name) {
    const { editing, landmarks, changed } = this.reading;
    if (name !== editing.held?.name) editing.letGo();
    this.name = name;
    if (name && name in landmarks) this.#mark(landmarks[name].pixel);
    changed();
  }

  /** @param {Pixel} pixel of the slice in view */
  #mark(pixel) {
    this.crosshair = toPatient(this.reading.knee.geometry, this.reading.shown, pixel);
  }

  /** Choose a landmark and say which, and where it is. @param {string} name */
  choose(name) {
    this.take(name);
    const { isBegun, landmarks } = this.reading;
    const at = landmarks[name]?.pixel.map((part) => part.toFixed(1));
    const where = at ? `: placed at column ${at[0]}, row ${at[1]}` : isBegun ? ": not placed" : "";
    this.reading.speak(wordsOf(name) + where);
  }

  /** @param {number} by */
  chooseNext(by) {
    const place = this.name === null ? (by > 0 ? -1 : 0) : LANDMARK_ORDER.indexOf(this.name);
    this.choose(LANDMARK_ORDER[(place + by + LANDMARK_ORDER.length) % LANDMARK_ORDER.length]);
  }

  /** Show in every linked plane what is pointed at on the slice in view. @param {Pixel} pixel */
  pointAt(pixel) {
    this.#mark(pixel);
    this.take(null);
  }

  /** Go to a place that was pointed at in another plane. @param {Vector} place */
  goTo(place) {
    this.crosshair = place;
    this.take(null);
    this.reading.show(toStack(this.reading.knee.geometry, place).index);
  }
}
