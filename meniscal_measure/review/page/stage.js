/** The slice with its marks: drawn when something changed, once a frame. */

import { byId, setShown, setText, watchSize } from "./dom.js";
import { drawCaliper, drawLandmark, drawPlace, Ink, withHalo } from "./drawing.js";
import { toStack } from "./geometry.js";
import { Painted } from "./slices.js";
import { wordsOf } from "./types.js";
import { markScale } from "./viewport.js";

/** @typedef {import("./reading.js").Reading} Reading */

const INSET_FIELD_MM = 14;
const INSET_PX = 200;
/** Largest part of the shorter side of the stage that the inset takes, and the side below which there is none. */
const INSET_PART = 0.36;
const LEAST_STAGE_PX = 240;
const CROSS_REACH_PX = 26;

export class Stage {
  element = byId("stage");
  #image = /** @type {HTMLCanvasElement} */ (byId("image"));
  #marks = /** @type {HTMLCanvasElement} */ (byId("marks"));
  #inset = /** @type {HTMLCanvasElement} */ (byId("inset"));
  #todo = byId("todo");
  #painted = new Painted();
  #insetPx = INSET_PX;
  #hasInset = true;
  #drawnImage = "";
  #ink = new Ink();
  /** @type {Reading | null} */
  #reading = null;

  /** @param {() => void} resized */
  constructor(resized) {
    watchSize(this.element, () => {
      this.#fitToElement();
      resized();
    });
  }

  /** @param {Reading} reading */
  show(reading) {
    this.#reading = reading;
    delete this.element.dataset.drawn;
    delete this.element.dataset.view;
    for (const [border, letter] of Object.entries(reading.knee.borders)) setText(byId(`border-${border}`), letter);
    this.#fitToElement();
  }

  #fitToElement() {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!width || !height) return;
    for (const canvas of [this.#image, this.#marks]) {
      canvas.width = width * devicePixelRatio;
      canvas.height = height * devicePixelRatio;
      canvas.style.width = `${width}px`;
      canvas.style.height = `${height}px`;
    }
    const scale = markScale();
    this.#insetPx = Math.round(Math.min(INSET_PX * scale, INSET_PART * Math.min(width, height)));
    this.#inset.style.width = this.#inset.style.height = `${this.#insetPx}px`;
    this.#inset.width = this.#inset.height = this.#insetPx * devicePixelRatio;
    this.#hasInset = Math.min(width, height) >= LEAST_STAGE_PX;
    this.#drawnImage = "";
    if (!this.#reading) return;
    this.#reading.view.viewport.markScale = scale;
    this.#reading.view.viewport.resize(width, height);
  }

  draw() {
    const reading = this.#reading;
    if (!reading || !this.#image.width) return;
    const slice = reading.slices.get(reading.shown);
    if (slice) this.#painted.paint(slice, reading.view.window);
    this.#drawImage(reading, Boolean(slice));
    this.#drawMarks(reading);
    this.#drawInset(reading);
    this.#sayTodo(reading);
    const { state, measured, shown } = reading;
    reading.screen = slice ? { slice: shown, state, measured, isInWindow: () => this.#isInWindow() } : null;
  }

  /** Whether most of the image lies within the window of the browser. */
  #isInWindow() {
    const { top, bottom, height } = this.element.getBoundingClientRect();
    const inSight = Math.min(bottom, innerHeight) - Math.max(top, 0);
    const isInWindow = document.visibilityState === "visible" && inSight > height / 2;
    if (!isInWindow) this.element.scrollIntoView({ block: "nearest" });
    return isInWindow;
  }

  /** @param {Reading} reading @param {boolean} isLoaded */
  #drawImage(reading, isLoaded) {
    const { shown, isBegun } = reading;
    const { viewport, window: grey } = reading.view;
    const now = JSON.stringify([isBegun, shown, isLoaded, grey, viewport.scale, viewport.centre]);
    if (now === this.#drawnImage) return;
    this.#drawnImage = now;
    const context = contextOf(this.#image, { alpha: false }); // opaque: laid under the marks without blending
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#000";
    context.fillRect(0, 0, this.#image.width, this.#image.height);
    byId("scale").style.width = `${viewport.scaleMm * viewport.scale}px`;
    setText(byId("scale-words"), `${viewport.scaleMm} mm`);
    if (!isLoaded) return;
    viewport.applyTo(context, devicePixelRatio);
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
    if (isBegun) this.element.dataset.drawn = String(shown);
    this.element.dataset.view = JSON.stringify({ centre: viewport.centre, scale: viewport.scale });
  }

  /** @param {Reading} reading */
  #drawMarks({ view: { viewport }, landmarks, selection: { name: selected, crosshair }, measured, shown, knee }) {
    const context = contextOf(this.#marks);
    context.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    this.#ink.wipe(context);
    for (const found of measured.slices[shown]?.compartments ?? []) drawCaliper(context, viewport, found, this.#ink);
    for (const [name, landmark] of Object.entries(landmarks)) {
      drawLandmark(context, viewport, name, landmark, name === selected, this.#ink);
    }
    if (!crosshair || selected) return;
    const { index, pixel } = toStack(knee.geometry, crosshair);
    if (index !== shown) return;
    const at = viewport.toScreen(pixel);
    this.#ink.at(...at, CROSS_REACH_PX);
    drawPlace(context, at);
  }

  /** @param {Reading} reading */
  #drawInset({ view: { viewport }, landmarks, selection: { name: selected }, slices, shown }) {
    const landmark = selected ? landmarks[selected] : undefined;
    const isShown = Boolean(landmark && slices.get(shown) && this.#hasInset);
    setShown(this.#inset, isShown);
    if (!landmark || !isShown || !selected) return;
    const side = viewport.toScreen(landmark.pixel)[0] < viewport.width / 2 ? "right" : "left";
    if (this.element.dataset.inset !== side) this.element.dataset.inset = side;
    const ratio = devicePixelRatio;
    const scale = (this.#insetPx / INSET_FIELD_MM) * ratio;
    const { row_spacing_mm: high, column_spacing_mm: wide } = viewport.image;
    const context = contextOf(this.#inset);
    const middle = (this.#insetPx / 2) * ratio;
    context.save();
    context.beginPath();
    context.arc(middle, middle, middle - ratio, 0, 2 * Math.PI);
    context.clip();
    context.fillStyle = "#000";
    context.fillRect(0, 0, 2 * middle, 2 * middle);
    context.setTransform(
      wide * scale, 0, 0, high * scale,
      middle - landmark.pixel[0] * wide * scale, middle - landmark.pixel[1] * high * scale,
    );
    context.drawImage(this.#painted.canvas, -0.5, -0.5);
    context.restore();
    context.save();
    const part = (ratio * this.#insetPx) / INSET_PX;
    context.setTransform(part, 0, 0, part, middle, middle);
    withHalo(context, new Path2D("M-60 0H-7M7 0H60M0 -60V-7M0 7V60"), "#fff", 1);
    context.restore();
  }

  /** Say what the next click does, and on which slice. @param {Reading} reading */
  #sayTodo(reading) {
    const { selection: { name: selected }, landmarks, slices, shown, isBegun } = reading;
    const trouble = slices.trouble(shown);
    const isMissing = isBegun && selected !== null && !(selected in landmarks) && !trouble;
    const unseen = reading.proposal.isUnseen && !reading.isMeasuredSlice ? `Proposed: ${reading.nameOf(reading.state.slice)}. Home shows it` : "";
    const words = trouble || (isMissing ? clickWords(reading, selected) : unseen) || (isBegun ? "" : "Opening…");
    setShown(this.#todo, Boolean(words));
    setText(this.#todo, words);
    this.element.classList.toggle("wanting", isMissing);
  }

  /** @param {boolean} isBusy */
  setBusy(isBusy) {
    if (this.element.ariaBusy !== String(isBusy)) this.element.ariaBusy = String(isBusy);
  }
}

/** @param {Reading} reading @param {string} selected */
function clickWords(reading, selected) {
  const what = `Click the ${wordsOf(selected)}`;
  if (reading.isMeasuredSlice) return what;
  return reading.isFree ? `${what}: ${reading.nameOf(reading.shown)} will be measured` : `${what} (beside the measured slice)`;
}

/** @param {HTMLCanvasElement} canvas @param {CanvasRenderingContext2DSettings} [settings] */
function contextOf(canvas, settings) {
  return /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", settings));
}
