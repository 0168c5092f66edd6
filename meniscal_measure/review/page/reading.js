/**
 * One reading in progress: what the reader sees and sets. Everything shown is drawn from here.
 *
 * It exists from the moment the headers are known, so that slices are seen at once; it begins when the
 * working state has come. A proposal may come later still.
 */

import { Editing } from "./editing.js";
import { pixelsOf } from "./edits.js";
import { Measurer } from "./measurer.js";
import { Proposal } from "./proposal.js";
import { Saver } from "./saver.js";
import { Selection } from "./selection.js";
import { Sending } from "./sending.js";
import { Signing } from "./signing.js";
import { further, Slices } from "./slices.js";
import { messageOf } from "./types.js";
import { View } from "./view.js";

/** @typedef {import("./types.js").Knee} Knee */
/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Landmarks} Landmarks */
/** @typedef {import("./types.js").State} State */
/** @typedef {{slice: number, state: State, measured: import("./types.js").Measured, isInWindow: () => boolean}} Screen
 *   what was drawn last, with its image */

const LOOKED_WHETHER_HIDDEN_MS = 1000;

export class Reading {
  isBegun = false;
  /** @type {import("./types.js").Working | null} */
  working = null;
  savedWords = "";
  trouble = "";
  /** @type {Screen | null} */
  screen = null;
  /** Words for a screen reader about what was just done. */
  spoken = "";
  /** How many answers are awaited that will replace the state: until they are here, nothing is changed. */
  #replacing = 0;

  /**
   * @param {import("./api.js").Api} api
   * @param {string} task
   * @param {Knee} knee
   * @param {() => void} changed
   */
  constructor(api, task, knee, changed) {
    this.api = api;
    this.path = `tasks/${task}`;
    this.knee = knee;
    this.changed = changed;
    /** @type {State} */
    this.state = { slice: knee.middle, landmarks: {}, side: null, side_reason: "", quality: [], remark: "" };
    this.view = new View(api, this.path, knee, () => this.changed());
    this.selection = new Selection(this);
    this.signing = new Signing(this);
    this.editing = new Editing(this);
    this.proposal = new Proposal(this);
    this.sending = new Sending(api, this.path, () => this.changed());
    this.slices = new Slices(api, `${this.path}/slices`, knee.slices.length, () => this.changed());
    this.saver = new Saver(api, this.path, {
      saved: (working) => {
        this.working = working;
        this.sending.follow(working.sending);
        this.say("All saved");
        if (this.measurer.hasFailed) this.measurer.ask("all");
      },
      rested: () => this.changed(),
      stale: (message) => void this.takeNewest(message),
      refused: (message) => void this.takeNewest(`The last change was refused: ${message}`),
      failed: (message) => this.say("Not saved yet", message),
    });
    this.measurer = new Measurer(
      api, this.path, () => ({ state: this.state, slice: this.editing.held?.slice ?? this.shown }),
      (trouble) => (trouble ? this.say("Not measured", trouble) : this.changed()),
    );
    this.slices.want(this.shown);
  }

  /** Take up the work where it was left. @param {import("./types.js").Desk} desk */
  begin(desk) {
    this.saver.revision = desk.revision;
    this.working = desk;
    this.sending.follow(desk.sending);
    this.state = desk.state;
    this.proposal.take(desk, desk.is_proposing);
    this.proposal.mayAsk = desk.may_propose;
    const isAsLeft = this.view.begin(desk.view, desk.state.slice);
    this.slices.want(this.shown);
    this.isBegun = true;
    this.savedWords = "";
    if (isAsLeft) this.view.viewport.joint = pixelsOf(this.landmarksOn(this.state.slice));
    else if (this.view.viewport.fitted !== "all" || !desk.view) this.zoomToJoint();
    this.#takeUnsaved();
    this.selection.take(this.selection.name ?? this.selection.missing);
    this.measurer.ask("all");
  }

  /** A change the program had not confirmed when the tab was closed or the program ended. */
  #takeUnsaved() {
    const change = this.saver.unsaved.take();
    const saved = JSON.stringify(this.state);
    if (!change || JSON.stringify(change.state) === saved) return;
    if (change.revision !== this.saver.revision && JSON.stringify(change.sent) !== saved) {
      this.say("", "An earlier change was not saved, and the knee has been changed since: the earlier change is left out.");
      return;
    }
    this.state = change.state;
    this.save();
    this.say("A change that was not saved before has been restored");
  }

  get shown() {
    return this.view.shown;
  }

  /** @returns {Landmarks} */
  get landmarks() {
    return this.landmarksOn(this.shown);
  }

  /** @param {number} slice @returns {Landmarks} */
  landmarksOn(slice) {
    return this.state.landmarks[slice] ?? {};
  }

  /** Whether something is not saved or not measured yet. */
  get isBusy() {
    return this.#replacing > 0 || this.signing.isRunning || this.editing.isWaiting || !this.saver.isClean || !this.measurer.isIdle;
  }

  get isMeasuredSlice() {
    return this.shown === this.state.slice;
  }

  get measured() {
    return this.measurer.found;
  }

  /** How a slice is called. @param {number} index */
  nameOf(index) {
    return this.knee.slices[index].short;
  }

  /** Number of a slice, as people count. @param {number} index */
  numberOf(index) {
    return this.knee.slices[index].number;
  }

  /** Go on by a number of slices, as people count them. @param {number} by */
  page(by) {
    this.show(further(this.knee.slices, this.shown, by));
  }

  /** Whether the first landmark placed would make the slice in view the measured one. */
  get isFree() {
    return Object.keys(this.landmarksOn(this.state.slice)).length === 0;
  }

  /** Bring a slice into view; a landmark that is being dragged is let go of first, on its own slice. @param {number} index */
  show(index) {
    this.editing.letGo();
    if (this.view.show(index)) this.slices.want(this.shown);
    if (this.isMeasuredSlice) this.proposal.isUnseen = false;
  }

  zoomToJoint() {
    this.view.move((viewport) => viewport.fitJoint(pixelsOf(this.landmarksOn(this.state.slice))));
  }

  get #closed() {
    if (!this.isBegun) return "The knee is still being opened.";
    return this.signing.isRunning ? "The knee is being signed." : "";
  }

  /** Why nothing can be changed now; empty where it can. */
  get hindrance() {
    return this.#closed || (this.#replacing ? "The saved state is being fetched." : "");
  }

  /** Why no landmark can be set on the slice in view; empty where one can. */
  get placingHindrance() {
    return this.hindrance || (this.slices.get(this.shown) ? "" : "The slice is not on the screen yet.");
  }

  /** Whether something can be changed now; a reader whose key or click does nothing is told why. */
  mayChange(hindrance = this.hindrance) {
    if (hindrance) this.say(`Not done. ${hindrance}`);
    return !hindrance;
  }

  /** @param {Partial<State>} parts @param {number} [delayMs] */
  set(parts, delayMs = 0) {
    if (!this.mayChange()) return;
    this.state = { ...this.state, ...parts };
    this.save(delayMs);
  }

  /** @param {number} [delayMs] */
  save(delayMs = 0) {
    this.say("Saving…");
    const signed = this.working?.signed;
    if (signed) signed.is_current = false; // until the program has compared the change with what was signed
    this.saver.save(this.state, delayMs);
    this.measurer.ask("all");
    this.changed();
  }

  /** @param {"undo" | "redo"} what */
  async step(what) {
    if (!this.mayChange(this.#closed)) return; // a second step waits for the first one
    this.editing.letGo();
    await this.#replace((revision) => this.api.post(`${this.path}/${what}`, { revision }));
  }

  /** Show the state of the store, which is not what this page had. @param {string} message */
  async takeNewest(message) {
    if (await this.#replace(() => this.api.get(`${this.path}/desk`))) this.say("The saved state is shown", message);
  }

  /** Take the state that the program answers with. @param {(revision: number) => Promise<import("./types.js").Working>} ask @returns {Promise<boolean>} */
  async #replace(ask) {
    this.#replacing += 1;
    try {
      await this.settle();
      const working = await this.saver.inTurn(ask);
      if (!working) return false;
      this.state = working.state;
      this.proposal.isUnseen = false;
      this.measurer.ask("all");
      return true;
    } catch (error) {
      this.say("Not done", messageOf(error));
      return false;
    } finally {
      this.#replacing -= 1;
      this.changed();
    }
  }

  /** Wait until everything asked for is answered: snaps, changes, millimetres. */
  async settle() {
    while (this.editing.isWaiting || !this.saver.isClean || !this.measurer.isIdle) {
      await this.editing.rest();
      await this.saver.flush();
      await this.measurer.rest();
      if (this.saver.isFailing) return;
    }
  }

  /** Wait until what there is now was drawn, however long that takes. A window out of sight draws nothing, and signing says so. */
  async drawn() {
    this.changed();
    let timer = 0;
    await new Promise((done) => {
      timer = window.setInterval(() => document.hidden && done(undefined), LOOKED_WHETHER_HIDDEN_MS);
      requestAnimationFrame(() => requestAnimationFrame(done));
    });
    clearInterval(timer);
  }

  /** @param {string} words @param {string} [trouble] */
  say(words, trouble = "") {
    this.savedWords = words;
    this.trouble = trouble;
    this.changed();
  }

  /** @param {string} words */
  speak(words) {
    this.spoken = words;
    this.changed();
  }

  leave() {
    this.sending.leave();
    this.editing.letGo();
    this.saver.leave();
    this.view.leave();
  }
}
