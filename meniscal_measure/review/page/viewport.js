/** Where the slice lies in the window: zoom and pan in millimetres, so that pixels keep their true shape. */

/** @typedef {import("./types.js").Pixel} Pixel */

const SMALLEST_FIELD_MM = 8;
const WIDEST_OVERHANG = 3;

export class Viewport {
  width = 1;
  height = 1;
  /** CSS pixels per millimetre. */
  scale = 1;
  /** @type {[number, number]} millimetres from the centre of the upper left pixel */
  centre = [0, 0];

  /** @param {{rows: number, columns: number, row_spacing_mm: number, column_spacing_mm: number}} image */
  constructor(image) {
    this.image = image;
  }

  /** @param {Pixel} pixel @returns {[number, number]} */
  toMm([column, row]) {
    return [column * this.image.column_spacing_mm, row * this.image.row_spacing_mm];
  }

  /** @param {Pixel} pixel @returns {[number, number]} */
  toScreen(pixel) {
    const [x, y] = this.toMm(pixel);
    return [
      (x - this.centre[0]) * this.scale + this.width / 2,
      (y - this.centre[1]) * this.scale + this.height / 2,
    ];
  }

  /** @param {number} x @param {number} y @returns {Pixel} */
  toPixel(x, y) {
    return [
      ((x - this.width / 2) / this.scale + this.centre[0]) / this.image.column_spacing_mm,
      ((y - this.height / 2) / this.scale + this.centre[1]) / this.image.row_spacing_mm,
    ];
  }

  /** @param {number} dx @param {number} dy CSS pixels */
  pan(dx, dy) {
    this.centre = [this.centre[0] - dx / this.scale, this.centre[1] - dy / this.scale];
    this.#keepInSight();
  }

  /** @param {number} factor @param {number} x @param {number} y the point that stays where it is */
  zoom(factor, x = this.width / 2, y = this.height / 2) {
    const before = this.toMm(this.toPixel(x, y));
    const widest = Math.min(this.width / this.#size()[0], this.height / this.#size()[1]) / WIDEST_OVERHANG;
    const closest = Math.min(this.width, this.height) / SMALLEST_FIELD_MM;
    this.scale = Math.min(Math.max(this.scale * factor, widest), closest);
    const after = this.toMm(this.toPixel(x, y));
    this.centre = [this.centre[0] + before[0] - after[0], this.centre[1] + before[1] - after[1]];
    this.#keepInSight();
  }

  /** @param {Pixel[]} pixels @param {number} marginMm */
  fit(pixels, marginMm) {
    const points = pixels.map((pixel) => this.toMm(pixel));
    const low = [0, 1].map((axis) => Math.min(...points.map((point) => point[axis])) - marginMm);
    const high = [0, 1].map((axis) => Math.max(...points.map((point) => point[axis])) + marginMm);
    this.centre = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
    this.scale = Math.min(this.width / (high[0] - low[0]), this.height / (high[1] - low[1]));
  }

  fitAll() {
    const { rows, columns } = this.image;
    this.fit([[-0.5, -0.5], [columns - 0.5, rows - 0.5]], 0);
  }

  /** Set a canvas up so that one unit is one image pixel. @param {CanvasRenderingContext2D} context @param {number} ratio */
  applyTo(context, ratio) {
    const [x, y] = this.toScreen([0, 0]);
    const { row_spacing_mm: high, column_spacing_mm: wide } = this.image;
    context.setTransform(wide * this.scale * ratio, 0, 0, high * this.scale * ratio, x * ratio, y * ratio);
  }

  #size() {
    return [
      this.image.columns * this.image.column_spacing_mm,
      this.image.rows * this.image.row_spacing_mm,
    ];
  }

  #keepInSight() {
    const [wide, high] = this.#size();
    this.centre = [Math.min(Math.max(this.centre[0], 0), wide), Math.min(Math.max(this.centre[1], 0), high)];
  }
}
