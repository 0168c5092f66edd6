/** What the page asks the reader in a dialog of its own. */

import { byId, setText } from "./dom.js";

/** @param {string} id @returns {Promise<string>} how the dialog was closed; empty where it was left with Esc */
function asked(id) {
  const dialog = /** @type {HTMLDialogElement} */ (byId(id));
  if (dialog.open) return Promise.resolve("");
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}

/** Ask who reads. Without a name nothing can be read, so the question comes back. @param {string} current the reader there is */
export async function askReader(current) {
  const name = /** @type {HTMLInputElement} */ (byId("reader-name"));
  name.value = current;
  for (;;) {
    const answer = await asked("reader-dialog");
    const given = name.value.trim();
    if (answer === "ok" && given) return given;
    if (current) return current;
  }
}

/** @returns {Promise<string>} the reason, or nothing */
export async function askRejection() {
  const text = /** @type {HTMLTextAreaElement} */ (byId("reject-text"));
  const reason = /** @type {HTMLSelectElement} */ (byId("reject-reason"));
  text.value = "";
  const ask = () => (text.required = reason.value === "Other");
  reason.onchange = ask;
  ask();
  if ((await asked("reject-dialog")) !== "ok") return "";
  return [reason.value, text.value.trim()].filter(Boolean).join(": ");
}

/** @param {string} side the side to be taken @returns {Promise<string>} why, or nothing */
export async function askSideReason(side) {
  const text = /** @type {HTMLTextAreaElement} */ (byId("side-reason"));
  text.value = "";
  setText(byId("side-title"), `Read this as a ${side} knee`);
  return (await asked("side-dialog")) === "ok" ? text.value.trim() : "";
}

/** Close what was asked about a knee that is being left. */
export function closeDialog() {
  /** @type {HTMLDialogElement | null} */ (document.querySelector("dialog[open]"))?.close();
}

export function showKeys() {
  void asked("keys-dialog");
}
