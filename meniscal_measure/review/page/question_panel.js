/** The question in view with its answer, and the list of all questions. */

import { isLandmark } from "./answering.js";
import { byId, make, Rebuilt, setShown, setText } from "./dom.js";

/**
 * @typedef {import("./answering.js").Question} Question
 * @typedef {import("./answering.js").Given} Given
 * @typedef {{questions: Question[], topics: import("./answering.js").Topic[], at: number, answers: Given[], place: import("./answering.js").Place | null, placeWords: string | null}} Asked
 *   place: where the landmark in question lies, on a slice that is named in words
 */

export class QuestionPanel {
  #number = /** @type {HTMLInputElement} */ (byId("number-value"));
  #takeBack = /** @type {HTMLButtonElement} */ (byId("take-back"));
  #choices = new Rebuilt(byId("choices"));
  #list = new Rebuilt(byId("questions"));
  #topics = new Rebuilt(byId("topics"));

  /** @param {{shown: (at: number) => void, answered: (answer: Given) => void, chosen: (key: string, isChosen: boolean) => void}} on */
  constructor(on) {
    this.#takeBack.addEventListener("click", () => on.answered(null));
    byId("number").addEventListener("submit", (event) => {
      event.preventDefault();
      on.answered(this.#number.valueAsNumber);
    });
    this.#choices.element.addEventListener("click", ({ target, detail }) => {
      const choice = buttonAt(target)?.dataset.choice;
      if (choice && detail < 2) on.answered(choice); // the rest of a double click would answer the next question
    });
    this.#list.element.addEventListener("click", ({ target }) => {
      const at = buttonAt(target)?.dataset.at;
      if (at) on.shown(Number(at));
    });
    this.#topics.element.addEventListener("click", ({ target }) => {
      const button = buttonAt(target);
      if (button?.dataset.topic) on.chosen(button.dataset.topic, button.getAttribute("aria-pressed") !== "true");
    });
  }

  /** Begin to enter a number, where one is asked for. @param {Question} question @param {Given} answer @returns {boolean} whether it is */
  focus(question, answer) {
    this.#number.value = typeof answer === "number" ? String(answer) : "";
    if (isNumber(question)) this.#number.focus();
    return isNumber(question);
  }

  /** @param {Asked} asked */
  draw({ questions, topics, at, answers, place, placeWords }) {
    const question = questions[at];
    setText(byId("question"), question.text);
    const isUnsuggested = question.plane && question.slice === null;
    setText(byId("why"), isUnsuggested ? `${question.why}. No slice is suggested: page through the series.` : question.why);
    setShown(byId("number"), isNumber(question));
    setShown(byId("placing"), isLandmark(question));
    setText(byId("placing"), place ? `Placed on ${placeWords}, column ${place.pixel[0]}, row ${place.pixel[1]}.`
      : "Click on it, on the slice where it is seen best.");
    this.#takeBack.disabled = answers[at] === null;
    this.#drawChoices(question, answers[at]);
    this.#drawList(questions, at, answers);
    this.#topics.show(topics, () => topics.map(({ key, words, count, is_chosen: isChosen }) => make("li", {}, make(
      "button", { type: "button", "data-topic": key, "aria-pressed": String(isChosen) },
      isChosen ? `✓ ${words}` : `${words} (${count})`,
    ))));
    setShown(byId("more-topics"), topics.length > 0);
  }

  /** @param {Question} question @param {Given} answer */
  #drawChoices({ choices }, answer) {
    setShown(this.#choices.element, choices.length > 0);
    this.#choices.show([choices, answer], () => choices.map((choice, at) => make(
      "button", { type: "button", "data-choice": choice, "aria-pressed": String(choice === answer) },
      make("kbd", {}, String(at + 1)), ` ${choice.replaceAll("_", " ")}`,
    )));
  }

  /** @param {Question[]} questions @param {number} at @param {Given[]} answers */
  #drawList(questions, at, answers) {
    this.#list.show([at, questions, answers], () => questions.map(({ text }, each) => make("li", {}, make(
      "button", { type: "button", "data-at": String(each), "aria-current": String(each === at) },
      text, " ", make("span", { class: "soft" }, wordsOf(answers[each])),
    ))));
    setText(byId("progress"), `${answers.filter((answer) => answer !== null).length} of ${answers.length} answered`);
  }

  /** Bring the question in view into sight in the list. */
  reveal() {
    this.#list.element.querySelector('[aria-current="true"]')?.scrollIntoView({ block: "nearest" });
  }
}

/** @param {Question} question */
function isNumber(question) {
  return !isLandmark(question) && question.choices.length === 0;
}

/** @param {Given} answer */
function wordsOf(answer) {
  if (answer === null) return "";
  return typeof answer === "object" ? "✓ placed" : `✓ ${String(answer).replaceAll("_", " ")}`;
}

/** @param {EventTarget | null} target */
function buttonAt(target) {
  return target instanceof Element ? /** @type {HTMLButtonElement | null} */ (target.closest("button")) : null;
}
