/** The earlier visit beside the slice in view: same millimetres, same window, and said how its slice was found. */

import { byId, setShown, setText, watchSize } from "./dom.js";
import { pixelsOf } from "./edits.js";
import { distanceTo, followed, toPatient, toStack } from "./geometry.js";
import { Painted, Slices } from "./slices.js";
import { messageOf } from "./types.js";
import { Viewport } from "./viewport.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {import("./types.js").Visit} Visit */
/** @typedef {{index: number, words: string, centre: [number, number]}} Match slice, how it was found, and what lies in the middle (mm) */

const LINKED = "at the same position";
const ELSEWHERE = "the slice nearest to this position";
const BY_OFFSET = "as far from its measured slice as the slice in view is from yours; the visits share no frame of reference";
const UNKNOWN = "its middle slice beside your measured one: nothing is signed or proposed on it, so it may be another part of the knee";

export class Earlier {
  #figure = byId("earlier");
  #canvas = /** @type {HTMLCanvasElement} */ (byId("earlier-image"));
  #button = /** @type {HTMLButtonElement} */ (byId("to-earlier"));
  #painted = new Painted();
  /** @type {Reading | null} */
  #reading = null;
  /** @type {Visit | null} */
  #visit = null;
  /** @type {Slices | null} */
  #slices = null;
  /** @type {Viewport | null} */
  #viewport = null;
  #wanted = -1;
  /** What was drawn last: while a landmark is dragged nothing here changes. */
  #drawn = "";

  constructor() {
    this.#button.addEventListener("click", () => this.toggle());
    watchSize(this.#figure, () => this.draw());
  }

  /** Look for an earlier visit of the knee in view. @param {Reading} reading */
  async show(reading) {
    this.#reading = reading;
    this.#visit = null;
    setShown(this.#button, false);
    setShown(this.#figure, false);
    const path = `${reading.path}/earlier`;
    const visit = await reading.api.get(path).catch((error) => reading.say(messageOf(error)));
    if (this.#reading !== reading || !visit) return;
    this.#visit = visit;
    this.#slices = new Slices(reading.api, `${path}/slices`, visit.geometry.origins.length, () => this.draw());
    this.#viewport = new Viewport(visit);
    this.#wanted = -1;
    setShown(this.#button, true);
    this.#open(this.#button.getAttribute("aria-pressed") === "true");
  }

  toggle() {
    if (this.#visit) this.#open(this.#figure.hidden);
  }

  /** @param {boolean} isOpen */
  #open(isOpen) {
    this.#button.setAttribute("aria-pressed", String(isOpen));
    setShown(this.#figure, isOpen);
    this.draw();
  }

  draw() {
    const [reading, visit, slices, viewport] = [this.#reading, this.#visit, this.#slices, this.#viewport];
    if (this.#figure.hidden || !reading?.isBegun || !visit || !slices || !viewport) return;
    const { index, words, centre } = matched(visit, viewport, reading);
    if (index !== this.#wanted) slices.want(index); // once: what cannot be read is not asked for in every frame
    this.#wanted = index;
    const name = visit.slices[index].short;
    const day = visit.day.replace(/^(\d{4})(\d{2})(\d{2})$/, "$1-$2-$3");
    setText(byId("earlier-words"), `Earlier visit, ${day} (${visit.label}): ${name}, ${words}. ${slices.trouble(index)}`.trim());
    setText(byId("earlier-signed"), visit.signed ? `It was ${visit.signed}.` : "");
    this.#canvas.dataset.slice = String(index);
    const slice = slices.get(index);
    const { clientWidth: width, clientHeight: height } = this.#canvas;
    const { scale } = reading.view.viewport;
    const grey = likeWindow(visit, reading);
    const now = JSON.stringify([visit.label, index, Boolean(slice), grey, scale, centre, width, height, devicePixelRatio]);
    if (now === this.#drawn || !width || !height) return;
    this.#drawn = now;
    [this.#canvas.width, this.#canvas.height] = [width * devicePixelRatio, height * devicePixelRatio]; // black until the slice is here
    if (!slice) return;
    this.#painted.paint(slice, grey);
    [viewport.width, viewport.height, viewport.scale, viewport.centre] = [width, height, scale, centre];
    const context = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext("2d"));
    viewport.applyTo(context, devicePixelRatio);
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
  }
}

/** Find the slice of a visit that belongs beside the one in view. @param {Visit} visit @param {Viewport} own of the visit @param {Reading} reading @returns {Match} */
function matched(visit, own, { knee, shown, state, view: { viewport } }) {
  const { geometry } = visit;
  if (visit.is_linked) {
    const middle = toPatient(knee.geometry, shown, viewport.toPixel(viewport.width / 2, viewport.height / 2));
    const { index, pixel } = toStack(geometry, middle);
    const offMm = distanceTo(geometry, index, middle);
    return { index, words: offMm < 1 ? LINKED : `${ELSEWHERE}, ${offMm.toFixed(1)} mm from it`, centre: own.toMm(pixel) };
  }
  const from = centreOf(viewport, pixelsOf(state.landmarks[state.slice] ?? {}));
  const to = centreOf(own, visit.joint);
  const { centre } = viewport;
  const reference = visit.slice ?? Math.floor(geometry.origins.length / 2);
  return {
    index: followed(geometry, reference, knee.geometry, state.slice, shown),
    words: visit.slice === null ? UNKNOWN : BY_OFFSET,
    centre: [to[0] + centre[0] - from[0], to[1] + centre[1] - from[1]],
  };
}

/** Middle of the landmarks, else of the image; millimetres. @param {Viewport} viewport @param {import("./types.js").Pixel[]} pixels */
function centreOf(viewport, pixels) {
  const places = pixels.length ? pixels : [[viewport.image.columns / 2, viewport.image.rows / 2]];
  const mean = (/** @type {0 | 1} */ axis) => places.reduce((sum, place) => sum + place[axis], 0) / places.length;
  return viewport.toMm([mean(0), mean(1)]);
}

/** The same part of its automatic window as the slice in view has of its own. @param {Visit} visit @param {Reading} reading @returns {[number, number]} */
function likeWindow({ window: [black, white] }, { knee, view }) {
  const [ownBlack, ownWhite] = knee.window;
  const part = (/** @type {number} */ value) => black + ((value - ownBlack) / (ownWhite - ownBlack)) * (white - black);
  return [part(view.window[0]), part(view.window[1])];
}
