/** The keys: one table from which they act and from which they are shown. */

import { make } from "./dom.js";
import { LANDMARK_ORDER } from "./types.js";

/** @typedef {import("./reading.js").Reading} Reading */
/** @typedef {"sign" | "next" | "reject" | "series" | "quality" | "list" | "help" | "theme" | "withdraw" | "earlier"} Request */
/** @typedef {{group: string, keys: string[], words: string, anywhere?: boolean, isOfPage?: boolean,
 *   act: (reading: Reading, ask: (what: Request) => void, key: string) => void}} Key
 *   of the page: acts while a knee is being opened too, without a reading */

const ARROWS = /** @type {Record<string, [number, number]>} */ ({
  ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],
});
const PAN_PX = 40;

/** @param {string} before @returns {string[]} */
function arrows(before) {
  return Object.keys(ARROWS).map((arrow) => before + arrow);
}

/** @param {number} px @returns {(reading: Reading, ask: unknown, key: string) => void} */
function nudgeBy(px) {
  return (reading, _ask, key) => {
    const [columns, rows] = ARROWS[/** @type {string} */ (key.split(" ").pop())];
    reading.editing.nudge(columns * px, rows * px);
  };
}

/** @type {Key[]} */
const KEYS = [
  { group: "Landmarks", keys: ["1", "2", "3", "4", "5", "6", "7", "8"], words: "Choose a landmark",
    act: (reading, _ask, key) => reading.selection.choose(LANDMARK_ORDER[Number(key) - 1]) },
  { group: "Landmarks", keys: ["N"], words: "Next landmark", act: ({ selection }) => selection.chooseNext(1) },
  { group: "Landmarks", keys: ["P"], words: "Previous landmark", act: ({ selection }) => selection.chooseNext(-1) },
  { group: "Landmarks", keys: arrows(""), words: "Move it 0.1 pixel", act: nudgeBy(0.1) },
  { group: "Landmarks", keys: arrows("Shift "), words: "Move it 1 pixel", act: nudgeBy(1) },
  { group: "Landmarks", keys: arrows("Ctrl "), words: "Move it 10 pixels", act: nudgeBy(10) },
  { group: "Landmarks", keys: ["Enter"], words: "Place the chosen landmark in the middle of the view",
    act: (reading) => {
      const { landmarks, selection, view: { viewport } } = reading;
      const { name } = selection;
      if (!name || name in landmarks) return;
      reading.editing.place(name, viewport.toPixel(viewport.width / 2, viewport.height / 2));
      selection.take(name);
    } },
  { group: "Landmarks", keys: ["E"], words: "Snap the outer edge to the image edge nearby",
    act: (reading) => void reading.editing.snap(reading.selection.name) },
  { group: "Landmarks", keys: ["A"], words: "Accept all landmarks of this slice as they are", act: (reading) => reading.editing.accept() },
  { group: "Landmarks", keys: ["Delete"], words: "Remove the landmark", act: (reading) => reading.editing.remove() },
  { group: "Landmarks", keys: ["Esc"], words: "Deselect the landmark", act: ({ selection }) => selection.take(null) },
  { group: "Slices", keys: ["PageUp", "PageDown"], words: "Previous slice, next slice",
    act: (reading, _ask, key) => reading.page(key === "PageUp" ? -1 : 1) },
  { group: "Slices", keys: ["Home"], words: "Go to the proposed slice, else to the measured one",
    act: (reading) => reading.show(reading.proposal.home) },
  { group: "Slices", keys: ["M"], words: "Measure on this slice", act: (reading) => reading.editing.measureHere() },
  { group: "Slices", keys: ["H"], words: "Propose landmarks on this slice", act: (reading) => void reading.proposal.proposeHere() },
  { group: "Slices", keys: ["C"], words: "Carry the measured landmarks to this slice", act: (reading) => reading.editing.carry() },
  { group: "Slices", keys: ["V"], words: "Show or hide the earlier visit", act: (_reading, ask) => ask("earlier") },
  { group: "Slices", keys: ["S"], words: "Next coronal series", act: (_reading, ask) => ask("series") },
  { group: "Display", keys: ["W"], words: "Next window", act: ({ view }) => view.nextPreset() },
  { group: "Display", keys: ["[", "]"], words: "Darker, brighter",
    act: ({ view }, _ask, key) => view.adjustWindow(key === "[" ? 0.05 : -0.05, 0) },
  { group: "Display", keys: ["{", "}"], words: "Less contrast, more contrast",
    act: ({ view }, _ask, key) => view.adjustWindow(0, key === "{" ? 0.1 : -0.1) },
  { group: "Display", keys: ["+", "-"], words: "Zoom in, out",
    act: ({ view }, _ask, key) => view.move((viewport) => viewport.zoom(key === "+" ? 1.25 : 0.8)) },
  { group: "Display", keys: arrows("Alt "), words: "Move the image", act: ({ view }, _ask, key) => {
    const [x, y] = ARROWS[/** @type {string} */ (key.split(" ").pop())];
    view.move((viewport) => viewport.pan(-x * PAN_PX, -y * PAN_PX));
  } },
  { group: "Display", keys: ["J"], words: "Zoom to the joint", act: (reading) => reading.zoomToJoint() },
  { group: "Display", keys: ["0"], words: "Whole slice", act: ({ view }) => view.move((viewport) => viewport.fitAll()) },
  { group: "Reading", keys: ["U"], words: "Undo", act: (reading) => void reading.step("undo") },
  { group: "Reading", keys: ["R"], words: "Redo", act: (reading) => void reading.step("redo") },
  { group: "Reading", keys: ["Ctrl Z"], words: "Undo, from anywhere", anywhere: true, act: (reading) => void reading.step("undo") },
  { group: "Reading", keys: ["Ctrl Y"], words: "Redo, from anywhere", anywhere: true, act: (reading) => void reading.step("redo") },
  { group: "Reading", keys: ["Q"], words: "Image quality and remark", act: (_reading, ask) => ask("quality") },
  { group: "Reading", keys: ["X"], words: "Reject this knee", act: (_reading, ask) => ask("reject") },
  { group: "Reading", keys: ["Ctrl Enter"], words: "Sign", anywhere: true, act: (_reading, ask) => ask("sign") },
  { group: "Reading", keys: ["G"], words: "Next unsigned knee", isOfPage: true, act: (_reading, ask) => ask("next") },
  { group: "Reading", keys: ["L"], words: "All knees", isOfPage: true, act: (_reading, ask) => ask("list") },
  { group: "Page", keys: ["T"], words: "Dark or light room", isOfPage: true, act: (_reading, ask) => ask("theme") },
  { group: "Page", keys: ["?"], words: "This list", anywhere: true, isOfPage: true, act: (_reading, ask) => ask("help") },
];

/** Keys that act again and again while they are held down. */
const REPEATED = /Arrow|Page|^[[\]{}+\-NPUR]$|^Ctrl [ZY]$/;

/** Whether a key that is held down acts once. @param {string} name */
export function actsOnce(name) {
  return !REPEATED.test(name);
}

/** Name a key press as the table does. @param {KeyboardEvent} event */
export function nameOf(event) {
  const key = { Escape: "Esc" }[event.key] ?? (event.key.length === 1 ? event.key.toUpperCase() : event.key);
  const control = event.ctrlKey || event.metaKey ? "Ctrl " : "";
  const alternate = event.altKey ? "Alt " : "";
  const shift = event.shiftKey && event.key.length > 1 ? "Shift " : "";
  return control + alternate + shift + key;
}

/** Whether a key is one character without Ctrl or Alt: those can be turned off (WCAG 2.2, 2.1.4). @param {string} name */
export function isSingle(name) {
  return name.length === 1 && name !== " ";
}

/** @param {string} name @param {boolean} onStage */
export function keyFor(name, onStage) {
  return KEYS.find((key) => key.keys.includes(name) && (onStage || key.anywhere));
}

/** @returns {Node[]} */
export function keyList() {
  const groups = [...new Set(KEYS.map((key) => key.group))];
  return groups.map((group) => {
    const list = make("dl");
    for (const key of KEYS.filter((each) => each.group === group)) {
      list.append(make("dt", {}, make("kbd", {}, shortened(key.keys))), make("dd", {}, key.words));
    }
    return make("section", {}, make("h3", {}, group), list);
  });
}

/** @param {string[]} keys */
function shortened(keys) {
  if (keys.length === 8) return "1 … 8";
  if (keys.length === 4) return keys[0].replace("ArrowLeft", "← → ↑ ↓");
  return keys.join("  ").replace("PageUp", "Page ↑").replace("PageDown", "Page ↓");
}
