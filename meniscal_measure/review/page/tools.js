/** Window, zoom and the slice slider below the image. */

import { byId, make, setShown, setText } from "./dom.js";
import { WINDOWS } from "./reading.js";
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
    const other = make("option", { value: "", disabled: "" }, "By hand");
    this.#preset.append(...WINDOWS.map(({ code, words }) => make("option", { value: code }, words)), other);
    this.#preset.addEventListener("change", () => this.#do((reading) => reading.choosePreset(this.#preset.value)));
    this.#slider.addEventListener("input", () => this.#do((reading) => reading.show(Number(this.#slider.value))));
    this.#snapDrops.addEventListener("change", () => this.#do((reading) => {
      reading.snapsDrops = this.#snapDrops.checked;
      reading.keepView();
    }));
    this.#on("zoom-in", (reading) => zoom(reading, 1.25));
    this.#on("zoom-out", (reading) => zoom(reading, 0.8));
    this.#on("zoom-joint", (reading) => reading.zoomToJoint());
    this.#on("zoom-all", (reading) => {
      reading.viewport.fitAll();
      zoom(reading, 1);
    });
    this.#on("snap", (reading) => void reading.snap(reading.selected));
    this.#on("slice-proposed", (reading) => reading.show(reading.proposed?.slice ?? reading.state.slice));
    this.#on("slice-use", (reading) => reading.measureHere());
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
    this.#slider.max = String(reading.slices.count - 1);
    this.#snapDrops.checked = reading.snapsDrops;
    setShown(byId("slice-proposed"), reading.proposed !== null);
    this.#ticks = "";
    byId("ticks").replaceChildren();
  }

  draw() {
    this.#do((reading) => {
      const { shown, slices, proposed, state, preset, selected, points } = reading;
      if (this.#slider.value !== String(shown)) this.#slider.value = String(shown);
      setText(byId("slice-label"), `Slice ${shown + 1} / ${slices.count}`);
      const isProposed = proposed?.slice === shown;
      const words = `${shown + 1} of ${slices.count}${isProposed ? ", proposed" : ""}${reading.isMeasuredSlice ? ", measured" : ""}`;
      if (this.#slider.getAttribute("aria-valuetext") !== words) this.#slider.setAttribute("aria-valuetext", words);
      if (this.#preset.value !== preset) this.#preset.value = preset;
      button("slice-use").disabled = reading.isMeasuredSlice;
      button("snap").disabled = !(selected && selected in points && isSnappable(selected));
      if (reading.isBegun) this.#drawTicks(slices.count, proposed?.slice, state);
    });
  }

  /** @param {number} count @param {number | undefined} proposed @param {import("./types.js").State} state */
  #drawTicks(count, proposed, state) {
    const withPoints = Object.keys(state.points).filter((index) => Object.keys(state.points[index]).length);
    const now = JSON.stringify([count, proposed, state.slice, withPoints]);
    if (now === this.#ticks) return;
    this.#ticks = now;
    const ticks = withPoints.map((index) => tick(Number(index), count, "·", ""));
    if (proposed !== undefined && proposed !== state.slice) ticks.push(tick(proposed, count, "△ proposed", "proposed"));
    ticks.push(tick(state.slice, count, proposed === state.slice ? "▲ measured, proposed" : "▲ measured", "measured"));
    byId("ticks").replaceChildren(...ticks);
  }
}

/** @param {number} index @param {number} count @param {string} words @param {string} kind */
function tick(index, count, words, kind) {
  const mark = make("span", { class: kind }, words);
  mark.style.left = `${(index / Math.max(count - 1, 1)) * 100}%`;
  return mark;
}

/** @param {Reading} reading @param {number} factor */
function zoom(reading, factor) {
  reading.viewport.zoom(factor);
  reading.keepView();
  reading.changed();
}

/** @param {string} id */
function button(id) {
  return /** @type {HTMLButtonElement} */ (byId(id));
}
