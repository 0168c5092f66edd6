/** What a key press asks for, wherever the focus is; keys that are a single character can be turned off. */

import { byId } from "./dom.js";
import { actsOnce, isSingle, keyFor, nameOf } from "./keys.js";

/** @typedef {import("./reading.js").Reading} Reading */

const SINGLE_KEYS = "single keys";

export class Keyboard {
  #stage = byId("stage");
  #singles = /** @type {HTMLInputElement} */ (byId("single-keys"));

  /** @param {() => Reading | null} reading @param {(what: import("./keys.js").Request) => void} ask */
  constructor(reading, ask) {
    this.reading = reading;
    this.ask = ask;
    this.#singles.checked = localStorage.getItem(SINGLE_KEYS) !== "off";
    this.#singles.addEventListener("change", () =>
      localStorage.setItem(SINGLE_KEYS, this.#singles.checked ? "on" : "off"));
    document.addEventListener("keydown", (event) => this.#press(event));
  }

  /** @param {KeyboardEvent} event */
  #press(event) {
    const reading = this.reading();
    const target = /** @type {HTMLElement} */ (event.target);
    const name = nameOf(event);
    const isText = target.matches("textarea, input:not([type]), input[type=search]");
    const isOff = isSingle(name) && !this.#singles.checked;
    if (document.querySelector("dialog[open]") || event.isComposing || isOff) return;
    const onStage = target === this.#stage || target === document.body;
    if (reading && name === "Esc" && !onStage) {
      this.#stage.focus();
      return;
    }
    const key = keyFor(name, onStage || isFree(target, name));
    if (!key || (isText && name !== "Ctrl Enter") || !(reading || key.isOfPage)) return;
    event.preventDefault();
    if (event.repeat && actsOnce(name)) return;
    key.act(/** @type {Reading} */ (reading), this.ask, name);
  }
}

/** Whether a control leaves a key to the slice: a button needs none but Enter and Space. @param {HTMLElement} target @param {string} name */
function isFree(target, name) {
  return target.matches("#knee-view button, #knee-view .scroll") && !["Enter", " "].includes(name)
    && (target.matches("button") || !/Page|Home|End|Arrow/.test(name));
}
