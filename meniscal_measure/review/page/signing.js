/**
 * Signing and rejecting: one at a time, and only what is on the screen.
 *
 * Pending answers are waited for, and nothing can be changed until the signing is done: what is stored is what the
 * reader had in view.
 */

import { ApiError } from "./api.js";
import { messageOf } from "./types.js";

/** @typedef {import("./reading.js").Reading} Reading */

const STILL_DRAGGED = "Let go of the landmark first.";
const OUT_OF_VIEW = "A landmark was outside the view. All of them are shown now: look at them and sign.";
const NOT_DRAWN = "The slice is not on the screen yet. Wait for its image, then sign.";
const SCROLLED_AWAY = "The image was scrolled away. It is shown now: look at it and sign.";
const NOT_MEASURED = "The millimetres of these landmarks are not known yet. Wait for them, then sign.";
const UNSIGNED = "This knee is not signed. Go on once more to leave it as it is.";
const NOT_SAVED = "The last change is not saved yet. Sign once it is.";

export class Signing {
  /** @type {Promise<boolean> | null} */
  #running = null;
  /** Whether the last signing was asked for in vain, and the reader may have gone on without seeing it. */
  #isRefused = false;

  /** @param {Reading} reading */
  constructor(reading) {
    this.reading = reading;
  }

  get isRunning() {
    return this.#running !== null;
  }

  /** Wait for a signing that is under way; after one that was not done, the reader must ask to go on twice. */
  async mayLeave() {
    await this.#running;
    const mayLeave = !this.#isRefused;
    this.#isRefused = false;
    if (!mayLeave) this.reading.say(UNSIGNED);
    return mayLeave;
  }

  /** @returns {Promise<boolean>} whether the reading is signed now */
  sign() {
    return this.#once(() => this.#sign());
  }

  /** @param {string} reason @returns {Promise<boolean>} */
  reject(reason) {
    return this.#once(() => this.#post("reject", { reason }, "Rejected and signed"));
  }

  /** Withdraw a rejection. @returns {Promise<boolean>} */
  withdraw() {
    return this.#once(() => this.#post("withdraw", {}, "Rejection withdrawn"));
  }

  /** @param {() => Promise<boolean>} act */
  #once(act) {
    if (!this.reading.isBegun) {
      this.#isRefused = true;
      return Promise.resolve(this.#refuse("The knee is still being opened."));
    }
    this.#running ??= this.#settled(act).then((isDone) => {
      this.#running = null;
      this.#isRefused = !isDone;
      this.reading.changed();
      return isDone;
    });
    return this.#running;
  }

  /** @param {() => Promise<boolean>} act */
  async #settled(act) {
    const { reading } = this;
    if (reading.editing.held) return this.#refuse(STILL_DRAGGED);
    reading.changed();
    await reading.settle();
    if (reading.saver.isFailing) return this.#refuse(NOT_SAVED);
    return act();
  }

  async #sign() {
    const { reading } = this;
    const { working, measured, state } = reading;
    if (working?.signed?.is_current && working.signed.rejection === null) return true;
    await reading.drawn();
    const lacking = this.#lacking();
    if (lacking) return this.#refuse(lacking);
    const found = measured.slices[state.slice]?.compartments ?? [];
    const seen = Object.fromEntries(found.map((each) => [each.compartment, each.extrusion_mm]));
    return this.#post("sign", { state, extrusion_mm: measured.is_hidden ? null : seen }, "Signed");
  }

  /** Say why what would be signed is not what the reader sees; bring it into view where that helps. */
  #lacking() {
    const { reading } = this;
    const { state, screen, slices, measurer, view } = reading;
    const slice = reading.nameOf(state.slice);
    if (slices.trouble(state.slice)) return `The image of ${slice} is not there: ${slices.trouble(state.slice)}`;
    if (measurer.measuredState === state && !(state.slice in measurer.found.slices)) return measurer.found.message;
    if (!reading.isMeasuredSlice) {
      reading.show(state.slice);
      return `The measured slice, ${slice}, was not in view. It is shown now: look at it and sign.`;
    }
    if (measurer.measuredState !== state) return NOT_MEASURED;
    if (screen?.slice !== state.slice || screen.state !== state || screen.measured !== measurer.found) return NOT_DRAWN;
    if (Object.values(reading.landmarks).some(({ pixel }) => !view.viewport.holds(pixel))) {
      reading.zoomToJoint();
      return OUT_OF_VIEW;
    }
    return screen.isInWindow() ? "" : SCROLLED_AWAY;
  }

  /** @param {string} what @param {object} body @param {string} words @returns {Promise<boolean>} */
  async #post(what, body, words) {
    const { reading } = this;
    const { revision } = reading.saver;
    try {
      const answer = await reading.api.post(`${reading.path}/${what}`, {
        revision, reading_time_s: reading.view.readingTimeS, ...body,
      });
      if (answer.refused) return this.#refuse(answer.refused);
      reading.saver.took(answer);
      reading.say(words);
      if (reading.measured.is_hidden) reading.measurer.ask("all"); // they may be seen now
      return true;
    } catch (error) {
      if (error instanceof ApiError && error.kind === "StaleStateError") await reading.takeNewest(error.message);
      else reading.say("Not done", messageOf(error));
      return false;
    }
  }

  /** @param {string} why @returns {false} */
  #refuse(why) {
    this.reading.say(`Not signed. ${why}`);
    return false;
  }
}
