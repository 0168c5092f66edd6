/** Slices of one series: those around the one looked at, that one first, turned into grey on this side. */

/** @typedef {import("./api.js").Api} Api */
/** @typedef {{low: number, step: number, rows: number, columns: number, codes: Uint16Array, top: number}} Slice */

const HEADER_BYTES = 24;
const AT_ONCE = 3;
/** Slices around the one in view that are fetched ahead, and how many bytes of slices are held at most. */
const AHEAD = 12;
const MOST_BYTES = 96 * 2 ** 20;

/** @param {ArrayBuffer} bytes @returns {Slice} */
export function decode(bytes) {
  const head = new DataView(bytes);
  const codes = new Uint16Array(bytes, HEADER_BYTES);
  let top = 0;
  for (const code of codes) if (code > top) top = code;
  return {
    low: head.getFloat64(0, true),
    step: head.getFloat64(8, true),
    rows: head.getUint32(16, true),
    columns: head.getUint32(20, true),
    codes,
    top,
  };
}

/** Index of the slice that comes `by` slices later, as people count them. @param {{number: number}[]} slices @param {number} index @param {number} by */
export function further(slices, index, by) {
  return index + (slices[0].number < slices[slices.length - 1].number ? by : -by);
}

export class Slices {
  /** @type {Map<number, Slice>} */
  #loaded = new Map();
  /** @type {Map<number, string>} */
  #failed = new Map();
  /** @type {Set<number>} */
  #asked = new Set();
  #wanted = 0;

  /**
   * @param {Api} api
   * @param {string} path
   * @param {number} count
   * @param {() => void} arrived the slice that is looked at is there, or one cannot be fetched
   */
  constructor(api, path, count, arrived) {
    this.api = api;
    this.path = path;
    this.count = count;
    this.arrived = arrived;
  }

  /** @param {number} index */
  get(index) {
    return this.#loaded.get(index);
  }

  /** @param {number} index */
  trouble(index) {
    return this.#failed.get(index) ?? "";
  }

  /** Say which slice is looked at; it is fetched before all others. @param {number} index */
  want(index) {
    this.#wanted = index;
    this.#failed.delete(index);
    const held = this.#loaded.get(index);
    if (held) this.#hold(index, held);
    this.#fill();
  }

  #fill() {
    while (this.#asked.size < AT_ONCE) {
      const next = this.#nearestMissing();
      if (next === undefined) return;
      this.#fetch(next);
    }
  }

  #nearestMissing() {
    for (let distance = 0; distance <= this.#reach; distance += 1) {
      for (const index of [this.#wanted + distance, this.#wanted - distance]) {
        const known = this.#loaded.has(index) || this.#asked.has(index) || this.#failed.has(index);
        if (index >= 0 && index < this.count && !known) return index;
      }
    }
    return undefined;
  }

  /** @param {number} index */
  async #fetch(index) {
    this.#asked.add(index);
    try {
      this.#hold(index, decode(await this.api.bytes(`${this.path}/${index}`)));
    } catch (error) {
      this.#failed.set(index, error instanceof Error ? error.message : String(error));
    }
    this.#asked.delete(index);
    if (index === this.#wanted || this.#failed.has(index)) this.arrived(); // what is fetched ahead changes nothing in view
    this.#fill();
  }

  /** How far around the slice in view slices are fetched ahead: no further than there is room to hold them. */
  get #reach() {
    const [first] = this.#loaded.values();
    const room = first ? Math.floor(MOST_BYTES / first.codes.byteLength / 3) : AHEAD;
    return Math.min(Math.max(room, 1), AHEAD, this.count);
  }

  /** Hold a slice as the newest one, and drop those not looked at for longest. @param {number} index @param {Slice} slice */
  #hold(index, slice) {
    this.#loaded.delete(index);
    this.#loaded.set(index, slice);
    const most = Math.max(Math.floor(MOST_BYTES / slice.codes.byteLength), 3);
    for (const oldest of this.#loaded.keys()) {
      if (this.#loaded.size <= most) return;
      if (oldest !== this.#wanted) this.#loaded.delete(oldest);
    }
  }
}

/** One slice as grey pixels in a canvas of its own, painted again only when slice or window change. */
export class Painted {
  canvas = document.createElement("canvas");
  /** @type {Slice | undefined} */
  #slice;
  #window = [NaN, NaN];
  #pixels = new ImageData(1, 1);

  /** @param {Slice} slice @param {[number, number]} window */
  paint(slice, window) {
    if (slice === this.#slice && window[0] === this.#window[0] && window[1] === this.#window[1]) return;
    const context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    if (this.canvas.width !== slice.columns || this.canvas.height !== slice.rows) {
      this.canvas.width = slice.columns;
      this.canvas.height = slice.rows;
      this.#pixels = new ImageData(slice.columns, slice.rows);
    }
    const pixels = this.#pixels;
    const grey = new Uint32Array(pixels.data.buffer);
    const table = greyTable(slice, window);
    for (let place = 0; place < grey.length; place += 1) grey[place] = table[slice.codes[place]];
    context.putImageData(pixels, 0, 0);
    this.#slice = slice;
    this.#window = [...window];
  }
}

/** @param {Slice} slice @param {[number, number]} window */
function greyTable({ low, step, top }, [black, white]) {
  const table = new Uint32Array(top + 1);
  for (let code = 0; code <= top; code += 1) {
    const level = Math.round(((low + step * code - black) / (white - black)) * 255);
    const value = Math.min(Math.max(level, 0), 255);
    table[code] = 0xff000000 | (value << 16) | (value << 8) | value;
  }
  return table;
}
