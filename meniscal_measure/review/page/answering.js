/** Answers on their way to the file: one after the other, the newest to each question, until the program has them. */

import { ApiError } from "./api.js";
import { messageOf } from "./types.js";

const RETRY_MS = 2000;

/**
 * @typedef {{plane: string, index: number, pixel: [number, number]}} Place
 * @typedef {string | number | Place | null} Given null takes an answer back
 * @typedef {{key: string, text: string, why: string, plane: string | null, slice: number | null, choices: string[], answer: Given}} Question
 *   plane: the view it is answered on; slice: the number of the one to look at first
 * @typedef {{key: string, words: string, count: number, is_chosen: boolean}} Topic asked about only where it is wanted
 * @typedef {{questions: Question[], topics: Topic[]}} Listed
 */

/** Whether a question is answered by placing a landmark. @param {Question} question */
export function isLandmark({ key }) {
  return key.startsWith("landmark.") || key.startsWith("follow_up.");
}

export class Answering {
  /** @type {Map<string, Given>} by question */
  #waiting = new Map();
  #isSending = false;

  /**
   * @param {() => import("./api.js").Api} api
   * @param {{saved: (listed: Listed, key: string) => void, refused: (key: string, message: string) => void, failed: (message: string) => void}} on
   */
  constructor(api, on) {
    this.api = api;
    this.on = on;
  }

  get isClean() {
    return this.#waiting.size === 0;
  }

  /** What the reader answered, as far as the program does not have it. @param {Question} question @returns {Given} */
  answerTo({ key, answer }) {
    const waiting = this.#waiting.get(key);
    return waiting === undefined ? answer : waiting;
  }

  /** @param {string} key @param {Given} answer */
  give(key, answer) {
    this.#waiting.set(key, answer);
    void this.#send();
  }

  async #send() {
    if (this.#isSending) return;
    this.#isSending = true;
    let wait = 0;
    while (this.#waiting.size && !wait) wait = await this.#sendNext();
    this.#isSending = false;
    if (wait) setTimeout(() => void this.#send(), wait);
  }

  /** @returns {Promise<number>} milliseconds after which it is tried again */
  async #sendNext() {
    const [[key, answer]] = this.#waiting;
    try {
      const listed = await this.api().post("answer", { key, answer });
      this.#drop(key, answer);
      this.on.saved(listed, key);
    } catch (error) {
      if (!(error instanceof ApiError) || error.isPassing) {
        this.on.failed(messageOf(error));
        return RETRY_MS;
      }
      this.#drop(key, answer);
      this.on.refused(key, error.message);
    }
    return 0;
  }

  /** Forget an answer that was sent, unless another one was given meanwhile. @param {string} key @param {Given} answer */
  #drop(key, answer) {
    if (this.#waiting.get(key) === answer) this.#waiting.delete(key);
  }
}
