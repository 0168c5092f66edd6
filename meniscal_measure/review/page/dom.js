/** Small helpers: elements by id, text set only where it differs. */

/** @template {HTMLElement} [T=HTMLElement] @param {string} id @returns {T} */
export function byId(id) {
  return /** @type {T} */ (document.getElementById(id));
}

/** @param {Element} element @param {string} text */
export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** @param {HTMLElement} element @param {boolean} shown */
export function setShown(element, shown) {
  if (element.hidden === shown) element.hidden = !shown;
}

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, string>} [attributes]
 * @param {(Node | string)[]} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/** Build the content of an element anew only when what it shows has changed. */
export class Rebuilt {
  #shown = "";

  /** @param {HTMLElement} element */
  constructor(element) {
    this.element = element;
  }

  /** @param {unknown} what @param {() => (Node | string)[]} build */
  show(what, build) {
    const key = JSON.stringify(what);
    if (key === this.#shown) return;
    this.#shown = key;
    this.element.replaceChildren(...build());
  }
}
