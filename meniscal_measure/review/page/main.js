/** Bringing the parts together: who reads, which knee, and what the keys and buttons ask for. */

import { Api } from "./api.js";
import { byId, make, setShown, setText } from "./dom.js";
import { keyFor, keyList, nameOf } from "./keys.js";
import { Panel } from "./panel.js";
import { Planes } from "./planes.js";
import { Pointer } from "./pointer.js";
import { Reading } from "./reading.js";
import { Stage } from "./stage.js";
import { Tools } from "./tools.js";
import { isDone, WorkList } from "./worklist.js";

/** @typedef {import("./types.js").Task} Task */

const READER = "reader";
const THEME = "theme";

class Page {
  /** @type {Reading | null} */
  reading = null;
  /** @type {Task[]} */
  #tasks = [];
  /** @type {Task | null} */
  #task = null;
  #notice = "";
  #api = new Api("");
  #frame = 0;
  #announceTimer = 0;
  #stage = new Stage(() => this.redraw());
  #panel = new Panel();
  #planes = new Planes();
  #tools = new Tools(() => this.reading);
  #list = new WorkList((task) => void this.open(task));

  constructor() {
    new Pointer(this.#stage.element, () => this.reading, () => this.#tools.dragDoes);
    document.addEventListener("keydown", (event) => this.#key(event));
    for (const [id, what] of Object.entries({
      sign: "sign", next: "next", reject: "reject", "to-list": "list", "to-keys": "help", "to-theme": "theme",
    })) {
      byId(id).addEventListener("click", () => this.#ask(/** @type {import("./keys.js").Request} */ (what)));
    }
    byId("trouble-reject").addEventListener("click", () => this.#ask("reject"));
    byId("list-next").addEventListener("click", () => this.#ask("next"));
    byId("to-reader").addEventListener("click", () => void this.#start(""));
    byId("series").addEventListener("change", ({ target }) =>
      this.#toSeries(/** @type {HTMLSelectElement} */ (target).value));
    byId("keys-list").append(...keyList());
    window.addEventListener("pagehide", () => this.reading?.leave());
    this.#setTheme(localStorage.getItem(THEME) ?? "dark");
    void this.#start(takeReaderFromAddress() || (sessionStorage.getItem(READER) ?? ""));
  }

  /** @param {string} reader */
  async #start(reader) {
    const name = reader || (await askReader());
    if (!name) return;
    sessionStorage.setItem(READER, name);
    this.#api = new Api(name);
    setText(byId("to-reader"), name);
    byId("to-reader").setAttribute("aria-label", `Reader: ${name}. Change`);
    setShown(byId("to-reader"), true);
    await this.#guarded(async () => {
      await this.#loadTasks();
      const kept = this.#tasks.find(({ id }) => location.hash === `#${id}`);
      if (kept) await this.open(kept);
      else if (this.#tasks.length === 1) await this.open(this.#tasks[0]);
      else await this.#showList();
    });
  }

  async #loadTasks() {
    const found = /** @type {import("./types.js").TaskList} */ (await this.#api.get("tasks"));
    this.#tasks = found.tasks;
    this.#notice = found.notice;
    setShown(byId("banner"), found.blinded);
    setText(byId("banner"), "Blinded: nothing is proposed");
    byId("reject-reason").replaceChildren(...found.rejection_reasons.map((reason) => make("option", {}, reason)));
    setShown(byId("to-list"), found.tasks.length > 1);
    this.#list.show(this.#tasks);
  }

  async #showList() {
    await this.#leave();
    history.replaceState(null, "", location.pathname);
    setText(byId("title"), "Knees to be read");
    setText(byId("person"), "");
    setShown(byId("knee-view"), false);
    setShown(byId("list-view"), true);
    this.#list.show(this.#tasks);
    byId("list").focus();
  }

  /** @param {Task} task @param {string} [series] which of its coronal series; the one last read where none is named */
  async open(task, series = "") {
    await this.#leave();
    this.#task = task;
    history.replaceState(null, "", `#${task.id}`);
    const number = this.#tasks.indexOf(task) + 1;
    const place = this.#tasks.length > 1 ? ` · ${number} of ${this.#tasks.length}` : "";
    setText(byId("title"), `${task.label}${place}`);
    document.title = `${task.label}: verify`;
    setText(byId("person"), "Opening…");
    setShown(byId("list-view"), false);
    setShown(byId("knee-view"), false); // nothing of the knee before stays under the name of this one
    await this.#guarded(async () => {
      const knee = await new Api(this.#api.reader, series).get(`tasks/${task.id}`);
      if (this.#task !== task) return;
      setText(byId("person"), knee.person);
      setShown(byId("knee-view"), true);
      const api = new Api(this.#api.reader, knee.series.key);
      const reading = new Reading(api, task.id, knee, () => this.redraw());
      this.#showReading(reading);
      await this.#begin(reading, task);
    });
  }

  /** @param {Reading} reading */
  #showReading(reading) {
    this.reading = reading;
    this.#stage.show(reading);
    this.#panel.show(reading, this.#notice);
    this.#planes.show(reading);
    this.#tools.show(reading);
    this.#stage.element.focus();
    this.redraw();
  }

  /** Wait for the working state; slices can be looked at meanwhile. @param {Reading} reading @param {Task} task */
  async #begin(reading, task) {
    try {
      const desk = await reading.api.get(`tasks/${task.id}/desk`);
      if (this.#task !== task) return;
      reading.begin(desk);
      this.#panel.show(reading, this.#notice);
      this.#tools.show(reading);
    } catch (error) {
      if (this.#task !== task) return;
      this.reading = null;
      setShown(byId("knee-view"), false);
      throw error;
    }
  }

  async #leave() {
    await this.reading?.saver.flush();
    this.reading?.leave();
    this.reading = null;
    this.#task = null;
    this.#sayTrouble("");
    setShown(byId("next"), false);
  }

  /** @param {() => Promise<void>} act */
  async #guarded(act) {
    try {
      await act();
    } catch (error) {
      this.#sayTrouble(error instanceof Error ? error.message : String(error));
    }
  }

  /** @param {string} message */
  #sayTrouble(message) {
    setText(byId("trouble-words"), message);
    setShown(byId("trouble"), Boolean(message));
    setShown(byId("trouble-reject"), Boolean(message) && this.#task !== null && !this.reading);
  }

  redraw() {
    if (this.reading?.isBusy) this.#stage.setBusy(true); // at once; at rest only once drawn
    if (this.#frame) return;
    this.#frame = requestAnimationFrame(() => {
      this.#frame = 0;
      const { reading } = this;
      this.#stage.draw();
      if (!reading) return;
      this.#panel.draw();
      this.#planes.draw();
      this.#tools.draw();
      this.#sayTrouble(reading.trouble);
      this.#stage.setBusy(reading.isBusy);
      this.#announce(reading);
    });
  }

  /** Tell the values to a screen reader once they have come to rest. @param {Reading} reading */
  #announce(reading) {
    clearTimeout(this.#announceTimer);
    this.#announceTimer = window.setTimeout(() => {
      const found = reading.measured.slices[reading.shown]?.compartments ?? [];
      const words = found.map(({ name, value, decision_words: decision }) => `${name} ${value}, ${decision}`);
      setText(byId("announce"), [`Slice ${reading.shown + 1}`, ...words, reading.measured.message].join(". "));
    }, 900);
  }

  /** @param {KeyboardEvent} event */
  #key(event) {
    const { reading } = this;
    if (document.querySelector("dialog[open]") || event.isComposing) return;
    const target = /** @type {HTMLElement} */ (event.target);
    const isText = target.matches("textarea, input:not([type]), input[type=search]");
    const name = nameOf(event);
    const onStage = target === this.#stage.element || target === document.body;
    if (name === "?" && !isText) {
      event.preventDefault();
      this.#ask("help");
    } else if (reading) {
      if (name === "Esc" && !onStage) {
        this.#stage.element.focus();
        return;
      }
      const key = keyFor(name, onStage);
      if (!key || (isText && name !== "Ctrl Enter")) return;
      event.preventDefault();
      key.act(reading, (what) => this.#ask(what), name);
    }
  }

  /** @param {import("./keys.js").Request} what */
  #ask(what) {
    const acts = {
      sign: () => void this.#sign(),
      next: () => void this.#next(),
      reject: () => void this.#reject(),
      series: () => this.#toNextSeries(),
      list: () => void this.#guarded(() => this.#loadTasks().then(() => this.#showList())),
      help: () => /** @type {HTMLDialogElement} */ (byId("keys-dialog")).showModal(),
      theme: () => this.#setTheme(document.documentElement.dataset.theme === "dark" ? "light" : "dark"),
      quality: () => {
        /** @type {HTMLDetailsElement} */ (byId("quality")).open = true;
        byId("quality-list").querySelector("input")?.focus();
      },
    };
    if (what !== "list" || this.#tasks.length > 1) acts[what]();
  }

  async #sign() {
    const { reading } = this;
    if (!reading || !(await reading.sign())) return;
    this.#signed("measured");
  }

  /** @param {string} status */
  #signed(status) {
    if (this.#task) this.#task.status = status;
    const isMore = this.#tasks.some((task) => !isDone(task));
    setShown(byId("next"), isMore);
    if (isMore) byId("next").focus();
  }

  async #next() {
    const at = this.#task ? this.#tasks.indexOf(this.#task) : -1;
    const order = [...this.#tasks.slice(at + 1), ...this.#tasks.slice(0, at + 1)];
    const next = order.find((task) => !isDone(task) && task !== this.#task);
    if (next) await this.open(next);
    else this.#ask("list");
  }

  /** @param {string} key */
  #toSeries(key) {
    if (this.#task) void this.open(this.#task, key);
  }

  #toNextSeries() {
    const series = this.reading?.knee.series;
    if (!series || series.choices.length < 2) return;
    const at = series.choices.findIndex(({ key }) => key === series.key);
    this.#toSeries(series.choices[(at + 1) % series.choices.length].key);
  }

  async #reject() {
    const task = this.#task;
    const reason = await askRejection();
    if (!task || !reason) return;
    if (this.reading) {
      if (await this.reading.reject(reason)) this.#signed("rejected");
      return;
    }
    await this.#guarded(async () => {
      await this.#api.post(`tasks/${task.id}/reject`, { revision: null, reason });
      this.#signed("rejected");
      this.#sayTrouble("Rejected and signed.");
    });
  }

  /** @param {string} theme */
  #setTheme(theme) {
    document.documentElement.dataset.theme = theme;
    localStorage.setItem(THEME, theme);
    setText(byId("to-theme"), theme === "dark" ? "Light" : "Dark");
  }
}

/** The program may name the reader behind the # of the address; it is taken out of sight at once. */
function takeReaderFromAddress() {
  const given = /^#reader=(.+)$/.exec(location.hash);
  if (!given) return "";
  history.replaceState(null, "", location.pathname);
  return decodeURIComponent(given[1]);
}

/** @param {string} id @returns {Promise<string>} how the dialog was closed */
function asked(id) {
  const dialog = /** @type {HTMLDialogElement} */ (byId(id));
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}

async function askReader() {
  await asked("reader-dialog");
  return /** @type {HTMLInputElement} */ (byId("reader-name")).value.trim();
}

async function askRejection() {
  const text = /** @type {HTMLTextAreaElement} */ (byId("reject-text"));
  const reason = /** @type {HTMLSelectElement} */ (byId("reject-reason"));
  text.value = "";
  const ask = () => (text.required = reason.value === "Other");
  reason.onchange = ask;
  ask();
  if ((await asked("reject-dialog")) !== "ok") return "";
  return [reason.value, text.value.trim()].filter(Boolean).join(": ");
}

new Page();
