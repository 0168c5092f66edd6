/** Light or dark, as the room is: the reader's choice, since a reading room is dark whatever the computer prefers. */

import { byId, setText } from "./dom.js";

const THEME = "theme";

export function toggleRoom() {
  setRoom(document.documentElement.dataset.theme === "dark" ? "light" : "dark");
}

/** @param {string} theme */
export function setRoom(theme = localStorage.getItem(THEME) ?? "dark") {
  document.documentElement.dataset.theme = theme;
  localStorage.setItem(THEME, theme);
  setText(byId("to-theme"), theme === "dark" ? "Light" : "Dark");
}
