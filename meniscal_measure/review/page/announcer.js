/** What a screen reader announces: what was done, and the values once they have come to rest. */

import { byId, setText } from "./dom.js";

const AT_REST_MS = 900;

export class Announcer {
  #timer = 0;

  /** @param {import("./reading.js").Reading} reading */
  tell(reading) {
    if (reading.spoken) {
      setText(byId("announce-act"), reading.spoken);
      reading.spoken = "";
    }
    clearTimeout(this.#timer);
    this.#timer = window.setTimeout(() => {
      const found = reading.measured.slices[reading.shown]?.compartments ?? [];
      const words = found.map(({ name, value, decision_words: decision }) => `${name} ${value}, ${decision}`);
      const place = reading.nameOf(reading.shown).replace(/^s/, "S");
      setText(byId("announce"), [place, ...words, reading.measured.message].join(". "));
    }, AT_REST_MS);
  }
}
