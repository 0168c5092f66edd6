/** The panel beside the slice: values, landmarks, slice, findings, signature. */

import { askSideReason } from "./dialogs.js";
import { byId, make, Rebuilt, setShown, setText } from "./dom.js";
import { outlineOf } from "./drawing.js";
import { alongTable, card, factsTable } from "./results.js";
import { imageSideOf, LANDMARK_ORDER, landmarkOf } from "./types.js";

/** @typedef {import("./reading.js").Reading} Reading */

const REMARK_REST_MS = 800;
const CARRIED = "The landmarks were carried over from another slice. Move each one, or accept them as they are.";
const HIDDEN = "All needed landmarks are placed. The millimetres are shown once you have signed.";
const SVG = "http://www.w3.org/2000/svg";

export class Panel {
  /** @type {Reading | null} */
  #reading = null;
  #results = new Rebuilt(byId("results"));
  #facts = new Rebuilt(byId("facts"));
  #along = new Rebuilt(byId("along"));
  #warnings = new Rebuilt(byId("warnings"));
  #budget = new Rebuilt(byId("budget"));
  #quality = new Rebuilt(byId("quality-list"));
  #remark = /** @type {HTMLTextAreaElement} */ (byId("remark"));
  /** @type {Map<string, HTMLButtonElement>} */
  #buttons = new Map();

  constructor() {
    for (const side of ["image_left", "image_right"]) {
      byId("landmark-buttons").append(this.#column(side));
    }
    this.#remark.addEventListener("input", () => this.#reading?.set({ remark: this.#remark.value }, REMARK_REST_MS));
    for (const radio of sideRadios()) {
      radio.addEventListener("change", () => this.#reading?.set({ side: radio.value }));
    }
    this.#quality.element.addEventListener("change", ({ target }) => {
      if (target instanceof HTMLInputElement) this.#tick(target.value, target.checked);
    });
    this.#on("accept", (reading) => reading.editing.accept());
    this.#on("carry", (reading) => reading.editing.carry());
    this.#on("remove", (reading) => reading.editing.remove());
    this.#on("undo", (reading) => void reading.step("undo"));
    this.#on("redo", (reading) => void reading.step("redo"));
    this.#on("correct-side", (reading) => void correctSide(reading));
    this.#on("take-offered", (reading) => reading.proposal.takeOffered());
  }

  /** @param {string} id @param {(reading: Reading) => void} act */
  #on(id, act) {
    byId(id).addEventListener("click", () => this.#reading && act(this.#reading));
  }

  /** @param {string} side */
  #column(side) {
    const heading = make("h2", { class: "soft", id: `${side}_heading` });
    const column = make("div", { class: "column", role: "group", "aria-labelledby": `${side}_heading` }, heading);
    for (const name of LANDMARK_ORDER.filter((each) => imageSideOf(each) === side)) {
      const number = make("kbd", {}, String(LANDMARK_ORDER.indexOf(name) + 1));
      const state = make("span", { class: "state" });
      const button = make("button", { type: "button", class: "landmark" }, number, glyph(name), landmarkOf(name).replace("_", " "), " ", state);
      button.addEventListener("click", () => {
        this.#reading?.selection.choose(name);
        byId("stage").focus();
      });
      this.#buttons.set(name, button);
      column.append(button);
    }
    return column;
  }

  /** @param {Reading} reading @param {string} notice */
  show(reading, notice) {
    this.#reading = reading;
    this.#remark.value = reading.state.remark;
    setText(byId("notice"), notice);
    const { key, reason, choices } = reading.knee.series;
    setText(byId("series-reason"), reason && `Series: ${reason}`);
    setShown(byId("series-choice"), choices.length > 0);
    byId("series").replaceChildren(...choices.map((each) => make("option", { value: each.key }, each.words)));
    /** @type {HTMLSelectElement} */ (byId("series")).value = key;
    /** @type {HTMLSelectElement} */ (byId("series")).disabled = choices.length < 2;
  }

  draw() {
    const reading = this.#reading;
    if (!reading) return;
    this.#drawResults(reading);
    this.#drawStanding(reading);
    this.#drawSide(reading);
    this.#drawLandmarks(reading);
    this.#drawSlice(reading);
    this.#drawQuality(reading);
    this.#drawMore(reading);
    this.#drawSigning(reading);
  }

  /** Say what the values rest on until they are signed. @param {Reading} reading */
  #drawStanding({ measured, working }) {
    const words = isCurrent(working?.signed ?? null) ? "" : measured.status;
    setShown(byId("standing"), Boolean(words));
    setText(byId("standing"), words ? `${words}.` : "");
  }

  /** @param {Reading} reading */
  #drawResults(reading) {
    const { measured, state, isMeasuredSlice } = reading;
    const found = measured.slices[state.slice]?.compartments ?? [];
    const place = isMeasuredSlice ? "" : ` · ${reading.nameOf(state.slice)}`;
    this.#results.show([found, place], () => found.map((each) => card(each, place)));
    this.#facts.show(found, () => (found.length ? factsTable(found) : []));
    const isCarried = Object.values(state.landmarks[state.slice] ?? {}).some((each) => each.carried_from !== null);
    const remarks = found.filter((each) => each.threshold_remark)
      .map((each) => `${each.name}: ${each.threshold_remark}.`);
    const message = measured.message || (measured.is_hidden && state.slice in measured.slices ? HIDDEN : "") || [isCarried ? CARRIED : "", ...remarks].filter(Boolean).join(" ");
    setShown(byId("message"), Boolean(message));
    setText(byId("message"), message);
    setShown(this.#warnings.element, measured.warnings.length > 0);
    this.#warnings.show(measured.warnings, () => measured.warnings.map((words) => make("li", {}, words)));
  }

  /** @param {Reading} reading */
  #drawSide({ knee, state }) {
    setShown(byId("side-choice"), !knee.side.known);
    setShown(byId("side-known"), Boolean(knee.side.known));
    const side = state.side_reason ? state.side : knee.side.known;
    const why = state.side_reason ? `corrected: ${state.side_reason}` : knee.side.source;
    setText(byId("side-words"), `${side === "L" ? "Left" : "Right"} knee (${why})`);
    setText(byId("correct-side"), state.side_reason ? "Withdraw the correction" : "Correct…");
    for (const radio of sideRadios()) radio.checked = radio.value === state.side;
    const { hint, hint_source: source } = knee.side;
    const word = hint === "L" ? "left" : "right";
    setText(byId("side-hint"), hint ? `${source} hints at a ${word} knee.` : "The images do not say.");
  }

  /** @param {Reading} reading */
  #drawLandmarks({ landmarks, selection: { name: selected }, isMeasuredSlice, measured, shown, state }) {
    const known = (measured.slices[shown] ?? measured.slices[state.slice])?.compartments ?? [];
    for (const side of ["image_left", "image_right"]) {
      const name = known.find((each) => each.image_side === side)?.name ?? "";
      const place = side.replace("_", " ").replace("i", "I");
      setText(byId(`${side}_heading`), name && !name.startsWith("Image") ? name : place);
    }
    for (const [name, button] of this.#buttons) {
      const isSelected = String(name === selected);
      const landmark = landmarks[name];
      button.classList.toggle("absent", !landmark);
      if (button.getAttribute("aria-pressed") !== isSelected) button.setAttribute("aria-pressed", isSelected);
      const words = /** @type {Element} */ (button.querySelector(".state"));
      setText(words, placing(landmark, name));
      words.classList.toggle("away", landmark?.carried_from == null);
      button.classList.toggle("unconfirmed", landmark?.origin === "proposed" || landmark?.carried_from != null);
    }
    /** @type {HTMLButtonElement} */ (byId("remove")).disabled = !(selected && selected in landmarks);
    setShown(byId("carry"), !isMeasuredSlice && Object.keys(state.landmarks[state.slice] ?? {}).length > 0);
    setShown(byId("accept"), Object.values(landmarks).some((each) => each.carried_from !== null));
  }

  /** @param {Reading} reading */
  #drawSlice(reading) {
    const { isBegun, knee, proposal, shown, state, measured, isMeasuredSlice } = reading;
    const { found: proposed, remark, isAwaited } = proposal;
    const nameOf = reading.nameOf.bind(reading);
    const count = knee.slices.length;
    const measuredAt = isMeasuredSlice ? "this one is measured" : `${nameOf(state.slice)} is measured`;
    setText(byId("slice-where"), `${reading.numberOf(shown)} of ${count}${isBegun ? `; ${measuredAt}` : ""}`);
    const why = proposed
      ? `Proposed: ${nameOf(proposed.slice)}, ${proposed.why.replace(/\.+$/, "")}.`
      : isAwaited ? "The program is looking for slice and landmarks; you can begin by hand." : nothingProposed(reading);
    setText(byId("slice-why"), isBegun ? [why, remark].filter(Boolean).join(" ") : "");
    const rows = Object.entries(measured.slices);
    setShown(this.#along.element, rows.length > 1 && !measured.is_hidden);
    this.#along.show([rows.map(([index, { compartments }]) => [index, compartments.map((c) => c.extrusion_mm)]), state.slice],
      () => alongTable(rows, state.slice, (index) => reading.numberOf(index)));
  }

  /** @param {Reading} reading */
  #drawQuality(reading) {
    const { knee, state } = reading;
    this.#quality.show(knee.quality, () => knee.quality.map(({ code, words }) =>
      make("label", {}, make("input", { type: "checkbox", value: code }), ` ${words}`)));
    for (const box of this.#quality.element.querySelectorAll("input")) box.checked = state.quality.includes(box.value);
    if (document.activeElement !== this.#remark) this.#remark.value = state.remark;
    this.#remark.readOnly = Boolean(reading.hindrance); // nothing is written that could not be saved
    const noted = state.quality.length + (state.remark ? 1 : 0);
    setText(byId("quality-count"), noted ? `· ${noted} noted` : "");
  }

  /** @param {string} code @param {boolean} isTicked */
  #tick(code, isTicked) {
    const reading = this.#reading;
    if (!reading) return;
    const others = reading.state.quality.filter((each) => each !== code);
    reading.set({ quality: isTicked ? [...others, code] : others });
  }

  /** @param {Reading} reading */
  #drawMore({ measured, proposal, state }) {
    const found = measured.slices[state.slice]?.compartments ?? [];
    const parts = found.map(({ name, budget, interval, coverage_width: over }) =>
      `${name}: 95 % interval ${interval}; ${budget.join(", ")}. Coverage is taken over ${over}.`);
    const width = measured.slices[state.slice]?.plateau_width;
    if (width) parts.push(`Plateau width ${width}.`);
    this.#budget.show(parts, () => parts.map((words) => make("p", {}, words)));
    setText(byId("confidence"), proposal.found?.confidence ?? "");
    setText(byId("conventions"), measured.conventions ?? "");
  }

  /** @param {Reading} reading */
  #drawSigning({ working, savedWords, api, signing, sending: { found: sending }, proposal: { offered } }) {
    setText(byId("saved"), savedWords);
    /** @type {HTMLButtonElement} */ (byId("undo")).disabled = !working?.can_undo;
    /** @type {HTMLButtonElement} */ (byId("redo")).disabled = !working?.can_redo;
    if (!working) return;
    const isSigned = isCurrent(working.signed);
    /** @type {HTMLButtonElement} */ (byId("sign")).disabled = isSigned;
    setShown(byId("take-offered"), offered !== null);
    setShown(byId("withdraw"), Boolean(working.signed?.rejection));
    setText(byId("sign"), signing.isRunning ? "Signing…" : isSigned ? "Signed" : `Sign${working.signed ? " again" : ""} as ${api.reader}`);
    setText(byId("signed"), signedWords(working.signed));
    setShown(byId("sending"), sending !== null);
    setText(byId("sending"), sending?.words ?? "");
    byId("sending").classList.toggle("note", sending?.stage === "refused");
  }
}

/** Whether what is on the page is what was signed. @param {import("./types.js").Signed | null} signed */
function isCurrent(signed) {
  return signed !== null && signed.is_current && signed.rejection === null;
}

/** @param {import("./types.js").Signed | null} signed */
function signedWords(signed) {
  if (!signed) return "Not signed yet";
  const when = new Date(signed.at).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
  const what = signed.rejection === null ? "Signed" : `Rejected (${signed.rejection})`;
  const stale = signed.elsewhere
    ? " That was on another series: signing here replaces it."
    : " Changed since: sign again to record the change.";
  const since = signed.is_current ? "" : stale;
  return `${what} by ${signed.by}, ${when}, record ${signed.number}.${since}`;
}

/** @param {import("./types.js").Landmark | undefined} landmark @param {string} name */
function placing(landmark, name) {
  if (!landmark) return name.endsWith("spine_base") ? "not placed, optional" : "not placed";
  if (landmark.carried_from !== null) return "check";
  return { proposed: "proposed", refined: "on the edge" }[landmark.origin] ?? "placed";
}

/** @param {string} name */
function glyph(name) {
  const icon = document.createElementNS(SVG, "svg");
  icon.setAttribute("viewBox", "-9 -9 18 18");
  icon.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", outlineOf(name));
  path.setAttribute("fill", "none");
  path.setAttribute("stroke", "currentColor");
  path.setAttribute("stroke-width", "2");
  icon.append(path);
  return icon;
}

/** @param {Reading} reading */
function nothingProposed(reading) {
  const { likelySlice } = reading.proposal;
  if (likelySlice === null) return "No slice is proposed. Go to the mid-coronal one and place the landmarks there.";
  return `No landmarks are proposed. The mid-coronal slice is probably ${reading.nameOf(likelySlice)}: place the landmarks there or on another slice.`;
}

/** Read the knee as the other one than the images say, with a reason; or as they say again. @param {Reading} reading */
async function correctSide(reading) {
  if (reading.state.side_reason) {
    reading.set({ side: null, side_reason: "" });
    return;
  }
  const side = reading.knee.side.known === "L" ? "R" : "L";
  const reason = await askSideReason(side === "L" ? "left" : "right");
  if (reason) reading.set({ side, side_reason: reason });
}

/** @returns {NodeListOf<HTMLInputElement>} */
function sideRadios() {
  return document.querySelectorAll('input[name="side"]');
}
