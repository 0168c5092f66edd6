/** The questions of a case, one after the other: the image of the right view and slice, and its answer. */

import { takeReaderFromAddress } from "./address.js";
import { Answering, isLandmark } from "./answering.js";
import { Api } from "./api.js";
import { askReader } from "./dialogs.js";
import { byId, setShown, setText } from "./dom.js";
import { drawNamed } from "./drawing.js";
import { QuestionImage } from "./question_image.js";
import { QuestionPanel } from "./question_panel.js";
import { setRoom, toggleRoom } from "./room.js";
import { messageOf } from "./types.js";

/**
 * @typedef {import("./answering.js").Question} Question
 * @typedef {import("./answering.js").Listed} Listed
 * @typedef {import("./answering.js").Place} Place
 * @typedef {import("./answering.js").Given} Given
 * @typedef {import("./types.js").Pixel} Pixel
 */

const READER = "reader";
const NUDGE_RESTS_MS = 400;

class QuestionPage {
  #api = new Api("");
  /** @type {Listed} */
  #listed = { questions: [], topics: [] };
  #at = 0;
  /** The question after whose answer the next one is shown, once the program said which that is. */
  #leaving = "";
  /** @type {Place | null} where the landmark is being moved to by keys, until it rests */
  #nudged = null;
  #timer = 0;
  /** @type {{key: string, answer: Given}[]} what stood before each answer, the newest last */
  #past = [];
  #image = new QuestionImage(() => this.#api, {
    moved: () => this.#draw(),
    pointed: (pixel) => this.#place(pixel),
    marks: (context, viewport) => this.#drawMarks(context, viewport),
  });
  #panel = new QuestionPanel({
    shown: (at) => this.#show(at),
    answered: (answer) => (answer === null ? this.#answer(null) : this.#answerAndGoOn(answer)),
    chosen: (key, isChosen) => this.#choose(key, isChosen),
  });
  #answering = new Answering(() => this.#api, {
    saved: (listed, key) => {
      this.#take(listed, key);
      this.#say("All answers saved");
    },
    refused: (key, message) => {
      this.#leaving = "";
      this.#say(`Not saved: ${this.#questions.find((each) => each.key === key)?.text ?? ""}`, message);
    },
    failed: (message) => {
      this.#leave();
      this.#say("Not saved yet", message);
    },
  });

  constructor() {
    byId("to-theme").addEventListener("click", toggleRoom);
    byId("to-reader").addEventListener("click", () => void this.#askReader());
    byId("before").addEventListener("click", () => this.#step(-1));
    byId("after").addEventListener("click", () => this.#step(1));
    byId("undo").addEventListener("click", () => this.#undo());
    byId("to-place").addEventListener("click", () => this.#toItsSlice());
    byId("finish").addEventListener("click", () => void this.#finish());
    this.#image.canvas.element.addEventListener("keydown", (event) => this.#key(event), { capture: true });
    window.addEventListener("beforeunload", (event) => {
      if (this.#isBusy) event.preventDefault(); // the browser asks whether to leave
    });
    setRoom();
    void this.#start();
  }

  async #start() {
    await this.#takeReader(takeReaderFromAddress() || (sessionStorage.getItem(READER) ?? "") || (await askReader("")));
    try {
      const found = await this.#api.get("questions");
      this.#image.open(found.planes);
      this.#listed = found;
      setText(byId("notice"), found.notice);
    } catch (error) {
      this.#say("", messageOf(error));
      return;
    }
    setShown(byId("knee-view"), true);
    const open = this.#questions.findIndex(({ answer }) => answer === null);
    this.#show(Math.max(open, 0));
  }

  async #askReader() {
    this.#takeReader(await askReader(this.#api.reader));
  }

  /** @param {string} name */
  #takeReader(name) {
    sessionStorage.setItem(READER, name);
    this.#api = new Api(name);
    setText(byId("to-reader"), name);
    byId("to-reader").setAttribute("aria-label", `Reader: ${name}. Change`);
    setShown(byId("to-reader"), true);
  }

  get #questions() {
    return this.#listed.questions;
  }

  get #question() {
    return this.#questions[this.#at];
  }

  /** Whether an answer is not in the file yet. */
  get #isBusy() {
    return !this.#answering.isClean || this.#nudged !== null;
  }

  /** @returns {Place | null} of the landmark of a question @param {Question} question */
  #placeOf(question) {
    if (question === this.#question && this.#nudged) return this.#nudged;
    const answer = this.#answering.answerTo(question);
    return answer !== null && typeof answer === "object" ? answer : null;
  }

  /** Take up the questions as they are after an answer: it may call for more of them. @param {Listed} listed @param {string} key */
  #take(listed, key) {
    const known = new Set(this.#questions.map((each) => each.key));
    const shown = this.#question.key;
    this.#listed = listed;
    const at = this.#questions.findIndex((each) => each.key === shown);
    this.#at = at < 0 ? Math.min(this.#at, this.#questions.length - 1) : at;
    if (key === this.#leaving) this.#leave();
    const fresh = this.#questions.findIndex((each) => !known.has(each.key) && each.answer === null);
    if (key.startsWith("topic.") && fresh >= 0) this.#show(fresh);
    else if (at < 0) this.#show(this.#at);
  }

  /** Go on to the next question, unless the reader went elsewhere meanwhile. */
  #leave() {
    const isHere = this.#leaving === this.#question.key;
    this.#leaving = "";
    if (isHere) this.#step(1);
  }

  /** Ask about a topic, or no longer. @param {string} key @param {boolean} isChosen */
  #choose(key, isChosen) {
    this.#rest();
    this.#answering.give(key, isChosen ? "wanted" : null);
    this.#say("Saving…");
  }

  /** @param {number} by */
  #step(by) {
    this.#show((this.#at + by + this.#questions.length) % this.#questions.length);
  }

  /** @param {number} at */
  #show(at) {
    this.#rest();
    this.#image.canvas.letGo();
    this.#at = at;
    this.#toItsSlice();
    this.#panel.reveal();
    setText(byId("announce"), `Question ${at + 1} of ${this.#questions.length}: ${this.#question.text}`);
    if (!this.#panel.focus(this.#question, this.#answering.answerTo(this.#question))) this.#image.canvas.element.focus({ preventScroll: true });
    byId("question").scrollIntoView({ block: "nearest" }); // in a narrow window it stands above the image
  }

  /** Show where the answer was placed, else the slice to look at first. */
  #toItsSlice() {
    const { plane, slice } = this.#question;
    const place = this.#placeOf(this.#question);
    const name = place?.plane ?? plane;
    if (name) this.#image.show(name);
    else if (!this.#image.name) this.#image.show(Object.keys(this.#image.views)[0]);
    if (place) this.#image.canvas.go(place.index);
    else if (slice !== null) this.#image.canvas.go(this.#image.view.slices.findIndex(({ number }) => number === slice));
    else this.#draw();
  }

  /** Place the landmark that is asked for. @param {Pixel | null} pixel null while the slice is not in view */
  #place(pixel) {
    if (!pixel || !isLandmark(this.#question)) return;
    this.#answer({ plane: this.#image.name, index: this.#image.canvas.index, pixel: this.#image.within(...pixel) });
  }

  /** Move the landmark; it is saved once it rests. @param {number} columns @param {number} rows */
  #nudge(columns, rows) {
    const place = this.#placeOf(this.#question);
    if (!place || !this.#isInView(place)) return;
    this.#nudged = { ...place, pixel: this.#image.within(place.pixel[0] + columns, place.pixel[1] + rows) };
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => this.#rest(), NUDGE_RESTS_MS);
    this.#draw();
  }

  #rest() {
    clearTimeout(this.#timer);
    const nudged = this.#nudged;
    this.#nudged = null;
    if (nudged) this.#answer(nudged);
  }

  /** @param {Given} answer */
  #answer(answer) {
    this.#nudged = null;
    this.#past.push({ key: this.#question.key, answer: this.#answering.answerTo(this.#question) });
    this.#answering.give(this.#question.key, answer);
    this.#say("Saving…");
  }

  /** Bring back what stood in place of the newest answer. */
  #undo() {
    this.#rest();
    const before = this.#past.pop();
    if (!before) return;
    this.#answering.give(before.key, before.answer);
    const at = this.#questions.findIndex(({ key }) => key === before.key);
    if (at >= 0) this.#show(at);
    this.#say("Saving…");
  }

  /** Take an answer that needs no second look, and go on once it is saved. @param {Given} answer */
  #answerAndGoOn(answer) {
    this.#leaving = this.#question.key;
    this.#answer(answer);
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const step = event.ctrlKey || event.metaKey ? 10 : event.shiftKey ? 1 : 0.1;
    const arrows = /** @type {Record<string, [number, number]>} */ ({
      ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step],
    });
    const acts = /** @type {Record<string, () => void>} */ ({
      Enter: () => (this.#placeOf(this.#question) ? this.#step(1) : this.#place(this.#image.canvas.middle)), Delete: () => this.#answer(null),
      n: () => this.#step(1), p: () => this.#step(-1), u: () => this.#undo(),
    });
    const arrow = arrows[event.key];
    const choice = this.#question.choices[Number(event.key) - 1];
    const act = arrow && this.#placeOf(this.#question) && !event.altKey
      ? () => this.#nudge(...arrow) : choice ? () => this.#answerAndGoOn(choice) : acts[event.key];
    if (!act || ((event.ctrlKey || event.metaKey) && !arrow)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (arrow || !event.repeat) act();
  }

  async #finish() {
    this.#rest();
    if (!this.#answering.isClean) {
      this.#say("The last answer is not saved yet. Finish once it is.");
      return;
    }
    try {
      await this.#api.post("finish", {});
      setShown(byId("knee-view"), false);
      setShown(byId("done"), true);
    } catch (error) {
      this.#say("Not finished", messageOf(error));
    }
  }

  /** @param {string} words @param {string} [trouble] */
  #say(words, trouble = "") {
    setText(byId("saved"), words);
    setText(byId("trouble-words"), trouble);
    setShown(byId("trouble"), Boolean(trouble));
    if (this.#image.name) this.#draw();
  }

  #draw() {
    const place = this.#placeOf(this.#question);
    this.#image.draw(this.#isBusy);
    const { questions, topics } = this.#listed;
    const view = place && this.#image.views[place.plane];
    this.#panel.draw({
      questions, topics, at: this.#at, answers: questions.map((each) => this.#answering.answerTo(each)),
      place, placeWords: place && view && (view.slices.length > 1 ? `${view.slices[place.index].short} (${view.words})` : view.words),
    });
    /** @type {HTMLButtonElement} */ (byId("undo")).disabled = this.#past.length === 0;
    /** @type {HTMLButtonElement} */ (byId("to-place")).disabled = !place && this.#question.slice === null;
    setText(byId("to-place"), place ? "Its slice" : "Likely slice");
  }

  /** @param {Place} place */
  #isInView({ plane, index }) {
    return plane === this.#image.name && index === this.#image.canvas.index;
  }

  /** @param {CanvasRenderingContext2D} context @param {import("./viewport.js").Viewport} viewport */
  #drawMarks(context, viewport) {
    const landmarks = this.#questions.flatMap((question) => {
      const place = this.#placeOf(question);
      if (!place || !this.#isInView(place)) return [];
      const name = question.key.split(".")[1].replaceAll("_", " ");
      return [{ pixel: place.pixel, name, isChosen: question === this.#question }];
    });
    drawNamed(context, viewport, landmarks);
  }
}

new QuestionPage();
