/** Bringing the parts together: who reads, which knee, and what the keys and buttons ask for. */

import { setAddress, takeReaderFromAddress } from "./address.js";
import { Api } from "./api.js";
import { askReader, askRejection, closeDialog, showKeys } from "./dialogs.js";
import { Display } from "./display.js";
import { byId, make, setShown, setText } from "./dom.js";
import { Keyboard } from "./keyboard.js";
import { keyList } from "./keys.js";
import { Reading } from "./reading.js";
import { setRoom, toggleRoom } from "./room.js";
import { messageOf } from "./types.js";
import { isDone, WorkList } from "./worklist.js";

/** @typedef {import("./types.js").Task} Task */

const READER = "reader";

class Page {
  /** @type {Task[]} */
  #tasks = [];
  /** @type {Task | null} the knee that is open or being opened */
  #task = null;
  /** How often the reader has asked to leave what is in view: the newest wish counts. */
  #leaving = 0;
  #api = new Api("");
  #display = new Display((message) => this.#sayTrouble(message));
  #list = new WorkList((task) => void this.open(task));

  constructor() {
    new Keyboard(() => this.#reading, (what) => this.#ask(what));
    for (const [id, what] of Object.entries({
      sign: "sign", next: "next", reject: "reject", withdraw: "withdraw", "trouble-reject": "reject", "list-next": "next",
      "to-list": "list", "to-keys": "help", "to-theme": "theme",
    })) {
      byId(id).addEventListener("click", () => this.#ask(/** @type {import("./keys.js").Request} */ (what)));
    }
    byId("to-reader").addEventListener("click", () => void this.#changeReader());
    byId("series").addEventListener("change", ({ target }) =>
      this.#toSeries(/** @type {HTMLSelectElement} */ (target).value));
    byId("keys-list").append(...keyList());
    window.addEventListener("pagehide", () => this.#reading?.leave());
    window.addEventListener("beforeunload", (event) => {
      if (this.#reading?.isBusy) event.preventDefault(); // the browser asks whether to leave
    });
    window.addEventListener("popstate", () => void this.#goTo(location.hash));
    setRoom();
    void this.#start(takeReaderFromAddress() || (sessionStorage.getItem(READER) ?? ""));
  }

  get #reading() {
    return this.#display.reading;
  }

  async #changeReader() {
    const name = await askReader(this.#api.reader);
    if (name !== this.#api.reader) await this.#start(name);
  }

  /** @param {string} reader */
  async #start(reader) {
    const name = reader || (await askReader(""));
    if (!(await this.#leave())) return;
    sessionStorage.setItem(READER, name);
    this.#api = new Api(name);
    setText(byId("to-reader"), name);
    byId("to-reader").setAttribute("aria-label", `Reader: ${name}. Change`);
    setShown(byId("to-reader"), true);
    await this.#guarded(async () => {
      await this.#loadTasks();
      await this.#goTo(location.hash);
    });
  }

  /** Show what an address of this page names: a knee, or the list. @param {string} hash */
  async #goTo(hash) {
    const named = this.#tasks.find(({ id }) => hash === `#${id}`);
    const only = this.#tasks.length === 1 ? this.#tasks[0] : null;
    const task = named ?? only;
    if (task) await this.open(task, "", false);
    else await this.#showList(false);
  }

  async #loadTasks() {
    const found = /** @type {import("./types.js").TaskList} */ (await this.#api.get("tasks"));
    this.#tasks = found.tasks;
    this.#display.notice = found.notice;
    setShown(byId("banner"), found.blinded);
    setText(byId("banner"), "Blinded: nothing is proposed");
    byId("reject-reason").replaceChildren(...found.rejection_reasons.map((reason) => make("option", {}, reason)));
    setShown(byId("to-list"), found.tasks.length > 1);
    this.#list.show(this.#tasks, found.blinded);
  }

  /** @param {boolean} asStep whether Back leads to what was shown before */
  async #showList(asStep = true) {
    const isComingBack = this.#task !== null;
    if (!(await this.#leave())) return;
    setAddress("", asStep);
    setText(byId("title"), "Knees to read");
    document.title = "Knees to read";
    setText(byId("person"), "");
    setShown(byId("list-view"), true);
    byId("list").focus({ preventScroll: true });
    if (isComingBack) await this.#guarded(() => this.#loadTasks());
  }

  /**
   * @param {Task} task
   * @param {string} series which of its coronal series; the one last read where none is named
   * @param {boolean} asStep whether Back leads to what was shown before
   */
  async open(task, series = "", asStep = true) {
    if (!(await this.#leave())) return;
    this.#task = task;
    setAddress(task.id, asStep);
    this.#showTitle(task);
    setShown(byId("list-view"), false);
    await this.#guarded(async () => {
      const knee = await new Api(this.#api.reader, series).get(`tasks/${task.id}`);
      if (this.#task !== task) return;
      const api = new Api(this.#api.reader, knee.series.key);
      const reading = new Reading(api, task.id, knee, () => this.#display.redraw());
      this.#display.show(reading);
      await this.#begin(reading);
    }, task);
  }

  /** @param {Task} task */
  #showTitle(task) {
    const number = this.#tasks.indexOf(task) + 1;
    const place = this.#tasks.length > 1 ? ` · ${number} of ${this.#tasks.length}` : "";
    setText(byId("title"), `${task.label}${place}`);
    document.title = `${task.label}: verify`;
    setText(byId("person"), "Opening…");
  }

  /** Wait for the working state, then for the proposal; slices can be looked at meanwhile. @param {Reading} reading */
  async #begin(reading) {
    try {
      const desk = await reading.api.get(`${reading.path}/desk`);
      if (this.#reading !== reading) return;
      reading.begin(desk);
      this.#display.takeBegun(reading);
    } catch (error) {
      if (this.#reading !== reading) return;
      this.#display.clear();
      throw error;
    }
    if (!reading.proposal.isAwaited) return;
    const proposal = await reading.api.get(`${reading.path}/proposal`);
    if (this.#reading !== reading || proposal === null) return;
    await reading.proposal.arrived(proposal);
    this.#display.takeBegun(reading);
  }

  /** Leave the knee that is open, once all of it is saved. @returns {Promise<boolean>} whether it could be left */
  async #leave() {
    const leaving = (this.#leaving += 1);
    const reading = this.#reading;
    if (reading) {
      if (!(await reading.signing.mayLeave())) return false;
      reading.editing.letGo();
      await reading.settle();
      if (leaving !== this.#leaving) return false; // the reader has asked for something else since
      reading.leave();
    }
    closeDialog();
    this.#display.clear();
    this.#task = null;
    this.#sayTrouble("");
    setShown(byId("next"), false);
    return true;
  }

  /** @param {() => Promise<void>} act @param {Task | null} task what it is about: trouble with a knee left since is not shown */
  async #guarded(act, task = null) {
    try {
      await act();
    } catch (error) {
      if (task && this.#task !== task) return;
      setText(byId("person"), "");
      this.#sayTrouble(messageOf(error));
    }
  }

  /** @param {string} message */
  #sayTrouble(message) {
    setText(byId("trouble-words"), message);
    setShown(byId("trouble"), Boolean(message));
    setShown(byId("trouble-reject"), Boolean(message) && this.#task !== null && !this.#reading);
  }

  /** @param {import("./keys.js").Request} what */
  #ask(what) {
    const acts = {
      sign: () => void this.#conclude((reading) => reading.signing.sign(), "measured"),
      withdraw: () => void this.#conclude((reading) => reading.signing.withdraw(), "begun"),
      next: () => void this.#next(),
      reject: () => void this.#reject(),
      series: () => this.#toNextSeries(),
      list: () => void this.#showList(),
      help: showKeys,
      theme: toggleRoom,
      earlier: () => this.#display.earlier.toggle(),
      quality: () => {
        /** @type {HTMLDetailsElement} */ (byId("quality")).open = true;
        byId("quality-list").querySelector("input")?.focus();
      },
    };
    if (what !== "list" || this.#tasks.length > 1) acts[what]();
  }

  /** Do what changes the status of the knee in view, and note it on that knee. @param {(reading: Reading) => Promise<boolean>} act @param {string} status */
  async #conclude(act, status) {
    const [reading, task] = [this.#reading, this.#task];
    if (!reading || !task || !(await act(reading))) return;
    this.#setStatus(task, status);
  }

  /** @param {Task} task @param {string} status */
  #setStatus(task, status) {
    task.status = status;
    if (this.#task !== task) return;
    const isMore = isDone(task) && this.#tasks.some((each) => !isDone(each));
    const { hasFocus: hadFocus } = this.#display;
    setShown(byId("next"), isMore);
    if (isMore && hadFocus) byId("next").focus();
  }

  async #next() {
    const task = this.#task;
    if (this.#reading && !(await this.#reading.signing.mayLeave())) return; // what was not signed stays in view
    if (this.#task !== task) return;
    const at = task ? this.#tasks.indexOf(task) : -1;
    const order = [...this.#tasks.slice(at + 1), ...this.#tasks.slice(0, at + 1)];
    const next = order.find((each) => !isDone(each) && each !== task);
    if (next) await this.open(next);
    else this.#ask("list");
  }

  /** @param {string} key */
  #toSeries(key) {
    if (this.#task) void this.open(this.#task, key, false);
  }

  #toNextSeries() {
    const series = this.#reading?.knee.series;
    if (!series || series.choices.length < 2) return;
    const at = series.choices.findIndex(({ key }) => key === series.key);
    this.#toSeries(series.choices[(at + 1) % series.choices.length].key);
  }

  async #reject() {
    const task = this.#task;
    const reason = await askRejection();
    if (!task || !reason || this.#task !== task) return;
    if (this.#reading) {
      await this.#conclude((reading) => reading.signing.reject(reason), "rejected");
      return;
    }
    await this.#guarded(async () => {
      await this.#api.post(`tasks/${task.id}/reject`, { revision: null, reason });
      this.#setStatus(task, "rejected");
      this.#sayTrouble("Rejected and signed.");
    }, task);
  }
}

new Page();
