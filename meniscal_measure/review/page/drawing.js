/** Marks on the slice. Shape says which landmark, weight and dashes what was found; colour repeats it. */

import { imageSideOf, landmarkOf } from "./types.js";

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {import("./types.js").Landmark} Placed */
/** @typedef {import("./types.js").Compartment} Compartment */
/** @typedef {import("./viewport.js").Viewport} Viewport */
/** @typedef {CanvasRenderingContext2D} Context */
/** @typedef {{pixel: Pixel, name: string, isChosen: boolean}} Named */

/** Orange and sky of Okabe and Ito's palette, told apart with every common colour vision deficiency. */
const FLAGGED = "#E69F00";
const NOT_FLAGGED = "#56B4E9";
const LANDMARK = "#FFFFFF";
const SIZE = 6;
/** How far lines and letters spread around the places they are drawn at, halo included; CSS pixels. */
const LINE_REACH = 4;
const TEXT_REACH = 22;

/** What was drawn on, so that no more than that is cleared and redrawn while a landmark is dragged. */
export class Ink {
  /** @type {[number, number, number, number]} left, top, right, bottom */
  #box = [Infinity, Infinity, -Infinity, -Infinity];

  /** @param {number} x @param {number} y @param {number} reach around the place */
  at(x, y, reach) {
    const [left, top, right, bottom] = this.#box;
    this.#box = [
      Math.min(left, x - reach), Math.min(top, y - reach), Math.max(right, x + reach), Math.max(bottom, y + reach),
    ];
  }

  /** @param {Context} context */
  wipe(context) {
    const [left, top, right, bottom] = this.#box;
    if (left < right) context.clearRect(left, top, right - left, bottom - top);
    this.#box = [Infinity, Infinity, -Infinity, -Infinity];
  }
}

/** Outline of a landmark around the origin, as an SVG path; the triangle points outward. @param {string} name */
export function outlineOf(name) {
  const outward = imageSideOf(name) === "image_left" ? -1 : 1;
  const s = SIZE;
  return {
    rim: `M${-s} ${-s}H${s}V${s}H${-s}Z`,
    outer_edge: `M${outward * s * 1.3} 0L${-outward * s} ${-s * 1.1}V${s * 1.1}Z`,
    free_edge: `M${-s} 0A${s} ${s} 0 1 0 ${s} 0A${s} ${s} 0 1 0 ${-s} 0Z`,
    spine_base: `M0 ${-s * 1.3}L${s * 1.3} 0L0 ${s * 1.3}L${-s * 1.3} 0Z`,
  }[landmarkOf(name)] ?? "";
}

/** @param {Context} context @param {Viewport} view @param {Compartment} found @param {Ink} ink */
export function drawCaliper(context, view, found, ink) {
  context.setLineDash(found.decision === "undecided" ? [7, 5] : []);
  const weight = (found.flag ? 2.6 : 1.3) * view.markScale;
  const colour = found.flag ? FLAGGED : NOT_FLAGGED;
  for (const line of [found.lines.rim, found.lines.outer]) {
    strokeLine(context, view, line, colour, weight, ink);
  }
  context.setLineDash([]);
  strokeLine(context, view, found.lines.caliper, colour, weight + view.markScale, ink);
  if (found.lines.caliper.some((pixel) => view.holds(pixel))) drawValue(context, view, found, colour, ink);
}

/** @param {Context} context @param {Viewport} view @param {Pixel[]} line @param {string} colour @param {number} weight @param {Ink} ink */
function strokeLine(context, view, line, colour, weight, ink) {
  const path = new Path2D();
  const [start, end] = line.map((pixel) => view.toScreen(pixel));
  path.moveTo(...start);
  path.lineTo(...end);
  ink.at(...start, LINE_REACH * view.markScale);
  ink.at(...end, LINE_REACH * view.markScale);
  withHalo(context, path, colour, weight);
}

/** @param {Context} context @param {Viewport} view @param {Compartment} found @param {string} colour @param {Ink} ink */
function drawValue(context, view, found, colour, ink) {
  const [x, y] = view.toScreen(found.lines.outer[1]);
  context.font = font(found.flag ? 650 : 500, 15 * view.markScale);
  const wide = context.measureText(found.value).width;
  const at = found.image_side === "image_left" ? x - wide - 6 : x + 6;
  const left = Math.min(Math.max(at, 6), view.width - wide - 6);
  const base = Math.max(y - 6, 20 * view.markScale);
  drawWords(context, found.value, [left, base], colour);
  ink.at(left, base, TEXT_REACH * view.markScale);
  ink.at(left + wide, base, TEXT_REACH * view.markScale);
}

/** @param {Context} context @param {Viewport} view @param {string} name @param {Placed} landmark @param {boolean} selected @param {Ink} ink */
export function drawLandmark(context, view, name, landmark, selected, ink) {
  const [x, y] = view.toScreen(landmark.pixel);
  const scale = view.markScale;
  ink.at(x, y, SIZE * 4 * scale);
  context.save();
  context.translate(x, y);
  context.scale(scale, scale);
  context.setLineDash(landmark.carried_from !== null || landmark.origin === "proposed" ? [4.5, 2] : []);
  withHalo(context, new Path2D(outlineOf(name)), LANDMARK, selected ? 2.4 : 1.7);
  context.setLineDash([]);
  if (selected) drawCross(context);
  context.restore();
}

/** Draw landmarks with their names beside them, a name below those it would cover. @param {Context} context @param {Viewport} view @param {Named[]} landmarks */
export function drawNamed(context, view, landmarks) {
  const scale = view.markScale;
  const placed = landmarks.map(({ pixel, ...rest }) => ({ at: view.toScreen(pixel), ...rest })).sort((a, b) => a.at[1] - b.at[1]);
  /** @type {{left: number, right: number, foot: number}[]} */
  const taken = [];
  for (const { at: [x, y], name, isChosen } of placed) {
    context.font = font(isChosen ? 650 : 500, 13 * scale);
    const left = x + 2 * SIZE * scale;
    const right = left + context.measureText(name).width;
    const covered = taken.filter((other) => left < other.right && other.left < right);
    const foot = Math.max(y - 2 * SIZE * scale, ...covered.map((other) => other.foot + 16 * scale));
    taken.push({ left, right, foot });
    drawWords(context, name, [left, foot], LANDMARK);
  }
  for (const { at, isChosen } of placed) {
    context.save();
    context.translate(...at);
    context.scale(scale, scale);
    withHalo(context, new Path2D(`M${-SIZE / 2} 0H${SIZE / 2}M0 ${-SIZE / 2}V${SIZE / 2}`), LANDMARK, isChosen ? 2 : 1.4);
    if (isChosen) drawCross(context);
    context.restore();
  }
}

/** @param {number} weight @param {number} px */
function font(weight, px) {
  return `${weight} ${px}px system-ui, "DejaVu Sans", sans-serif`;
}

/** @param {Context} context @param {string} words @param {[number, number]} at @param {string} colour */
function drawWords(context, words, at, colour) {
  context.lineWidth = 4;
  context.lineJoin = "round";
  context.strokeStyle = "#000";
  context.strokeText(words, ...at);
  context.fillStyle = colour;
  context.fillText(words, ...at);
}

/** Mark a place. @param {Context} context @param {[number, number]} at on the screen */
export function drawPlace(context, at) {
  context.save();
  context.translate(...at);
  drawCross(context);
  context.restore();
}

/** @param {Context} context */
function drawCross(context) {
  const path = new Path2D();
  for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    path.moveTo(dx * SIZE * 2, dy * SIZE * 2);
    path.lineTo(dx * SIZE * 3.4, dy * SIZE * 3.4);
  }
  withHalo(context, path, LANDMARK, 1.4);
}

/** @param {Context} context @param {Path2D} path @param {string} colour @param {number} weight */
export function withHalo(context, path, colour, weight) {
  for (const [style, width] of /** @type {[string, number][]} */ ([["#000000b0", weight + 2.2], [colour, weight]])) {
    context.strokeStyle = style;
    context.lineWidth = width;
    context.stroke(path);
  }
}
