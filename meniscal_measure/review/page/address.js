/** The address of the page: the reader the program names in it, and the knee in view. */

/** The program may name the reader behind the # of the address; it is taken out of sight at once. */
export function takeReaderFromAddress() {
  const given = /^#reader=(.+)$/.exec(location.hash);
  if (!given) return "";
  history.replaceState(null, "", location.pathname);
  return decodeURIComponent(given[1]);
}

/** @param {string} task @param {boolean} asStep whether Back leads to what was shown before */
export function setAddress(task, asStep) {
  const address = task ? `#${task}` : location.pathname;
  if (asStep && location.hash !== `#${task}`) history.pushState(null, "", address);
  else history.replaceState(null, "", address);
}
