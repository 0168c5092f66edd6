/** Where the slice lies in the window: zoom and pan in millimetres, so that pixels keep their true shape. */

/** @typedef {import("./types.js").Pixel} Pixel */
/** @typedef {"all" | "joint" | "hand"} Fitted to what the view is fitted, until it is moved by hand */

const SMALLEST_FIELD_MM = 8;
const WIDEST_OVERHANG = 3;
const JOINT_MARGIN_MM = 14;
const USUAL_LETTER_PX = 15;

/** Size of marks on a slice, so that they grow with the letters of the page on a large screen. */
export function markScale() {
  return parseFloat(getComputedStyle(document.documentElement).fontSize) / USUAL_LETTER_PX;
}

const SCALE_LENGTHS_MM = [50, 20, 10, 5, 2, 1];
const LONGEST_SCALE = 0.22;

export class Viewport {
  width = 1;
  height = 1;
  /** Size of marks and letters on the slice, relative to that on a screen of usual size. */
  markScale = 1;
  /** CSS pixels per millimetre. */
  scale = 1;
  /** @type {[number, number]} millimetres from the centre of the upper left pixel */
  centre = [0, 0];
  /** @type {Fitted} */
  fitted = "all";
  /** @type {Pixel[]} what belongs to the joint */
  joint = [];

  /** @param {{rows: number, columns: number, row_spacing_mm: number, column_spacing_mm: number}} image */
  constructor(image) {
    this.image = image;
  }

  /** Millimetres across the shorter side of the window. */
  get fieldMm() {
    return Math.min(this.width, this.height) / this.scale;
  }

  /** Length of the scale beside the slice: round, and short against its width whatever the zoom. */
  get scaleMm() {
    return SCALE_LENGTHS_MM.find((mm) => mm * this.scale <= LONGEST_SCALE * this.width) ?? 1;
  }

  /** Take another size of the window: what was fitted is fitted again, else the same field is shown. @param {number} width @param {number} height */
  resize(width, height) {
    if (width === this.width && height === this.height) return;
    const { fieldMm } = this;
    [this.width, this.height] = [width, height];
    if (this.fitted === "all") this.fitAll();
    else if (this.fitted === "joint") this.fitJoint(this.joint);
    else this.showField(fieldMm, this.centre);
  }

  /** @param {number} fieldMm @param {[number, number]} centre */
  showField(fieldMm, centre) {
    this.fitted = "hand";
    this.scale = Math.min(this.width, this.height) / fieldMm;
    this.centre = centre;
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

  /** @param {Pixel} pixel */
  holds(pixel) {
    const [x, y] = this.toScreen(pixel);
    return x >= 0 && y >= 0 && x <= this.width && y <= this.height;
  }

  /** @param {number} dx @param {number} dy CSS pixels */
  pan(dx, dy) {
    this.fitted = "hand";
    this.centre = [this.centre[0] - dx / this.scale, this.centre[1] - dy / this.scale];
    this.#stayInSight();
  }

  /** @param {number} factor @param {number} x @param {number} y the place that stays where it is */
  zoom(factor, x = this.width / 2, y = this.height / 2) {
    this.fitted = "hand";
    const before = this.toMm(this.toPixel(x, y));
    const widest = Math.min(this.width / this.#size()[0], this.height / this.#size()[1]) / WIDEST_OVERHANG;
    const closest = Math.min(this.width, this.height) / SMALLEST_FIELD_MM;
    this.scale = Math.min(Math.max(this.scale * factor, widest), closest);
    const after = this.toMm(this.toPixel(x, y));
    this.centre = [this.centre[0] + before[0] - after[0], this.centre[1] + before[1] - after[1]];
    this.#stayInSight();
  }

  fitAll() {
    const { rows, columns } = this.image;
    this.#fit([[-0.5, -0.5], [columns - 0.5, rows - 0.5]], 0);
    this.fitted = "all";
  }

  /** Show these landmarks with some room around; the whole slice where there are too few. @param {Pixel[]} pixels */
  fitJoint(pixels) {
    if (pixels.length < 2) {
      this.fitAll();
      return;
    }
    this.joint = pixels;
    this.#fit(pixels, JOINT_MARGIN_MM);
    this.fitted = "joint";
  }

  /** @param {Pixel[]} pixels @param {number} marginMm */
  #fit(pixels, marginMm) {
    const places = pixels.map((pixel) => this.toMm(pixel));
    const low = [0, 1].map((axis) => Math.min(...places.map((place) => place[axis])) - marginMm);
    const high = [0, 1].map((axis) => Math.max(...places.map((place) => place[axis])) + marginMm);
    this.centre = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
    this.scale = Math.min(this.width / (high[0] - low[0]), this.height / (high[1] - low[1]));
  }

  /** Set a canvas up so that one unit is one image pixel. @param {CanvasRenderingContext2D} context @param {number} ratio */
  applyTo(context, ratio) {
    const [x, y] = this.toScreen([0, 0]);
    const { row_spacing_mm: high, column_spacing_mm: wide } = this.image;
    context.setTransform(wide * this.scale * ratio, 0, 0, high * this.scale * ratio, x * ratio, y * ratio);
  }

  #size() {
    return this.toMm([this.image.columns, this.image.rows]);
  }

  #stayInSight() {
    const [wide, high] = this.#size();
    this.centre = [Math.min(Math.max(this.centre[0], 0), wide), Math.min(Math.max(this.centre[1], 0), high)];
  }
}
