/** Requests to the program; everything that is measured is measured there. */

export class ApiError extends Error {
  /** @param {string} kind @param {string} message */
  constructor(kind, message) {
    super(message);
    this.kind = kind;
  }

  /** Whether the same request may succeed later, as it is: the program is away, or its disk is full. */
  get isPassing() {
    return ["Gone", "NewAddress", "OutputError", "Fault"].includes(this.kind);
  }
}

const GONE =
  "The program that serves this page does not answer. What was signed is safe. Start it again with the same "
  + "command and open the address it prints.";

const NEW_ADDRESS =
  "The program was started again and has a new address. Open the address it prints: a change that is not saved yet "
  + "is restored there.";

export class Api {
  /** @param {string} reader @param {string} [series] which series is asked about; the program decides where none is named */
  constructor(reader, series = "") {
    this.reader = reader;
    this.series = series;
  }

  /** @param {string} path @returns {Promise<any>} */
  async get(path) {
    return parsed(await this.#ask(path, {}));
  }

  /** @param {string} path */
  bytes(path) {
    return this.#ask(path, {});
  }

  /** @param {string} path @param {object} body @param {boolean} [leaving] @returns {Promise<any>} */
  async post(path, body, leaving = false) {
    const request = { method: "POST", body: JSON.stringify(body), keepalive: leaving };
    return parsed(await this.#ask(path, request));
  }

  /** @param {string} path @param {RequestInit} request */
  async #ask(path, request) {
    const headers = { "X-Reader": encodeURIComponent(this.reader), "Content-Type": "application/json" };
    if (this.series) Object.assign(headers, { "X-Series": this.series });
    let answer;
    let content;
    try {
      answer = await fetch(`${location.pathname}api/${path}`, { ...request, headers });
      content = await answer.arrayBuffer(); // the program may end in the middle of an answer
    } catch {
      throw new ApiError("Gone", GONE);
    }
    if (answer.status === 403) throw new ApiError("NewAddress", NEW_ADDRESS);
    if (!answer.ok) throw refusal(content);
    return content;
  }
}

/** @param {ArrayBuffer} content @returns {any} */
function parsed(content) {
  return JSON.parse(new TextDecoder().decode(content));
}

/** @param {ArrayBuffer} content */
function refusal(content) {
  try {
    const { kind, message } = parsed(content);
    return new ApiError(kind, message);
  } catch {
    return new ApiError("Refused", "The request was refused.");
  }
}
