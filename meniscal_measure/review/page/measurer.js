/** Asking for millimetres: one question at a time, and the newest state next. */

import { messageOf } from "./types.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Measured} Measured */
/** @typedef {"live" | "all"} Extent the slice in view while a landmark is dragged, or all slices */

export class Measurer {
  /** @type {Measured} */
  found = { message: "", slices: {}, warnings: [] };
  /** @type {State | null} the state that `found` is of, where all of it was measured */
  measuredState = null;
  /** Whether the last question was not answered, so that nothing is known of the newest state. */
  hasFailed = false;
  /** @type {Promise<void> | null} */
  #running = null;
  /** @type {Extent | null} */
  #next = null;

  /**
   * @param {import("./api.js").Api} api
   * @param {string} path
   * @param {() => {state: State, slice: number}} newest what is to be measured
   * @param {(trouble: string) => void} answered
   */
  constructor(api, path, newest, answered) {
    this.api = api;
    this.path = path;
    this.newest = newest;
    this.answered = answered;
  }

  get isIdle() {
    return this.#running === null;
  }

  /** @param {Extent} extent */
  ask(extent) {
    if (this.#running) this.#next = this.#next === "all" ? "all" : extent;
    else this.#running = this.#askAll(extent);
  }

  /** Wait until nothing is being asked. */
  async rest() {
    while (this.#running) await this.#running;
  }

  /** @param {Extent} first */
  async #askAll(first) {
    /** @type {Extent | null} */
    let extent = first;
    let trouble = "";
    while (extent) {
      this.#next = null;
      trouble = await this.#ask(extent);
      extent = trouble ? null : this.#next;
      if (extent) this.answered("");
    }
    this.#running = null;
    this.answered(trouble);
  }

  /** @param {Extent} extent @returns {Promise<string>} what went wrong */
  async #ask(extent) {
    await new Promise((drawn) => setTimeout(drawn)); // the moved landmark is drawn before anything is asked
    try {
      await this.#measure(extent);
      this.hasFailed = false;
      return "";
    } catch (error) {
      this.hasFailed = true;
      this.measuredState = null;
      this.found = { message: "The values are not known at the moment.", slices: {}, warnings: [] };
      return messageOf(error);
    }
  }

  /** @param {Extent} extent */
  async #measure(extent) {
    const { state, slice } = this.newest();
    const live = extent === "live" && !this.hasFailed;
    const path = live ? `${this.path}/slices/${slice}/measure` : `${this.path}/measure`;
    const found = await this.api.post(path, { state });
    this.measuredState = live ? null : state;
    this.found = live ? this.#merged(found, slice, state) : found;
  }

  /** @param {Measured} live @param {number} slice @param {State} state @returns {Measured} */
  #merged(live, slice, state) {
    const slices = { ...this.found.slices };
    if (live.slices[slice]) slices[slice] = live.slices[slice];
    else delete slices[slice];
    const message = slice === state.slice ? live.message : this.found.message;
    return { ...this.found, message, slices };
  }
}
