/** Asking for millimetres: one question at a time, and the newest state next. */

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Measured} Measured */
/** @typedef {"live" | "all"} Extent the slice in view while a point is dragged, or all slices */

export class Measurer {
  /** @type {Measured} */
  found = { message: "", slices: {}, warnings: [] };
  /** Whether the last question was not answered, so that nothing is known of the newest state. */
  hasFailed = false;
  #isAsking = false;
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
    return !this.#isAsking;
  }

  /** @param {Extent} extent */
  ask(extent) {
    if (this.#isAsking) this.#next = this.#next === "all" ? "all" : extent;
    else void this.#ask(extent);
  }

  /** @param {Extent} extent */
  async #ask(extent) {
    this.#isAsking = true;
    let trouble = "";
    await new Promise((drawn) => setTimeout(drawn)); // the moved point is drawn before anything is asked
    try {
      await this.#measure(extent);
      this.hasFailed = false;
    } catch (error) {
      trouble = error instanceof Error ? error.message : String(error);
      this.hasFailed = true;
      this.found = { message: "The values are not known at the moment.", slices: {}, warnings: [] };
    }
    this.#isAsking = false;
    const next = this.#next;
    this.#next = null;
    if (next && !this.hasFailed) this.ask(next);
    this.answered(trouble);
  }

  /** @param {Extent} extent */
  async #measure(extent) {
    const { state, slice } = this.newest();
    const live = extent === "live" && !this.hasFailed;
    const path = live ? `${this.path}/slices/${slice}/measure` : `${this.path}/measure`;
    const found = await this.api.post(path, { state });
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
