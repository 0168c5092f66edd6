/** The knees to be read. Only the entries in sight exist in the page, so that ten thousand are no burden. */

import { byId, make, setText, take } from "./dom.js";

/** @typedef {import("./types.js").Task} Task */

const SPARE = 6;
const WORDS = /** @type {Record<string, string>} */ ({
  "": "to read", begun: "begun", measured: "✓ signed", rejected: "✕ rejected",
});

/** @param {Task} task */
export function isDone(task) {
  return task.status === "measured" || task.status === "rejected";
}

/** @type {{code: string, words: string, holds: (task: Task) => boolean, isOpen?: boolean}[]} open: not for blinded readers */
const FILTERS = [
  { code: "all", words: "All", holds: () => true },
  { code: "todo", words: "To do", holds: (task) => !isDone(task) },
  { code: "begun", words: "Begun", holds: ({ status }) => status === "begun" },
  { code: "signed", words: "Signed", holds: ({ status }) => status === "measured" },
  { code: "rejected", words: "Rejected", holds: ({ status }) => status === "rejected" },
  { code: "flagged", words: "Flagged", holds: (task) => task.is_flagged, isOpen: true },
  { code: "disagreeing", words: "Readers disagree", holds: (task) => task.is_disagreeing, isOpen: true },
];

/** @param {number} seconds */
function timeWords(seconds) {
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")} min`;
}

export class WorkList {
  #list = byId("list");
  #find = /** @type {HTMLInputElement} */ (byId("list-find"));
  #status = /** @type {HTMLSelectElement} */ (byId("list-status"));
  #fill = make("div", { class: "fill", role: "presentation" });
  /** @type {{task: Task, number: number}[]} */
  #all = [];
  /** @type {{task: Task, number: number}[]} */
  #filtered = [];
  /** Entries in the page, by task: one may be under a pressed button of the mouse when the list is loaded again. @type {Map<string, HTMLElement>} */
  #entries = new Map();
  #current = 0;
  /** Height of an entry: in a narrow window it has two lines. */
  #entryPx = 1;
  /** Task that is chosen; a list that is loaded again keeps it. */
  #chosen = "";

  /** @param {(task: Task) => void} open */
  constructor(open) {
    this.open = open;
    this.#list.append(this.#fill);
    this.#list.addEventListener("scroll", () => this.#draw());
    this.#list.addEventListener("keydown", (event) => this.#key(event));
    this.#list.addEventListener("click", (event) => this.#click(event));
    this.#find.addEventListener("input", () => this.#filter());
    this.#status.addEventListener("change", () => this.#filter());
    new ResizeObserver(() => this.#draw()).observe(this.#list);
  }

  /** @param {Task[]} tasks @param {boolean} blinded */
  show(tasks, blinded) {
    this.#all = tasks.map((task, at) => ({ task, number: at + 1 }));
    const { value } = this.#status;
    const filters = FILTERS.filter(({ isOpen }) => !(isOpen && blinded));
    this.#status.replaceChildren(...filters.map(({ code, words, holds }) =>
      make("option", { value: code }, `${words} (${tasks.filter(holds).length})`)));
    this.#status.value = filters.some(({ code }) => code === value) ? value : "all";
    this.#filter();
  }

  #filter() {
    const wanted = this.#find.value.trim().toLowerCase();
    const filter = FILTERS.find(({ code }) => code === this.#status.value) ?? FILTERS[0];
    this.#filtered = this.#all.filter(({ task }) => filter.holds(task) && task.label.toLowerCase().includes(wanted));
    const done = this.#all.filter(({ task }) => isDone(task)).length;
    const shown = this.#filtered.length < this.#all.length ? ` · ${this.#filtered.length} shown` : "";
    setText(byId("list-progress"), `${done} of ${this.#all.length} signed or rejected${shown}`);
    const current = this.#filtered.findIndex(({ task }) => task.id === this.#chosen && !isDone(task));
    const next = this.#filtered.findIndex(({ task }) => !isDone(task));
    this.#current = Math.max(current >= 0 ? current : next, 0);
    this.#filtered.forEach(({ task }, at) => {
      const entry = this.#entries.get(task.id);
      if (entry) take(entry, this.#entry(at));
    });
    this.#draw();
    this.#reveal();
  }

  /** Draw what came into sight. What was in sight stays the same element. */
  #draw() {
    this.#entryPx = parseFloat(getComputedStyle(this.#list).getPropertyValue("--entry"));
    this.#fill.style.height = `${this.#filtered.length * this.#entryPx}px`;
    const first = Math.max(Math.floor(this.#list.scrollTop / this.#entryPx) - SPARE, 0);
    const end = Math.min(first + Math.ceil(this.#list.clientHeight / this.#entryPx) + 2 * SPARE, this.#filtered.length);
    const inSight = this.#filtered.slice(first, end).map(({ task }) => task.id);
    for (const [id, entry] of this.#entries) {
      if (inSight.includes(id)) continue;
      entry.remove();
      this.#entries.delete(id);
    }
    /** @type {HTMLElement} */
    let above = this.#fill;
    for (let at = first; at < end; at += 1) {
      const { task: { id } } = this.#filtered[at];
      const entry = this.#entries.get(id) ?? this.#entry(at);
      if (!entry.isConnected) above.after(entry);
      this.#entries.set(id, entry);
      entry.ariaSelected = String(at === this.#current);
      entry.style.top = `${at * this.#entryPx}px`;
      above = entry;
    }
    this.#chosen = this.#filtered[this.#current]?.task.id ?? "";
    if (this.#chosen) this.#list.setAttribute("aria-activedescendant", `entry-${this.#current}`);
    else this.#list.removeAttribute("aria-activedescendant");
  }

  /** @param {number} at */
  #entry(at) {
    const { task, number } = this.#filtered[at];
    return make(
      "div",
      {
        class: "entry", role: "option", id: `entry-${at}`,
        "aria-setsize": String(this.#filtered.length), "aria-posinset": String(at + 1), "data-at": String(at),
      },
      make("span", { class: "number" }, String(number)),
      make("span", { class: "clip" }, task.label),
      make("span", { class: "mark" }, [task.is_flagged ? "▼ flagged" : "", task.is_disagreeing ? "⇄ readers disagree" : ""].join(" ")),
      make("span", { class: "soft time" }, isDone(task) && task.reading_time_s ? timeWords(task.reading_time_s) : ""),
      make("span", { class: task.status ? "" : "soft" }, WORDS[task.status]),
    );
  }

  #reveal() {
    const top = this.#current * this.#entryPx;
    const { scrollTop, clientHeight } = this.#list;
    if (top < scrollTop) this.#list.scrollTop = top;
    if (top + this.#entryPx > scrollTop + clientHeight) this.#list.scrollTop = top + this.#entryPx - clientHeight;
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const page = Math.max(Math.floor(this.#list.clientHeight / this.#entryPx) - 1, 1);
    const last = this.#filtered.length - 1;
    const to = {
      ArrowDown: this.#current + 1, ArrowUp: this.#current - 1, PageDown: this.#current + page,
      PageUp: this.#current - page, Home: 0, End: last,
    }[event.key];
    if (to !== undefined) {
      this.#current = Math.min(Math.max(to, 0), Math.max(last, 0));
      this.#reveal();
      this.#draw();
      document.getElementById(`entry-${this.#current}`)?.scrollIntoView({ block: "nearest" }); // in a low window the list too
    } else if (event.key === "Enter" && this.#filtered[this.#current]) {
      this.open(this.#filtered[this.#current].task);
    } else return;
    event.preventDefault();
  }

  /** @param {MouseEvent} event */
  #click(event) {
    const entry = /** @type {HTMLElement} */ (event.target).closest(".entry");
    if (entry instanceof HTMLElement) this.open(this.#filtered[Number(entry.dataset.at)].task);
  }
}
