/** Keeping the working state in the store, one change after the other. */

import { ApiError } from "./api.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Working} Working */

const RETRY_MS = 2000;

export class Saver {
  /** @type {State | null} */
  #waiting = null;
  /** @type {Promise<void> | null} */
  #running = null;
  #timer = 0;

  /**
   * @param {import("./api.js").Api} api
   * @param {string} task
   * @param {{kept: (working: Working) => void, rested: () => void, stale: (message: string) => void, failed: (message: string) => void}} told
   */
  constructor(api, task, told) {
    this.api = api;
    this.task = task;
    this.revision = 0;
    this.told = told;
  }

  get isClean() {
    return this.#waiting === null && this.#running === null;
  }

  /** Keep a state, soon: changes in quick succession become one step. @param {State} state @param {number} delayMs */
  keep(state, delayMs = 0) {
    this.#waiting = state;
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => void this.flush(), delayMs);
  }

  /** Wait until everything is kept. */
  async flush() {
    clearTimeout(this.#timer);
    while (this.#waiting || this.#running) {
      this.#running ??= this.#send().finally(() => (this.#running = null));
      await this.#running;
      if (this.failing) return;
    }
    this.told.rested();
  }

  failing = false;

  async #send() {
    const state = this.#waiting;
    if (!state) return;
    this.#waiting = null;
    try {
      this.took(await this.api.post(`tasks/${this.task}/change`, { revision: this.revision, state }));
      this.failing = false;
    } catch (error) {
      this.#failed(error, state);
    }
  }

  /** @param {unknown} error @param {State} state */
  #failed(error, state) {
    const message = error instanceof Error ? error.message : String(error);
    if (error instanceof ApiError && error.kind === "StaleStateError") {
      this.#waiting = null;
      this.told.stale(message);
      return;
    }
    this.failing = true;
    this.#waiting ??= state;
    this.told.failed(message);
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => void this.flush(), RETRY_MS);
  }

  /** Note what the store holds now. @param {Working} working */
  took(working) {
    this.revision = working.revision;
    this.told.kept(working);
  }

  /** Send what is not kept yet while the page goes away. */
  leave() {
    if (!this.#waiting) return;
    const body = { revision: this.revision, state: this.#waiting };
    this.#waiting = null;
    void this.api.post(`tasks/${this.task}/change`, body, true).catch(() => undefined);
  }

  stop() {
    clearTimeout(this.#timer);
  }
}
