/** Everything that shows the reading in view, drawn when something changed, once a frame. */

import { Announcer } from "./announcer.js";
import { byId, setShown, setText } from "./dom.js";
import { Earlier } from "./earlier.js";
import { Panel } from "./panel.js";
import { Planes } from "./planes.js";
import { Pointer } from "./pointer.js";
import { Stage } from "./stage.js";
import { Tools } from "./tools.js";

/** @typedef {import("./reading.js").Reading} Reading */

export class Display {
  /** @type {Reading | null} */
  reading = null;
  earlier = new Earlier();
  /** Said of every reading. */
  notice = "";
  #stage = new Stage(() => this.redraw());
  #panel = new Panel();
  #planes = new Planes();
  #tools = new Tools(() => this.reading);
  #announcer = new Announcer();
  #frame = 0;

  /** @param {(message: string) => void} trouble takes what is wrong with the reading, whenever it is drawn */
  constructor(trouble) {
    this.trouble = trouble;
    new Pointer(this.#stage.element, () => this.reading, () => this.#tools.dragDoes);
  }

  /** @param {Reading} reading */
  show(reading) {
    this.reading = reading;
    setShown(byId("knee-view"), true);
    setText(byId("person"), reading.knee.person);
    this.#stage.show(reading);
    this.#planes.show(reading);
    void this.earlier.show(reading);
    this.takeBegun(reading);
    this.#stage.element.focus();
    this.redraw();
  }

  /** Show what came with the working state, or with a proposal. @param {Reading} reading */
  takeBegun(reading) {
    this.#panel.show(reading, this.notice);
    this.#tools.show(reading);
  }

  /** Nothing of a knee stays in view under the name of another. */
  clear() {
    this.reading = null;
    setShown(byId("knee-view"), false);
  }

  /** Whether the focus is where a reader who has just signed leaves it. */
  get hasFocus() {
    return [byId("sign"), this.#stage.element, document.body].some((each) => each === document.activeElement);
  }

  redraw() {
    if (this.reading?.isBusy) this.#stage.setBusy(true); // at once; at rest only once drawn
    if (this.#frame) return;
    this.#frame = requestAnimationFrame(() => {
      this.#frame = 0;
      const { reading } = this;
      this.#stage.draw();
      if (!reading) return;
      this.#panel.draw();
      this.#planes.draw();
      this.earlier.draw();
      this.#tools.draw();
      this.trouble(reading.trouble);
      this.#stage.setBusy(reading.isBusy);
      this.#announcer.tell(reading);
    });
  }
}
