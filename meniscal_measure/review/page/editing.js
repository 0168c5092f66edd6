/** Setting landmarks: dragging, placing, nudging, snapping, carrying, and which slice is measured. */

import { accepted, carried, isOnImage, setByHand } from "./edits.js";
import { isSnappable, landmarkOf, messageOf } from "./types.js";

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Landmark} Landmark */
/** @typedef {import("./types.js").Landmarks} Landmarks */
/** @typedef {{name: string, slice: number}} Held */

const NUDGES_BECOME_ONE_STEP_MS = 500;

export class Editing {
  /** @type {Held | null} the landmark being dragged, and the slice on which the drag began */
  held = null;
  /** @type {Promise<unknown> | null} an answer that will change the landmarks */
  #awaited = null;

  /** @param {import("./reading.js").Reading} reading */
  constructor(reading) {
    this.reading = reading;
  }

  get isWaiting() {
    return this.#awaited !== null;
  }

  /** Wait for the answers that will change the landmarks. */
  async rest() {
    await this.#awaited;
  }

  /** Wait for an answer that will change the landmarks; signing waits for it too. @template T @param {Promise<T>} answer @returns {Promise<T>} */
  async during(answer) {
    this.#awaited = answer;
    this.reading.changed();
    try {
      return await answer;
    } finally {
      if (this.#awaited === answer) this.#awaited = null;
      this.reading.changed();
    }
  }

  /** Take hold of a landmark of the slice in view: until it is let go of, that one on that slice is moved. @param {string} name */
  hold(name) {
    const { reading } = this;
    if (!reading.mayChange(reading.placingHindrance)) return;
    this.letGo();
    reading.selection.name = name;
    this.held = { name, slice: reading.shown };
  }

  /** Move what is held; nothing is saved yet. @param {Pixel} pixel */
  drag(pixel) {
    if (!this.held) return;
    const { name, slice } = this.held;
    this.#move(name, pixel, slice);
    this.reading.measurer.ask("live");
  }

  /** Let go of what is held, and save where it lies. */
  letGo() {
    const { held } = this;
    if (!held) return;
    this.held = null;
    void this.#drop(held);
  }

  /** @param {Held} held */
  async #drop({ name, slice }) {
    if (this.reading.view.snapsDrops && isSnappable(name) && (await this.snap(name, slice))) return;
    this.reading.save();
  }

  /** Place a landmark and ask for the next one. The first of all says which slice is measured. @param {string} name @param {Pixel} pixel */
  place(name, pixel) {
    const { reading } = this;
    const { shown: slice } = reading;
    if (!reading.mayChange(reading.placingHindrance || (isOnImage(reading.knee, pixel) ? "" : "That is beside the image."))) return;
    if (reading.isFree && !reading.isMeasuredSlice) this.#measureOn(slice);
    this.#move(name, pixel, slice);
    reading.selection.name = name;
    void this.#drop({ name, slice });
    const { missing } = reading.selection;
    if (missing) reading.selection.take(missing);
  }

  /** @param {number} columns @param {number} rows */
  nudge(columns, rows) {
    const { reading } = this;
    const { landmarks, selection: { name } } = reading;
    if (!reading.mayChange(reading.placingHindrance)) return;
    if (!name) reading.say("Choose a landmark first: keys 1 to 8");
    if (!name || !(name in landmarks)) return;
    const [column, row] = landmarks[name].pixel;
    this.#move(name, [column + columns, row + rows], reading.shown);
    reading.measurer.ask("live");
    reading.save(NUDGES_BECOME_ONE_STEP_MS);
  }

  /** @param {string | null} name @param {number} [slice] @returns {Promise<boolean>} whether it was moved onto an edge */
  async snap(name, slice = this.reading.shown) {
    const { reading } = this;
    if (!reading.mayChange() || !name || !reading.landmarksOn(slice)[name]) return false;
    return this.during(this.#snap(name, slice));
  }

  /** @param {string} name @param {number} slice */
  async #snap(name, slice) {
    const { reading } = this;
    const before = reading.landmarksOn(slice)[name];
    try {
      const landmark = await reading.api.post(`${reading.path}/snap`, { state: reading.state, slice, name });
      if (reading.landmarksOn(slice)[name] !== before) return false; // moved meanwhile: the answer is of another place
      this.#set({ ...reading.landmarksOn(slice), [name]: landmark }, slice);
      reading.save();
      reading.say(`${landmarkOf(name).replace("_", " ")} moved onto the edge`);
      return true;
    } catch (error) {
      reading.say(messageOf(error));
      return false;
    }
  }

  remove() {
    const { reading } = this;
    const { [reading.selection.name ?? ""]: removed, ...others } = reading.landmarks;
    if (reading.mayChange() && removed) this.#change(others);
  }

  /** Choose the slice that is measured; its landmarks start from those of the slice chosen before. */
  measureHere() {
    const { reading } = this;
    if (!reading.mayChange() || reading.isMeasuredSlice) return;
    const landmarks = Object.keys(reading.landmarks).length ? reading.landmarks : this.#fromMeasured();
    this.#measureOn(reading.shown);
    this.#change(landmarks);
    reading.selection.take(reading.selection.missing);
  }

  /** Bring the landmarks of the measured slice onto this one, to be looked at. */
  carry() {
    const { reading } = this;
    if (!reading.isMeasuredSlice) this.#change({ ...this.#fromMeasured(), ...reading.landmarks });
  }

  /** Take the landmarks of this slice as they are: the reader has looked at them. */
  accept() {
    const { reading } = this;
    this.#change(accepted(reading.knee, reading.landmarks));
  }

  #fromMeasured() {
    const { slice, landmarks } = this.reading.state;
    return carried(landmarks[slice] ?? {}, slice);
  }

  /** @param {number} slice */
  #measureOn(slice) {
    const { reading } = this;
    reading.state = { ...reading.state, slice };
    reading.speak(`${reading.nameOf(slice)} is the measured slice now`);
  }

  /** @param {string} name @param {Pixel} pixel @param {number} slice */
  #move(name, pixel, slice) {
    this.#set({ ...this.reading.landmarksOn(slice), [name]: setByHand(this.reading.knee, pixel) }, slice);
  }

  /** Set the landmarks of the slice in view, and save them. @param {Landmarks} landmarks */
  #change(landmarks) {
    if (!this.reading.mayChange()) return;
    this.#set(landmarks, this.reading.shown);
    this.reading.save();
  }

  /** @param {Landmarks} landmarks @param {number} slice */
  #set(landmarks, slice) {
    const { reading } = this;
    reading.state = { ...reading.state, landmarks: { ...reading.state.landmarks, [slice]: landmarks } };
    reading.changed();
  }
}
