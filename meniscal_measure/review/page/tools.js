/** Window, zoom and the slice slider below the image. */

import { byId, make, setShown, setText } from "./dom.js";
import { isSnappable } from "./types.js";

/** @typedef {import("./reading.js").Reading} Reading */

export class Tools {
  #preset = /** @type {HTMLSelectElement} */ (byId("window-preset"));
  #slider = /** @type {HTMLInputElement} */ (byId("slice-slider"));
  #snapDrops = /** @type {HTMLInputElement} */ (byId("snap-drops"));
  #ticks = "";

  /** @param {() => Reading | null} reading */
  constructor(reading) {
    this.reading = reading;
    this.#preset.addEventListener("change", () => this.#do((reading) => reading.view.choosePreset(this.#preset.value)));
    this.#slider.addEventListener("input", () => this.#do((reading) => reading.page(Number(this.#slider.value) - reading.numberOf(reading.shown))));
    this.#snapDrops.addEventListener("change", () => this.#do((reading) =>
      reading.view.setSnapsDrops(this.#snapDrops.checked)));
    this.#on("zoom-in", ({ view }) => view.move((viewport) => viewport.zoom(1.25)));
    this.#on("zoom-out", ({ view }) => view.move((viewport) => viewport.zoom(0.8)));
    this.#on("zoom-joint", (reading) => reading.zoomToJoint());
    this.#on("zoom-all", ({ view }) => view.move((viewport) => viewport.fitAll()));
    this.#on("snap", (reading) => void reading.editing.snap(reading.selection.name));
    this.#on("slice-proposed", (reading) => reading.show(reading.proposal.home));
    this.#on("propose-here", (reading) => void reading.proposal.proposeHere());
    this.#on("slice-use", (reading) => reading.editing.measureHere());
  }

  /** @returns {"pan" | "window"} */
  get dragDoes() {
    const chosen = /** @type {HTMLInputElement} */ (document.querySelector('input[name="drag"]:checked'));
    return chosen.value === "window" ? "window" : "pan";
  }

  /** @param {(reading: Reading) => void} act */
  #do(act) {
    const reading = this.reading();
    if (reading) act(reading);
  }

  /** @param {string} id @param {(reading: Reading) => void} act */
  #on(id, act) {
    byId(id).addEventListener("click", () => this.#do(act));
  }

  /** @param {Reading} reading */
  show(reading) {
    const other = make("option", { value: "", disabled: "" }, "By hand");
    const { windows } = reading.knee;
    this.#preset.replaceChildren(...windows.map(({ code, words }) => make("option", { value: code }, words)), other);
    this.#slider.max = String(reading.slices.count);
    byId("slice-label").style.width = `${9 + 2 * this.#slider.max.length}ch`;
    this.#snapDrops.checked = reading.view.snapsDrops;
    setShown(byId("slice-proposed"), reading.proposal.found !== null);
    setShown(byId("propose-here"), reading.proposal.mayAsk);
    this.#ticks = "";
    byId("ticks").replaceChildren();
  }

  draw() {
    this.#do((reading) => {
      const { shown, slices, selection: { name }, landmarks } = reading;
      const { preset } = reading.view;
      const number = String(reading.numberOf(shown));
      if (this.#slider.value !== number) this.#slider.value = number;
      setText(byId("slice-label"), `Slice ${number} / ${slices.count}`);
      const isProposed = reading.proposal.found?.slice === shown;
      const words = `${number} of ${slices.count}${isProposed ? ", proposed" : ""}${reading.isMeasuredSlice ? ", measured" : ""}`;
      if (this.#slider.getAttribute("aria-valuetext") !== words) this.#slider.setAttribute("aria-valuetext", words);
      if (this.#preset.value !== preset) this.#preset.value = preset;
      button("slice-use").disabled = reading.isMeasuredSlice;
      button("snap").disabled = !(name && name in landmarks && isSnappable(name));
      if (reading.isBegun) this.#drawTicks(reading);
    });
  }

  /** @param {Reading} reading */
  #drawTicks(reading) {
    const { state } = reading;
    const { count } = reading.slices;
    const proposed = reading.proposal.found?.slice;
    const at = (/** @type {number} */ index) => (reading.numberOf(index) - 1) / Math.max(count - 1, 1);
    const placed = Object.keys(state.landmarks).filter((index) => Object.keys(state.landmarks[index]).length);
    const now = JSON.stringify([count, proposed, state.slice, placed]);
    if (now === this.#ticks) return;
    this.#ticks = now;
    const ticks = placed.map((index) => tick(at(Number(index)), "·", ""));
    if (proposed !== undefined && proposed !== state.slice) ticks.push(tick(at(proposed), "△ proposed", "proposed"));
    ticks.push(tick(at(state.slice), proposed === state.slice ? "▲ measured, proposed" : "▲ measured", "measured"));
    byId("ticks").replaceChildren(...ticks);
  }
}

/** @param {number} part of the way along @param {string} words @param {string} kind */
function tick(part, words, kind) {
  const mark = make("span", { class: kind }, words);
  mark.style.left = `${part * 100}%`;
  return mark;
}

/** @param {string} id */
function button(id) {
  return /** @type {HTMLButtonElement} */ (byId(id));
}
