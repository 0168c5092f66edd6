/** Saving the working state in the store, one change after the other, and in the browser until that is done. */

import { ApiError } from "./api.js";
import { messageOf } from "./types.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Working} Working */
/** @typedef {{revision: number, state: State, sent: State | null}} Change
 *   sent: what was sent before it and not confirmed; the program may have saved it */

const RETRY_MS = 2000;

export class Saver {
  /** Whether the program did not take the last change; it is tried again. */
  isFailing = false;
  /** @type {State | null} */
  #waiting = null;
  /** @type {State | null} the first state that was sent since the last answer */
  #sent = null;
  /** @type {Promise<void> | null} */
  #running = null;
  #timer = 0;

  /**
   * @param {import("./api.js").Api} api
   * @param {string} path
   * @param {{saved: (working: Working) => void, rested: () => void, stale: (message: string) => void,
   *   refused: (message: string) => void, failed: (message: string) => void}} on
   */
  constructor(api, path, on) {
    this.api = api;
    this.path = path;
    this.revision = 0;
    this.on = on;
    this.unsaved = new Unsaved(`unsaved ${api.reader} ${path} ${api.series}`);
  }

  get isClean() {
    return this.#waiting === null && this.#running === null;
  }

  /** Save a state, soon: changes in quick succession become one step. @param {State} state @param {number} delayMs */
  save(state, delayMs = 0) {
    this.#waiting = state;
    this.#hold(state);
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => void this.flush(), delayMs);
  }

  /** @param {State} state */
  #hold(state) {
    this.unsaved.put({ revision: this.revision, state, sent: this.#sent });
  }

  /** Wait until everything is saved, or is found not to be possible now. */
  async flush() {
    clearTimeout(this.#timer);
    while (this.#waiting || this.#running) {
      this.#running ??= this.#send().finally(() => (this.#running = null));
      await this.#running;
      if (this.isFailing) return;
    }
    this.on.rested();
  }

  /** Let the program change the state itself, once all that waits is saved; what is changed meanwhile is sent after it. @param {(revision: number) => Promise<Working>} ask */
  async inTurn(ask) {
    await this.flush();
    if (this.isFailing) return null;
    const answer = ask(this.revision).then((working) => {
      this.took(working);
      return working;
    });
    this.#running = answer.then(() => undefined, () => undefined).finally(() => (this.#running = null));
    return answer;
  }

  async #send() {
    const state = this.#waiting;
    if (!state) return;
    this.#waiting = null;
    this.#sent ??= state;
    try {
      this.took(await this.api.post(`${this.path}/change`, { revision: this.revision, state }));
      this.isFailing = false;
    } catch (error) {
      this.#failed(error, state);
    }
  }

  /** @param {unknown} error @param {State} state */
  #failed(error, state) {
    if (error instanceof ApiError && !error.isPassing) {
      clearTimeout(this.#timer); // the program will never take what is not saved yet
      this.#waiting = null;
      this.isFailing = false;
      this.unsaved.clear();
      (error.kind === "StaleStateError" ? this.on.stale : this.on.refused)(error.message);
      return;
    }
    this.isFailing = true;
    this.#waiting ??= state;
    this.on.failed(messageOf(error));
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => void this.flush(), RETRY_MS);
  }

  /** Note what the store holds now. @param {Working} working */
  took(working) {
    this.revision = working.revision;
    this.#sent = null;
    if (this.#waiting) this.#hold(this.#waiting);
    else this.unsaved.clear();
    this.on.saved(working);
  }

  /** Send what is not saved yet while the page goes away. */
  leave() {
    clearTimeout(this.#timer);
    if (!this.#waiting) return;
    const body = { revision: this.revision, state: this.#waiting };
    this.#waiting = null;
    void this.api.post(`${this.path}/change`, body, true).then(() => this.unsaved.clear(), () => undefined);
  }
}

/** A change the program has not confirmed, held by the browser: it outlives the tab and a restart of the program. */
class Unsaved {
  /** @param {string} name */
  constructor(name) {
    this.name = name;
  }

  /** @param {Change} change */
  put(change) {
    try {
      localStorage.setItem(this.name, JSON.stringify(change));
    } catch {
      // Without room in the browser the change is still held by this tab.
    }
  }

  /** @returns {Change | null} */
  take() {
    const found = localStorage.getItem(this.name);
    this.clear();
    return found === null ? null : JSON.parse(found);
  }

  clear() {
    localStorage.removeItem(this.name);
  }
}
