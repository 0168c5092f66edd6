/** What the program proposes on a knee: there from the start, or waited for while the reader begins by hand. */

import { messageOf } from "./types.js";

/** @typedef {import("./types.js").State} State */

export class Proposal {
  /** Whether the program is still looking for slice and landmarks. */
  isAwaited = false;
  /** @type {import("./types.js").Proposed | null} */
  found = null;
  /** @type {number | null} where nothing is proposed, the slice to look at first */
  likelySlice = null;
  /** @type {State | null} a proposal that came when the reader had begun by hand */
  offered = null;
  /** Whether a proposal came while the reader looked at another slice, and has not been looked at since. */
  isUnseen = false;
  remark = "";
  /** Whether the program may be asked to propose on a slice. */
  mayAsk = false;

  /** @param {import("./reading.js").Reading} reading */
  constructor(reading) {
    this.reading = reading;
  }

  /** @param {import("./types.js").Proposal} answer @param {boolean} isAwaited */
  take({ proposed, remark, likely_slice: likelySlice }, isAwaited) {
    this.found = proposed;
    this.remark = remark;
    this.likelySlice = likelySlice;
    this.isAwaited = isAwaited;
  }

  /** Where to look first: at what came unseen, else at what was proposed when the knee was opened. */
  get home() {
    const { slice } = this.reading.state;
    return this.isUnseen ? slice : (this.found?.slice ?? slice);
  }

  /** Take a proposal that was waited for. The reader may have begun by hand meanwhile. @param {import("./types.js").Proposal & {state: State}} answer */
  async arrived(answer) {
    const { reading } = this;
    this.take(answer, false);
    const isUntouched = reading.working?.revision === 0 && reading.saver.isClean && !reading.editing.held;
    if (isUntouched) await this.#begin(answer.state);
    else if (answer.proposed && !this.#isWorkedOn) this.offered = answer.state;
    reading.changed();
  }

  /** Whether what the reader sees began with a proposal. */
  get #isWorkedOn() {
    const landmarks = Object.values(this.reading.state.landmarks).flatMap((each) => Object.values(each));
    return landmarks.some(({ origin }) => origin === "proposed" || origin === "refined");
  }

  /** @param {State} state */
  async #begin(state) {
    const { reading } = this;
    const isElsewhere = !reading.isMeasuredSlice;
    const isChosen = reading.selection.name !== reading.selection.missing;
    reading.state = state;
    if (isElsewhere) {
      this.isUnseen = this.found !== null; // whoever looks at another slice stays there
      reading.speak(`The measured slice is ${reading.nameOf(state.slice)} now`);
    } else {
      reading.show(state.slice);
      if (reading.view.viewport.fitted !== "hand") reading.zoomToJoint();
    }
    reading.selection.take(isChosen ? reading.selection.name : reading.selection.missing);
    reading.measurer.ask("all");
    try {
      await reading.saver.inTurn((revision) => reading.api.post(`${reading.path}/begin-again`, { revision }));
    } catch (error) {
      await reading.takeNewest(messageOf(error));
    }
  }

  /** Let the program propose on the slice in view, which becomes the measured one; it can be undone. */
  async proposeHere() {
    const { reading } = this;
    const { state, shown } = reading;
    if (!reading.mayChange() || !this.mayAsk) return;
    if (this.isAwaited) {
      reading.say("The program is still looking for slice and landmarks: ask again when it has ended");
      return;
    }
    reading.say(`Proposing on ${reading.nameOf(shown)}…`);
    try {
      const answer = await reading.editing.during(reading.api.post(`${reading.path}/slices/${shown}/propose`, { state }));
      if (answer.declined) reading.say("Nothing is proposed", `Nothing is proposed on ${reading.nameOf(shown)}: ${answer.declined}`);
      else if (reading.state !== state || reading.hindrance) reading.say("The knee was changed meanwhile, so the proposal was not used");
      else this.#put(answer.state, reading.shown === shown);
    } catch (error) {
      reading.say("Nothing is proposed", messageOf(error));
    }
  }

  /** @param {State} state @param {boolean} isWaitedFor whether the reader still looks where it was asked for */
  #put(state, isWaitedFor = true) {
    const { reading } = this;
    reading.state = state;
    this.isUnseen = !isWaitedFor;
    if (isWaitedFor) {
      reading.show(state.slice);
      reading.zoomToJoint();
    }
    reading.speak(`Proposed on ${reading.nameOf(state.slice)}, which is the measured slice now`);
    reading.selection.take(reading.selection.missing);
    reading.save();
  }

  /** Put a proposal that came late in place of what was set by hand; it can be undone. */
  takeOffered() {
    const { reading } = this;
    if (!this.offered || !reading.mayChange()) return;
    const { side, side_reason, quality, remark } = reading.state;
    this.#put({ ...this.offered, side, side_reason, quality, remark });
    this.offered = null;
  }
}
