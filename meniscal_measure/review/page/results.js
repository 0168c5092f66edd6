/** The values of a reading, laid out. */

import { make } from "./dom.js";

/** @typedef {import("./types.js").Compartment} Compartment */

/** @param {number} value millimetres, written as everywhere else */
function mm(value) {
  return value.toFixed(2);
}

/** @param {Compartment} found @param {string} place which slice the value is of, where another one is in view */
export function card(found, place) {
  const kind = [found.flag ? "flag" : "", found.decision].join(" ");
  return make(
    "section", { class: `card ${kind}`, "aria-label": `${found.name} extrusion` },
    make("h2", {}, found.name + place),
    make("p", { class: "value" }, mm(found.extrusion_mm), make("small", {}, ` ± ${mm(found.expanded_mm)} mm`)),
    make("p", { class: "word" }, `${found.flag ? "▼ " : ""}${found.flag_words}`),
    make("p", { class: "soft" }, found.decision_words),
  );
}

/** @param {Compartment[]} found */
export function factsTable(found) {
  /** @type {[string, (each: Compartment) => string][]} */
  const facts = [
    ["Body width", (each) => each.body_width], ["Relative extrusion", (each) => each.relative_extrusion],
    ["Coverage", (each) => each.coverage], ["Probability above", (each) => each.probability],
  ];
  const rows = facts.map(([term, pick]) => make(
    "tr", {}, make("th", { scope: "row" }, term), ...found.map((each) => make("td", {}, pick(each))),
  ));
  const names = found.map(({ name }) => make("th", { scope: "col" }, name));
  return [make("tr", {}, make("td"), ...names), ...rows];
}

/** @param {[string, import("./types.js").SliceReading][]} rows @param {number} measuredSlice @param {(index: number) => number} numberOf */
export function alongTable(rows, measuredSlice, numberOf) {
  const names = rows[0]?.[1].compartments.map(({ name }) => name) ?? [];
  const head = make("tr", {}, ...["Slice", ...names].map((words) => make("th", { scope: "col" }, words)));
  const body = rows.map(([index, { compartments }]) => make(
    "tr", { class: Number(index) === measuredSlice ? "measured" : "" },
    make("th", { scope: "row" }, String(numberOf(Number(index)))),
    ...names.map((name) => {
      const found = compartments.find((each) => each.name === name);
      return make("td", {}, found ? mm(found.extrusion_mm) : "–");
    }),
  ));
  return [make("caption", {}, "Extrusion on the slices with landmarks, mm"), head, ...body];
}
