/** Small helpers: elements by id, text set only where it differs. */

/** @template {HTMLElement} [T=HTMLElement] @param {string} id @returns {T} */
export function byId(id) {
  return /** @type {T} */ (document.getElementById(id));
}

/** Report when an element changes its size or its pixels: a window may be moved to another screen. @param {Element} element @param {() => void} changed */
export function watchSize(element, changed) {
  new ResizeObserver(changed).observe(element);
  const watchScreen = () => matchMedia(`(resolution: ${devicePixelRatio}dppx)`).addEventListener("change", () => {
    changed();
    watchScreen();
  }, { once: true });
  watchScreen();
}

/** What the mouse was pressed on, the first time where it is clicked twice. @type {EventTarget | null} */
let pressed = null;

document.addEventListener("mousedown", ({ detail, target }) => {
  if (detail < 2) pressed = target;
}, { capture: true });

// The second click of a double click does nothing where the first one was on something that is gone now.
document.addEventListener("click", (event) => {
  if (event.detail < 2 || event.target === pressed) return;
  event.preventDefault();
  event.stopImmediatePropagation();
}, { capture: true });

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

/**
 * Content of an element that is rebuilt when what it shows has changed. Of what is on the page only the texts and
 * attributes that differ are touched, so that little is laid out again; listeners belong on the element itself.
 */
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
    const fresh = document.createDocumentFragment();
    fresh.append(...build());
    takeChildren(this.element, fresh);
  }
}

/** @param {Node} kept @param {Node} fresh */
function takeChildren(kept, fresh) {
  const wanted = [...fresh.childNodes];
  const there = [...kept.childNodes];
  there.slice(wanted.length).forEach((node) => kept.removeChild(node));
  wanted.forEach((node, at) => {
    if (at >= there.length) kept.appendChild(node);
    else if (!take(there[at], node)) kept.replaceChild(node, there[at]);
  });
}

/** Make what is on the page like what was built anew. @param {Node} kept @param {Node} fresh @returns {boolean} whether one could be made like the other */
export function take(kept, fresh) {
  if (kept instanceof Text && fresh instanceof Text) {
    if (kept.data !== fresh.data) kept.data = fresh.data;
    return true;
  }
  if (!(kept instanceof Element && fresh instanceof Element) || kept.tagName !== fresh.tagName) return false;
  for (const { name, value } of fresh.attributes) {
    if (kept.getAttribute(name) !== value) kept.setAttribute(name, value);
  }
  for (const { name } of [...kept.attributes]) if (!fresh.hasAttribute(name)) kept.removeAttribute(name);
  takeChildren(kept, fresh);
  return true;
}
