/** What has become of a signed reading on its way to an archive: asked until it has arrived there, or will not. */

const AGAIN_MS = 1000;

export class Sending {
  /** @type {import("./types.js").Sending | null} */
  found = null;
  #timer = 0;

  /** @param {import("./api.js").Api} api @param {string} path @param {() => void} changed */
  constructor(api, path, changed) {
    this.api = api;
    this.path = path;
    this.changed = changed;
  }

  /** @param {import("./types.js").Sending | null} found */
  follow(found) {
    this.leave();
    this.found = found;
    this.changed();
    if (found?.stage === "waiting") this.#timer = window.setTimeout(() => void this.#ask(found), AGAIN_MS);
  }

  /** @param {import("./types.js").Sending} before */
  async #ask(before) {
    const found = await this.api.get(`${this.path}/sending`).catch(() => before);
    if (this.found === before) this.follow(found);
  }

  leave() {
    clearTimeout(this.#timer);
    this.found = null;
  }
}
