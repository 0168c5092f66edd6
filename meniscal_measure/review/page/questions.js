/** The questions of a case, one after the other: the image of the right plane and slice, and its answer. */

import { takeReaderFromAddress } from "./address.js";
import { Answering } from "./answering.js";
import { Api } from "./api.js";
import { askReader } from "./dialogs.js";
import { byId, make, setShown, setText } from "./dom.js";
import { drawNamed } from "./drawing.js";
import { QuestionPanel } from "./question_panel.js";
import { setRoom, toggleRoom } from "./room.js";
import { SliceCanvas } from "./slice_canvas.js";
import { Slices } from "./slices.js";
import { messageOf } from "./types.js";

/**
 * @typedef {import("./answering.js").Question} Question
 * @typedef {import("./answering.js").Place} Place
 * @typedef {import("./answering.js").Given} Given
 * @typedef {import("./types.js").Pixel} Pixel
 * @typedef {import("./types.js").Stack & {window: [number, number]}} Plane
 */

const READER = "reader";
const NUDGE_RESTS_MS = 400;

class QuestionPage {
  #api = new Api("");
  /** @type {Question[]} */
  #questions = [];
  /** @type {Record<string, Plane>} */
  #planes = {};
  /** @type {Map<string, Slices>} */
  #slices = new Map();
  #plane = "";
  #at = 0;
  /** @type {Place | null} where the landmark is being moved to by keys, until it rests */
  #nudged = null;
  #timer = 0;
  /** @type {{at: number, answer: Given}[]} what stood before each answer, the newest last */
  #past = [];
  #canvas = new SliceCanvas(/** @type {HTMLCanvasElement} */ (byId("slice")), {
    moved: () => this.#draw(),
    pointed: (pixel) => this.#place(pixel),
    marks: (context, viewport) => this.#drawMarks(context, viewport),
  });
  #panel = new QuestionPanel({
    shown: (at) => this.#show(at),
    answered: (answer) => (answer === null ? this.#answer(null) : this.#answerAndGoOn(answer)),
  });
  #answering = new Answering(() => this.#api, {
    saved: (questions) => {
      this.#questions = questions;
      this.#say("All answers saved");
    },
    refused: (key, message) => this.#say(`Not saved: ${this.#textOf(key)}`, message),
    failed: (message) => this.#say("Not saved yet", message),
  });

  constructor() {
    byId("to-theme").addEventListener("click", toggleRoom);
    byId("to-reader").addEventListener("click", () => void this.#askReader());
    byId("before").addEventListener("click", () => this.#step(-1));
    byId("after").addEventListener("click", () => this.#step(1));
    byId("undo").addEventListener("click", () => this.#undo());
    for (const [id, factor] of Object.entries({ "zoom-out": 0.8, "zoom-in": 1.25, "zoom-all": 0 })) {
      byId(id).addEventListener("click", () => this.#canvas.zoom(factor));
    }
    byId("to-place").addEventListener("click", () => this.#toItsSlice());
    byId("finish").addEventListener("click", () => void this.#finish());
    select("plane-select").addEventListener("change", () => this.#showPlane(select("plane-select").value));
    select("window-preset").addEventListener("change", () => this.#draw());
    slider().addEventListener("input", () => this.#canvas.leaf(Number(slider().value) - this.#canvas.number));
    this.#canvas.element.addEventListener("keydown", (event) => this.#key(event), { capture: true });
    new ResizeObserver(() => this.#fit()).observe(byId("stage"));
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
      this.#planes = found.planes;
      this.#questions = found.questions;
      setText(byId("notice"), found.notice);
    } catch (error) {
      this.#say("", messageOf(error));
      return;
    }
    select("plane-select").replaceChildren(...Object.keys(this.#planes).map((plane) => make("option", { value: plane }, plane)));
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

  get #question() {
    return this.#questions[this.#at];
  }

  /** Whether an answer is not in the file yet. */
  get #isBusy() {
    return !this.#answering.isClean || this.#nudged !== null;
  }

  /** Whether the question in view is answered by placing a landmark. */
  get #isPlaced() {
    return this.#question.key.startsWith("landmark.");
  }

  /** @param {string} key */
  #textOf(key) {
    return this.#questions.find((question) => question.key === key)?.text ?? "";
  }

  /** @returns {Place | null} of the landmark of a question @param {Question} question */
  #placeOf(question) {
    if (question === this.#question && this.#nudged) return this.#nudged;
    const answer = this.#answering.answerTo(question);
    return answer !== null && typeof answer === "object" ? answer : null;
  }

  /** @param {number} by */
  #step(by) {
    this.#show((this.#at + by + this.#questions.length) % this.#questions.length);
  }

  /** @param {number} at */
  #show(at) {
    this.#rest();
    this.#canvas.letGo();
    this.#at = at;
    this.#toItsSlice();
    this.#panel.reveal();
    setText(byId("announce"), `Question ${at + 1} of ${this.#questions.length}: ${this.#question.text}`);
    if (!this.#panel.focus(this.#question, this.#answering.answerTo(this.#question))) this.#canvas.element.focus({ preventScroll: true });
    byId("question").scrollIntoView({ block: "nearest" }); // in a narrow window it stands above the image
  }

  /** Show where the answer was placed, else the slice to look at first. */
  #toItsSlice() {
    const question = this.#question;
    const place = this.#placeOf(question);
    const plane = place?.plane ?? question.plane;
    if (plane) this.#showPlane(plane);
    else if (!this.#plane) this.#showPlane(Object.keys(this.#planes)[0]);
    if (place) this.#canvas.go(place.index);
    else if (question.slice !== null) this.#canvas.go(this.#planes[this.#plane].slices.findIndex(({ number }) => number === question.slice));
    else this.#draw();
  }

  /** @param {string} name */
  #showPlane(name) {
    if (name === this.#plane) return;
    this.#plane = name;
    const plane = this.#planes[name];
    const slices = this.#slices.get(name) ?? new Slices(this.#api, `planes/${name}`, plane.slices.length, () => this.#draw());
    this.#slices.set(name, slices);
    select("plane-select").value = name;
    select("window-preset").replaceChildren(...plane.windows.map(({ code, words }) => make("option", { value: code }, words)));
    slider().max = String(plane.slices.length);
    for (const [border, letter] of Object.entries(plane.borders)) setText(byId(`border-${border}`), letter);
    this.#canvas.show(plane, slices);
    this.#fit();
    this.#canvas.go(Math.floor(plane.slices.length / 2));
  }

  #fit() {
    this.#canvas.resize(byId("stage").clientWidth, byId("stage").clientHeight);
    if (this.#plane) this.#draw();
  }

  /** Place the landmark that is asked for. @param {Pixel | null} pixel null while the slice is not in view */
  #place(pixel) {
    if (!this.#isPlaced || !pixel) return;
    this.#answer({ plane: this.#plane, index: this.#canvas.index, pixel: this.#within(...pixel) });
  }

  /** @param {number} column @param {number} row @returns {Pixel} on the image, to a hundredth of a pixel */
  #within(column, row) {
    const { columns, rows } = this.#planes[this.#plane];
    const within = (/** @type {number} */ value, /** @type {number} */ count) =>
      Math.round(Math.min(Math.max(value, -0.5), count - 0.5) * 100) / 100;
    return [within(column, columns), within(row, rows)];
  }

  /** Move the landmark; it is saved once it rests. @param {number} columns @param {number} rows */
  #nudge(columns, rows) {
    const place = this.#placeOf(this.#question);
    if (!place || place.plane !== this.#plane || place.index !== this.#canvas.index) return;
    this.#nudged = { ...place, pixel: this.#within(place.pixel[0] + columns, place.pixel[1] + rows) };
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
    this.#past.push({ at: this.#at, answer: this.#answering.answerTo(this.#question) });
    this.#answering.give(this.#question.key, answer);
    this.#say("Saving…");
  }

  /** Bring back what stood in place of the newest answer. */
  #undo() {
    this.#rest();
    const before = this.#past.pop();
    if (!before) return;
    this.#answering.give(this.#questions[before.at].key, before.answer);
    this.#show(before.at);
    this.#say("Saving…");
  }

  /** Take an answer that needs no second look, and go on. @param {Given} answer */
  #answerAndGoOn(answer) {
    this.#answer(answer);
    this.#step(1);
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const step = event.ctrlKey || event.metaKey ? 10 : event.shiftKey ? 1 : 0.1;
    const arrows = /** @type {Record<string, [number, number]>} */ ({
      ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step],
    });
    const acts = /** @type {Record<string, () => void>} */ ({
      Enter: () => (this.#placeOf(this.#question) ? this.#step(1) : this.#place(this.#canvas.middle)), Delete: () => this.#answer(null),
      n: () => this.#step(1), p: () => this.#step(-1), u: () => this.#undo(),
    });
    const arrow = arrows[event.key];
    const choice = this.#question.choices[Number(event.key) - 1];
    const act = arrow && this.#isPlaced && this.#placeOf(this.#question) && !event.altKey
      ? () => this.#nudge(...arrow) : choice ? () => this.#answerAndGoOn(choice) : acts[event.key];
    if (!act || ((event.ctrlKey || event.metaKey) && !arrow)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    act();
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
    if (this.#plane) this.#draw();
  }

  #draw() {
    const plane = this.#planes[this.#plane];
    const place = this.#placeOf(this.#question);
    const { number, index } = this.#canvas;
    const [black, white] = plane.window;
    const { part } = plane.windows.find(({ code }) => code === select("window-preset").value) ?? plane.windows[0];
    this.#canvas.window = [black + part[0] * (white - black), black + part[1] * (white - black)];
    const isDrawn = this.#canvas.draw();
    const trouble = this.#slices.get(this.#plane)?.trouble(index) ?? "";
    setText(byId("todo"), trouble || (isDrawn ? "" : "Opening…"));
    setShown(byId("todo"), Boolean(trouble) || !isDrawn);
    this.#canvas.element.dataset.drawn = isDrawn ? `${this.#plane} ${index}` : "";
    this.#canvas.element.ariaBusy = String(this.#isBusy);
    this.#canvas.element.dataset.view = JSON.stringify(this.#canvas.view);
    this.#canvas.element.setAttribute("aria-label", `${this.#plane} ${plane.slices[index].short}`);
    setText(byId("slice-label"), `Slice ${number} / ${plane.slices.length}`);
    if (slider().value !== String(number)) slider().value = String(number);
    this.#panel.draw({
      questions: this.#questions, at: this.#at, answers: this.#questions.map((each) => this.#answering.answerTo(each)),
      place, placeWords: place && `${this.#planes[place.plane].slices[place.index].short} (${place.plane})`,
    });
    /** @type {HTMLButtonElement} */ (byId("undo")).disabled = this.#past.length === 0;
    /** @type {HTMLButtonElement} */ (byId("to-place")).disabled = !place && this.#question.slice === null;
    setText(byId("to-place"), place ? "Its slice" : "Likely slice");
  }

  /** @param {CanvasRenderingContext2D} context @param {import("./viewport.js").Viewport} viewport */
  #drawMarks(context, viewport) {
    for (const question of this.#questions) {
      const place = this.#placeOf(question);
      if (!place || place.plane !== this.#plane || place.index !== this.#canvas.index) continue;
      const name = question.key.replace("landmark.", "").replaceAll("_", " ");
      drawNamed(context, viewport, place.pixel, name, question === this.#question);
    }
  }
}

/** @param {string} id */
function select(id) {
  return /** @type {HTMLSelectElement} */ (byId(id));
}

function slider() {
  return /** @type {HTMLInputElement} */ (byId("slice-slider"));
}

new QuestionPage();
